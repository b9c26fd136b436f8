"""What the fit moved: modes and null planes of the textbook room, as drawn, and as measured."""

from dataclasses import dataclass

from roommodes.acoustics.built_modes import BuiltMode, built_modes
from roommodes.project.project import Project
from roommodes.running import Running
from solvers.fit.outcome import Fit

MOST_MODES = 16
INTERRUPTED = "interrupted while the modes were followed"


@dataclass(frozen=True, slots=True, kw_only=True)
class MovedMode:
    """One mode in the project as drawn and as fitted; each also knows its textbook frequency and null planes."""

    drawn: BuiltMode
    fitted: BuiltMode


def moved_modes(project: Project, fit: Fit, *, running: Running = Running()) -> tuple[MovedMode, ...]:
    """The lowest modes within the fit's band, in rising textbook frequency.

    Raises
    ------
    Interrupted : when cancelled.
    """
    top = float(fit.frequency_hz[-1])
    drawn = built_modes(
        project.room(),
        project.surfaces(),
        max_hz=top,
        limit=MOST_MODES,
        running=running.part(0.0, 0.5).under("modes", note="as drawn", words=INTERRUPTED),
    )
    fitted = built_modes(
        fit.situation.room,
        fit.space.surfaces(fit.situation)[0],
        max_hz=1.1 * top,
        limit=MOST_MODES + 6,
        running=running.part(0.5, 1.0).under("modes", note="as fitted", words=INTERRUPTED),
    )
    by_number = {mode.number: mode for mode in fitted}
    return tuple(MovedMode(drawn=one, fitted=by_number[one.number]) for one in drawn if one.number in by_number)
