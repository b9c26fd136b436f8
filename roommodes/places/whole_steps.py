"""Places in whole steps, as a joiner measures them: from the nearer wall, and up from what carries the cabinet.

What is measured is the face of the cabinet that looks to that wall, and its foot; of a point the point itself. A zone
without extent along an axis keeps its places there as they are given.
"""

from collections.abc import Callable
from dataclasses import dataclass
from math import ceil, floor

import numpy as np

from roommodes.arrays import Floats
from roommodes.places.positions import SAME_M, to_micrometre

SLACK = 1e-6  # of a step
TURNS = 4  # of a cabinet on its way to whole steps

Triple = tuple[float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class WholeSteps:
    """From where places are measured, and in which steps.

    Parameters
    ----------
    step_m : the step [m].
    room_m : length, width, height [m].
    faces : from a place (3,) to the low and high faces of the cabinet as it is turned there, (3,) each [m].
    carried_at : height of what carries a cabinet at a place (3,) [m].
    middle : whether the plane between left and right wall is a place too.
    """

    step_m: float
    room_m: Triple
    faces: Callable[[Floats], tuple[Floats, Floats]]
    carried_at: Callable[[Floats], float]
    middle: bool = False

    def nearest(self, point_m: Floats, low_m: Triple, high_m: Triple) -> Floats | None:
        """The place in whole steps nearest to a point (3,) between two corners; None where there is none."""
        place = point_m
        for _ in range(TURNS):
            low, high = self.faces(place)
            found: list[float] = []
            for axis in range(3):
                at = self._along(axis, place, (low_m[axis], high_m[axis]), float(point_m[axis]), (low, high))
                if at is None:
                    return None
                found.append(at)
            place = to_micrometre(np.array(found))
            if all(np.allclose(a, b, atol=SAME_M) for a, b in zip(self.faces(place), (low, high), strict=True)):
                return place
        return None  # there it is turned to and fro

    def off_m(self, place: Floats) -> tuple[float, float, float]:
        """How far each of the distances that are measured of a place (3,) is from whole steps [m]."""
        low, high = self.faces(place)
        found = []
        for axis in range(3):
            from_end = axis < 2 and place[axis] > self.room_m[axis] / 2.0 + SAME_M
            if axis == 1 and self.middle and abs(place[1] - self.room_m[1] / 2.0) <= SAME_M:
                found.append(0.0)
                continue
            base = self.carried_at(place) if axis == 2 else 0.0
            away = self.room_m[axis] - place[axis] - high[axis] if from_end else place[axis] + low[axis] - base
            found.append(float(abs(away - round(away / self.step_m) * self.step_m)))
        return found[0], found[1], found[2]

    def _along(
        self, axis: int, place: Floats, within: tuple[float, float], at_m: float, faces: tuple[Floats, Floats]
    ) -> float | None:
        """The coordinate nearest to one within two others at which the face that is measured is in whole steps."""
        low, high = within
        if high - low <= SAME_M:
            return at_m
        end = None if axis == 2 else self.room_m[axis]
        if end is None:
            shift = faces[0][2] - self.carried_at(place)
        elif axis == 1 and self.middle and abs(at_m - end / 2.0) <= SAME_M:
            return end / 2.0
        elif at_m > end / 2.0 + SAME_M:
            shift = end - faces[1][axis]
            steps = self._whole(shift - at_m, shift - high, shift - max(low, end / 2.0))
            return None if steps is None else shift - steps * self.step_m
        else:
            high, shift = min(high, end / 2.0), faces[0][axis]
        steps = self._whole(at_m + shift, low + shift, high + shift)
        return None if steps is None else steps * self.step_m - shift

    def _whole(self, wanted: float, least: float, most: float) -> int | None:
        """The number of steps nearest to a distance and within two others; None where no whole number is."""
        low, high = ceil(least / self.step_m - SLACK), floor(most / self.step_m + SLACK)
        if low > high:
            return None
        return min(max(floor(wanted / self.step_m + 0.5 + SLACK), low), high)
