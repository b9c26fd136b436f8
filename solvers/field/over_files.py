"""An estimate beyond the search's band: over what the files tell, as far as the estimate reaches.

Crossover and decay are taken from it. The weights of the kernels are those found in the search's band.
"""

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from roommodes.arrays import Complexes, Floats, Integers
from roommodes.errors import OutsideModel
from roommodes.responses.wide_band import WideBand
from roommodes.running import Running
from solvers.field.estimate import Estimate, Fitted, elsewhere, in_batches, kernels, model_at, stacked
from solvers.field.waves import MODEL

EVERY = 2  # of the files' steps of frequency: half the work, and 1.5 s still told
OCTAVES_ABOVE = 1.0  # above the search's band
SHORT_HZ = 1.0  # of the search's band at its ends, by the steps
AT_ONCE = 64  # frequencies
MOST_DEVIATION = 0.5  # of the rms at the measured places: beyond the search's band the estimate reaches so far


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reach:
    """What of an estimate is kept.

    Parameters
    ----------
    index : (n_kept,) which of the files' steps of frequency.
    pressure : (n_kept, n_place, n_sub).
    told_s : how long a response these steps tell [s].
    words : how far it reaches, in a sentence.
    """

    index: Integers
    pressure: Complexes
    told_s: float
    words: str

    def beside(self, wide: WideBand, order: Integers | None = None) -> WideBand:
        """The files' responses with the estimated ones behind them, places in an order."""
        joined = np.concatenate([wide.transfer[self.index], self.pressure], axis=1)
        joined = joined if order is None else joined[:, order]
        return WideBand(frequency_hz=wide.frequency_hz[self.index], transfer=joined, told_s=self.told_s)

    def exchanged(self, wide: WideBand) -> WideBand:
        """The estimated responses alone, sub and microphone exchanged."""
        turned = self.pressure.transpose(0, 2, 1).copy()
        return WideBand(frequency_hz=wide.frequency_hz[self.index], transfer=turned, told_s=self.told_s)


def over_files(found: Estimate, wide: WideBand, place: Integers, *, running: Running = Running()) -> Reach | None:
    """Some of an estimate's places over what the files tell.

    Parameters
    ----------
    found : in the search's band.
    wide : (n_wide, n_measured_place, n_sub) of its measured set over all that the files tell.
    place : (n_place,) which of its places.
    running : progress, cancelling, threads.

    Returns
    -------
    None where the files do not hold the search's band.

    Raises
    ------
    Interrupted : when cancelled.
    """
    band = float(found.frequency_hz[0]), float(found.frequency_hz[-1])
    top = band[1] * 2.0**OCTAVES_ABOVE
    asked = np.arange((len(wide.frequency_hz) - 1) % EVERY, len(wide.frequency_hz), EVERY)
    asked = asked[wide.frequency_hz[asked] <= top]
    hz = wide.frequency_hz[asked]
    if not len(hz) or hz[0] > band[0] + SHORT_HZ or hz[-1] < band[1] - SHORT_HZ:
        return None
    first = int(np.searchsorted(hz, band[1], side="right"))
    cuts = sorted({0, first, *range(first % AT_ONCE, first, AT_ONCE), *range(first, len(hz), AT_ONCE), len(hz)})
    pressure, share, why = [], [], ""
    for start, end in pairwise(cuts):
        up_to = band[1] if end <= first else float(hz[end - 1])
        try:
            parts = _stretch(found, wide, asked[start:end], place, up_to_hz=up_to, running=running)
        except OutsideModel:
            if end <= first:
                raise
            why = "; above, the model does not reach"
            break
        running.step("field", end / len(hz), "over the files' band")
        pressure.append(parts[0])
        share.append(parts[1])
        if start >= first and (parts[1] > MOST_DEVIATION).any():
            break
    if not why and hz[-1] < wide.frequency_hz[-1]:
        why = ", at most an octave above the search"
    told = np.concatenate(share)
    inside = (hz[: len(told)] >= band[0]) & (hz[: len(told)] <= band[1])
    bad = np.flatnonzero((told > MOST_DEVIATION) & ~inside)
    low = int(max((at + 1 for at in bad if hz[at] < band[0]), default=0))
    high = int(min((at for at in bad if hz[at] > band[1]), default=len(told)))
    if low > 0 or high < len(told):
        why = f"; beyond, one deviation is over {MOST_DEVIATION:.0%} of the responses' rms"
    told_s = min(wide.told_s, 1.0 / float(hz[1] - hz[0]))
    words = f"For crossover and decay it is estimated from {hz[low]:.4g} to {hz[high - 1]:.4g} Hz{why}."
    kept = slice(low, high)
    return Reach(index=asked[kept], pressure=np.concatenate(pressure)[kept], told_s=told_s, words=words)


def _stretch(
    found: Estimate, wide: WideBand, index: Integers, place: Integers, *, up_to_hz: float, running: Running
) -> tuple[Complexes, Floats]:
    """Pressure at some of the files' frequencies, and its deviation over the rms, (n_freq,).

    Standing waves enter up to a frequency: in the search's band those that its estimate has.
    """
    at_top = np.append(index, index[-1])  # one more, dropped in the end
    hz, data = np.append(wide.frequency_hz[index], up_to_hz), wide.transfer[at_top]
    measured = replace(
        found.measured, frequency_hz=hz, transfer=data, noise=np.full((len(hz), data.shape[2]), np.nan), further=None
    )
    place_m, n = found.place_m[place], data.shape[1]
    modelled = MODEL in found.fitted.waves[0].names
    everywhere = np.concatenate([measured.seats.position_m, place_m])
    if modelled:
        model = model_at(found.project, measured, everywhere, running=running.silent())
    else:
        model = np.zeros((len(hz), len(everywhere), data.shape[2]), dtype=np.complex128)
    waves = kernels(found.project, measured, model[:, :n] if modelled else None, found.wider_m)
    fitted = Fitted(
        waves=waves,
        weight=found.fitted.weight,
        wider_m=found.wider_m,
        terms=stacked(waves),
        data=in_batches(data),
    )
    value, deviation = elsewhere(fitted, model[:, n:], place_m, running=running)
    power = np.mean(np.abs(data) ** 2, axis=1)
    share = found.widened * np.sqrt(np.mean(deviation**2 / power[:, None], axis=(1, 2)))
    return value[:-1], np.asarray(share[:-1])
