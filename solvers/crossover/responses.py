"""What subs and mains of a plan do at the seats around the crossover, from the model or from what was measured."""

import numpy as np

from roommodes.arrays import Complexes, Floats
from roommodes.errors import Fault, OutsideModel, ProjectInvalid
from roommodes.filters.crossovers import Crossover
from roommodes.filters.sections import section_response
from roommodes.plan.file import Results
from roommodes.plan.tuning import Tuning
from roommodes.project.mains import lower_end
from roommodes.project.project import Project
from roommodes.responses.frequency_grid import log_grid
from roommodes.responses.metrics import drive_weights, seat_pressure
from roommodes.running import Running
from solvers.crossover.alignment import Parts
from solvers.project_transfer import project_transfer

POINTS_PER_OCTAVE = 24
OCTAVES = 1.0  # on each side of the crossover


def meeting_parts(
    project: Project,
    results: Results,
    *,
    subs: int,
    rank: int,
    crossover: Crossover,
    running: Running = Running(),
) -> Parts:
    """Subs as the plan drives them, with its filters if it was tuned, and the mains, each without crossover.

    Parameters
    ----------
    project, results : the plan's own.
    subs, rank : which plan; rank from 0.
    crossover : around its frequency.
    running : progress, cancelling, threads.

    Raises
    ------
    ProjectInvalid : the project has no main loudspeakers.
    OutsideModel : the model cannot take it.
    Interrupted : when cancelled.
    """
    table = results.plans[subs]
    index = table.candidate_index[rank]
    if results.measured is not None:
        return _measured_parts(project, results, subs=subs, rank=rank, crossover=crossover)
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
        running=running,
    )
    from_subs, from_mains = whole[:, :, : len(index)], whole[:, :, len(index) :]
    return Parts(
        frequency_hz=hz,
        subs=seat_pressure(from_subs, _weights(results, hz, subs=subs, rank=rank)),
        mains=from_mains * lower_end(mains.lowest_hz, hz)[:, None, None],
        seat_weight=results.seats.weight,
    )


def _measured_parts(project: Project, results: Results, *, subs: int, rank: int, crossover: Crossover) -> Parts:
    """The measured responses within an octave of the crossover."""
    record, hz = results.measured, results.frequency_hz
    if record is None or record.main_transfer is None:
        message = "names none of the measured loudspeakers; name those of the manifest that are mains, and search again"
        raise ProjectInvalid(project.source, [Fault(where="mains.measured", message=message)])
    octave = np.log2(hz / crossover.frequency_hz)
    near = np.abs(octave) <= OCTAVES + 1e-6
    if not ((octave[near] < -0.25).any() and (octave[near] > 0.25).any()):
        raise OutsideModel(
            f"the measured responses reach from {hz[0]:g} to {hz[-1]:g} Hz; a crossover at {crossover.frequency_hz:g} "
            "Hz needs a quarter of an octave on both sides. Set band_hz in the manifest's [grid], and search again."
        )
    index = results.plans[subs].candidate_index[rank]
    weights = _weights(results, hz, subs=subs, rank=rank)
    return Parts(
        frequency_hz=hz[near],
        subs=seat_pressure(results.transfer[:, :, index], weights)[near],
        mains=record.main_transfer[near],
        seat_weight=results.seats.weight,
    )


def _weights(results: Results, hz: Floats, *, subs: int, rank: int) -> Complexes:
    """Drives and filters of a plan as they are dialled in, the earliest sub's delay zero: (n_freq, n_sub)."""
    table = results.plans[subs]
    delay_s = table.delay_s[rank] - table.delay_s[rank].min()
    drives = drive_weights(hz, gain_db=table.gain_db[rank], delay_s=delay_s, polarity=table.polarity[rank])
    return np.asarray(drives * plan_filters(results.tuning, hz, subs=subs, rank=rank))


def plan_filters(tuning: Tuning | None, frequency_hz: Floats, *, subs: int, rank: int) -> Complexes:
    """What a plan's filters do to each sub: (n_freq, n_sub); ones where it was not tuned."""
    if tuning is None or (tuning.subs, tuning.rank) != (subs, rank):
        return np.ones((len(frequency_hz), subs), dtype=np.complex128)
    rate = tuning.settings.sample_rate_hz
    return np.array([section_response(tuning.of_sub(sub), frequency_hz, rate_hz=rate) for sub in range(subs)]).T
