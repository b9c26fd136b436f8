"""From a plan file to one whose drives, and order of layouts, suit rooms that are not built exactly as drawn."""

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from roommodes.arrays import Floats
from roommodes.errors import Fault, Interrupted, ProjectInvalid
from roommodes.plan.choices import Choices
from roommodes.plan.drives import Drives
from roommodes.plan.plan import Results
from roommodes.plan.tables import Merits, PlanTable
from roommodes.responses.metrics import level_db, normalised, seat_pressure
from roommodes.running import Running
from solvers.loudness.headroom import loudness_of
from solvers.search.from_project import drives_of
from solvers.tolerance.design import Design
from solvers.tolerance.field import CHUNK
from solvers.tolerance.inputs import Builds
from solvers.tolerance.percentiles import Asked, design_of, lean_grid
from solvers.tolerance.plans import Driven, leading_plans
from solvers.tolerance.robust_drives import Candidate, Rooms, ninety_db, robust_plans

KEPT = 20
ROOMS = 256  # that drives are polished against; with half as many the choice among layouts followed chance
OTHER_ROOMS = 512  # of another seed, on which plain and robust are compared
OF_POSITIONS = ("alike_db", "weights_db", "weights_output_db", "weights_least_db")  # merits that no settings change
STOP = "kept layouts only: their settings were polished against sampled rooms, and ranked by the 90th percentile there"


@dataclass(frozen=True, slots=True, kw_only=True)
class Price:
    """What robustness buys and costs for one number of subs.

    Parameters
    ----------
    count : subs.
    plain_db, robust_db : variation as drawn of the first plan before and after [dB].
    plain_ninety_db, robust_ninety_db : its 90th percentile over the other rooms [dB].
    rank : where the robust plan's layout stood before, from 0.
    """

    count: int
    plain_db: float
    robust_db: float
    plain_ninety_db: float
    robust_ninety_db: float
    rank: int

    @property
    def worth(self) -> bool:
        """Whether it buys as much in 90 % of the rooms as it costs as drawn; else the plain plan stays first."""
        return self.plain_ninety_db - self.robust_ninety_db >= max(0.0, self.robust_db - self.plain_db)


def robust_results(
    results: Results, *, counts: Sequence[int] | None = None, seed: int = 1, running: Running = Running()
) -> tuple[Results, tuple[Price, ...]]:
    """The results with robust plans in place of their own, and what that costs.

    Parameters
    ----------
    results : plans, and the project that says what is uncertain.
    counts : numbers of subs; None for all. Others are left out of the result.
    seed : of the rooms; the other rooms take the next.
    running : progress, cancelling, threads; once cancelled, what is polished so far is kept.

    Raises
    ------
    ProjectInvalid : the plans rest on measured responses.
    Interrupted : cancelled before the rooms were drawn.
    OutsideModel : the model cannot take this project.
    """
    refuse_measured(results)
    project = results.project
    project.require_file("a tolerance")
    leading = leading_plans(results, plans=KEPT, counts=counts)
    asked = Asked(draws=2 * ROOMS, seed=seed, plans=KEPT, indices=False)
    design = design_of(results, asked, leading, frequency_hz=lean_grid(project), running=running)
    train = _rooms(design, design.points()[0], running)
    if len(train.builds) < ROOMS:
        raise Interrupted("interrupted before the rooms were drawn")
    other = replace(design, seed=(seed + 1) % 2**32, half=OTHER_ROOMS)
    judge = _rooms(other, other.points()[0], running.unstoppable())
    drives = drives_of(project)
    mirror = results.candidates.mirror_of if project.search.mirror else None
    remark = f"Robust: {ROOMS} rooms of seed {seed} within [tolerance]; other plans may be more even as drawn."
    tables, prices = {}, []
    for done, (count, plans) in enumerate(leading.driven.items()):
        running.step("robust settings", done / len(leading.driven))
        candidate = [leading.candidate[one.column] for one in plans]
        layouts = [
            Candidate(driven=one, shared=_shared(one, index, mirror, alike=project.search.shared_drives))
            for one, index in zip(plans, candidate, strict=True)
        ]
        found = robust_plans(train, layouts, drives, seed=seed, running=running)
        ranks = {tuple(one.column.tolist()): rank for rank, one in reversed(list(enumerate(plans)))}
        rows = leading.counts[count][[ranks[tuple(one.column.tolist())] for one in found]]
        table = _table(results, results.plans[count], found, rows, leading.candidate)
        price = Price(
            count=count,
            plain_db=float(results.plans[count].variation_db[leading.counts[count][0]]),
            robust_db=float(table.variation_db[0]),
            plain_ninety_db=ninety_db(judge, plans[0]),
            robust_ninety_db=ninety_db(judge, found[0]),
            rank=int(rows[0]),
        )
        said = [remark]
        if not price.worth:
            both, rows = [plans[0], *found][:KEPT], np.array([leading.counts[count][0], *rows])[:KEPT]
            table = _table(results, results.plans[count], both, rows, leading.candidate)
            said.append("The first plan is the plain one: the robust one, second, costs more as drawn than it buys.")
        tables[count] = replace(table, found=replace(table.found, remarks=(*table.found.remarks, *said)))
        prices.append(price)
    running.step("robust settings", 1.0)
    return replace(results, plans=tables, choices=Choices(), tuning=None, crossover=None), tuple(prices)


