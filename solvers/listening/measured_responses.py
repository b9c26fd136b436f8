"""Measured responses on an even grid of frequencies, as what is heard over time needs them."""

import numpy as np

from roommodes.arrays import Complexes, Floats, Integers
from roommodes.errors import OutsideModel
from roommodes.plan.plan import Results
from solvers.listening.row_compromise import energy_time_s

SHORTEST_MEASURED_S = 1.0  # what the grid of measured responses must tell
FADE_OCTAVES = 1.0 / 6.0  # inside the band's ends, where nothing is known beyond


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
