"""The field in a project's room."""

from math import pi
from typing import Any

import numpy as np
from numpy.typing import NDArray

from roommodes.acoustics.box_within import box_within
from roommodes.acoustics.dense.answer import DenseTransfer
from roommodes.acoustics.precision import Precision
from roommodes.acoustics.room_boundary import require_boundary_fits
from roommodes.acoustics.transfer import transfer_function
from roommodes.arrays import Complexes, Floats
from roommodes.elements.solution import require_solvable
from roommodes.project.bands.search_grid import search_grid_hz
from roommodes.project.project import Project
from roommodes.running import Running

# levels at the seats to 0.03 dB, in a tenth of the time (measured in the demo's room)
QUICK = Precision(
    cut=2.5,
    lowest_cut=5.0,
    plane_wavenumber=60.0,
    edge_wavenumber=20.0,
    extra_order=3,
    fewest_extra=1,
    near_error=0.3,
)


def project_transfer(
    project: Project,
    *,
    frequency_hz: Floats,
    seat_m: Floats,
    source_m: Floats,
    precision: Precision | None = None,
    running: Running = Running(),
) -> Complexes:
    """Transfer functions in the project's room.

    Parameters
    ----------
    project : room and surfaces.
    frequency_hz : (n_freq,) [Hz].
    seat_m, source_m : (n, 3) [m].
    precision : how far the model's sums go.
    running : progress, cancelling, threads, and where fields are kept.

    Returns
    -------
    (n_freq, n_seat, n_source) [1/m].

    Raises
    ------
    Interrupted : when cancelled.
    OutsideModel : the model cannot take this project.
    """
    surfaces = project.surfaces()

    def field() -> dict[str, Complexes]:
        whole = transfer_function(
            project.room,
            surfaces,
            frequency_hz=frequency_hz,
            seat_m=seat_m,
            source_m=source_m,
            precision=precision,
            running=running,
        )
        return {"transfer": whole}

    asked = (project.room, surfaces, frequency_hz, seat_m, source_m, precision)
    return running.arrays("field", asked, field)["transfer"]


def dense_project_transfer(
    project: Project,
    *,
    frequency_hz: Floats,
    seat_m: Floats,
    source_m: Floats,
    precision: Precision | None = None,
    running: Running = Running(),
) -> DenseTransfer:
    """The same at many frequencies, by a reduced model where that is quicker; its error is told.

    Parameters and errors are those of `project_transfer`.
    """
    surfaces = project.surfaces()

    def field() -> dict[str, NDArray[Any]]:
        from roommodes.acoustics.dense.curves import dense_transfer  # noqa: PLC0415 (not for what is kept)

        found = dense_transfer(
            project.room,
            surfaces,
            frequency_hz=frequency_hz,
            seat_m=seat_m,
            source_m=source_m,
            precision=precision,
            running=running,
        )
        return {"transfer": found.transfer, "error": np.array(found.error), "solved": np.array(found.solved)}

    asked = (project.room, surfaces, frequency_hz, seat_m, source_m, precision)
    kept = running.arrays("dense field", asked, field)
    return DenseTransfer(transfer=kept["transfer"], error=float(kept["error"]), solved=int(kept["solved"]))


def require_project_fits(project: Project) -> None:
    """Refuse at once what the model would refuse of the project's whole band, before other work is begun.

    Raises
    ------
    OutsideModel : it would take more memory or time than can be had here.
    """
    if box_within(project.room) is None:
        room = project.room
        require_solvable(room.shape, 2.0 * pi * project.search.band_hz[1] / room.air.speed_of_sound_m_s)
        return
    require_boundary_fits(
        project.room,
        project.surfaces(),
        frequency_hz=search_grid_hz(project.search, project.mains),
        seat_m=project.seats.position_m,
        source_m=project.candidates.position_m,
        precision=Precision(),
    )
