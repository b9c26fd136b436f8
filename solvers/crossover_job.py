"""From a plan to its meeting with the mains: the best setting and how sensitive it is."""

from dataclasses import dataclass

import numpy as np

from roommodes.crossovers import Crossover
from roommodes.mains import MainsTable
from roommodes.project import Project
from roommodes.results import Results
from solvers.meeting import Meeting, Merit, Parts, by_delay, by_frequency, meet, setting
from solvers.meeting_parts import meeting_parts
from solvers.problem import Floats
from solvers.steps import Cancelled, Report

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
    report: Report | None = None,
    cancelled: Cancelled | None = None,
) -> MainsMet:
    """Find the subs' delay and polarity against the mains.

    Parameters
    ----------
    project, results : the plan's own.
    subs, rank : which plan; rank from 0.
    crossover : the filters.
    gain_db : of the subs; None to match their level to the mains' [dB].
    report, cancelled : as for `job.build_problem`.

    Raises
    ------
    ProjectInvalid, OutsideModel, Interrupted : see `meeting_parts`.
    """
    parts = meeting_parts(
        project, results, subs=subs, rank=rank, crossover=crossover, report=report, cancelled=cancelled
    )
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
