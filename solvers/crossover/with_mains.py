"""From a plan to its meeting with the mains: the best setting and how sensitive it is."""

from dataclasses import dataclass

import numpy as np

from roommodes.arrays import Floats
from roommodes.filters.crossovers import Crossover
from roommodes.plan.crossover import CrossoverRecord
from roommodes.plan.file import Results
from roommodes.project.mains import MainsTable
from roommodes.project.project import Project
from roommodes.responses.metrics import level_db
from roommodes.running import Running
from solvers.crossover.alignment import Meeting, Merit, Parts, by_delay, by_frequency, meet, setting
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
    project: Project,
    results: Results,
    *,
    subs: int,
    rank: int,
    crossover: Crossover,
    gain_db: float | None = None,
    running: Running = Running(),
) -> MainsMet:
    """Find the subs' delay and polarity against the mains.

    Parameters
    ----------
    project, results : the plan's own.
    subs, rank : which plan; rank from 0.
    crossover : the filters.
    gain_db : of the subs; None to match their level to the mains' [dB].
    running : progress, cancelling, threads.

    Raises
    ------
    ProjectInvalid, OutsideModel, Interrupted : see `crossover.responses`.
    """
    parts = meeting_parts(project, results, subs=subs, rank=rank, crossover=crossover, running=running)
    low_ms, high_ms = (project.mains or MainsTable()).delay_ms
    allowed = (1e-3 * low_ms, 1e-3 * high_ms)
    best = meet(parts, crossover, delay_s=allowed, gain_db=gain_db)
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


def record_of(met: MainsMet, *, subs: int, rank: int, asked_gain_db: float | None) -> CrossoverRecord:
    """What a results file keeps of it.

    Parameters
    ----------
    met : how the plan meets the mains.
    subs, rank : which plan; rank from 0.
    asked_gain_db : as `gain_db` of `meet_mains`.
    """
    best = met.best
    return CrossoverRecord(
        subs=subs,
        rank=rank,
        crossover=best.crossover,
        asked_gain_db=asked_gain_db,
        delay_s=best.delay_s,
        polarity=best.polarity,
        gain_db=best.gain_db,
        shortfall_db=best.merit.shortfall_db,
        variation_db=best.merit.variation_db,
        deepest_db=best.merit.deepest_db,
        plain_shortfall_db=met.plain.merit.shortfall_db,
        plain_variation_db=met.plain.merit.variation_db,
        near_hz=met.parts.frequency_hz,
        subs_db=level_db(best.low),
        mains_db=level_db(best.high),
        sum_db=level_db(best.total),
    )


def meet_again(
    project: Project,
    results: Results,
    *,
    running: Running = Running(),
) -> CrossoverRecord | None:
    """The setting that a results file holds, found anew from that file alone, with the filters that it holds now.

    None where it holds none. The rest as for `meet_mains`.
    """
    old = results.crossover
    if old is None:
        return None
    met = meet_mains(
        project,
        results,
        subs=old.subs,
        rank=old.rank,
        crossover=old.crossover,
        gain_db=old.asked_gain_db,
        running=running,
    )
    return record_of(met, subs=old.subs, rank=old.rank, asked_gain_db=old.asked_gain_db)
