"""What the fit moved: modes and null planes of the textbook room, as drawn, and as measured."""

from dataclasses import dataclass

from roommodes.acoustics.built_modes import BuiltMode, built_modes
from roommodes.project.project import Project
from solvers.fit.outcome import Fit
from solvers.running.progress import Cancelled, Interrupted, Report, Step

MOST_MODES = 16


@dataclass(frozen=True, slots=True, kw_only=True)
class MovedMode:
    """One mode in the project as drawn and as fitted; each also knows its textbook frequency and null planes."""

    drawn: BuiltMode
    fitted: BuiltMode


def moved_modes(
    project: Project, fit: Fit, *, report: Report | None = None, cancelled: Cancelled | None = None
) -> tuple[MovedMode, ...]:
    """The lowest modes within the fit's band, in rising textbook frequency.

    Raises
    ------
    Interrupted : when cancelled.
    """
    top = float(fit.frequency_hz[-1])

    def progress(stage: str, share: float) -> None:
        if cancelled and cancelled():
            raise Interrupted("interrupted while the modes were followed")
        if report:
            report(Step(stage="modes", fraction=share, note=stage))

    drawn = built_modes(
        project.room(),
        project.surfaces(),
        max_hz=top,
        limit=MOST_MODES,
        progress=lambda done, total: progress("as drawn", 0.5 * done / total),
    )
    fitted = built_modes(
        fit.situation.room,
        fit.space.surfaces(fit.situation)[0],
        max_hz=1.1 * top,
        limit=MOST_MODES + 6,
        progress=lambda done, total: progress("as fitted", 0.5 + 0.5 * done / total),
    )
    by_number = {mode.number: mode for mode in fitted}
    return tuple(MovedMode(drawn=one, fitted=by_number[one.number]) for one in drawn if one.number in by_number)
