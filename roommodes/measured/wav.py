"""Impulse responses from WAV files, and their spectra at any frequency.

    H(f) = sum over n of h[n] e^{-j 2 pi f n / rate},   time zero at the file's first sample

The sum is straight, without a detour over an FFT's grid, and includes no scale: a response of one sample of 1 is 1.
"""

import io
import warnings
from math import ceil

import numpy as np
from numpy.typing import NDArray
from scipy.io import wavfile

from roommodes.arrays import Complexes, Floats
from roommodes.measured.files import Impulse, faulty

BINS_FROM = 256  # frequencies
BLOCK = 512
FEWEST_SAMPLES = 64
FLAT_TOP = 3  # so many equal samples in a row at the largest value: clipped
SMALLEST_PEAK, LARGEST_PEAK = 1e-15, 1e15
PASSED_OVER = "Chunk (non-data) not understood"  # what scipy says of the notes that programs put into WAV files


def read_wav(data: bytes, *, channel: int | None) -> Impulse:
    """One channel of a WAV file (16, 24 or 32 bit, or floating point), full scale 1.

    Parameters
    ----------
    data : the file's bytes.
    channel : from 1; None where there is but one.

    Raises
    ------
    FileFaulty : not a WAV file, truncated, of a kind that is not read, silent, clipped, or too short.
    """
    rate, raw = _samples(data)
    channels = raw.shape[1]
    if channel is None and channels > 1:
        raise faulty(f"it has {channels} channels; say which with `channel`, from 1.")
    if channel is not None and channel > channels:
        raise faulty(f"got channel {channel}; it has {channels}, counted from 1.")
    chosen = raw[:, (channel or 1) - 1]
    kind = chosen.dtype
    if kind == np.uint8:
        raise faulty("it has 8 bits; allowed: 16, 24 or 32 bits, or floating point. Export again.")
    with np.errstate(invalid="ignore"):  # what is not finite is told below
        sample = chosen.astype(np.float64)
    if kind.kind == "i":
        sample /= float(2 ** (8 * kind.itemsize - 1))
    return checked_impulse(sample, float(rate), whole=kind.kind == "i")


def checked_impulse(sample: Floats, rate_hz: float, *, whole: bool) -> Impulse:
    """An impulse response that is long enough, not silent, finite and not clipped; `whole` for integer samples."""
    if not np.isfinite(sample).all():
        place = int(np.flatnonzero(~np.isfinite(sample))[0])
        raise faulty(f"sample {place} is not a finite number; export the response again.")
    if len(sample) < FEWEST_SAMPLES:
        raise faulty(f"it has {len(sample)} samples; allowed: {FEWEST_SAMPLES} or more. Is it an impulse response?")
    peak = float(np.abs(sample).max())
    if peak == 0.0:
        raise faulty("every sample is 0: nothing was recorded on this channel.")
    if not SMALLEST_PEAK <= peak <= LARGEST_PEAK:
        raise faulty(
            f"its largest value is {peak:.3g}; allowed: {SMALLEST_PEAK:g} to {LARGEST_PEAK:g}. Export with full "
            "scale 1."
        )
    if (flat := _flat_top(sample, peak)) >= (2 if whole and peak >= 1.0 - 2.0**-14 else FLAT_TOP):
        place = int(np.argmax(np.abs(sample) == peak))
        raise faulty(
            f"it is clipped: {flat} samples in a row from sample {place} stand at the largest value, {peak:.4g}. "
            "Measure again at a lower level; clipped bass is hard on ears and drivers too."
        )
    return Impulse(sample=sample, rate_hz=rate_hz)


def _samples(data: bytes) -> tuple[int, NDArray[np.generic]]:
    """Rate and samples (n_sample, n_channel) as the file has them."""
    if data[:4] not in {b"RIFF", b"RIFX", b"RF64"} or data[8:12] != b"WAVE":
        raise faulty("this is not a WAV file; allowed: .wav with 16, 24 or 32 bits or floating point.")
    try:
        with warnings.catch_warnings(record=True) as said:
            warnings.simplefilter("always")
            rate, raw = wavfile.read(io.BytesIO(data))
    except Exception as error:  # scipy raises struct.error, ValueError, EOFError and others for damaged files
        raise faulty(f"the WAV file is truncated or of a kind that is not read ({_short(error)}).") from None
    if any(PASSED_OVER not in str(warning.message) for warning in said):
        reason = next(str(w.message) for w in said if PASSED_OVER not in str(w.message))
        raise faulty(f"the WAV file is truncated ({reason[:120].rstrip('.')}). Export or copy it again.")
    if not 100 <= rate <= 1_000_000:
        raise faulty(f"it says a sample rate of {rate} Hz; allowed: 100 to 1000000 Hz.")
    return int(rate), raw[:, None] if raw.ndim == 1 else raw


