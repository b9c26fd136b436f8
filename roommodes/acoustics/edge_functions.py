"""Basis functions along the free edges of a strongly absorbing surface, where polynomials alone fit badly.

Where a surface of large |beta| ends in the middle of a hard wall, the velocity into it grows toward the edge as
1 / sqrt(r), down to about r = 1 / (k0 |beta|), where it levels out [1]. A few functions

    (r + rho)^(-1/2),    rho = rho_1, RATIO rho_1, RATIO^2 rho_1, ... up to a third of the side,

beside the Legendre polynomials of the side follow both, for every frequency at once.

| symbol | meaning |
| --- | --- |
| r | distance from the edge [m] |
| rho | where one function levels out [m] |
| k0 | omega / c [1/m] |

References
----------
[1] The inverse square root is the mixed problem's singularity (hard wall beside a soft one: p ~ sqrt(r)), as in
    M. Dauge, Elliptic Boundary Value Problems on Corner Domains, 1988 (from memory). What these functions leave is
    measured against spectral elements in `tests`.
[2] integral of r^(-1/2) e^{jkr} by Fresnel's integrals (Abramowitz and Stegun 7.3).
"""

from math import pi

import numpy as np
from numpy.polynomial import legendre

from roommodes.acoustics.room import AXIS_OF_WALL, Room, Surface
from roommodes.acoustics.wall_bases import Family, kept_products, legendre_overlaps
from roommodes.arrays import Floats
from roommodes.shapes.faces import PLANE_AXES

Ends = tuple[bool, bool]  # of a side: whether its start, and its end, is a free edge

RATIO = 3.0  # of neighbouring rho
FINEST, COARSEST = 0.5, 1.0 / 3.0  # rho_1 times k0 |beta|, largest rho over the side
CELL, POINTS = 2.5, 24  # growth of the cells toward the edge, Gauss points in each
DEPENDENT = 1e-5  # what is left of a function that the others nearly make up


def family_with_edges(
    room: Room,
    piece: Surface,
    *,
    orders: tuple[int, int],
    free: tuple[Ends, Ends],
    reaction: float,
    counts: tuple[int, int, int],
) -> Family:
    """Boundary modes of a strong surface: Legendre products, and edge functions times polynomials along the edge.

    Products of two edge functions, which would meet in a corner, are left out: they add nothing that is measured.

    Parameters
    ----------
    piece : the rectangle.
    orders : polynomials per side.
    free : of each side, which of its ends are edges with edge functions.
    reaction : the largest k0 |beta| of the surface [1/m].
    counts : cosines per room axis.
    """
    tables = []
    for i, axis in enumerate(PLANE_AXES[AXIS_OF_WALL[piece.wall][0]]):
        start, end = piece.from_m[i], piece.to_m[i]
        rho = level_out_m(reaction, end - start)
        place = (room.size_m[axis], start, end)
        tables.append(overlaps_with_edges(*place, order=orders[i], free=free[i], rho_m=rho, count=counts[axis]))
    keep = np.zeros((len(tables[0]), len(tables[1])), dtype=bool)
    polynomials = np.zeros(orders, dtype=bool)
    polynomials.ravel()[kept_products(orders)] = True
    keep[: orders[0], : orders[1]] = polynomials
    keep[orders[0] :, : orders[1]] = True
    keep[: orders[0], orders[1] :] = True
    return Family(wall=piece.wall, first=tables[0], second=tables[1], keep=np.flatnonzero(keep))


def level_out_m(reaction: float, side_m: float) -> Floats:
    """The rho of one edge: (n,) [m], n may be 0.

    Parameters
    ----------
    reaction : the largest k0 |beta| of the surface [1/m].
    side_m : the side that ends there [m].
    """
    finest, coarsest = FINEST / reaction, COARSEST * side_m
    count = max(0, int(np.ceil(np.log(coarsest / finest) / np.log(RATIO))))
    return np.asarray(finest * RATIO ** np.arange(count))


