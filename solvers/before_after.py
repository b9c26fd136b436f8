"""What the seats, and the whole listening plane, hear before and after: usual layouts against the plan.

One call of the model gives both, less precise than the plans' own: the seats' levels to some 0.01 dB, the maps' to
0.3 dB in the deepest nulls and right at the walls.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from roommodes.metrics import drive_weights, level_db, output_db, seat_pressure, variation_db
from roommodes.ports import Precision
from roommodes.project import Project
from roommodes.results import Results
from roommodes.transfer import transfer_function
from solvers.usual_layouts import usual_layouts

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

MAP_POINTS = 760
FINEST_MAP_M = 0.1
APART_M = 0.05  # a point of the plane this near to a sub is moved aside: there the level has no end
PRECISION = Precision(
    cut=2.5, lowest_cut=5.0, plane_wavenumber=60.0, edge_wavenumber=20.0, extra_order=4, near_error=0.3
)
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
    counts = sorted({*results.plans, len(positions_m)})
    layouts = {count: usual_layouts(project, count, seats.position_m.tolist()) for count in counts}
    own = project.layout
    plane = listening_plane(project, seats.position_m)
    groups = [np.asarray(positions_m)]
    groups += [np.array(layout.positions_m) for count in counts for layout in layouts[count]]
    groups += [np.array(own.positions_m)] if own else []
    each = iter(_transfers(project, hz, groups, seats.position_m, plane.points_m(), progress))
    shape = (len(hz), len(plane.x_m), len(plane.y_m))
    plan_map_db = _level(hz, next(each)[1], gain_db, delay_s, polarity).reshape(shape)
    usual: dict[int, tuple[Heard, ...]] = dict.fromkeys(counts, ())
    usual_map_db: Floats | None = None
    for count in counts:
        found = []
        for layout in layouts[count]:
            to_seats, to_plane = next(each)
            heard = _heard(results, layout.name, layout.positions_m, to_seats, free=layout.stands_free)
            found.append((heard, to_plane))
        found.sort(key=lambda one: one[0].variation_db)
        usual[count] = tuple(heard for heard, _ in found)
        if found and count == len(positions_m):
            usual_map_db = _level(hz, found[0][1], *_alike(count)).reshape(shape)
    mine = None
    if own:
        drives = (own.gain_db, [1e-3 * delay for delay in own.delay_ms], own.polarity)
        mine = _heard(results, "as in the project file", own.positions_m, next(each)[0], drives)
    return BeforeAfter(usual=usual, own=mine, plane=plane, plan_map_db=plan_map_db, usual_map_db=usual_map_db)


@contextmanager
def side_by_side() -> Iterator[ThreadPoolExecutor]:
    """Threads for questions asked of the model at once; none of them splits its matrices until all are answered."""
    with threadpool_limits(1), ThreadPoolExecutor() as pool:
        yield pool


def _transfers(
    project: Project,
    frequency_hz: Floats,
    groups: Sequence[Floats],
    seat_m: Floats,
    plane_m: Floats,
    progress: Callable[[int, int], None] | None,
) -> list[tuple[Complexes, Complexes]]:
    """From every group of subs to the seats and to the plane: (n_freq, n_point, n_sub) each.

    By reciprocity the subs, which are few, are the model's seats, and all points its sources, the cheap side; a sub in
    two groups is computed once.
    """
    subs, places = np.unique(np.vstack(groups), axis=0, return_inverse=True)
    reciprocal = transfer_function(
        project.room(),
        project.surfaces(),
        frequency_hz=frequency_hz,
        seat_m=subs,
        source_m=np.vstack([seat_m, _clear_of(plane_m, subs)]),
        progress=progress,
        precision=PRECISION,
    )
    transfer = reciprocal.transpose(0, 2, 1)
    ends = np.cumsum([len(group) for group in groups])[:-1]
    chosen = np.split(places.ravel(), ends)
    return [(transfer[:, : len(seat_m), subset], transfer[:, len(seat_m) :, subset]) for subset in chosen]


def _level(
    frequency_hz: Floats,
    transfer: Complexes,
    gain_db: Sequence[float],
    delay_s: Sequence[float],
    polarity: Sequence[int],
) -> Floats:
    """Level with the loudest sub at its limit: (n_freq, n_point, n_sub) -> (n_freq, n_point) [dB re 1/m]."""
    gain = np.array(gain_db) - max(gain_db)
    weights = drive_weights(frequency_hz, gain_db=gain, delay_s=np.array(delay_s), polarity=polarity)
    return level_db(seat_pressure(transfer, weights))


def _alike(count: int) -> tuple[list[float], list[float], list[int]]:
    """Gains, delays and polarities of subs that are driven alike."""
    return [0.0] * count, [0.0] * count, [1] * count


def _heard(
    results: Results,
    name: str,
    positions_m: Sequence[Sequence[float]],
    transfer: Complexes,
    drives: tuple[Sequence[float], Sequence[float], Sequence[int]] | None = None,
    *,
    free: bool = True,
) -> Heard:
    gain_db, delay_s, polarity = drives or _alike(len(positions_m))
    level = _level(results.frequency_hz, transfer, gain_db, delay_s, polarity)
    weight = results.seats.weight
    return Heard(
        name=name,
        positions_m=np.array(positions_m),
        level_db=level,
        variation_db=variation_db(level, weight),
        output_db=output_db(level, weight, np.array(gain_db) - max(gain_db)),
        stands_free=free,
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
