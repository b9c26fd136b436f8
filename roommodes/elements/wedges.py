"""The singular field at inward edges: functions that polynomials cannot follow, one family for each edge.

Around an edge with an angle w > pi of air the field goes as r^(pi/w) cos(pi (theta - theta_0) / w), which
polynomials approach slowly. That function itself, times a smooth cut-off across the edge and the mesh's own
polynomials along it, joins the basis. Where the edge ends and air goes on around its line, the function is carried on
through the angle that was solid.

| symbol | meaning |
| --- | --- |
| r, theta | polar coordinates about the edge |
| theta_0, w | where the air begins, and how far it goes round, theta_0 to theta_0 + w |

References
----------
[1] P. Grisvard, Elliptic Problems in Nonsmooth Domains, section 4.4 (from memory): the singular functions.
[2] G. J. Fix, S. Gulati, G. I. Wakoff, On the use of singular functions with finite element approximations,
    J. Comput. Phys. 13, 209-228, 1973 (from memory): adding them to the basis.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import atan2, pi

import numpy as np
from numpy.typing import NDArray

from roommodes.arrays import Floats
from roommodes.shapes.faces import PLANE_AXES, Edge
from roommodes.shapes.grid import Grid
from roommodes.shapes.solids import Pair

LEAST_REACH_M = 0.3  # a cut-off goes on over thin cells until it is so wide
GRADING = (1.0, 0.15, 0.15**2, 0.15**3, 0.15**4)  # of quadrature towards an edge, as shares of the reach


@dataclass(frozen=True, slots=True, kw_only=True)
class Wedge:
    """One straight inward edge along an axis.

    Parameters
    ----------
    axis : along which it runs.
    at_m : where it lies along the two other axes, in the order x, y, z [m].
    span_m : its ends along its axis [m].
    start, angle : theta_0 and w, theta counted from the first of the two other axes towards the second [rad].
    low_m, high_m : where the cut-off ends along each of the two other axes [m].
    """

    axis: int
    at_m: Pair
    span_m: Pair
    start: float
    angle: float
    low_m: Pair = (0.0, 0.0)
    high_m: Pair = (0.0, 0.0)

    def function(self, point_m: Floats) -> tuple[Floats, Floats]:
        """The function and its gradient: (..., 3) -> (...), (..., 3)."""
        first, second = PLANE_AXES[self.axis]
        a, b = point_m[..., first] - self.at_m[0], point_m[..., second] - self.at_m[1]
        r = np.maximum(np.hypot(a, b), 1e-14)
        theta = np.mod(np.arctan2(b, a) - self.start, 2.0 * pi)
        power = pi / self.angle
        solid = theta > self.angle
        rate = np.where(solid, pi / (2.0 * pi - self.angle), power)
        phase = np.where(solid, pi + rate * (theta - self.angle), power * theta)
        radial = r**power
        value = radial * np.cos(phase)
        outward, around = power / r * value, -rate / r * radial * np.sin(phase)
        cut_a, slope_a = self._cut(a, 0)
        cut_b, slope_b = self._cut(b, 1)
        gradient = np.zeros(point_m.shape)
        gradient[..., first] = (outward * a / r - around * b / r) * cut_a * cut_b + value * slope_a * cut_b
        gradient[..., second] = (outward * b / r + around * a / r) * cut_a * cut_b + value * cut_a * slope_b
        return value * cut_a * cut_b, gradient

    def _cut(self, away: Floats, index: int) -> tuple[Floats, Floats]:
        """1 - t^2 along one axis and its slope, t the distance over the reach on that side; zero beyond."""
        low, high = self.at_m[index] - self.low_m[index], self.high_m[index] - self.at_m[index]
        reach = np.where(away < 0.0, low, high)
        t = away / reach
        within = np.abs(t) < 1.0
        return np.where(within, 1.0 - t**2, 0.0), np.where(within, -2.0 * t / reach, 0.0)

    def touches(self, low_m: Floats, high_m: Floats) -> bool:
        """Whether the cut-off leaves anything across the edge in a box."""
        return all(
            low_m[axis] < self.high_m[i] - 1e-9 and high_m[axis] > self.low_m[i] + 1e-9
            for i, axis in enumerate(PLANE_AXES[self.axis])
        )


def wedges_of(edges: Sequence[Edge], grid: Grid) -> tuple[Wedge, ...]:
    """The inward edges along the axes, their pieces joined, with cut-offs that end on planes of the mesh."""
    found: list[Wedge] = []
    for edge in sorted(edges, key=lambda one: tuple(one.start_m + one.end_m)):
        run = edge.end_m - edge.start_m
        axis = int(np.argmax(np.abs(run)))
        if np.abs(np.delete(run, axis)).max() > 1e-9:
            continue
        first, second = PLANE_AXES[axis]
        turns = [atan2(float(into[second]), float(into[first])) for into in edge.into]
        there = (turns[1] - turns[0]) % (2.0 * pi)
        start = turns[0] if abs(there - edge.angle) < 1e-6 else turns[1]
        ends = sorted((float(edge.start_m[axis]), float(edge.end_m[axis])))
        at = (float(edge.start_m[first]), float(edge.start_m[second]))
        new = Wedge(axis=axis, at_m=at, span_m=(ends[0], ends[1]), start=start % (2.0 * pi), angle=edge.angle)
        found = _joined(found, new)
    return tuple(_with_reach(wedge, grid) for wedge in found)


def _joined(found: list[Wedge], new: Wedge) -> list[Wedge]:
    """With one more, which may go on where one of them ends."""
    for index, old in enumerate(found):
        alike = old.axis == new.axis and np.allclose(
            (*old.at_m, old.angle, np.cos(old.start), np.sin(old.start)),
            (*new.at_m, new.angle, np.cos(new.start), np.sin(new.start)),
            atol=1e-6,
        )
        ends = (*old.span_m, *new.span_m)
        if alike and min(abs(old.span_m[1] - new.span_m[0]), abs(new.span_m[1] - old.span_m[0])) < 1e-6:
            rest = [*found[:index], *found[index + 1 :]]
            return _joined(rest, replace(old, span_m=(min(ends), max(ends))))
    return [*found, new]


def _with_reach(wedge: Wedge, grid: Grid) -> Wedge:
    """The wedge with its cut-offs: wide enough, but not through to what lies beyond a wall or a gap."""
    axes = PLANE_AXES[wedge.axis]
    along = grid.planes[wedge.axis]
    middles = 0.5 * (along[1:] + along[:-1])
    within = np.flatnonzero((middles > wedge.span_m[0]) & (middles < wedge.span_m[1]))
    index = [int(np.argmin(np.abs(grid.planes[axis] - at))) for axis, at in zip(axes, wedge.at_m, strict=True)]
    air = np.take(np.moveaxis(grid.air, (wedge.axis, *axes), (0, 1, 2)), within, axis=0)
    ends = []
    for i, axis in enumerate(axes):
        other = index[1 - i]
        beside = np.take(air, [other - 1, other], axis=2 - i)  # the cells on both sides of the edge, all along
        layers = np.moveaxis(beside, 1 + i, 0)
        below, above = layers[: index[i]][::-1], layers[index[i] :]
        planes, here = grid.planes[axis], index[i]
        ends.append(
            (
                float(planes[here - _steps(below, wedge.at_m[i] - planes[:here][::-1])]),
                float(planes[here + _steps(above, planes[here + 1 :] - wedge.at_m[i])]),
            )
        )
    return replace(wedge, low_m=(ends[0][0], ends[1][0]), high_m=(ends[0][1], ends[1][1]))


def _steps(layers: NDArray[np.bool_], away_m: Floats) -> int:
    """How many layers a cut-off goes over: as long as they look like the first one, until it is wide enough."""
    count = 1
    while count < len(layers) and away_m[count - 1] < LEAST_REACH_M and (layers[count] == layers[0]).all():
        count += 1
    return count


def graded(low_m: float, high_m: float, towards: Sequence[tuple[float, float]]) -> Floats:
    """Breaks of an interval, graded towards places, each with its reach [m]: for quadrature of the functions."""
    breaks = {low_m, high_m}
    for place, reach in towards:
        for share in GRADING:
            for value in (place - share * reach, place + share * reach):
                if low_m < value < high_m:
                    breaks.add(value)
        if low_m < place < high_m:
            breaks.add(place)
    kept = [low_m]
    for value in sorted(breaks):
        if value - kept[-1] > 1e-9:
            kept.append(value)
    return np.array(kept)
