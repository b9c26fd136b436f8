"""Variation saved by delays and gains over equal drives, and by positions over the usual ones.

The usual layouts are judged twice: with identical settings, as most rooms get them, and with settings searched as the
plan's were. What the first loses against the second is the worth of settings there; what the second loses against the
plan is the worth of positions alone.
"""

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np

from roommodes.arrays import Complexes, Floats, Integers
from roommodes.project.project import Project
from roommodes.project.tables import MAX_COUNT
from roommodes.responses.metrics import level_db, output_db, seat_pressure, variation_db
from roommodes.running import Running
from solvers.choice.usual_layouts import UsualLayout, usual_layouts
from solvers.search.explore import Effort
from solvers.search.problem import FoundPlan, Problem
from solvers.search.search import search

EFFORT = Effort(hops=24)  # one layout has few drives to try


@dataclass(frozen=True, slots=True, kw_only=True)
class Usual:
    """A usual layout with identical and with searched settings.

    Parameters
    ----------
    name : where the subs are, in words.
    subs : how many.
    stands_free : whether every cabinet stands there clear of the keep-outs.
    alike_variation_db, alike_output_db : all subs with identical settings [dB].
    driven_variation_db, driven_output_db : each with the best settings found [dB].
    """

    name: str
    subs: int
    stands_free: bool
    alike_variation_db: float
    alike_output_db: float
    driven_variation_db: float
    driven_output_db: float


def alike_db(problem: Problem, plan: FoundPlan) -> float:
    """Variation at a plan's positions with all subs with identical settings [dB]."""
    return _alike(problem.transfer[:, :, plan.candidate_index], problem)[0]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class UsualPlaces:
    """Usual layouts, and every position that they need once.

    Parameters
    ----------
    layouts : (number of subs, layout).
    position_m : (n_place, 3) [m].
    index : for each layout its positions.
    """

    layouts: tuple[tuple[int, UsualLayout], ...]
    position_m: Floats
    index: tuple[Integers, ...]


def usual_places(project: Project, seat_m: Floats) -> UsualPlaces:
    """All usual layouts.

    Parameters
    ----------
    project : the room.
    seat_m : (n, 3) wherever a seat may be: a layout with a sub in a listener's lap is left out [m].
    """
    layouts = [(n, one) for n in range(1, MAX_COUNT + 1) for one in usual_layouts(project, n, seat_m.tolist())]
    places: dict[tuple[float, ...], int] = {}
    index = [
        np.array([places.setdefault(point, len(places)) for point in one.positions_m], dtype=np.int64)
        for _, one in layouts
    ]
    return UsualPlaces(layouts=tuple(layouts), position_m=np.array(list(places)).reshape(-1, 3), index=tuple(index))


def usual_worth(
    problem: Problem,
    places: UsualPlaces,
    transfer: Complexes,
    *,
    counts: Collection[int],
    seed: int,
    running: Running = Running(),
) -> tuple[Usual, ...]:
    """The usual layouts judged, the best driven first within a count.

    Parameters
    ----------
    problem : what the drives may be. Mirrored layouts and other wishes for positions do not bind the usual ones:
        every sub gets a drive of its own.
    places, transfer : the layouts; (n_freq, n_seat, n_place) from their positions [1/m].
    counts : numbers of subs that are of interest.
    seed : of the search for their drives.
    running : cancelling, threads; once cancelled, none is returned.
    """
    quietly = running.silent()
    found = []
    for (count, one), index in zip(places.layouts, places.index, strict=True):
        if running.stop_asked():
            return ()
        if count not in counts:
            continue
        own = transfer[:, :, index]
        alike = _alike(own, problem)
        alone = Problem(
            frequency_hz=problem.frequency_hz, transfer=own, seat_weight=problem.seat_weight, drives=problem.drives
        )
        (outcome,) = search(alone, counts=[count], seed=seed, keep=1, effort=EFFORT, running=quietly)
        if running.stop_asked() or not outcome.plans:
            return ()
        plan = outcome.plans[0]
        found.append(
            Usual(
                name=one.name,
                subs=count,
                stands_free=one.stands_free,
                alike_variation_db=alike[0],
                alike_output_db=alike[1],
                driven_variation_db=plan.variation_db,
                driven_output_db=plan.output_db,
            )
        )
    return tuple(sorted(found, key=lambda usual: (usual.subs, usual.driven_variation_db)))


def _alike(transfer: Complexes, problem: Problem) -> tuple[float, float]:
    """Variation and output of subs with identical settings: (n_freq, n_seat, n_sub) -> [dB], [dB]."""
    level = level_db(seat_pressure(transfer, np.ones((len(transfer), transfer.shape[2]), dtype=np.complex128)))
    weight = problem.seat_weight
    return variation_db(level, weight), output_db(level, weight, np.zeros(transfer.shape[2]))
