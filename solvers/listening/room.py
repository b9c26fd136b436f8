"""What a room does by itself: its modes as built, where statistics begin, warnings."""

from dataclasses import dataclass

import numpy as np

from roommodes.acoustics.box_within import box_within
from roommodes.acoustics.built_modes import FOR_READING, MOST_MODES, BuiltMode, built_modes
from roommodes.acoustics.rigid_modes import crossover_hz, mode_density_per_hz, rigid_modes
from roommodes.acoustics.room import Room
from roommodes.lengths import lengths_of
from roommodes.project.advice import decay_estimate_s, null_warnings, project_warnings
from roommodes.project.project import Project
from roommodes.running import Running
from solvers.project_transfer import require_project_fits


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomFindings:
    """What a room does by itself.

    Parameters
    ----------
    modes : up to the end of the search's band, as built.
    rigid : numbers of the modes with rigid walls up to there, in rising frequency; empty in a room that is no box.
    density_low_per_hz, density_high_per_hz : modal density at both ends of the band [1/Hz].
    decay_time_s : near the end of the band [s].
    crossover_hz : where single modes give way to statistics [Hz].
    warnings : sentences.
    """

    modes: tuple[BuiltMode, ...]
    rigid: tuple[tuple[int, int, int], ...]
    density_low_per_hz: float
    density_high_per_hz: float
    decay_time_s: float
    crossover_hz: float
    warnings: tuple[str, ...]


def examine(project: Project, *, running: Running = Running()) -> RoomFindings:
    """The room's modes as built, their density, where statistics begin, and warnings.

    Parameters
    ----------
    project : the project.
    running : progress.

    Raises
    ------
    Interrupted : when cancelled.
    OutsideModel : the model cannot take the project's band, so that its modes would help nobody.
    """
    require_project_fits(project)
    room, surfaces = project.room, project.surfaces()
    low_hz, high_hz = project.search.band_hz
    modes = built_modes(room, surfaces, max_hz=high_hz, precision=FOR_READING, running=running)
    decay_time_s = decay_estimate_s(room, surfaces, hz=high_hz)
    low_density, high_density = mode_density_per_hz(room, np.array([low_hz, high_hz]))
    return RoomFindings(
        modes=modes,
        rigid=_rigid(room, high_hz),
        density_low_per_hz=float(low_density),
        density_high_per_hz=float(high_density),
        decay_time_s=decay_time_s,
        crossover_hz=crossover_hz(room, decay_time_s),
        warnings=(*project_warnings(project), *null_warnings(modes, project.seats, lengths_of(project))),
    )


def _rigid(room: Room, high_hz: float) -> tuple[tuple[int, int, int], ...]:
    box = box_within(room)
    if box is None:
        return ()
    return tuple((int(x), int(y), int(z)) for x, y, z in rigid_modes(box.room, high_hz).number[:MOST_MODES])
