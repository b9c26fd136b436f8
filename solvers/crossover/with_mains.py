"""From a plan to its meeting with the mains: the best setting and how sensitive it is."""

from dataclasses import dataclass, replace

import numpy as np

from roommodes.acoustics.curve import Curve
from roommodes.arrays import Floats
from roommodes.filters.crossovers import Crossover, Kind
from roommodes.filters.processor import Steps
from roommodes.plan.crossover import CrossoverRecord, SumLevels, SumMerits
from roommodes.plan.plan import Plan
from roommodes.project.mains import MainsTable
from roommodes.project.project import Project
from roommodes.responses.metrics import level_db, normalised
from roommodes.running import Running
from solvers.crossover.alignment import (
    MOST_DB,
    Meeting,
    Merit,
    Parts,
    by_delay,
    by_frequency,
    matched_gain_db,
    meet,
    setting,
)
from solvers.crossover.responses import meeting_parts

OFFSETS_MS = np.concatenate([np.arange(-5.0, 0.0, 0.25), np.arange(0.0, 5.01, 0.25)])
RATIOS = (0.71, 0.8, 0.9, 1.0, 1.1, 1.25, 1.41)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MainsMet:
    """How a plan meets the mains.

    Parameters
    ----------
    parts : what was summed.
    best : the setting found.
    plain : no delay, upright, the same gain: what would be without a search.
    inverted : the best setting in the other polarity.
    offset_s, by_offset : (n,) the subs later by so much than at best [s], and what that gives.
    frequency_hz : (m,) other crossover frequencies [Hz].
    held, anew : (m,) there with the best delay and polarity held, and the settings found anew.
    """

    parts: Parts
    best: Meeting
    plain: Meeting
    inverted: Meeting
    offset_s: Floats
    by_offset: tuple[Merit, ...]
    frequency_hz: Floats
    held: tuple[Merit, ...]
    anew: tuple[Meeting, ...]


def meet_mains(
    plan: Plan,
    crossover: Crossover,
    *,
    gain_db: float | None = None,
    target: Curve | None = None,
    band_hz: tuple[float, float] | None = None,
    running: Running = Running(),
) -> MainsMet:
    """Find the subs' delay and polarity against the mains.

    Parameters
    ----------
    plan : with its filters, if it was tuned.
    crossover : the halves.
    gain_db : of the subs; None to match their level to the mains' [dB].
    target : what their levels are matched over, any offset; None for flat [dB].
    band_hz : over which the sum is judged; None for that of [mains], else an octave on each side [Hz].
    running : progress, cancelling, threads.

    Raises
    ------
    ProjectInvalid, OutsideModel, Interrupted : see `crossover.responses`.
    """
    parts = meeting_parts(plan, crossover, band_hz=band_hz, running=running)
    low_ms, high_ms = (plan.project.mains or MainsTable()).delay_ms
    allowed = (1e-3 * low_ms, 1e-3 * high_ms)
    takes = plan.project.processor
    if gain_db is None and target is not None:
        steps = Steps(low=-MOST_DB, high=MOST_DB, step=takes.gain_step_db)
        gain_db = steps.nearest(matched_gain_db(parts, crossover, target))
    best = meet(
        parts,
        crossover,
        delay_s=allowed,
        gain_db=gain_db,
        delay_step_s=takes.delay_step_s if takes.named else 0.0,
        gain_step_db=takes.gain_step_db,
    )
    offset_s = 1e-3 * OFFSETS_MS
    frequency_hz = crossover.frequency_hz * np.array(RATIOS)
    others = by_frequency(parts, best, frequency_hz, delay_s=allowed)
    return MainsMet(
        parts=parts,
        best=best,
        plain=setting(parts, crossover, delay_s=0.0, polarity=1, gain_db=best.gain_db),
        inverted=setting(parts, crossover, delay_s=best.delay_s, polarity=-best.polarity, gain_db=best.gain_db),
        offset_s=offset_s,
        by_offset=by_delay(parts, best, offset_s),
        frequency_hz=frequency_hz,
        held=tuple(merit for merit, _ in others),
        anew=tuple(meeting for _, meeting in others),
    )


def crossed(plan: Plan, met: MainsMet, *, asked_gain_db: float | None = None) -> Plan:
    """The plan with its crossover as found; `asked_gain_db` as `gain_db` of `meet_mains`."""
    best, plain = met.best, met.plain.merit
    record = CrossoverRecord(
        subs=plan.subs,
        rank=plan.row,
        crossover=best.crossover,
        asked_gain_db=asked_gain_db,
        delay_s=best.delay_s,
        polarity=best.polarity,
        gain_db=best.gain_db,
        merits=SumMerits(
            shortfall_db=best.merit.shortfall_db,
            variation_db=best.merit.variation_db,
            deepest_db=best.merit.deepest_db,
            plain_shortfall_db=plain.shortfall_db,
            plain_variation_db=plain.variation_db,
        ),
        levels=SumLevels(
            near_hz=met.parts.frequency_hz,
            subs_db=level_db(best.low),
            mains_db=level_db(best.high),
            sum_db=level_db(best.total),
        ),
    )
    return replace(plan, crossover=record)


def off_target_db(met: MainsMet, seat_weight: Floats, target: Curve) -> float:
    """Rms deviation of the seats' average sum from a target, over the band that was judged, any offset [dB]."""
    mean = np.einsum("fsm,s->f", level_db(met.best.total), normalised(seat_weight)) / met.best.total.shape[2]
    return float(np.std(mean - target.at(met.parts.frequency_hz)))


def crossed_again(plan: Plan, old: CrossoverRecord, *, running: Running = Running()) -> Plan:
    """The plan with the crossover of a record found anew, with the filters that the plan has now; as `meet_mains`."""
    judged_hz = (float(old.levels.near_hz[0]), float(old.levels.near_hz[-1]))
    met = meet_mains(plan, old.crossover, gain_db=old.asked_gain_db, band_hz=judged_hz, running=running)
    return crossed(plan, met, asked_gain_db=old.asked_gain_db)


def wanted_crossover(
    project: Project, *, at_hz: float | None = None, order: int | None = None, kind: Kind | None = None
) -> Crossover:
    """The project's crossover with what was asked for in its place; OutsideModel says what is allowed."""
    mains = project.mains or MainsTable()
    return Crossover(
        kind=kind or mains.crossover,
        order=order or mains.order,
        frequency_hz=mains.frequency_hz if at_hz is None else at_hz,
    )
