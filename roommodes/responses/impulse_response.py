"""Impulse responses from transfer functions that are known over a band.

The band is left as it is and faded out on both sides over log frequency, so the impulse begins a little before the
sound arrives; a lead of silence holds that. One period of the frequency grid is the length of the response: what
still rings at its end comes back at its beginning, so it must be long against the decay.

    h[n] = (1/N) sum_k H(f_k) W(f_k) e^{-j 2 pi f_k lead} e^{+j 2 pi k n / N},   f_k = k rate / N

A signal as it would be at 1 m in free field, convolved with h, is the signal at the seat.
"""

from math import ceil, floor

import numpy as np

from roommodes.arrays import Complexes, Floats
from roommodes.errors import OutsideModel

FADE = 2.0**0.5  # the fades are half an octave wide


def impulse_grid(
    *, band_hz: tuple[float, float], duration_s: float, lowest_hz: float, highest_hz: float
) -> tuple[Floats, Floats]:
    """Frequencies at which the transfer functions are needed, and the weight of each.

    Parameters
    ----------
    band_hz : what is kept whole [Hz].
    duration_s : length of the response; the grid's step is its inverse [s].
    lowest_hz, highest_hz : what the model can give [Hz]; the fades end there at the latest.

    Returns
    -------
    Frequencies (n_freq,), whole multiples of the step [Hz]; weights (n_freq,), 0 to 1.
    """
    low, high = band_hz
    start, end = max(lowest_hz, low / FADE), min(highest_hz, high * FADE)
    numbers = np.arange(ceil(start * duration_s), floor(end * duration_s) + 1)
    hz = numbers / duration_s
    rise = np.clip(np.log(hz / start) / max(np.log(low / start), 1e-9), 0.0, 1.0)
    fall = np.clip(np.log(end / hz) / max(np.log(end / high), 1e-9), 0.0, 1.0)
    weight = (0.5 - 0.5 * np.cos(np.pi * rise)) * (0.5 - 0.5 * np.cos(np.pi * fall))
    return hz, weight


def impulse_response(
    frequency_hz: Floats, transfer: Complexes, *, rate_hz: float, duration_s: float, lead_s: float
) -> Floats:
    """Impulse responses from weighted transfer functions on a grid of `impulse_grid`.

    Parameters
    ----------
    frequency_hz : (n_freq,), whole multiples of 1 / duration_s [Hz].
    transfer : (n_freq, ...) complex128, already weighted [1/m].
    rate_hz : sample rate [Hz].
    duration_s : length [s].
    lead_s : when time zero comes in it [s].

    Returns
    -------
    (n_sample, ...) float64.

    Raises
    ------
    OutsideModel : the grid does not fit the length, or the rate is too low for it.
    """
    count = round(duration_s * rate_hz)
    if abs(count - duration_s * rate_hz) > 1e-6:
        raise OutsideModel(
            f"a length of {duration_s:g} s is {duration_s * rate_hz:g} samples at {rate_hz:g} Hz; "
            "allowed: a whole number."
        )
    numbers = np.round(frequency_hz * duration_s).astype(int)
    if np.abs(numbers - frequency_hz * duration_s).max() > 1e-6:
        raise OutsideModel("the frequencies are not whole multiples of the inverse length; take impulse_grid's.")
    if numbers.max() >= count / 2:
        raise OutsideModel(
            f"sample rate: got {rate_hz:g} Hz; allowed: above {2.0 * frequency_hz.max():g} Hz for this band."
        )
    spectrum = np.zeros((count // 2 + 1, *transfer.shape[1:]), dtype=np.complex128)
    turn = np.exp(-2j * np.pi * frequency_hz * lead_s)
    spectrum[numbers] = transfer * turn.reshape(-1, *[1] * (transfer.ndim - 1))
    return np.asarray(np.fft.irfft(spectrum, n=count, axis=0))


def left_at_end_db(impulse: Floats, *, share: float = 0.05) -> float:
    """Energy in the last part of a response against the mean, the worst channel: (n_sample, ...) [dB]."""
    tail = max(1, round(share * len(impulse)))
    energy = np.mean(impulse[-tail:] ** 2, axis=0) / np.mean(impulse**2, axis=0)
    return float(10.0 * np.log10(max(float(np.max(energy)), 1e-30)))
