"""Convex polygons in a plane: area, common part, whether one is a rectangle along the axes."""

from itertools import pairwise

import numpy as np

from roommodes.arrays import Floats

LEAST_AREA_M2 = 1e-12


def area_of(polygon_m: Floats) -> float:
    """Area of a polygon (n, 2) [m2]."""
    u, v = polygon_m.T
    return float(0.5 * abs(u @ np.roll(v, -1) - v @ np.roll(u, -1)))


def rectangle(low_m: tuple[float, float], high_m: tuple[float, float]) -> Floats:
    """The rectangle between two corners: (4, 2) [m]."""
    (a, c), (b, d) = low_m, high_m
    return np.array([(a, c), (b, c), (b, d), (a, d)])


def is_rectangle(polygon_m: Floats) -> bool:
    """Whether it fills the rectangle around it."""
    sides = polygon_m.max(axis=0) - polygon_m.min(axis=0)
    return bool(area_of(polygon_m) > (1.0 - 1e-9) * sides[0] * sides[1])


def common_part(one_m: Floats, other_m: Floats) -> Floats | None:
    """What two convex polygons have in common, (n, 2) [m]; None where that is nothing.

    The first is cut along each side of the second (Sutherland and Hodgman).
    """
    centre = other_m.mean(axis=0)
    kept = one_m
    for start, end in zip(other_m, np.roll(other_m, -1, axis=0), strict=True):
        inward = np.array([start[1] - end[1], end[0] - start[0]])
        if inward @ (centre - start) < 0.0:
            inward = -inward
        depth = (kept - start) @ inward
        cut = []
        for i, point in enumerate(kept):
            before = i - 1
            if depth[i] * depth[before] < 0.0:
                share = depth[before] / (depth[before] - depth[i])
                cut.append(kept[before] + share * (point - kept[before]))
            if depth[i] >= 0.0:
                cut.append(point)
        if len(cut) < 3:
            return None
        kept = np.array(cut)
    return kept if area_of(kept) > LEAST_AREA_M2 else None


def on_polygon(polygon_m: Floats, at: Floats, weight: Floats) -> tuple[Floats, Floats]:
    """Quadrature on a convex polygon: points (n, 2) [m] and weights (n,) [m2].

    It falls into triangles from its first corner, each with the rule's square drawn together there.

    Parameters
    ----------
    polygon_m : (corner, 2) [m].
    at, weight : a rule on 0 to 1.
    """
    s, t = (one.ravel() for one in np.meshgrid(at, at, indexing="ij"))
    both = np.outer(weight * at, weight).ravel()
    points, weights = [], []
    corner = polygon_m[0]
    for one, other in pairwise(polygon_m[1:]):
        p, q = one - corner, other - corner
        points.append(corner + s[:, None] * ((1.0 - t)[:, None] * p + t[:, None] * q))
        weights.append(abs(p[0] * q[1] - p[1] * q[0]) * both)
    return np.concatenate(points), np.concatenate(weights)
