"""What takes up space in a room: boxes along its axes, and ones that are turned."""

from dataclasses import dataclass
from math import cos, radians, sin

import numpy as np
from numpy.typing import NDArray

from roommodes.arrays import Floats
from roommodes.places.positions import SAME_M

Bools = NDArray[np.bool_]
Triple = tuple[float, float, float]
Corner = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """A named box with its sides along the axes; it may be flat, a line or a point.

    Parameters
    ----------
    name : what a person calls it.
    low, high : its corners nearest to and furthest from the origin [m].
    """

    name: str
    low: Triple
    high: Triple

    def cuts(self, low: Floats, high: Floats) -> Bools:
        """Which of other boxes, corners (n, 3) each, have more than an edge in common with it: (n,)."""
        meets = (low < np.array(self.high) - SAME_M) & (high > np.array(self.low) + SAME_M)
        return np.asarray(np.all(meets, axis=1))

    def holds(self, position_m: Floats) -> Bools:
        """Which of the positions (n, 3) are in it or on its edge: (n,)."""
        inside = (position_m >= np.array(self.low) - SAME_M) & (position_m <= np.array(self.high) + SAME_M)
        return np.asarray(np.all(inside, axis=1))


@dataclass(frozen=True, slots=True, kw_only=True)
class TurnedBox(Box):
    """An upright box that may be turned; `low` and `high` are the corners of the box along the axes around it.

    Parameters
    ----------
    corners_m : its four corners from above, one after the other: front, and the rest around it [m].
    aim_deg : which way its front looks: 0 toward the rear wall, 90 toward the right wall.
    """

    corners_m: tuple[Corner, Corner, Corner, Corner]
    aim_deg: float = 0.0

    def cuts(self, low: Floats, high: Floats) -> Bools:
        """As for a box: along every side of both there is no gap between them (the separating axes of rectangles)."""
        meets = super(TurnedBox, self).cuts(low, high)
        middle, half = (low[:, :2] + high[:, :2]) / 2.0, (high[:, :2] - low[:, :2]) / 2.0
        for along in self._sides():
            own = np.array(self.corners_m) @ along
            reach = half @ np.abs(along)
            at = middle @ along
            meets &= (at - reach < own.max() - SAME_M) & (at + reach > own.min() + SAME_M)
        return np.asarray(meets)

    def holds(self, position_m: Floats) -> Bools:
        """Which of the positions (n, 3) are in it or on its edge: (n,)."""
        inside = super(TurnedBox, self).holds(position_m)
        for along in self._sides():
            own, at = np.array(self.corners_m) @ along, position_m[:, :2] @ along
            inside &= (at >= own.min() - SAME_M) & (at <= own.max() + SAME_M)
        return np.asarray(inside)

    def meets(self, other: "TurnedBox") -> bool:
        """Whether it has more than an edge in common with another."""
        if self.low[2] >= other.high[2] - SAME_M or self.high[2] <= other.low[2] + SAME_M:
            return False
        for along in (*self._sides(), *other._sides()):
            one, two = np.array(self.corners_m) @ along, np.array(other.corners_m) @ along
            if one.max() <= two.min() + SAME_M or two.max() <= one.min() + SAME_M:
                return False
        return True

    def _sides(self) -> tuple[Floats, Floats]:
        """Unit vectors along its depth and its width, from above: (2,) each."""
        turn = radians(self.aim_deg)
        return np.array([cos(turn), sin(turn)]), np.array([-sin(turn), cos(turn)])


def turned_box(name: str, middle_m: Triple, size_m: Triple, aim_deg: float) -> TurnedBox:
    """A box of depth, width and height about its middle, its front looking `aim_deg` from the room's length [m]."""
    turn, (depth, width, height) = radians(aim_deg), size_m
    forward, across = np.array([cos(turn), sin(turn)]), np.array([-sin(turn), cos(turn)])
    corners = [
        np.array(middle_m[:2]) + a * depth / 2.0 * forward + b * width / 2.0 * across
        for a, b in ((1, 1), (1, -1), (-1, -1), (-1, 1))
    ]
    first, second, third, fourth = ((round(float(x), 6) + 0.0, round(float(y), 6) + 0.0) for x, y in corners)
    xs, ys = zip(first, second, third, fourth, strict=True)
    z = middle_m[2]
    return TurnedBox(
        name=name,
        low=(min(xs), min(ys), round(z - height / 2.0, 6) + 0.0),
        high=(max(xs), max(ys), round(z + height / 2.0, 6) + 0.0),
        corners_m=(first, second, third, fourth),
        aim_deg=aim_deg,
    )
