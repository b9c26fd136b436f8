"""The field in a project's room."""

from math import pi, prod

from roommodes.acoustics.box_field import counts_to
from roommodes.acoustics.precision import Precision
from roommodes.acoustics.room_boundary import boundary_of
from roommodes.acoustics.transfer import transfer_function
from roommodes.arrays import Complexes, Floats
from roommodes.effort import Effort, require_room_for
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
    running : progress, cancelling, threads.

    Returns
    -------
    (n_freq, n_seat, n_source) [1/m].

    Raises
    ------
    Interrupted : when cancelled.
    OutsideModel : the model cannot take this project.
    """
    return transfer_function(
        project.room,
        project.surfaces(),
        frequency_hz=frequency_hz,
        seat_m=seat_m,
        source_m=source_m,
        precision=precision,
        running=running,
    )


def require_project_fits(project: Project, *, frequency_hz: Floats, seat_m: Floats, source_m: Floats) -> None:
    """Refuse at once what `project_transfer` would refuse, before other work is begun beside it; boxes alone.

    Parameters
    ----------
    project, frequency_hz, seat_m, source_m : as there.

    Raises
    ------
    OutsideModel : it would take more memory or time than can be had here.
    """
    room, precision = project.room, Precision()
    if not room.is_box:
        return
    boundary = boundary_of(
        room,
        project.surfaces(),
        frequency_hz=frequency_hz,
        seat_m=seat_m,
        source_m=source_m,
        precision=precision,
    )
    highest_hz = float(frequency_hz.max())
    wavenumber = 2.0 * pi * highest_hz / room.air.speed_of_sound_m_s
    box = prod(counts_to(room, max(precision.cut * wavenumber, precision.lowest_cut)))
    require_room_for(Effort(box=box, boundary=boundary.size, frequencies=len(frequency_hz)), room.size_m, highest_hz)
