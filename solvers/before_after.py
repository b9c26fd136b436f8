"""What the seats, and the whole listening plane, hear before and after: usual layouts against the plan.

One call of the model serves all of it: by reciprocity the subs' positions are its few receivers, and seats and
points of the plane its many sources, which are the cheap side.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roommodes.metrics import drive_weights, level_db, output_db, seat_pressure, variation_db
from roommodes.project import Project
from roommodes.results import Results
from roommodes.transfer import transfer_function
from solvers.usual_layouts import usual_layouts

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

MAP_POINTS = 760
FINEST_MAP_M = 0.1
APART_M = 0.05  # a point of the plane this near to a sub is moved aside: there the level has no end
WORTH_DB = 0.3  # what each further sub must take off the variation to be recommended


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Heard:
    """A layout with its drives and what the seats hear of it.

    Parameters
    ----------
    name : which layout.
    positions_m : (n_sub, 3) [m].
    level_db : (n_freq, n_seat), the loudest sub at its limit [dB re 1/m].
    variation_db, output_db : [dB].
    stands_free : whether cabinets can stand there clear of the keep-outs.
    """

    name: str
    positions_m: Floats
    level_db: Floats
    variation_db: float
    output_db: float
    stands_free: bool = True


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Plane:
    """Points at ear height over the whole room.

    Parameters
    ----------
    x_m, y_m : (n_x,), (n_y,) [m].
    height_m : mean height of the ears [m].
    """

    x_m: Floats
    y_m: Floats
    height_m: float

    def points_m(self) -> Floats:
        """All points, x slowest: (n_x * n_y, 3) [m]."""
        x, y = np.meshgrid(self.x_m, self.y_m, indexing="ij")
        return np.column_stack([x.ravel(), y.ravel(), np.full(x.size, self.height_m)])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BeforeAfter:
    """Usual layouts against one plan.

    Parameters
    ----------
    usual : number of subs -> usual layouts, the most even first; empty where nobody has a usual one.
    own : the layout in the project file, if it has one.
    plane : where the maps were taken.
    plan_map_db : (n_freq, n_x, n_y), the plan [dB re 1/m].
    usual_map_db : the same for the most even usual layout with as many subs; None where there is none.
    """

    usual: Mapping[int, tuple[Heard, ...]]
    own: Heard | None
    plane: Plane
    plan_map_db: Floats
    usual_map_db: Floats | None


def before_after(
    project: Project,
    results: Results,
    *,
    positions_m: Floats,
    gain_db: Sequence[float],
    delay_s: Sequence[float],
    polarity: Sequence[int],
    progress: Callable[[int, int], None] | None = None,
) -> BeforeAfter:
    """Compare a plan with the usual layouts, at the seats and over the listening plane.

    Parameters
    ----------
    project, results : the plan's own project, and its results.
    positions_m : (n_sub, 3) of the plan [m].
    gain_db, delay_s, polarity : (n_sub,) of the plan [dB], [s], +1 or -1.
    progress : called with (frequencies done, frequencies in all).
    """
    seats, hz = results.seats, results.frequency_hz
    plane = listening_plane(project, seats.position_m)
    counts = sorted({*results.plans, len(positions_m)})
    layouts = {count: usual_layouts(project, count, seats.position_m.tolist()) for count in counts}
    own = project.layout
    groups = [np.asarray(positions_m)]
    groups += [np.array(layout.positions_m) for count in counts for layout in layouts[count]]
    groups += [np.array(own.positions_m)] if own else []
    subs, places = np.unique(np.vstack(groups), axis=0, return_inverse=True)
    index_of = iter(np.split(places.ravel(), np.cumsum([len(group) for group in groups])[:-1]))
    receivers = _clear_of(np.vstack([seats.position_m, plane.points_m()]), subs)
    reciprocal = transfer_function(
        project.room(), project.surfaces(), frequency_hz=hz, seat_m=subs, source_m=receivers, progress=progress
    )
    transfer = reciprocal.transpose(0, 2, 1)  # (frequency, seat or point, sub)

    def level(
        chosen: NDArray[np.intp], gains: Sequence[float], delays: Sequence[float], signs: Sequence[int]
    ) -> Floats:
        weights = drive_weights(hz, gain_db=np.array(gains) - max(gains), delay_s=np.array(delays), polarity=signs)
        return level_db(seat_pressure(transfer[:, :, chosen], weights))

    def heard(name: str, at: NDArray[np.intp], levels: Floats, gains: Sequence[float], *, free: bool) -> Heard:
        here = levels[:, : len(seats)]
        return Heard(
            name=name,
            positions_m=subs[at],
            level_db=here,
            variation_db=variation_db(here, seats.weight),
            output_db=output_db(here, seats.weight, np.array(gains) - max(gains)),
            stands_free=free,
        )

    def over_plane(levels: Floats) -> Floats:
        return levels[:, len(seats) :].reshape(len(hz), len(plane.x_m), len(plane.y_m))

    plan_map = over_plane(level(next(index_of), gain_db, delay_s, polarity))
    usual: dict[int, tuple[Heard, ...]] = {}
    maps: dict[str, Floats] = {}
    for count in counts:
        found = []
        for layout in layouts[count]:
            at, alike = next(index_of), [0.0] * count
            levels = level(at, alike, alike, [1] * count)
            if count == len(positions_m):
                maps[layout.name] = over_plane(levels)
            found.append(heard(layout.name, at, levels, alike, free=layout.stands_free))
        usual[count] = tuple(sorted(found, key=lambda one: one.variation_db))
    mine = None
    if own:
        at, delays = next(index_of), [1e-3 * delay for delay in own.delay_ms]
        levels = level(at, own.gain_db, delays, own.polarity)
        mine = heard("as in the project file", at, levels, own.gain_db, free=True)
    rivals = usual[len(positions_m)]
    return BeforeAfter(
        usual=usual,
        own=mine,
        plane=plane,
        plan_map_db=plan_map,
        usual_map_db=maps[rivals[0].name] if rivals else None,
    )


def listening_plane(project: Project, seat_m: Floats) -> Plane:
    """An even grid over the room, walls included, at the mean height of the ears."""
    length, width, _ = project.room().size_m
    spacing = max(FINEST_MAP_M, (length * width / MAP_POINTS) ** 0.5)
    return Plane(
        x_m=np.linspace(0.0, length, max(3, 1 + round(length / spacing))),
        y_m=np.linspace(0.0, width, max(3, 1 + round(width / spacing))),
        height_m=float(np.mean(seat_m[:, 2])),
    )


def recommended_count(results: Results) -> int:
    """How many subs to build: the most for which each further sub still takes enough off the variation."""
    counts = sorted(results.plans)
    chosen = counts[0]
    for count in counts[1:]:
        less = float(results.plans[chosen].variation_db[0] - results.plans[count].variation_db[0])
        if less >= WORTH_DB * (count - chosen):
            chosen = count
    return chosen


def _clear_of(points_m: Floats, subs_m: Floats) -> Floats:
    """The points, those almost on a sub moved up or down from it."""
    moved = points_m.copy()
    for sub in subs_m:
        near = np.linalg.norm(moved - sub, axis=1) < APART_M
        moved[near, 2] = sub[2] + (APART_M if sub[2] < 1.0 else -APART_M)
    return moved
