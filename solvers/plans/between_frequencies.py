"""What plans are worth between the frequencies that the search looked at: they are judged on four times as many."""

from collections.abc import Sequence

import numpy as np

from roommodes.acoustics.precision import Precision
from roommodes.errors import Interrupted
from roommodes.plan.measured import MeasuredRecord
from roommodes.plan.plan import Plan
from roommodes.project.bands.search_grid import search_grid_hz
from roommodes.responses.metrics import level_db, seat_pressure, variation_db
from roommodes.running import Running
from solvers.project_transfer import project_transfer

FINER = 4
# to 0.1 % of the largest pressure: under 0.001 dB of variation on the demo, for a quarter of the work
PRECISION = Precision(
    cut=2.5, lowest_cut=5.0, plane_wavenumber=80.0, edge_wavenumber=30.0, extra_order=4, near_error=0.1
)


def finer_variation_db(plans: Sequence[Plan], *, running: Running = Running()) -> list[float]:
    """Variation of plans of one project on four times the frequencies of their search, over all points that count [dB].

    Parameters
    ----------
    plans : on the model, or on measured responses kept over all that their files tell; with their filters, if any.
    running : progress, cancelling, threads.

    Raises
    ------
    Interrupted : when cancelled.
    """
    project = plans[0].project
    record = plans[0].measured
    if record is not None:
        return _measured(plans, record)
    search, listening = project.search, project.listening()
    hz = search_grid_hz(search, project.mains, points_per_octave=FINER * search.points_per_octave)
    each = project_transfer(  # by reciprocity: the subs, which are few, as the model's seats
        project,
        frequency_hz=hz,
        seat_m=np.concatenate([plan.positions_m for plan in plans]),
        source_m=listening.position_m,
        precision=PRECISION,
        running=running,
    ).transpose(0, 2, 1)
    found, at = [], 0
    for plan in plans:
        level = level_db(seat_pressure(each[:, :, at : at + plan.subs], plan.weights(hz) * plan.kind_response(hz)))
        found.append(variation_db(level, listening.weight))
        at += plan.subs
    return found


def _measured(plans: Sequence[Plan], record: MeasuredRecord) -> list[float]:
    """The same of measured responses, between whose frequencies their files tell more."""
    assert record.wide is not None, "asked where the files' own points are kept"
    grid = plans[0].frequency_hz
    place = np.arange(len(grid))
    hz = np.exp(np.interp(np.linspace(0.0, place[-1], FINER * place[-1] + 1), place, np.log(grid)))
    whole, weight = record.wide.at(hz), plans[0].seats.weight
    driven = (seat_pressure(whole[:, :, plan.candidate_index], plan.weights(hz)) for plan in plans)
    return [variation_db(level_db(pressure), weight) for pressure in driven]


def between_remarks(plans: Sequence[Plan], *, running: Running = Running()) -> list[str]:
    """For each plan a sentence on what lies between the frequencies of its search; none once cancelled."""
    try:
        values = finer_variation_db(plans, running=running)
    except Interrupted:
        return []
    return [
        f"On {FINER} times as many frequencies it has {value:.2f} dB, {_than(plan.variation_db, value)} the search saw."
        for plan, value in zip(plans, values, strict=True)
    ]


def _than(seen_db: float, value_db: float) -> str:
    """The difference of both as they are printed."""
    loss = round(100.0 * value_db) - round(100.0 * seen_db)
    return f"{abs(loss) / 100.0:z.2f} dB {'more' if loss > 0 else 'less'} than" if loss else "as"