def refuse_measured(results: Results) -> None:
    """Drives for rooms that may differ need the model at every place; ProjectInvalid where responses were measured."""
    if results.measured is not None:
        message = (
            "the plan rests on measured responses; --robust would drive the subs by the model of the drawn room "
            "instead. Leave it out, or search without --measured on a project corrected by fit"
        )
        raise ProjectInvalid(results.project.source, [Fault(where="measured", message=message)])


def _rooms(design: Design, unit: Floats, running: Running) -> Rooms:
    """The field in the rooms at points of the unit cube."""

    def field(start: int) -> NDArray[np.complex128]:
        return design.by_kind(design.field.transfer(design.inputs.builds(unit[start : start + CHUNK])))

    with threadpool_limits(1), ThreadPoolExecutor(running.thread_count) as pool:
        parts = list(running.each(pool, field, range(0, len(unit), CHUNK)))
    done = sum(map(len, parts))
    builds: Builds = design.inputs.builds(unit[:done])
    transfer = np.concatenate(parts) if parts else np.empty((0, 0, 0, 0), dtype=np.complex128)
    return Rooms(
        frequency_hz=design.field.frequency_hz,
        transfer=transfer,
        builds=builds,
        weight=normalised(design.listening.weight),
    )


def _shared(
    plan: Driven, candidate: NDArray[np.intp], mirror_of: NDArray[np.int64] | None, *, alike: bool
) -> NDArray[np.intp]:
    """Which drive each sub has: (n_sub,); a mirrored pair has one, and with `alike` those driven alike have one."""
    if mirror_of is not None:
        pair = np.minimum(candidate, np.where(mirror_of[candidate] >= 0, mirror_of[candidate], candidate))
        return np.asarray(np.unique(pair, return_inverse=True)[1], dtype=np.intp)
    if not alike:
        return np.arange(len(candidate))
    drives = np.stack([plan.gain_db, plan.delay_s, plan.polarity], axis=1)
    return np.asarray(np.unique(drives, axis=0, return_inverse=True)[1].ravel(), dtype=np.intp)


def _table(
    results: Results, before: PlanTable, found: Sequence[Driven], rows: NDArray[np.intp], candidate: NDArray[np.intp]
) -> PlanTable:
    """Robust plans as a plan file holds them, judged as drawn on all frequencies; `rows`: where they stood."""
    layouts = [
        (
            candidate[one.column],
            Drives(gain_db=one.gain_db, delay_s=one.delay_s, polarity=one.polarity.astype(np.int64)),
        )
        for one in found
    ]
    kept = {name: getattr(before.merits, name) for name in OF_POSITIONS}
    merits = Merits(
        **{name: None if values is None else values[rows] for name, values in kept.items()},
        headroom_db=_headroom_db(results, layouts),
    )
    how = replace(before.found, exhaustive=False, by_aims=False, stop=STOP, layouts_least_db=None)
    return results.judged_table(layouts, how, merits)


def _headroom_db(results: Results, layouts: Sequence[tuple[NDArray[np.intp], Drives]]) -> Floats | None:
    """Of each layout: (n,) [dB]; None where it is not known how loud a sub plays."""
    loudness = loudness_of(results.project, results.frequency_hz) if results.loudness_known else None
    if loudness is None:
        return None
    transfer, weight = results.ears()
    levels = [
        level_db(seat_pressure(transfer[:, :, index], drives.weights(results.frequency_hz)))
        for index, drives in layouts
    ]
    every = zip(levels, layouts, strict=True)
    fixed, kind = results.project.fixed_at(results.candidates.position_m), results.candidates.kind
    return np.array(
        [
            loudness.headroom_db(level, drives, weight, fixed[index], kind=kind[index])
            for level, (index, drives) in every
        ]
    )
