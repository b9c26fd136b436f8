"""Where the subs of a strategy may stand in a room, and the settings that it gives them before anything is searched."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from roommodes.arrays import Complexes, Floats
from roommodes.project.project import Project
from roommodes.responses.metrics import drive_weights
from roommodes.studies.strategies import ALONG_ALL_WALLS, Point, Strategy, StrategyTable, Trim, strategy_of
from solvers.search.problem import DriveRange

SAME_M = 1e-6  # positions closer than this are one


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Arm:
    """One strategy in one room.

    Parameters
    ----------
    subs : how many.
    column : (n,) its positions, as indices into all positions of the room.
    drives : what is searched for each sub, on top of its settings.
    gain_db, delay_s, polarity : (subs,) settings that the strategy gives [dB], [s], +1 or -1.
    trims : what is added to them for subs together.
    """

    subs: int
    column: NDArray[np.intp]
    drives: DriveRange
    gain_db: Floats
    delay_s: Floats
    polarity: NDArray[np.int64]
    trims: tuple[Trim, ...]

    @property
    def only_layout(self) -> bool:
        """Whether there is nothing to choose from: as many positions as subs."""
        return len(self.column) == self.subs

    @property
    def searched(self) -> bool:
        """Whether positions are chosen, or settings of each sub searched."""
        return not self.only_layout or not (self.drives.is_single or self.subs == 1)

    @property
    def tuned(self) -> bool:
        """Whether anything is fitted to the room: positions, settings or trims."""
        return self.searched or bool(self.trims)

    def weights(self, frequency_hz: Floats) -> Complexes:
        """Complex weights of the settings that the strategy gives: (n_freq, subs)."""
        return drive_weights(frequency_hz, gain_db=self.gain_db, delay_s=self.delay_s, polarity=self.polarity)


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
    gain_low, gain_high = project.search.gain_db
    for entry in strategies:
        table = StrategyTable.model_validate({"name": "a strategy", **entry})
        strategy = strategy_of(table, trim_gain_db=(gain_low - gain_high, 0.0))
        points = _points(project, strategy, places)
        column = np.array(list(dict.fromkeys(_index(known, point) for point in points)), dtype=np.intp)
        arms.append(_arm(project, strategy, column))
    return np.array(known).reshape(-1, 3), tuple(arms)


def _points(project: Project, strategy: Strategy, places: Mapping[str, float]) -> list[Point]:
    """Positions of a strategy, in the air; those that a search may choose from keep their distance from the ears."""
    size = project.room.size_m
    inset, up = places["inset_m"], places["height_m"]
    low, high = (inset, inset, up), (size[0] - inset, size[1] - inset, max(size[2] - inset, up))

    def at(fraction: Point) -> Point:
        x, y, z = (min(max(part * end, a), b) for part, end, a, b in zip(fraction, size, low, high, strict=True))
        return (x, y, z)

    points = [at(fraction) for fraction in strategy.points]
    if strategy.walls:
        points = _along_walls(project, strategy, at)
    if points and not project.room.is_box:
        in_air = project.room.shape.contains(np.array(points))
        points = [point for point, free in zip(points, in_air, strict=True) if free]
    if len(points) == strategy.subs:
        return points  # nothing to choose from
    ears = project.seats.position_m
    gap = np.linalg.norm(np.array(points).reshape(-1, 1, 3) - ears, axis=2).min(axis=1)
    return [point for point, free in zip(points, gap, strict=True) if free >= places["seat_distance_m"] - SAME_M]


def _along_walls(project: Project, strategy: Strategy, at: Callable[[Point], Point]) -> list[Point]:
    """The candidates along the walls, and the walls' middles, which belong to them whatever the spacing."""
    candidates = project.candidates
    level = at((0.0, 0.0, strategy.height))[2]
    pairs = zip(candidates.position_m.tolist(), candidates.zone, strict=True)
    points = [(x, y, level if strategy.height else z) for (x, y, z), zone in pairs if zone in strategy.walls]
    middles = dict(zip(ALONG_ALL_WALLS, ((0.0, 0.5), (1.0, 0.5), (0.5, 0.0), (0.5, 1.0)), strict=True))
    points += [at((*middles[wall], strategy.height)) for wall in strategy.walls]
    return list(dict.fromkeys(points))


def _arm(project: Project, strategy: Strategy, column: NDArray[np.intp]) -> Arm:
    # A rear source that takes up the front's plane wave plays it inverted and late by the room's length, however
    # far both stand off their walls: 2 cos(ka) e^{-jkx} meets its reflection 2 cos(ka) e^{-jk(2L - x)}.
    late = project.room.length_m / project.room.air.speed_of_sound_m_s
    search = project.search
    least, most = (search.delay_ms[0] * 1e-3, search.delay_ms[1] * 1e-3)
    return Arm(
        subs=strategy.subs,
        column=column,
        drives=DriveRange(
            delay_s=(least, most) if "delays" in strategy.adjust else (0.0, 0.0),
            gain_db=search.gain_db if "gains" in strategy.adjust else (0.0, 0.0),
            polarity="polarity" in strategy.adjust,
        ),
        gain_db=np.array(strategy.gain_db),
        delay_s=1e-3 * np.array(strategy.delay_ms) + late * np.array(strategy.delay_room_lengths),
        polarity=np.array(strategy.polarity, dtype=np.int64),
        trims=strategy.trims,
    )


def _index(known: list[Point], point: Point) -> int:
    """The place of a point in the list, to which it is added if need be."""
    for index, other in enumerate(known):
        if max(abs(a - b) for a, b in zip(point, other, strict=True)) < SAME_M:
            return index
    known.append(point)
    return len(known) - 1