def _short(error: Exception) -> str:
    return " ".join(str(error).split())[:120].rstrip(".") or type(error).__name__


def _flat_top(sample: Floats, peak: float) -> int:
    """The longest run of equal samples of one sign at the largest value."""
    longest = 0
    for sign in (1.0, -1.0):
        at = np.concatenate([[False], sample == sign * peak, [False]])
        edges = np.flatnonzero(np.diff(at.astype(np.int8)))
        longest = max(longest, int((edges[1::2] - edges[::2]).max(initial=0)))
    return longest


def windowed(impulse: Impulse, *, end_s: float, fade_s: float) -> Impulse:
    """The response up to `end_s`, its last `fade_s` faded out as a half cosine."""
    count = min(len(impulse.sample), ceil(end_s * impulse.rate_hz))
    fade = min(count, round(fade_s * impulse.rate_hz))
    weight = np.ones(count)
    if fade and count < len(impulse.sample):
        weight[count - fade :] = 0.5 + 0.5 * np.cos(np.pi * (np.arange(fade) + 0.5) / fade)
    return Impulse(sample=impulse.sample[:count] * weight, rate_hz=impulse.rate_hz)


def spectrum(impulse: Impulse, frequency_hz: Floats) -> Complexes:
    """The response's spectrum: (n_freq,) Hz -> (n_freq,) complex128.

    Blocks of samples are summed with one matrix product: e^{-j w (b B + m)} = e^{-j w b B} e^{-j w m}. Many frequencies
    on even steps are bins of one fast transform.
    """
    if len(frequency_hz) > BINS_FROM:
        step = float(frequency_hz[1] - frequency_hz[0])
        count, bins = impulse.rate_hz / step, np.asarray(frequency_hz) / step
        if abs(count - round(count)) < 1e-6 and np.abs(bins - np.round(bins)).max() < 1e-6:
            times = max(1, ceil(len(impulse.sample) / round(count)))  # so long that nothing is cut
            whole = np.fft.rfft(impulse.sample, times * round(count))
            return np.asarray(whole[times * np.round(bins).astype(np.intp)])
    turn = 2.0 * np.pi * np.asarray(frequency_hz)[:, None] / impulse.rate_hz
    blocks = ceil(len(impulse.sample) / BLOCK)
    padded = np.zeros(blocks * BLOCK)
    padded[: len(impulse.sample)] = impulse.sample
    inner = np.exp(-1j * turn * np.arange(BLOCK)) @ padded.reshape(blocks, BLOCK).T
    return np.asarray((inner * np.exp(-1j * turn * (BLOCK * np.arange(blocks)))).sum(axis=1))


def require_length(impulse: Impulse, low_hz: float, high_hz: float) -> None:
    """Raise FileFaulty unless the response is long and sampled fast enough for a band."""
    duration = len(impulse.sample) / impulse.rate_hz
    if high_hz >= 0.45 * impulse.rate_hz:
        raise faulty(
            f"its sample rate of {impulse.rate_hz:g} Hz holds up to {0.45 * impulse.rate_hz:g} Hz; the band ends at "
            f"{high_hz:g} Hz. Lower the band or export at a higher rate."
        )
    left = duration - impulse.start_s
    if left < 2.0 / low_hz:
        peak = int(np.abs(impulse.sample).argmax())
        before, after = (float((part**2).sum()) for part in (impulse.sample[:peak], impulse.sample[peak + 1 :]))
        if before > 2.0 * after:
            raise faulty("it runs backwards in time: its samples seem to be reversed. Export it as the others.")
        raise faulty(
            f"it ends {left:.3g} s after the sound arrives; {low_hz:g} Hz needs {2.0 / low_hz:.3g} s or more. Export "
            "a longer response or raise the band's lower end."
        )