def overlaps_with_edges(
    length_m: float,
    start_m: float,
    end_m: float,
    *,
    order: int,
    free: Ends,
    rho_m: Floats,
    count: int,
) -> Floats:
    """Overlap of an orthonormal basis on [start, end] with the room's cosines: polynomials, then edge functions.

    Parameters
    ----------
    length_m : room length along the axis [m].
    start_m, end_m : the rectangle's ends along the axis [m].
    order : number of polynomials; they come first, as `legendre_overlaps` has them.
    free : whether the start, and the end, is an edge with edge functions.
    rho_m : (n,) of each edge function [m].
    count : number of cosines.

    Returns
    -------
    (order + n_edge, count) float64 [sqrt(m)].
    """
    side = end_m - start_m
    point, weight = _graded_rule(side, free, float(rho_m.min(initial=side)))
    degree = np.arange(order)
    values = [legendre.legvander(2.0 * point / side - 1.0, order - 1).T * np.sqrt((2 * degree + 1) / side)[:, None]]
    tables = [legendre_overlaps(length_m, start_m, end_m, order=order, count=count)]
    for far in (False, True):
        if free[far]:
            away = side - point if far else point
            values.append(1.0 / np.sqrt(away[None, :] + rho_m[:, None]))
            tables.append(_edge_overlaps(length_m, end_m if far else start_m, side, far=far, rho_m=rho_m, count=count))
    value, table = np.concatenate(values) * np.sqrt(weight), np.concatenate(tables)
    kept = list(range(order))
    for row in range(order, len(value)):
        was = float(np.linalg.norm(value[row]))
        for _ in range(2):  # Gram and Schmidt, twice for the rounding
            share = value[kept] @ value[row]
            value[row] -= share @ value[kept]
            table[row] -= share @ table[kept]
        left = float(np.linalg.norm(value[row]))
        if left > DEPENDENT * was:
            value[row] /= left
            table[row] /= left
            kept.append(row)
    return np.asarray(table[kept])


def _edge_overlaps(length_m: float, edge_m: float, side_m: float, *, far: bool, rho_m: Floats, count: int) -> Floats:
    """Overlap of (r + rho)^(-1/2), r from the edge into the side, with the room's cosines: (n, count)."""
    from scipy.special import fresnel  # noqa: PLC0415 (a tenth of a second that rooms read from what is kept need not pay)

    n = np.arange(count)
    k = (np.maximum(n, 1) * (pi / length_m))[None, :]
    rho = rho_m[:, None]
    sine_1, cosine_1 = fresnel(np.sqrt(2.0 * k * (side_m + rho) / pi))
    sine_0, cosine_0 = fresnel(np.sqrt(2.0 * k * rho / pi))
    # integral over [0, side] of (r + rho)^(-1/2) e^{jkr}, [2]
    whole = np.sqrt(2.0 * pi / k) * (cosine_1 - cosine_0 + 1j * (sine_1 - sine_0)) * np.exp(-1j * k * rho)
    found = np.sqrt(2.0) * np.real(whole * np.exp((-1j if far else 1j) * k * edge_m))
    found[:, 0] = 2.0 * (np.sqrt(side_m + rho_m) - np.sqrt(rho_m))
    return np.asarray(found)


def _graded_rule(side_m: float, free: Ends, finest_m: float) -> tuple[Floats, Floats]:
    """Gauss points and weights on [0, side], in cells that shrink toward the free edges."""
    cells = {0.0, side_m}
    step = finest_m
    while step < 0.5 * side_m:
        cells |= {step} if free[0] else set()
        cells |= {side_m - step} if free[1] else set()
        step *= CELL
    ends = np.array(sorted(cells))
    node, weight = legendre.leggauss(POINTS)
    half, middle = 0.5 * np.diff(ends)[:, None], 0.5 * (ends[1:] + ends[:-1])[:, None]
    return (middle + half * node).ravel(), (half * weight).ravel()
