"""Responses of a plan's subs at many frequencies: a reduced model, held against the field that the plan was made with.

The plan's field is that of the full equations at their own precision. So sums that end earlier serve here: where both
are known the difference is found, at every seat and sub. Beyond the plan's band, where responses are faded out, the
reduced model's own error is told.
"""

import numpy as np

from roommodes.acoustics.box_within import box_within
from roommodes.acoustics.dense.answer import ALLOWED, MARGIN, DenseTransfer
from roommodes.acoustics.precision import Precision
from roommodes.arrays import Floats, Integers
from roommodes.plan.plan import Plan
from roommodes.running import Running
from solvers.project_transfer import dense_project_transfer

# some 1e-4 of the receivers' rms in the demo's room, in a third of the time
QUICK = Precision(cut=2.5, lowest_cut=5.0, plane_wavenumber=100.0, edge_wavenumber=30.0, extra_order=5, near_error=0.03)


def modelled_responses(plan: Plan, chosen: Integers, hz: Floats, *, running: Running = Running()) -> DenseTransfer:
    """Transfer functions to the plan's seats from some of its subs, to `ALLOWED` of the receivers' rms.

    Where the plan's own field is further off than that, more is told: in rooms that are no box it is one by elements,
    made for the plan's band alone.

    Parameters
    ----------
    plan : not made from measurements.
    chosen : which of its subs, from 0.
    hz : (n_freq,) [Hz].
    running : progress, cancelling, threads, and where fields are kept.

    Returns
    -------
    Transfer functions (n_freq, n_seat, n_chosen) [1/m]; their error with what was found at the plan's frequencies.

    Raises
    ------
    Interrupted : when cancelled.
    OutsideModel : the model cannot take the project.
    """
    known = plan.results.transfer[:, :, plan.candidate_index[chosen]]
    rms = np.sqrt((np.abs(known) ** 2).mean(axis=(1, 2)))
    every = np.concatenate([hz, plan.frequency_hz])
    in_box = box_within(plan.project.room) is not None  # else the elements' precision is the plan's own
    for precision in (QUICK, Precision()) if in_box else (Precision(),):
        found = dense_project_transfer(  # by reciprocity: the subs, which are few, as the model's seats
            plan.project,
            frequency_hz=every,
            seat_m=plan.positions_m[chosen],
            source_m=plan.seats.position_m,
            precision=precision,
            running=running,
        )
        transfer = found.transfer.transpose(0, 2, 1)
        off = float((np.abs(transfer[len(hz) :] - known).max(axis=(1, 2)) / rms).max())
        error = max(found.error, MARGIN * off)
        if error <= ALLOWED:
            break
    return DenseTransfer(transfer=transfer[: len(hz)], error=error, solved=found.solved)
