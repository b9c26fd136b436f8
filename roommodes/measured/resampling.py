"""Measured responses on one grid: interpolated, freed of the chain, smoothed.

Between the points of a table real and imaginary part run along a cubic spline over log frequency, after the
response's own arrival is taken out (a turning phase would need far more points); it is put back afterwards.
"""

from collections.abc import Callable

import numpy as np

from roommodes.arrays import Complexes, Floats
from roommodes.filters.biquads import (
    Biquad,
    all_pass,
    first_high_pass,
    first_low_pass,
    high_pass,
    high_shelf,
    low_pass,
    low_shelf,
    peaking,
    response,
)
from roommodes.measured.files import Spectrum, faulty
from roommodes.measured.manifest import FilterTable, MeasuredSubTable

COARSEST_OCTAVE, COARSEST_HZ = 1.0 / 24.0, 3.0  # points further apart than both of these miss modes
STEEPEST_DB = 12.0  # between two points of a microphone's calibration
EDGE = 1e-6  # relative slack of a band's ends
OF_FIRST_ORDER = {"first-order low pass": first_low_pass, "first-order high pass": first_high_pass}
WITH_Q = {"low pass": low_pass, "high pass": high_pass, "all-pass": all_pass}
DEEPEST_DB = -40.0  # a chain that takes more than this away leaves noise alone


def arrival_s(hz: Floats, value: Complexes) -> float:
    """Mean group delay, weighted by energy: (n,) Hz, (n,) -> [s]. Neighbours must turn by less than half a turn."""
    step = value[1:] * np.conj(value[:-1])
    weight = np.abs(step)
    total = float(weight.sum())
    if total == 0.0:
        return 0.0
    return float(-(weight * np.angle(step) / (2.0 * np.pi * np.diff(hz))).sum() / total)


def resampled(spectrum: Spectrum, frequency_hz: Floats) -> Complexes:
    """A file's transfer function at the grid's frequencies: (n_freq,) complex128.

    Raises
    ------
    FileFaulty : the file does not cover the grid, or its points lie too far apart.
    """
    from scipy.interpolate import CubicSpline  # noqa: PLC0415 (half a second that other uses need not pay)

    hz, value, used, line_of = _covering(spectrum, frequency_hz, "Measure further, or narrow band_hz in [grid].")
    gap = np.diff(hz[used])
    allowed = np.maximum(COARSEST_HZ * (1.0 + EDGE), hz[used][:-1] * (2.0**COARSEST_OCTAVE * (1.0 + 1e-4) - 1.0))
    if (gap > allowed).any():
        worst = int(np.argmax(gap / allowed))
        raise faulty(
            f"at {hz[used][worst]:g} Hz the next point is {gap[worst]:.3g} Hz away; allowed: {allowed[worst]:.3g} Hz. "
            "Export with more points.",
            line=line_of(worst),
        )
    delay = arrival_s(hz, value)
    straight = value * np.exp(2j * np.pi * hz * delay)
    spline = CubicSpline(np.log(hz), np.stack([straight.real, straight.imag], axis=-1))
    parts = spline(np.log(np.clip(frequency_hz, hz[0], hz[-1])))
    return np.asarray((parts[:, 0] + 1j * parts[:, 1]) * np.exp(-2j * np.pi * frequency_hz * delay))


def calibration_curve(spectrum: Spectrum, frequency_hz: Floats) -> Complexes:
    """A microphone's response at the grid's frequencies: (n_freq,) complex128.

    A microphone has no resonances below some kilohertz, so that a few points an octave tell all: level and unwrapped
    phase run between them along a monotone cubic over log frequency.

    Raises
    ------
    FileFaulty : the file does not cover the grid, or is not a smooth curve.
    """
    from scipy.interpolate import PchipInterpolator  # noqa: PLC0415 (half a second that other uses need not pay)

    further = "Narrow band_hz in [grid], or take a calibration that reaches further."
    hz, value, near, line_of = _covering(spectrum, frequency_hz, further)
    level, phase = 20.0 * np.log10(np.maximum(np.abs(value), 1e-30)), np.unwrap(np.angle(value))
    octaves = np.diff(np.log2(hz[near]))
    steps = np.abs(np.diff(level[near]))
    for what, wrong in (
        ("the next point is more than an octave away", octaves > 1.0 + EDGE),
        (f"the level changes by more than {STEEPEST_DB:g} dB to the next point", steps > STEEPEST_DB),
        ("the phase turns by more than 90 degrees to the next point", np.abs(np.diff(phase[near])) > np.pi / 2.0),
    ):
        if wrong.any():
            at = int(np.argmax(wrong))
            text = f"at {hz[near][at]:g} Hz {what}: this is no microphone's curve. Is it the right file?"
            raise faulty(text, line=line_of(at))
    place = np.log(np.clip(frequency_hz, hz[0], hz[-1]))
    curve = PchipInterpolator(np.log(hz), np.stack([level, phase], axis=-1))(place)
    return np.asarray(10.0 ** (curve[:, 0] / 20.0) * np.exp(1j * curve[:, 1]))


