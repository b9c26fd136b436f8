"""What is seen of a room's air along one of its axes: the outline, as a drawing needs it."""

import numpy as np

from roommodes.arrays import Floats
from roommodes.shapes.faces import PLANE_AXES
from roommodes.shapes.shape import Shape

Key = tuple[float, float]


def outline_along(shape: Shape, axis: int) -> tuple[Floats, ...]:
    """The outline of the air seen along an axis: closed loops, (n, 2) each, in the two other axes' order [m]."""
    edges: dict[frozenset[Key], tuple[Key, Key]] = {}
    for polygon in _seen_cells(shape, axis):
        corners = [(round(float(a), 6), round(float(b), 6)) for a, b in polygon]
        for start, end in zip(corners, [*corners[1:], corners[0]], strict=True):
            key = frozenset((start, end))
            if key in edges:
                del edges[key]  # between two cells
            else:
                edges[key] = (start, end)
    return tuple(_loops(list(edges.values())))


def _seen_cells(shape: Shape, axis: int) -> list[list[Key]]:
    """One polygon for each column of cells along an axis that holds air: a rectangle, or a triangle under a slope."""
    grid = shape.grid()
    first, second = PLANE_AXES[axis]
    found = []
    air = np.moveaxis(grid.air, axis, 2)
    for i, j in np.argwhere(air.any(axis=2)):
        a0, a1 = grid.planes[first][i : i + 2]
        b0, b1 = grid.planes[second][j : j + 2]
        whole = [(a0, b0), (a1, b0), (a1, b1), (a0, b1)]
        leans = [0]
        if axis != 2 and first < 2:  # the slopes along the axis across are seen as lines
            lean = np.moveaxis(grid.lean[first], axis, 2)[i, j][air[i, j]]
            leans = lean.tolist()
        if 0 in leans:
            found.append(whole)
        elif leans[0] < 0:
            found.append([(a0, b0), (a1, b0), (a0, b1)])
        else:
            found.append([(a0, b0), (a1, b0), (a1, b1)])
    return found


def _loops(edges: list[tuple[Key, Key]]) -> list[Floats]:
    """Edges joined to closed loops, corners between edges of one direction left out."""
    following: dict[Key, list[Key]] = {}
    for start, end in edges:
        following.setdefault(start, []).append(end)
    found = []
    while following:
        start = min(following)
        loop = [start]
        while True:
            here = loop[-1]
            nexts = following[here]
            loop.append(nexts.pop())
            if not nexts:
                del following[here]
            if loop[-1] == start:
                break
        found.append(_corners(np.array(loop[:-1])))
    return found


def _corners(loop: Floats) -> Floats:
    before, after = loop - np.roll(loop, 1, axis=0), np.roll(loop, -1, axis=0) - loop
    turn = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    return np.asarray(loop[np.abs(turn) > 1e-9])


def solid_at(shape: Shape, height_m: float) -> tuple[tuple[float, float, float, float], ...]:
    """Rectangles of the plan that are not air at a height: low x, low y, high x, high y each [m]."""
    length, width, _ = shape.size_m
    found = [
        (block.low_m[0], block.low_m[1], block.high_m[0], block.high_m[1])
        for block in shape.blocks
        if block.low_m[2] < height_m < block.high_m[2]
    ]
    for slope in shape.slopes:
        low, high = slope.span_m
        fall = slope.height_m(high) - slope.height_m(low)
        if fall:
            meets = low + (height_m - slope.height_m(low)) * (high - low) / fall
            ends = (max(meets, low), high) if fall < 0.0 else (low, min(meets, high))
        else:
            ends = (low, high) if slope.height_m(low) < height_m else (low, low)
        if ends[1] - ends[0] > 1e-6:
            x, y = (ends, (0.0, width)) if slope.axis == 0 else ((0.0, length), ends)
            found.append((x[0], y[0], x[1], y[1]))
    return tuple(found)
