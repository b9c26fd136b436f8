"""What subs and mains of a plan do at the seats around the crossover, from the model or from what was measured."""

import numpy as np

from roommodes.arrays import Complexes, Floats
from roommodes.errors import Fault, OutsideModel, ProjectInvalid
from roommodes.filters.crossovers import Crossover
from roommodes.plan.measured import MeasuredRecord
from roommodes.plan.plan import Plan
from roommodes.project.mains import lower_end
from roommodes.responses.frequency_grid import log_grid
from roommodes.responses.metrics import seat_pressure
from roommodes.running import Running
from roommodes.subwoofer.limits import own_response
from solvers.crossover.alignment import Parts
from solvers.project_transfer import project_transfer

POINTS_PER_OCTAVE = 24
OCTAVES = 1.0  # on each side of the crossover


def meeting_parts(plan: Plan, crossover: Crossover, *, running: Running = Running()) -> Parts:
    """Subs as the plan drives them, with its filters if it was tuned, and the mains, each without crossover.

    Where the project gives driver and box, the subs' own response is in theirs: its phase counts as much as a delay.

    Parameters
    ----------
    plan : the plan.
    crossover : around its frequency.
    running : progress, cancelling, threads.

    Raises
    ------
    ProjectInvalid : the project has no main loudspeakers.
    OutsideModel : the model cannot take it.
    Interrupted : when cancelled.
    """
    if plan.measured is not None:
        return _measured_parts(plan, plan.measured, crossover)
    mains = plan.project.mains
    if mains is None or not mains.positions_m:
        message = "there are no main loudspeakers; add positions_m = [[x, y, z], ...] to the project and search again"
        raise ProjectInvalid(plan.project.source, [Fault(where="mains.positions_m", message=message)])
    span = 2.0**OCTAVES
    hz = log_grid(crossover.frequency_hz / span, crossover.frequency_hz * span, POINTS_PER_OCTAVE)
    whole = project_transfer(
        plan.project,
        frequency_hz=hz,
        seat_m=plan.seats.position_m,
        source_m=np.concatenate([plan.positions_m, np.array(mains.positions_m)]),
        running=running,
    )
    from_subs, from_mains = whole[:, :, : plan.subs], whole[:, :, plan.subs :]
    own = own_response(plan.project.subwoofer, hz, plan.project.room.air)
    subs = seat_pressure(from_subs, _weights(plan, hz))
    if own is not None:  # as loud over the octave below the crossover as a source without a response of its own
        below = np.log(np.abs(own[hz <= crossover.frequency_hz]))
        subs = subs * (own / np.exp(below.mean()))[:, None]
    return Parts(
        frequency_hz=hz,
        subs=subs,
        mains=from_mains * lower_end(mains.lowest_hz, hz)[:, None, None],
        seat_weight=plan.seats.weight,
        own=own is not None,
    )


def _measured_parts(plan: Plan, record: MeasuredRecord, crossover: Crossover) -> Parts:
    """The measured responses within an octave of the crossover."""
    hz = plan.frequency_hz
    if record.main_transfer is None:
        message = "names none of the measured loudspeakers; name those of the manifest that are mains, and search again"
        raise ProjectInvalid(plan.project.source, [Fault(where="mains.measured", message=message)])
    octave = np.log2(hz / crossover.frequency_hz)
    near = np.abs(octave) <= OCTAVES + 1e-6
    if not ((octave[near] < -0.25).any() and (octave[near] > 0.25).any()):
        raise OutsideModel(
            f"the measured responses reach from {hz[0]:g} to {hz[-1]:g} Hz; a crossover at {crossover.frequency_hz:g} "
            "Hz needs a quarter of an octave on both sides. Set band_hz in the manifest's [grid], and search again."
        )
    return Parts(
        frequency_hz=hz[near],
        subs=seat_pressure(plan.transfer, _weights(plan, hz))[near],
        mains=record.main_transfer[near],
        seat_weight=plan.seats.weight,
        own=True,
    )


def _weights(plan: Plan, hz: Floats) -> Complexes:
    """Drives and filters of a plan as they are dialled in, the earliest sub's delay zero: (n_freq, n_sub)."""
    return np.asarray(plan.drives.from_earliest().weights(hz) * plan.filter_response(hz))
