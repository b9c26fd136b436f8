"""Impulse responses of a box by image sources, every wall with a reflection factor of its own, in the time domain."""

from math import ceil

import numpy as np

from roommodes.arrays import Floats


def image_impulse(
    size_m: Floats,
    reflection: Floats,
    source_m: Floats,
    receiver_m: Floats,
    *,
    rate_hz: float,
    duration_s: float,
    speed_m_s: float = 343.2,
) -> Floats:
    """Pressure over time, one pulse of 1/r an image: (n_sample,).

    Parameters
    ----------
    size_m, source_m, receiver_m : (3,) [m].
    reflection : (3, 2) pressure reflection factors of the walls at 0 and at the far end of each axis.
    rate_hz, duration_s : of the result; a pulse between two samples is shared by both.
    """
    reach = speed_m_s * duration_s
    away, factor = [], []
    for side, s, r, (near, far) in zip(size_m, source_m, receiver_m, reflection, strict=True):
        n = np.arange(-ceil(reach / (2.0 * side)) - 1, ceil(reach / (2.0 * side)) + 2)
        away.append(np.concatenate([2.0 * side * n + s - r, 2.0 * side * n - s - r]))
        at_near = np.concatenate([np.abs(n), np.abs(n - 1)])  # how often each wall is met on the way
        at_far = np.concatenate([np.abs(n), np.abs(n)])
        factor.append(near**at_near * far**at_far)
    across2 = (away[1][:, None] ** 2 + away[2][None, :] ** 2).ravel()
    across = (factor[1][:, None] * factor[2][None, :]).ravel()
    sample = np.zeros(ceil(rate_hz * duration_s) + 2)
    for x, own in zip(away[0], factor[0], strict=True):
        distance = np.sqrt(across2 + x**2)
        near = distance < reach
        place = distance[near] * rate_hz / speed_m_s
        whole = place.astype(np.intp)
        part, size = place - whole, own * across[near] / distance[near]
        sample += np.bincount(whole, size * (1.0 - part), len(sample))
        sample += np.bincount(whole + 1, size * part, len(sample))
    return sample[: ceil(rate_hz * duration_s)]
