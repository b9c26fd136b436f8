"""The whole port matrix at an imaginary wavenumber k^2 = -kappa^2, where everything converges fast.

There the field decays as e^{-kappa r}: points see each other through a few image sources, and the sum over the
modes along a wall's normal is closed. What is summed over the wall's own cosines is carried far enough.

| symbol | meaning |
| --- | --- |
| kappa | imaginary part of the wavenumber [1/m] |
| gamma | sqrt(k_u^2 + k_v^2 + kappa^2) of a pair of cosines along a wall [1/m] |
| L, S | room length along the wall's normal [m], area of the wall [m2] |
| d | distance of a point from the wall [m] |

References
----------
[1] sum over n of eps_n cos(n pi x / L) cos(n pi y / L) / (L ((n pi / L)^2 + gamma^2))
    = cosh(gamma (L - |x - y|)) + cosh(gamma (L - x - y)) over 2 gamma sinh(gamma L)
    (Gradshteyn and Ryzhik 1.445).
"""

from collections.abc import Sequence
from math import ceil, pi

import numpy as np

from roommodes.acoustics.contraction import Factors, parts_of, points_to_family
from roommodes.acoustics.room import Room
from roommodes.acoustics.wall_bases import Family
from roommodes.arrays import Floats
from roommodes.shapes.faces import PLANE_AXES

IMAGE_DECAY = 19.0  # images beyond kappa r = 19 weigh e^{-19} = 6e-9 of one at the source
TAPER_START, TAPER_POWER = 0.75, 8  # where and how fast the cosines fade out, over the last one taken
PLANE_DECAY = 23.0  # cosines beyond gamma d = 23 reach a point with 1e-10 of their strength
END_WEIGHT = 0.7701977  # from int_{1/2}^1 END_WEIGHT sin^2(2 pi (t - 1/2)) t^-3 dt = 1/2


def plane_wavenumbers(room: Room, axis: int, kappa: float, counts: tuple[int, int]) -> Floats:
    """gamma [1/m] of the cosines along the walls whose normal is `axis`: (nu, nv)."""
    u, v = PLANE_AXES[axis]
    k_u = np.arange(counts[0]) * (pi / room.size_m[u])
    k_v = np.arange(counts[1]) * (pi / room.size_m[v])
    return np.sqrt(k_u[:, None] ** 2 + k_v[None, :] ** 2 + kappa**2)


def wall_area_m2(room: Room, axis: int) -> float:
    """Area of a wall whose normal is `axis` [m2]."""
    return room.volume_m3 / room.size_m[axis]


def edge_kernel(room: Room, kappa: float, counts: tuple[int, int, int]) -> Floats:
    """1 / (V (k_n^2 + kappa^2)) for `AdjacentWalls`: (1, nx, ny, nz)."""
    k2 = [(np.arange(n) * (pi / size)) ** 2 for n, size in zip(counts, room.size_m, strict=True)]
    total = k2[0][:, None, None] + k2[1][None, :, None] + k2[2][None, None, :]
    return np.asarray(1.0 / (room.volume_m3 * (total + kappa**2)))[None]


def wall_kernel(room: Room, kappa: float, axis: int, *, opposite: bool, counts: tuple[int, int, int]) -> Floats:
    """The sum over the modes along a wall's normal, for `parallel_walls`: (1, nu, nv), `counts` cosines per axis.

    On the walls whose normal is `axis`: from one wall to itself, or to the one opposite.

    What lies beyond the last cosine K is made up for by weighting those before it. A flux that ends at an edge has
    overlaps that fall as 1/k, so the sum's terms fall as 1/k^3 and the weight w(k/K) must hold
    int (w - 1) t^-3 dt = int_1^inf t^-3 dt = 1/2; without it the sum is off by some 1/K^2.
    """
    u, v = PLANE_AXES[axis]
    gamma = plane_wavenumbers(room, axis, kappa, (counts[u], counts[v]))
    decay = np.exp(-gamma * room.size_m[axis])
    closed = 2.0 * decay if opposite else 1.0 + decay**2
    plane = closed / (gamma * (1.0 - decay**2) * wall_area_m2(room, axis))  # [1] at the walls
    return np.asarray(plane * np.outer(end_weight(counts[u]), end_weight(counts[v])))[None]


