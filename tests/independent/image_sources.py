"""Rigid box room with bulk loss by image sources, k complex: exact once the sum has decayed."""

from math import ceil

import numpy as np

from roommodes.arrays import Complexes, Floats


def image_sum(size_m: Floats, source: Floats, receiver: Floats, wavenumber: Complexes, *, reach_m: float) -> Complexes:
    """H = sum over images of e^{-jkr}/r out to `reach_m`, (n_k,) [1/m]; Im k < 0."""
    offsets = []
    for side, s, r in zip(size_m, source, receiver, strict=True):
        period = 2.0 * side * np.arange(-ceil(reach_m / (2.0 * side)) - 1, ceil(reach_m / (2.0 * side)) + 2)
        offsets.append(np.concatenate([period + s - r, period - s - r]))
    across = np.sort((offsets[1][:, None] ** 2 + offsets[2][None, :] ** 2).ravel())
    total = np.zeros(len(wavenumber), dtype=complex)
    for x in offsets[0]:
        r = np.sqrt(across[: np.searchsorted(across, reach_m**2 - x**2)] + x**2)
        total += [(np.exp(-1j * k * r) / r).sum() for k in wavenumber]
    return total
