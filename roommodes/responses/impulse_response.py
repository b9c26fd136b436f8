"""Impulse responses from transfer functions that are known over a band.

The band is left as it is and faded out on both sides over log frequency. Faded so alone, the impulse begins before the
sound arrives. `causal` turns the fades into a filter of minimum phase: nothing comes before time zero, and the band
comes later by what `latency_s` says. One period of the frequency grid is the length of the response: what
still rings at its end comes back at its beginning, so it must be long against the decay.

    h[n] = (1/N) sum_k H(f_k) W(f_k) e^{-j 2 pi f_k lead} e^{+j 2 pi k n / N},   f_k = k rate / N

A signal as it would be at 1 m in free field, convolved with h, is the signal at the seat.
"""

from math import ceil, floor

import numpy as np

from roommodes.arrays import Complexes, Floats
from roommodes.errors import OutsideModel

FADE = 2.0**0.5  # the fades are half an octave wide
LEAST = 1e-3  # amplitude
CEPSTRUM, CEPSTRUM_PER_STEP = 64, 8  # how far beyond the band the cepstrum reaches, and how finely


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


def causal(frequency_hz: Floats, weight: Floats) -> Complexes:
    """The fades as a filter of minimum phase, which sounds after time zero alone.

    The phase is the Hilbert transform of the logarithm of the amplitude, by the real cepstrum (A. V. Oppenheim and
    R. W. Schafer, Discrete-Time Signal Processing, ch. 12; from memory). Amplitudes under -60 dB are taken for -60 dB
    in that; what then still sounds too early is some 1e-5 of the energy.

    Parameters
    ----------
    frequency_hz, weight : (n_freq,) as from `impulse_grid`.

    Returns
    -------
    (n_freq,) of the same amplitude.
    """
    step = float(frequency_hz[1] - frequency_hz[0])
    finer = np.arange(2 ** ceil(np.log2(CEPSTRUM * frequency_hz[-1] / step))) * step / CEPSTRUM_PER_STEP
    amplitude = np.interp(finer, frequency_hz, weight, left=0.0, right=0.0)
    cepstrum = np.fft.irfft(np.log(np.maximum(amplitude, LEAST)))
    cepstrum[1 : len(cepstrum) // 2] *= 2.0
    cepstrum[len(cepstrum) // 2 + 1 :] = 0.0
    phase = np.interp(frequency_hz, finer, np.fft.rfft(cepstrum).imag)
    return np.asarray(weight * np.exp(1j * phase))


def latency_s(frequency_hz: Floats, filtered: Complexes, *, band_hz: tuple[float, float]) -> float:
    """Group delay of `causal` in the middle of the band, sqrt(low high) [s]."""
    middle = float(np.sqrt(band_hz[0] * band_hz[1]))
    at = int(np.clip(np.searchsorted(frequency_hz, middle), 1, len(frequency_hz) - 1))
    turn = float(np.angle(filtered[at] * np.conj(filtered[at - 1])))
    return -turn / float(2.0 * np.pi * (frequency_hz[at] - frequency_hz[at - 1]))


def impulse_response(
    frequency_hz: Floats, transfer: Complexes, *, rate_hz: float, duration_s: float, lead_s: float = 0.0
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
