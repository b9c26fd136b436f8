"""What a plan does over time at the seats, beside the same subs driven alike: decays, arrivals, the modes behind."""

from dataclasses import dataclass

import numpy as np

from roommodes.acoustics.built_modes import BuiltMode, built_modes
from roommodes.acoustics.ports import Precision
from roommodes.acoustics.transfer import HIGHEST_HZ, LOWEST_HZ
from roommodes.arrays import Complexes, Floats, Integers
from roommodes.errors import OutsideModel
from roommodes.plan.file import Results
from roommodes.project.project import Project
from roommodes.responses.decay_view import TimeView, band_centres, time_view
from roommodes.responses.impulse_response import impulse_grid
from roommodes.responses.metrics import drive_weights, seat_pressure
from roommodes.running import Running
from solvers.crossover.responses import plan_filters
from solvers.listening.row_compromise import arrivals_s, energy_time_s
from solvers.project_transfer import project_transfer

SHOWN_S = 0.6  # share of what the grid resolves that is shown: the rest is kept free of what comes round again
SHORTEST_S, LONGEST_S = 0.5, 3.0
SHORTEST_MEASURED_S = 1.0  # what the grid of measured responses must tell
FADE_OCTAVES = 1.0 / 6.0  # inside the band's ends, where nothing is known beyond
# to 0.3 % of the largest pressure: plenty for what is read from a figure, and five times as quick
PRECISION = Precision(
    cut=2.5, lowest_cut=5.0, plane_wavenumber=60.0, edge_wavenumber=20.0, extra_order=4, near_error=0.3
)
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
    before : the same subs, all driven alike.
    after : the plan with its drives, and its filters if it was tuned.
    modes : of the room as built, in the band.
    first_s, last_s : (n_seat,) direct sound of the plan's first and last sub at each seat [s].
    """

    before: Seen
    after: Seen
    modes: tuple[BuiltMode, ...]
    first_s: Floats
    last_s: Floats

    @property
    def late_s(self) -> Floats:
        """By how much the last sub's sound comes after the first's: (n_seat,) [s]."""
        return np.asarray(self.last_s - self.first_s)


def plan_over_time(
    project: Project,
    results: Results,
    *,
    subs: int,
    rank: int,
    length_s: float = 2.0,
    running: Running = Running(),
) -> BeforeAfterTime:
    """Work out a plan over time, from the model or from what was measured.

    Parameters
    ----------
    project, results : the plan's own.
    subs, rank : which plan; rank from 0.
    length_s : of the responses, long against the room's decay; measured ones as long as their grid tells [s].
    running : progress, cancelling, threads.

    Raises
    ------
    OutsideModel : the length is too short or too long, or the model cannot take the project.
    Interrupted : when cancelled.
    """
    if not SHORTEST_S <= length_s <= LONGEST_S:
        raise OutsideModel(f"a length of {length_s:g} s; allowed: {SHORTEST_S:g} to {LONGEST_S:g} s.")
    table, seats = results.plans[subs], results.seats
    index = table.candidate_index[rank]
    low, high = float(results.frequency_hz[0]), float(results.frequency_hz[-1])
    if results.measured is None:
        hz, weight, transfer = _modelled(project, results, index, length_s, running)
    else:
        hz, weight, transfer = measured_responses(results, index, length_s)
    modes = tuple(
        mode
        for mode in built_modes(project.room(), project.surfaces(), max_hz=min(high, MOST_MODES_HZ), running=running)
        if low <= mode.frequency_hz <= high
    )
    drives = drive_weights(hz, gain_db=table.gain_db[rank], delay_s=table.delay_s[rank], polarity=table.polarity[rank])
    drives = drives * plan_filters(results.tuning, hz, subs=subs, rank=rank)
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

    arrivals = arrivals_s(project, results.candidates.position_m[index], table.delay_s[rank], seats.position_m)
    return BeforeAfterTime(
        before=seen(np.ones_like(drives)),
        after=seen(drives * np.exp(2j * np.pi * hz * float(table.delay_s[rank].min()))[:, None]),
        modes=modes,
        first_s=arrivals.min(axis=1),
        last_s=arrivals.max(axis=1),
    )


def _modelled(
    project: Project,
    results: Results,
    index: Integers,
    length_s: float,
    running: Running,
) -> tuple[Floats, Floats, Complexes]:
    """Frequencies, their weights, and the model's responses of a plan's subs."""
    low, high = float(results.frequency_hz[0]), float(results.frequency_hz[-1])
    hz, weight = impulse_grid(band_hz=(low, high), duration_s=length_s, lowest_hz=LOWEST_HZ, highest_hz=HIGHEST_HZ)
    transfer = project_transfer(  # by reciprocity: the subs, which are few, as the model's seats
        project,
        frequency_hz=hz,
        seat_m=results.candidates.position_m[index],
        source_m=results.seats.position_m,
        precision=PRECISION,
        running=running,
    ).transpose(0, 2, 1)
    return hz, weight, transfer


def told_s(results: Results) -> float:
    """How long a response the results' own grid tells [s]."""
    return float(1.0 / (results.frequency_hz[-1] - results.frequency_hz[-2]))


def measured_responses(results: Results, index: Integers, length_s: float) -> tuple[Floats, Floats, Complexes]:
    """The measured responses on an even grid: a spline between their frequencies, the centre of energy taken out.

    Parameters
    ----------
    results : of measured responses.
    index : (n_sub,) which candidates.
    length_s : its step is the inverse; no longer than what their own grid tells [s].

    Returns
    -------
    Frequencies (n_even,) [Hz], weights (n_even,) that fade inside the band's ends, responses (n_even, n_seat, n_sub).

    Raises
    ------
    OutsideModel : their grid tells too little.
    """
    from scipy.interpolate import CubicSpline  # noqa: PLC0415 (half a second that other uses need not pay)

    hz = results.frequency_hz
    step = float(hz[-1] - hz[-2])
    if step * SHORTEST_MEASURED_S > 1.0:
        needed = int(np.ceil(np.log(2.0) * hz[-1] * SHORTEST_MEASURED_S))
        raise OutsideModel(
            f"the measured responses are {step:.1f} Hz apart at {hz[-1]:g} Hz and tell only {1.0 / step:.2f} s; "
            f"allowed: {SHORTEST_MEASURED_S:g} s or more. Set points_per_octave = {needed} in the manifest's [grid]; "
            "then search again."
        )
    length_s = min(length_s, told_s(results))
    even = np.arange(np.ceil(hz[0] * length_s), np.floor(hz[-1] * length_s) + 1) / length_s
    own = results.transfer[:, :, index].reshape(len(hz), -1)
    late = energy_time_s(hz, own)
    held = own * np.exp(2j * np.pi * np.outer(hz, late))
    value = CubicSpline(np.log(hz), held, axis=0)(np.log(even)) * np.exp(-2j * np.pi * np.outer(even, late))
    inside = np.minimum(np.log2(even / even[0]), np.log2(even[-1] / even)) / FADE_OCTAVES
    weight = 0.5 - 0.5 * np.cos(np.pi * np.clip(inside, 0.0, 1.0))
    return even, weight, value.reshape(len(even), results.transfer.shape[1], len(index))
