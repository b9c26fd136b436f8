"""The headroom of one plan of a results file, with all that stands beside it: what command line and report show."""

from dataclasses import dataclass

import numpy as np

from roommodes.arrays import Floats
from roommodes.errors import Fault, ProjectInvalid
from roommodes.places.seats import Seats
from roommodes.plan.file import Results
from roommodes.project.project import Project
from roommodes.running import Running
from solvers.loudness.cabinets import Heat, Standing, cabinet_warnings, heat_of, standings
from solvers.loudness.headroom import Headroom, Loudness, headroom, loudness_of, plan_weights
from solvers.loudness.one_more_sub import OneMore, next_plan_bands, one_more
from solvers.search.from_project import drives_of, wishes_of
from solvers.search.problem import Wishes

NOT_ABSOLUTE = (
    "the plan rests on responses without a known level, so nothing follows from a sub's limits; measure per metre "
    "(reference.level in the manifest), or ask a plan of the model"
)
NO_LIMITS = (
    "nothing says how loud a sub plays, so there is no headroom to work out; give "
    "max_level_1m_db, [subwoofer.bursts] or [subwoofer.driver], then run optimise again"
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlanHeadroom:
    """The headroom of one plan and what stands beside it.

    Parameters
    ----------
    headroom : band by band.
    loudness : limits and target.
    seats : where the ears are.
    position_m : (n_sub, 3) of the subs [m].
    gain_db : (n_sub,) [dB].
    filtered : the plan's own filters on single subs are in it.
    next_count, next_bands_db : the plan with the next larger number of subs in the file, and its headroom by band
        (n_band,); None where there is none.
    added : one more sub beside the plan; None where the file has a plan with one more, or no place is left.
    standings, heat, warnings : of the cabinets.
    """

    headroom: Headroom
    loudness: Loudness
    seats: Seats
    position_m: Floats
    gain_db: Floats
    filtered: bool
    next_count: int | None
    next_bands_db: Floats | None
    added: OneMore | None
    standings: tuple[Standing, ...]
    heat: Heat | None
    warnings: tuple[str, ...]


def plan_headroom(
    results: Results,
    project: Project,
    *,
    count: int,
    rank: int,
    running: Running = Running(),
) -> PlanHeadroom:
    """Work out the headroom of a plan from what the file holds.

    Parameters
    ----------
    results, project : the file, and the project in it.
    count, rank : which plan; rank from 0.
    running : progress, cancelling; once cancelled, the estimate of one more sub is left out.

    Raises
    ------
    ProjectInvalid : the project does not say how loud a sub plays, or measured responses do not say how loud it is.
    """
    hz, seats = results.frequency_hz, results.seats
    if results.measured is not None and not results.measured.absolute:
        raise ProjectInvalid(project.source, [Fault(where="measured", message=NOT_ABSOLUTE)])
    loudness = loudness_of(project, hz)
    if loudness is None:
        raise ProjectInvalid(project.source, [Fault(where="subwoofer", message=NO_LIMITS)])
    table = results.plans[count]
    index, gain_db = table.candidate_index[rank], table.gain_db[rank]
    tuning = results.tuning
    if tuning is not None and (tuning.subs, tuning.rank) != (count, rank):
        tuning = None
    filtered = tuning is not None and any(tuning.sub_filters)
    weights = plan_weights(
        hz,
        gain_db=gain_db.tolist(),
        delay_s=table.delay_s[rank].tolist(),
        polarity=table.polarity[rank].tolist(),
        tuning=tuning,
    )
    position_m = np.asarray(results.candidates.position_m[index])
    found = headroom(
        project,
        loudness,
        transfer=results.transfer[:, :, index],
        weights=weights,
        sub_m=position_m,
        seat_m=seats.position_m,
        seat_weight=seats.weight,
    )
    next_count = min((other for other in results.plans if other > count), default=None)
    added = None
    if next_count != count + 1:
        known = {zone.name for zone in project.zones} >= set(results.candidates.zone)
        added = one_more(
            results,
            loudness,
            index=tuple(index.tolist()),
            weights=weights,
            gain_db=float(gain_db.max()),
            drives=drives_of(project),
            wishes=wishes_of(project, results.candidates) if known else Wishes(),
            mirror=project.search.mirror,
            running=running,
        )
    amplifier = project.subwoofer.amplifier
    heat, where = None, standings(project, position_m)
    if amplifier is not None and (power := highest_power_w(project, found)) is not None:
        heat = heat_of(amplifier, power, project.room().air)
    return PlanHeadroom(
        headroom=found,
        loudness=loudness,
        seats=seats,
        position_m=position_m,
        gain_db=np.asarray(gain_db),
        filtered=filtered,
        next_count=next_count,
        next_bands_db=None if next_count is None else next_plan_bands(results, loudness, next_count),
        added=added,
        standings=where,
        heat=heat,
        warnings=tuple(cabinet_warnings(project, where, heat)),
    )


def highest_power_w(project: Project, found: Headroom) -> float | None:
    """What one amplifier is asked for at most: at the target, but no more than it is rated for [W]; None if unknown."""
    rated = None if project.subwoofer.amplifier is None else project.subwoofer.amplifier.power_w
    needed = None if found.needs is None else float(found.needs.power_w.max())
    known = [power for power in (rated, needed) if power is not None]
    return min(known) if known else None
