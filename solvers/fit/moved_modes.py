"""What the fit moved: modes and null planes of the textbook room, as drawn, and as measured."""

from dataclasses import dataclass
from math import hypot

from roommodes.acoustics.built_modes import BuiltMode, built_modes, strongest
from roommodes.project.project import Project
from roommodes.running import Running
from solvers.fit.outcome import Fit

MOST_MODES = 16
INTERRUPTED = "interrupted while the modes were followed"
BEYOND = 1.1  # how far above the band a mode of one of the rooms is still followed


@dataclass(frozen=True, slots=True, kw_only=True)
class MovedMode:
    """One textbook mode in the project as drawn and as fitted, each the one of that name that the response shows most.

    Parameters
    ----------
    number : mode numbers along x, y, z; in a room that is no box the rank with rigid walls.
    textbook_hz : with rigid walls and the sizes as drawn [Hz].
    drawn, fitted : None where the response does not show it; not both.
    """

    number: tuple[int, ...]
    textbook_hz: float
    drawn: BuiltMode | None
    fitted: BuiltMode | None


def moved_modes(project: Project, fit: Fit, *, running: Running = Running()) -> tuple[MovedMode, ...]:
    """The lowest modes that either room shows within the fit's band, in rising textbook frequency.

    Raises
    ------
    Interrupted : when cancelled.
    """
    top = float(fit.compared.frequency_hz[-1])
    low = fit.freed.band_hz[0] if fit.freed else 0.0  # below it nobody knows the admittances

    rooms = (
        ("as drawn", project.room, project.surfaces()),
        ("as fitted", fit.situation.room, fit.space.surfaces(fit.situation)[0]),
    )
    found = []
    for place, (stage, room, surfaces) in enumerate(rooms):
        modes = built_modes(
            room,
            surfaces,
            max_hz=BEYOND * top,
            limit=MOST_MODES + 6,
            running=running.part(0.5 * place, 0.5 * place + 0.5).under("modes", note=stage, words=INTERRUPTED),
        )
        found.append(strongest(modes))
    drawn, fitted = found
    box = project.room

    def textbook_hz(number: tuple[int, ...]) -> float:
        if len(number) == 1:
            return next(modes[number].rigid_hz for modes in found if number in modes)
        half_waves = hypot(*(n / size for n, size in zip(number, box.size_m, strict=True)))
        return 0.5 * box.air.speed_of_sound_m_s * half_waves

    def seen(number: tuple[int, ...]) -> bool:
        return any(number in modes and low <= modes[number].frequency_hz <= top for modes in found)

    numbers = sorted(filter(seen, {**drawn, **fitted}), key=textbook_hz)[:MOST_MODES]
    return tuple(
        MovedMode(number=n, textbook_hz=textbook_hz(n), drawn=drawn.get(n), fitted=fitted.get(n)) for n in numbers
    )