def _covering(
    spectrum: Spectrum, frequency_hz: Floats, advice: str
) -> tuple[Floats, Complexes, slice, Callable[[int], int | None]]:
    """A file's points above 0 Hz, which of them the grid needs, and the file's line of the nth of these.

    Raises
    ------
    FileFaulty : the file does not cover the grid.
    """
    keep = spectrum.hz > 0.0
    hz, value = spectrum.hz[keep], spectrum.value[keep]
    low, high = float(frequency_hz[0]), float(frequency_hz[-1])
    if hz[0] > low * (1.0 + EDGE) or hz[-1] < high * (1.0 - EDGE):
        raise faulty(f"it runs from {hz[0]:g} to {hz[-1]:g} Hz; {low:g} to {high:g} Hz are asked for. {advice}")
    first, last = np.searchsorted(hz, [low * (1.0 - EDGE), high * (1.0 + EDGE)])
    used = slice(max(0, int(first) - 1), min(len(hz), int(last) + 1))
    begin = int(keep.argmax()) + used.start
    return hz, value, used, lambda number: spectrum.line[begin + number] if spectrum.line else None


def smoothed(value: Complexes, frequency_hz: Floats, *, octave: float) -> Complexes:
    """Complex smoothing over `octave` octaves: (n_freq,) -> (n_freq,); 0 returns it as it is."""
    if octave <= 0.0:
        return value
    delay = arrival_s(frequency_hz, value)
    turn = np.exp(2j * np.pi * frequency_hz * delay)
    apart = (np.log2(frequency_hz)[:, None] - np.log2(frequency_hz)[None, :]) / octave
    weight = np.where(np.abs(apart) < 0.5, np.cos(np.pi * apart) ** 2, 0.0)
    return np.asarray((weight @ (value * turn)) / weight.sum(axis=1) / turn)


def chain_response(sub: MeasuredSubTable, frequency_hz: Floats) -> Complexes:
    """What was in a sub's chain while it was measured: (n_freq,) complex128.

    Raises
    ------
    FileFaulty : the chain took so much away somewhere in the band that what is left is noise.
    OutsideModel : a filter's frequency does not fit its sample rate.
    """
    gain = sub.polarity * 10.0 ** (sub.gain_db / 20.0)
    total = gain * np.exp(-2j * np.pi * frequency_hz * sub.delay_ms * 1e-3)
    shape = np.ones(len(frequency_hz), dtype=np.complex128)
    for one in sub.filters:
        shape = shape * response([_biquad(one)], frequency_hz, rate_hz=one.rate_hz)
    size_db = 20.0 * np.log10(np.maximum(np.abs(shape), 1e-30))
    if size_db.min() < DEEPEST_DB:
        worst = int(size_db.argmin())
        raise faulty(
            f"the filters of sub {sub.name} take {-size_db[worst]:z.0f} dB away at {frequency_hz[worst]:.3g} Hz; "
            f"allowed: {-DEEPEST_DB:g} dB, beyond that dividing them out leaves noise. Measure without them, "
            "or narrow band_hz."
        )
    return np.asarray(total * shape)


def _biquad(one: FilterTable) -> Biquad:
    place = {"frequency_hz": one.frequency_hz, "rate_hz": one.rate_hz}
    if one.kind in OF_FIRST_ORDER:
        return OF_FIRST_ORDER[one.kind](**place)
    if one.kind in WITH_Q:
        return WITH_Q[one.kind](q=one.q, **place)
    if one.kind == "peaking":
        return peaking(q=one.q, gain_db=one.gain_db, **place)
    shelf = low_shelf if one.kind == "low shelf" else high_shelf
    return shelf(gain_db=one.gain_db, slope=one.slope, **place)