def end_weight(count: int) -> Floats:
    """What each of `count` cosines weighs, so that those beyond are made up for: (count,), 1 for the lower half."""
    t = np.arange(count) / (count - 0.5)
    return np.asarray(1.0 + np.where(t > 0.5, END_WEIGHT * np.sin(2.0 * pi * (t - 0.5)) ** 2, 0.0))


def points_against_family(
    room: Room, kappa: float, point_m: Floats, factors: Factors, family: Family, counts: tuple[int, int, int]
) -> Floats:
    """Points against one family's boundary modes: (n_point, family.size).

    Parameters
    ----------
    point_m : (n_point, 3) [m].
    factors : the points' cosines along x, y, z, (n_point, counts).
    counts : the most cosines taken along each axis; a point away from the wall needs far fewer.
    """
    axis = family.normal_axis
    u, v = PLANE_AXES[axis]
    length = room.size_m[axis]
    height = point_m[:, axis] if family.side == 0 else length - point_m[:, axis]
    distance, group = np.unique(np.round(height, 9), return_inverse=True)
    result = np.empty((len(point_m), family.size))
    # a point on the wall sees all wavenumbers: let the last of them fade out, or their sharp end rings
    edge = TAPER_START * min((counts[w] - 1) * pi / room.size_m[w] for w in (u, v))
    for index, d in enumerate(distance):
        reach = PLANE_DECAY / max(d, 1e-9)  # [1/m]
        few = tuple(min(counts[w], ceil(reach * room.size_m[w] / pi) + 1) for w in (u, v))
        gamma = plane_wavenumbers(room, axis, kappa, (few[0], few[1]))
        decay = np.exp(-gamma * d) + np.exp(-gamma * (2.0 * length - d))
        plane = decay / (gamma * (1.0 - np.exp(-2.0 * gamma * length)) * wall_area_m2(room, axis))
        plane *= np.exp(-((gamma / edge) ** TAPER_POWER))
        chosen = np.flatnonzero(group == index)
        part = (factors[0][chosen], factors[1][chosen], factors[2][chosen])
        result[chosen] = points_to_family(plane[None, None], part, family)[0]
    return result


def points_against_points(room: Room, kappa: float, rows_m: Floats, columns_m: Floats) -> Floats:
    """Points against points by images in the six walls: (n_row, 3), (n_column, 3) -> (n_row, n_column) [1/m].

    Two points at one place give infinity.
    """
    if not len(rows_m) or not len(columns_m):
        return np.zeros((len(rows_m), len(columns_m)))
    reach = IMAGE_DECAY / kappa
    shells = [range(-ceil(reach / (2.0 * size)) - 1, ceil(reach / (2.0 * size)) + 2) for size in room.size_m]
    images = 2.0 * (sum(map(len, shells)) + 2.0 * len(shells[-1]))
    parts = parts_of(len(columns_m), 8.0 * images * len(rows_m))
    return np.concatenate([_by_images(room, kappa, rows_m, columns_m[part], shells) for part in parts], axis=1)


def _by_images(room: Room, kappa: float, rows_m: Floats, columns_m: Floats, shells: Sequence[range]) -> Floats:
    """The sum over the images in these shells along each axis."""
    reach = IMAGE_DECAY / kappa
    total = np.zeros((len(rows_m), len(columns_m)))
    separations = []  # per axis: every image's distance along it, (n_image, row, column)
    for axis, size in enumerate(room.size_m):
        images = [
            sign * columns_m[None, :, axis] + 2.0 * shell * size - rows_m[:, axis, None]
            for shell in shells[axis]
            for sign in (1.0, -1.0)
        ]
        separations.append(np.stack(images) ** 2)
    for x2 in separations[0]:
        if x2.min() > reach**2:
            continue
        for y2 in separations[1]:
            plane = x2 + y2
            if plane.min() > reach**2:
                continue
            radius = np.sqrt(plane[None] + separations[2])
            near = radius.min(axis=(1, 2)) <= reach
            total += (np.exp(-kappa * radius[near]) / radius[near]).sum(axis=0)
    return np.asarray(total / (4.0 * pi))
