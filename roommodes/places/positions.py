"""Positions as equal numbers where they are one, and as exact mirror images where they are a pair."""

import numpy as np
from numpy.typing import NDArray

from roommodes.arrays import Floats

SAME_M = 1e-6  # positions closer than this are one


def triple(place: Floats) -> tuple[float, float, float]:
    """A position (3,) as three plain numbers."""
    x, y, z = place.tolist()
    return (x, y, z)


def to_micrometre(position_m: Floats) -> Floats:
    """Rounded, so that equal positions are equal numbers."""
    return np.asarray(np.round(position_m, 6) + 0.0)


def position_key(point_m: Floats) -> tuple[int, ...]:
    """The same for positions that are one."""
    return tuple(round(value * 1e6) for value in point_m)


def mirrored(position_m: Floats, width_m: float) -> NDArray[np.intp]:
    """Index of each position's mirror image in the plane y = width / 2, -1 where there is none: (n, 3) -> (n,)."""
    image = position_m * np.array([1.0, -1.0, 1.0]) + np.array([0.0, width_m, 0.0])
    result = np.full(len(position_m), -1, dtype=np.intp)
    for index, point in enumerate(image):
        distance = np.abs(position_m - point).max(axis=1)
        if distance[nearest := int(np.argmin(distance))] <= 2.0 * SAME_M:
            result[index] = nearest
    return result


def exact_pairs(position_m: Floats, width_m: float) -> Floats:
    """Positions (n, 3) whose pairs are mirror images to the last digit, the left one as it is [m]."""
    exact = position_m.copy()
    for one, other in enumerate(mirrored(position_m, width_m)):
        x, y, z = position_m[one]
        if other == one:
            exact[one, 1] = width_m / 2.0
        elif other >= 0 and y < width_m / 2.0:
            exact[other] = (x, width_m - y, z)
    return to_micrometre(exact)
