"""Many filters at once, as the searches need them: the analogue prototypes behind the W3C Note's sections.

With s = j f / f0 and A = 10^(gain/40):

    peaking   (s^2 + s A / Q + 1) / (s^2 + s / (A Q) + 1)
    all-pass  (s^2 - s / Q + 1) / (s^2 + s / Q + 1)

Two filters of one kind in one path, at nearly one frequency, are one filter dialled in twice, or two that work against
each other: they are kept apart by `APART_OCTAVES` (common practice, no source).

Below 300 Hz a section at 44.1 kHz or more differs from its prototype by less than 0.01 dB. What is stored and printed
is always worked out again from the sections themselves.
"""

from itertools import pairwise

import numpy as np

from roommodes.arrays import Complexes, Floats
from roommodes.filters.processor import Steps

APART_OCTAVES = 1.0 / 6.0


def apart(frequency_hz: Floats, dials: Steps) -> float:
    """Least distance of two filters before they go on steps, so that it holds after it [logarithm of frequency]."""
    return float(np.log(2.0) * APART_OCTAVES + dials.width(float(frequency_hz[0])))


def cells(log_hz: Floats, ends: tuple[float, float], distance: float) -> tuple[Floats, Floats]:
    """Where each filter may move without coming nearer to a neighbour than `distance`: bounds (n,), (n,).

    Parameters
    ----------
    log_hz : (n,) logarithms of their frequencies in any order, at least `distance` apart.
    ends : of the band.
    distance : as `apart` gives it.
    """
    low, high = (np.full(len(log_hz), end) for end in ends)
    order = np.argsort(log_hz)
    for left, right in pairwise(order):
        middle = 0.5 * (log_hz[left] + log_hz[right])
        high[left], low[right] = middle - 0.5 * distance, middle + 0.5 * distance
    return low, high


def peaking_shapes(frequency_hz: Floats, *, centre_hz: Floats, q: Floats, gain_db: Floats) -> Complexes:
    """Peaking filters: (n_freq,) and (n,) each -> (n, n_freq)."""
    s = 1j * frequency_hz[None, :] / centre_hz[:, None]
    a = 10.0 ** (gain_db / 40.0)[:, None]
    middle, square = s / q[:, None], s * s + 1.0
    return np.asarray((square + middle * a) / (square + middle / a))


def all_pass_shapes(frequency_hz: Floats, *, centre_hz: Floats, q: Floats) -> Complexes:
    """All-pass filters: (n_freq,) and (n,) each -> (n, n_freq)."""
    s = 1j * frequency_hz[None, :] / centre_hz[:, None]
    middle, square = s / q[:, None], s * s + 1.0
    return np.asarray((square - middle) / (square + middle))
