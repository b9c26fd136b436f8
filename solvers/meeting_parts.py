"""What subs and mains of a plan do at the seats around the crossover, from the model or from what was measured."""

import numpy as np

from roommodes.crossovers import Crossover
from roommodes.errors import Fault, ProjectInvalid
from roommodes.frequency import log_grid
from roommodes.mains import lower_end
from roommodes.metrics import drive_weights, seat_pressure
from roommodes.project import Project
from roommodes.results import Results
from roommodes.sections import section_response
from roommodes.tunings import Tuning
from solvers.field import project_transfer
from solvers.meeting import Parts
from solvers.problem import Complexes, Floats
from solvers.steps import Cancelled, Report

POINTS_PER_OCTAVE = 24
OCTAVES = 1.0  # on each side of the crossover


def meeting_parts(
    project: Project,
    results: Results,
    *,
    subs: int,
    rank: int,
    crossover: Crossover,
    report: Report | None = None,
    cancelled: Cancelled | None = None,
) -> Parts:
    """Subs as the plan drives them, with its filters if it was tuned, and the mains, each without crossover.

    Parameters
    ----------
    project, results : the plan's own.
    subs, rank : which plan; rank from 0.
    crossover : around its frequency.
    report, cancelled : as for `job.build_problem`.

    Raises
    ------
    ProjectInvalid : the project has no main loudspeakers.
    OutsideModel : the model cannot take it.
    Interrupted : when cancelled.
    """
    table = results.plans[subs]
    index = table.candidate_index[rank]
    mains = project.mains
    if mains is None or not mains.positions_m:
        message = "there are no main loudspeakers; add positions_m = [[x, y, z], ...] to the project and search again"
        raise ProjectInvalid(project.source, [Fault(where="mains.positions_m", message=message)])
    span = 2.0**OCTAVES
    hz = log_grid(crossover.frequency_hz / span, crossover.frequency_hz * span, POINTS_PER_OCTAVE)
    source_m = np.concatenate([results.candidates.position_m[index], np.array(mains.positions_m)])
    whole = project_transfer(
        project,
        frequency_hz=hz,
        seat_m=results.seats.position_m,
        source_m=source_m,
        report=report,
        cancelled=cancelled,
    )
    from_subs, from_mains = whole[:, :, : len(index)], whole[:, :, len(index) :]
    weights = drive_weights(
        hz, gain_db=table.gain_db[rank], delay_s=table.delay_s[rank], polarity=table.polarity[rank]
    ) * plan_filters(results.tuning, hz, subs=subs, rank=rank)
    return Parts(
        frequency_hz=hz,
        subs=seat_pressure(from_subs, weights),
        mains=from_mains * lower_end(mains.lowest_hz, hz)[:, None, None],
        seat_weight=results.seats.weight,
    )


def plan_filters(tuning: Tuning | None, frequency_hz: Floats, *, subs: int, rank: int) -> Complexes:
    """What a plan's filters do to each sub: (n_freq, n_sub); ones where it was not tuned."""
    if tuning is None or (tuning.subs, tuning.rank) != (subs, rank):
        return np.ones((len(frequency_hz), subs), dtype=np.complex128)
    rate = tuning.settings.sample_rate_hz
    return np.array([section_response(tuning.of_sub(sub), frequency_hz, rate_hz=rate) for sub in range(subs)]).T
