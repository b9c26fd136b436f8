"""Where the subs of a strategy may stand in a room, and the drives that a strategy sets itself."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from roommodes.arrays import Floats
from roommodes.project.project import Project
from roommodes.studies.design import ZONES
from solvers.search.problem import DriveRange

Point = tuple[float, float, float]

SAME_M = 1e-6  # positions closer than this are one


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Arm:
    """One strategy in one room.

    Parameters
    ----------
    subs : how many.
    column : (n,) its positions, as indices into all positions of the room.
    drives : what may be adjusted.
    delay_s, polarity : (subs,) drives that it sets itself; None where it does not.
    """

    subs: int
    column: NDArray[np.intp]
    drives: DriveRange
    delay_s: Floats | None = None
    polarity: NDArray[np.int64] | None = None


def arms_of(
    project: Project, strategies: Sequence[Mapping[str, Any]], places: Mapping[str, float]
) -> tuple[Floats, tuple[Arm, ...]]:
    """All positions that any strategy needs, each once, and the strategies over them.

    Parameters
    ----------
    project : the room; its zones are the lines along its walls.
    strategies, places : as the study file writes them.

    Returns
    -------
    ((n_position, 3) [m], one arm per strategy).
    """
    known: list[Point] = []
    arms = []
    for strategy in strategies:
        points = _points(project, strategy, places)
        column = np.array(list(dict.fromkeys(_index(known, point) for point in points)), dtype=np.intp)
        arms.append(_arm(project, strategy, column))
    return np.array(known).reshape(-1, 3), tuple(arms)


def _points(project: Project, strategy: Mapping[str, Any], places: Mapping[str, float]) -> list[Point]:
    """Positions of a strategy; those that a search may choose from keep their distance from the ears."""
    length, width, height = project.room().size_m
    inset, up = places["inset_m"], places["height_m"]
    front, rear, left, right = inset, length - inset, inset, width - inset
    kind = strategy["positions"]
    middles = [(front, width / 2, up), (rear, width / 2, up), (length / 2, left, up), (length / 2, right, up)]
    points: list[Point]
    if kind in ("free", "front wall"):
        candidates = project.candidates()
        zones = ZONES if kind == "free" else ZONES[:1]
        pairs = zip(candidates.position_m.tolist(), candidates.zone, strict=True)
        points = [(x, y, z) for (x, y, z), zone in pairs if zone in zones]
        points = list(dict.fromkeys(points + middles[: len(zones)]))  # whatever the spacing, the middles belong to it
    elif kind == "corners":
        points = [(front, left, up), (front, right, up), (rear, left, up), (rear, right, up)]
    elif kind == "wall midpoints":
        points = middles
    elif kind == "quarter points":
        points = [(length * a, width * b, up) for a in (0.25, 0.75) for b in (0.25, 0.75)]
    elif kind == "front-and-rear pairs":
        across = [width * (2 * k + 1) / strategy["subs"] for k in range(strategy["subs"] // 2)]
        return [(front, y, up) for y in across] + [(rear, y, up) for y in across]
    else:
        low, high = (inset, inset, up), (length - inset, width - inset, max(height - inset, up))
        sizes = (length, width, height)
        given = [
            [min(max(part * size, a), b) for part, size, a, b in zip(point, sizes, low, high, strict=True)]
            for point in strategy["at_fraction"]
        ]
        points = [(x, y, z) for x, y, z in given]
    if len(points) == strategy["subs"]:
        return points  # nothing to choose from
    ears = project.seats().position_m
    gap = np.linalg.norm(np.array(points)[:, None] - ears, axis=2).min(axis=1)
    return [point for point, free in zip(points, gap, strict=True) if free >= places["seat_distance_m"] - SAME_M]


def _arm(project: Project, strategy: Mapping[str, Any], column: NDArray[np.intp]) -> Arm:
    subs = strategy["subs"]
    if strategy["positions"] == "front-and-rear pairs":
        # A rear source that takes up the front's plane wave plays it inverted and late by the room's length, however
        # far both stand off their walls: 2 cos(ka) e^{-jkx} meets its reflection 2 cos(ka) e^{-jk(2L - x)}.
        # The scheme: Celestinos and Nielsen, JAES 56(11), 2008 (from memory).
        late = project.room().length_m / project.room().air.speed_of_sound_m_s
        half = subs // 2
        return Arm(
            subs=subs,
            column=column,
            drives=_drives(project, ()),
            delay_s=np.array([0.0] * half + [late] * half),
            polarity=np.array([1] * half + [-1] * half),
        )
    return Arm(subs=subs, column=column, drives=_drives(project, strategy["adjust"]))


def _drives(project: Project, adjust: Sequence[str]) -> DriveRange:
    search = project.search
    least, most = (search.delay_ms[0] * 1e-3, search.delay_ms[1] * 1e-3)
    return DriveRange(
        delay_s=(least, most) if "delays" in adjust else (0.0, 0.0),
        gain_db=search.gain_db if "gains" in adjust else (0.0, 0.0),
        polarity="polarity" in adjust,
    )


def _index(known: list[Point], point: Point) -> int:
    """The place of a point in the list, to which it is added if need be."""
    for index, other in enumerate(known):
        if max(abs(a - b) for a, b in zip(point, other, strict=True)) < SAME_M:
            return index
    known.append(point)
    return len(known) - 1
