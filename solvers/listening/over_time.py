"""What a plan does over time at the seats, beside identical settings: decays, arrivals, the modes behind."""

from dataclasses import dataclass

import numpy as np

from roommodes.acoustics.built_modes import FOR_READING, BuiltMode, built_modes
from roommodes.acoustics.transfer import HIGHEST_HZ, LOWEST_HZ
from roommodes.arrays import Complexes, Floats
from roommodes.errors import OutsideModel
from roommodes.plan.plan import Plan
from roommodes.responses.decay_view import TimeView, band_centres, time_view
from roommodes.responses.impulse_response import impulse_grid
from roommodes.responses.metrics import energy_time_s, seat_pressure
from roommodes.running import Running
from solvers.listening.measured_responses import measured_responses
from solvers.listening.modelled_responses import modelled_responses

SHOWN_S = 0.6  # share of what the grid resolves that is shown: the rest is kept free of what comes round again
SHORTEST_S, LONGEST_S = 0.5, 3.0
MOST_MODES_HZ = 100.0  # above, modes lie so close that each by itself says little


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Seen:
    """What the seats hear over time with one setting.

    Parameters
    ----------
    view : level over time and frequency.
    mode_db : (n_mode,) mean level over the seats at each mode's frequency, re the mean over the band [dB].
    energy_s : (n_seat,) centre of energy after the earliest sub's signal [s].
    """

    view: TimeView
    mode_db: Floats
    energy_s: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BeforeAfterTime:
    """A plan over time.

    Parameters
    ----------
    before : the same subs with identical settings.
    after : the plan with its drives, and its filters if it was tuned.
    modes : of the room as built, in the band.
    first_s, last_s : (n_seat,) direct sound of the plan's first and last sub at each seat [s].
    error : of the reduced model that the responses come from, see `modelled_responses`; 0 where they are measured.
    """

    before: Seen
    after: Seen
    modes: tuple[BuiltMode, ...]
    first_s: Floats
    last_s: Floats
    error: float = 0.0

    @property
    def late_s(self) -> Floats:
        """By how much the last sub's sound comes after the first's: (n_seat,) [s]."""
        return np.asarray(self.last_s - self.first_s)


def plan_over_time(plan: Plan, *, length_s: float = 2.0, running: Running = Running()) -> BeforeAfterTime:
    """Work out a plan over time, from the model or from what was measured.

    Parameters
    ----------
    plan : with its filters, if it was tuned.
    length_s : of the responses, long against the room's decay; measured ones as long as their grid tells [s].
    running : progress, cancelling, threads.

    Raises
    ------
    OutsideModel : the length is too short or too long, or the model cannot take the project.
    Interrupted : when cancelled.
    """
    if not SHORTEST_S <= length_s <= LONGEST_S:
        raise OutsideModel(f"a length of {length_s:g} s; allowed: {SHORTEST_S:g} to {LONGEST_S:g} s.")
    error = 0.0
    if plan.measured is None:
        hz, weight, transfer, error = _modelled(plan, length_s, running)
    else:
        hz, weight, transfer = measured_responses(plan.results, plan.candidate_index, length_s)
    low, high = float(plan.frequency_hz[0]), float(plan.frequency_hz[-1])
    project, seats = plan.project, plan.seats
    found = built_modes(
        project.room, project.surfaces(), max_hz=min(high, MOST_MODES_HZ), precision=FOR_READING, running=running
    )
    modes = tuple(mode for mode in found if low <= mode.frequency_hz <= high)
    drives = plan.weights(hz)
    inside = (hz >= low) & (hz <= high)
    centres = band_centres(low, high)

    def seen(weights: Complexes) -> Seen:
        pressure = seat_pressure(transfer, weights)
        square = (np.abs(pressure) ** 2) @ (seats.weight / seats.weight.sum())
        mean = float(np.mean(square[inside]))
        at = np.array([mode.frequency_hz for mode in modes])
        return Seen(
            view=time_view(
                hz, pressure * weight[:, None], seats.weight, centre_hz=centres, lasting_s=SHOWN_S / (hz[1] - hz[0])
            ),
            mode_db=10.0 * np.log10(np.interp(at, hz, square) / mean),
            energy_s=energy_time_s(hz[inside], pressure[inside]),
        )

    arrivals = plan.arrival_s
    return BeforeAfterTime(
        before=seen(np.ones_like(drives)),
        after=seen(drives * np.exp(2j * np.pi * hz * float(plan.drives.delay_s.min()))[:, None]),
        modes=modes,
        first_s=arrivals.min(axis=1),
        last_s=arrivals.max(axis=1),
        error=error,
    )


def _modelled(plan: Plan, length_s: float, running: Running) -> tuple[Floats, Floats, Complexes, float]:
    """Frequencies, their weights, the model's responses of a plan's subs, and their error."""
    low, high = float(plan.frequency_hz[0]), float(plan.frequency_hz[-1])
    hz, weight = impulse_grid(band_hz=(low, high), duration_s=length_s, lowest_hz=LOWEST_HZ, highest_hz=HIGHEST_HZ)
    found = modelled_responses(plan, np.arange(plan.subs), hz, running=running)
    return hz, weight, found.transfer * plan.kind_response(hz)[:, None], found.error
