"""What the seats hear from the layout that the project itself gives."""

from dataclasses import dataclass

import numpy as np

from roommodes.arrays import Floats
from roommodes.errors import Fault, ProjectInvalid
from roommodes.places.seats import Seats
from roommodes.project.project import Project
from roommodes.responses.frequency_grid import log_grid
from roommodes.responses.metrics import drive_weights, level_db, output_db, seat_pressure, variation_db
from roommodes.running import Running
from solvers.project_transfer import project_transfer


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Prediction:
    """What the seats hear from the layout in the project.

    Parameters
    ----------
    frequency_hz : (n_freq,) [Hz].
    seats : where the listeners are.
    level_db : (n_freq, n_seat), the loudest sub at its limit [dB re 1/m].
    sound_pressure_db : (n_freq, n_seat), the same as the highest clean level [dB re 20 uPa]; None when the
        project does not say how loud a sub can play.
    variation_db, output_db : of the layout [dB].
    """

    frequency_hz: Floats
    seats: Seats
    level_db: Floats
    sound_pressure_db: Floats | None
    variation_db: float
    output_db: float


def predict_layout(project: Project, *, running: Running = Running()) -> Prediction:
    """Level at every seat for the layout in the project.

    Parameters
    ----------
    project : with a layout.
    running : progress, cancelling, threads.

    Raises
    ------
    ProjectInvalid : the project has no layout.
    Interrupted : when cancelled.
    OutsideModel : the model cannot take this project.
    """
    layout = project.layout
    if layout is None:
        raise ProjectInvalid(
            project.source,
            [
                Fault(
                    where="layout",
                    message="there is none; add a [layout] table with positions_m and, if you like, gain_db, "
                    "delay_ms and polarity",
                )
            ],
        )
    wishes = project.search
    frequency_hz = log_grid(*wishes.band_hz, wishes.points_per_octave)
    seats, listening = project.seats(), project.listening()
    transfer = project_transfer(
        project,
        frequency_hz=frequency_hz,
        seat_m=listening.position_m,
        source_m=np.array(layout.positions_m),
        running=running,
    )
    gain_db = np.array(layout.gain_db) - max(layout.gain_db)  # the loudest sub stands at its limit
    weights = drive_weights(
        frequency_hz, gain_db=gain_db, delay_s=np.array(layout.delay_ms) * 1e-3, polarity=layout.polarity
    )
    everywhere = level_db(seat_pressure(transfer, weights))
    level = everywhere[:, : len(seats)]
    limit_db = project.highest_level_db(frequency_hz)
    return Prediction(
        frequency_hz=frequency_hz,
        seats=seats,
        level_db=level,
        sound_pressure_db=None if limit_db is None else level + limit_db[:, None],
        variation_db=variation_db(everywhere, listening.weight),
        output_db=output_db(everywhere, listening.weight, gain_db),
    )
