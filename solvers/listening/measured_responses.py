"""Measured responses on an even grid of frequencies, as what is heard over time needs them."""

from dataclasses import replace

import numpy as np

from roommodes.arrays import Complexes, Floats, Integers
from roommodes.errors import OutsideModel
from roommodes.plan.plan import Results
from roommodes.responses.impulse_response import impulse_grid
from roommodes.responses.metrics import energy_time_s
from roommodes.responses.wide_band import WideBand

SHORTEST_MEASURED_S = 1.0  # what the grid of measured responses must tell
FADE_OCTAVES = 1.0 / 6.0  # inside the band's ends, where nothing is known beyond


def told_s(results: Results) -> float:
    """How long a response the measured files tell; in older results, that of their grid [s]."""
    assert results.measured is not None, "asked of measured responses alone"
    if results.measured.wide is not None:
        return results.measured.wide.told_s
    return float(1.0 / np.diff(results.frequency_hz).max())


def measured_responses(results: Results, index: Integers, length_s: float) -> tuple[Floats, Floats, Complexes]:
    """The measured responses on an even grid: a spline between the files' frequencies, the mean delay taken out.

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

    told = told_s(results)
    wide = None if results.measured is None else results.measured.wide
    if wide is not None:
        if told < SHORTEST_MEASURED_S:
            raise OutsideModel(
                f"the measured files tell only {told:.2f} s; allowed: {SHORTEST_MEASURED_S:g} s or more. Export points "
                f"no more than {1.0 / SHORTEST_MEASURED_S:g} Hz apart, or longer impulse responses; then search again."
            )
        return _from_wide(results, wide, index, min(length_s, told))
    hz = results.frequency_hz
    step = float(np.diff(hz).max())
    if step * SHORTEST_MEASURED_S > 1.0:
        if results.measured is not None and results.measured.estimated is not None:
            raise OutsideModel(
                f"some responses of this plan were estimated at its own frequencies alone, as a field file holds them: "
                f"{step:.1f} Hz apart at {hz[-1]:g} Hz they tell only {1.0 / step:.2f} s; allowed: "
                f"{SHORTEST_MEASURED_S:g} s or more. Search again with optimise --measured MANIFEST --estimate, in "
                "place of --field here or of tune --field: that estimates them over all that the files hold."
            )
        needed = int(np.ceil(np.log(2.0) * hz[-1] * SHORTEST_MEASURED_S))
        raise OutsideModel(
            f"the measured responses are {step:.1f} Hz apart at {hz[-1]:g} Hz and tell only {1.0 / step:.2f} s; "
            f"allowed: {SHORTEST_MEASURED_S:g} s or more. Search again: a plan file keeps all that the files tell; "
            f"or raise [search] points_per_octave to {needed}."
        )
    length_s = min(length_s, told)
    even = np.arange(np.ceil(hz[0] * length_s), np.floor(hz[-1] * length_s) + 1) / length_s
    own = results.transfer[:, :, index].reshape(len(hz), -1)
    late = energy_time_s(hz, own)
    held = own * np.exp(2j * np.pi * np.outer(hz, late))
    value = CubicSpline(np.log(hz), held, axis=0)(np.log(even)) * np.exp(-2j * np.pi * np.outer(even, late))
    return even, _faded(even), value.reshape(len(even), results.transfer.shape[1], len(index))


def _from_wide(results: Results, wide: WideBand, index: Integers, length_s: float) -> tuple[Floats, Floats, Complexes]:
    """The results' band, with fades beyond it as far as the files reach, as the model's responses have them."""
    least = 2.0**FADE_OCTAVES
    lowest, highest = float(wide.frequency_hz[0]), float(wide.frequency_hz[-1])
    band = max(float(results.frequency_hz[0]), lowest * least), min(float(results.frequency_hz[-1]), highest / least)
    even, weight = impulse_grid(band_hz=band, duration_s=length_s, lowest_hz=lowest, highest_hz=highest)
    return even, weight, replace(wide, transfer=wide.transfer[:, :, index]).at(even)


def _faded(even: Floats) -> Floats:
    """Weights (n_even,) that fade at both ends."""
    inside = np.minimum(np.log2(even / even[0]), np.log2(even[-1] / even)) / FADE_OCTAVES
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * np.clip(inside, 0.0, 1.0)))
