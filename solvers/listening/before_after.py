"""What the seats, and the whole listening plane, hear before and after: a usual layout against the plan.

One call of the model gives both, less precise than the plans' own: the seats' levels to some 0.03 dB; the maps to
0.3 dB off the walls (see `listening.plane`).
"""

from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np
from threadpoolctl import threadpool_limits

from roommodes.arrays import Complexes, Floats
from roommodes.plan.drives import Drives
from roommodes.plan.plan import Plan, Results
from roommodes.project.project import Project
from roommodes.responses.metrics import level_db, output_db, seat_pressure, variation_db
from roommodes.running import Running
from solvers.choice.usual_layouts import UsualLayout, usual_layouts
from solvers.listening.plane import Plane, listening_plane
from solvers.project_transfer import QUICK, project_transfer, require_project_fits


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
class BeforeAfter:
    """A usual layout against one plan.

    Parameters
    ----------
    rival : the most even usual layout with as many subs and identical settings; None where nobody has a usual one.
    own : the layout in the project file, if it has one.
    plane : where the maps were taken.
    plan_map_db : (n_freq, n_x, n_y), the plan [dB re 1/m].
    plan_seat_db : (n_freq, n_seat), the same at the seats by the same model, whatever was measured there.
    rival_map_db : the same for the rival.
    """

    rival: Heard | None
    own: Heard | None
    plane: Plane
    plan_map_db: Floats
    plan_seat_db: Floats
    rival_map_db: Floats | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Layout:
    """A layout with its drives, the kinds of its subs, its filters, and whether its cabinets stand free."""

    name: str
    positions_m: Floats
    drives: Drives
    kind: Sequence[int] = ()
    free: bool = True
    filters: Complexes | None = None  # (n_freq, n_sub)

    def weights(self, project: Project, frequency_hz: Floats) -> Complexes:
        """Its settings, the most heavily driven sub at its limit, and the response of the kinds: (n_freq, n_sub)."""
        weights = self.drives.at_limit().weights(frequency_hz)
        if self.filters is not None:
            weights = weights * self.filters
        return weights * project.kind_response(frequency_hz)[:, list(self.kind)] if self.kind else weights


def before_after(plan: Plan, *, running: Running = Running()) -> BeforeAfter:
    """Compare a plan with the most even usual layout, at the seats and over the listening plane.

    Parameters
    ----------
    plan : with its filters, if it was tuned.
    running : progress, cancelling, threads.
    """
    project, seat_m, hz = plan.project, plan.seats.position_m, plan.frequency_hz
    require_project_fits(project)
    room = project.room
    usual = [_alike(one) for one in _rivals(plan)]
    own = _Layout(
        name="plan",
        positions_m=plan.positions_m,
        drives=plan.drives,
        kind=plan.kind.tolist(),
        filters=plan.filter_response(hz),
    )
    layouts = [own, *usual, *_own(project)]
    plane = listening_plane(
        room,
        ear_height_m=float(np.mean(seat_m[:, 2])),
        highest_hz=float(hz[-1]),
        sub_m=np.vstack([one.positions_m for one in layouts]),
    )
    found = _transfers(project, hz, [one.positions_m for one in layouts], seat_m, plane.nodes_m(), running)
    heard = [_heard(plan.results, one, to_seats) for one, (to_seats, _) in zip(layouts, found, strict=True)]

    def map_db(index: int) -> Floats:
        one = layouts[index]
        weights = one.weights(project, hz)
        return level_db(plane.pressure(found[index][1], weights, one.positions_m, room, frequency_hz=hz))

    evenest = min(
        range(1, 1 + len(usual)),
        key=lambda k: (round(heard[k].variation_db, 3), -heard[k].output_db),  # with one seat all are as even
        default=None,
    )
    return BeforeAfter(
        rival=None if evenest is None else heard[evenest],
        own=heard[-1] if project.layout else None,
        plane=plane,
        plan_map_db=map_db(0),
        plan_seat_db=heard[0].level_db,
        rival_map_db=None if evenest is None else map_db(evenest),
    )


@contextmanager
def side_by_side() -> Iterator[ThreadPoolExecutor]:
    """Threads for questions asked of the model at once; none of them splits its matrices until all are answered."""
    with threadpool_limits(1), ThreadPoolExecutor() as pool:
        yield pool


def _rivals(plan: Plan) -> tuple[UsualLayout, ...]:
    """The usual layout that the search found the most even, with identical settings; all of them where it is mute."""
    layouts = usual_layouts(plan.project, plan.subs, plan.seats.position_m.tolist())
    known = plan.results.choices.usual
    if known is None:
        return layouts
    stored = sorted(
        known.of_count(plan.subs),
        key=lambda k: (round(float(known.alike_variation_db[k]), 3), -float(known.alike_output_db[k])),
    )
    by_name = {one.name: one for one in layouts}
    named = [by_name[known.name[k]] for k in stored if known.name[k] in by_name]
    return tuple(named[:1]) or layouts


def _alike(layout: UsualLayout) -> _Layout:
    """All subs with identical settings."""
    return _Layout(
        name=layout.name,
        positions_m=np.array(layout.positions_m),
        drives=Drives.alike(len(layout.positions_m)),
        free=layout.stands_free,
    )


def _own(project: Project) -> list[_Layout]:
    """The layout in the project file."""
    own = project.layout
    if own is None:
        return []
    return [
        _Layout(
            name="as in the project file",
            positions_m=np.array(own.positions_m),
            drives=Drives.of_layout(own),
            kind=own.kind,
        )
    ]


def _transfers(
    project: Project,
    frequency_hz: Floats,
    groups: Sequence[Floats],
    seat_m: Floats,
    plane_m: Floats,
    running: Running,
) -> list[tuple[Complexes, Complexes]]:
    """From every group of subs to the seats and to the plane: (n_freq, n_point, n_sub) each.

    By reciprocity the subs, which are few, are the model's seats, and all points its sources, the cheap side; a sub in
    two groups is computed once.
    """
    subs, places = np.unique(np.vstack(groups), axis=0, return_inverse=True)
    reciprocal = project_transfer(
        project,
        frequency_hz=frequency_hz,
        seat_m=subs,
        source_m=np.vstack([seat_m, plane_m]),
        precision=QUICK,
        running=running.under("listening plane"),
    )
    transfer = reciprocal.transpose(0, 2, 1)
    ends = np.cumsum([len(group) for group in groups])[:-1]
    chosen = np.split(places.ravel(), ends)
    return [(transfer[:, : len(seat_m), subset], transfer[:, len(seat_m) :, subset]) for subset in chosen]


def _heard(results: Results, layout: _Layout, transfer: Complexes) -> Heard:
    """What the seats hear; `transfer` (n_freq, n_seat, n_sub)."""
    drives, weight = layout.drives.at_limit(), results.seats.weight
    level = level_db(seat_pressure(transfer, layout.weights(results.project, results.frequency_hz)))
    return Heard(
        name=layout.name,
        positions_m=layout.positions_m,
        level_db=level,
        variation_db=variation_db(level, weight),
        output_db=output_db(level, weight, drives.gain_db),
        stands_free=layout.free,
    )
