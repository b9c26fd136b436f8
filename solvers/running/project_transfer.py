"""The field in a project's room, with progress and a way out."""

import numpy as np
from numpy.typing import NDArray

from roommodes.acoustics.transfer import transfer_function
from roommodes.arrays import Floats
from roommodes.project.project import Project
from solvers.running.progress import Cancelled, Interrupted, Report, Step


def project_transfer(
    project: Project,
    *,
    frequency_hz: Floats,
    seat_m: Floats,
    source_m: Floats,
    report: Report | None = None,
    cancelled: Cancelled | None = None,
    threads: int | None = None,
) -> NDArray[np.complex128]:
    """Transfer functions in the project's room, with progress and a way out.

    Parameters
    ----------
    project : room and surfaces.
    frequency_hz : (n_freq,) [Hz].
    seat_m, source_m : (n, 3) [m].
    report, cancelled, threads : as for `plans.solve.build_problem`.

    Returns
    -------
    (n_freq, n_seat, n_source) [1/m].

    Raises
    ------
    Interrupted : when cancelled.
    OutsideModel : the model cannot take this project.
    """

    def progress(done: int, total: int) -> None:
        if cancelled and cancelled():
            raise Interrupted("interrupted while the room was computed; nothing was written")
        if report:
            report(Step(stage="room", fraction=done / total))

    if report:
        report(Step(stage="room", fraction=0.0))
    return transfer_function(
        project.room(),
        project.surfaces(),
        frequency_hz=frequency_hz,
        seat_m=seat_m,
        source_m=source_m,
        progress=progress,
        threads=threads,
    )
