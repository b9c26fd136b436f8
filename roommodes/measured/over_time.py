"""When a measured response has its energy, told from a few tens of frequencies: arrival, direction of time, steadiness.

A room answers after the sound and dies away, so that the energy of its response rises quickly and falls slowly. That
holds whatever delay all responses have in common, and is turned round where the sign of phase or the order of samples
is.

| symbol | meaning |
| --- | --- |
| d | mean group delay, weighted by energy [s] |
| E(t) | energy of the response, band limited, over the time from d on |
| S | skewness of E(t): 2 for an exponential decay, -2 for the same reversed |
| C | correlation of neighbouring frequencies, the mean turn taken out: 1 for a room, near 0 for noise |
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from roommodes.arrays import Complexes, Floats
from roommodes.measured.files import Impulse, Spectrum
from roommodes.measured.resampling import arrival_s
from roommodes.measured.wav import spectrum

LOWEST_WIDE_HZ, HIGHEST_WIDE_HZ = 10.0, 400.0  # all that is kept of files
FINEST_HZ = 0.2  # an impulse response's spectrum is looked at no finer
LONGEST_S, TIME_STEP_S = 0.4, 2e-3  # of E(t), before and after d
RISEN = 0.1
FLOOR = 0.01  # of E's largest value: what lies below is noise
STRETCH = 8  # points in which C is taken


@dataclass(frozen=True, slots=True, kw_only=True)
class OverTime:
    """What one response's energy does over time.

    Parameters
    ----------
    hz, value : (n,) its own points within the band, as the file has them.
    delay_s : d.
    skewness : S, nan where there is nothing to tell it from.
    steadiness : C, 0 to 1; nan for too few points.
    rises_s : when a tenth of the energy has come [s].
    energy : (n_time,) E(t) over its sum; all responses of one `hz` share their times.
    """

    hz: Floats
    value: Complexes
    delay_s: float
    skewness: float
    steadiness: float
    rises_s: float
    energy: Floats


def own_points(raw: Spectrum | Impulse, low_hz: float, high_hz: float) -> tuple[Floats, Complexes]:
    """A response at its own frequencies within a band: of an impulse response as fine as its length tells."""
    if isinstance(raw, Spectrum):
        used = (raw.hz >= low_hz * (1.0 - 1e-6)) & (raw.hz <= high_hz * (1.0 + 1e-6))
        return raw.hz[used], raw.value[used]
    step = max(FINEST_HZ, raw.rate_hz / len(raw.sample))
    hz = np.arange(low_hz, high_hz, step)
    return hz, spectrum(raw, hz)


def told_s(raw: Spectrum | Impulse, low_hz: float, high_hz: float, end_s: float | None) -> float:
    """How long a response a file tells within a band; `end_s`: where impulse responses are cut [s]."""
    if isinstance(raw, Spectrum):
        hz, _ = own_points(raw, low_hz, high_hz)
        return float(1.0 / np.diff(hz).max()) if len(hz) > 1 else 0.0
    length = len(raw.sample) / raw.rate_hz
    return (length if end_s is None else min(length, end_s)) - raw.start_s


def widest_hz(
    raw: Mapping[tuple[int, int], Spectrum | Impulse], grid_hz: Floats
) -> tuple[tuple[float, float], tuple[float, float]]:
    """How far all files reach, (lowest, the grid's lowest) and (highest, the grid's highest) [Hz]."""
    low, high = [LOWEST_WIDE_HZ], [HIGHEST_WIDE_HZ]
    for one in raw.values():
        if isinstance(one, Spectrum):
            low.append(float(one.hz[one.hz > 0.0].min()))
            high.append(float(one.hz.max()))
        else:
            high.append(0.4 * one.rate_hz)
            low.append(2.0 / max(len(one.sample) / one.rate_hz - one.start_s, 1e-3))
    return (
        (min(max(low), float(grid_hz[0])), float(grid_hz[0])),
        (max(min(high), float(grid_hz[-1])), float(grid_hz[-1])),
    )


def over_time(hz: Floats, value: Complexes) -> OverTime:
    """What a response (n,) at its own frequencies (n,) does over time."""
    if len(hz) < STRETCH or not np.any(value[1:] * np.conj(value[:-1])):
        none = np.zeros(0)
        return OverTime(hz=hz, value=value, delay_s=0.0, skewness=np.nan, steadiness=np.nan, rises_s=0.0, energy=none)
    delay = arrival_s(hz, value)
    straight = value * np.exp(2j * np.pi * hz * delay)
    time, energy = _energy(hz, straight)
    come = np.cumsum(np.where(energy < FLOOR * energy.max(), 0.0, energy))
    return OverTime(
        hz=hz,
        value=value,
        delay_s=delay,
        skewness=skewness(energy),
        steadiness=_steadiness(straight),
        rises_s=delay + float(time[np.searchsorted(come, RISEN * come[-1])]),
        energy=energy / max(float(energy.sum()), 1e-300),
    )


def skewness(energy: Floats) -> float:
    """S of E(t), (n_time,) on equal steps."""
    kept = np.where(energy < FLOOR * energy.max(), 0.0, energy)
    total = float(kept.sum())
    if total == 0.0:
        return float("nan")
    place = np.arange(len(kept)) - float((np.arange(len(kept)) * kept).sum()) / total
    variance = float((place**2 * kept).sum()) / total
    return float((place**3 * kept).sum() / total / max(variance, 1e-12) ** 1.5)


def _energy(hz: Floats, value: Complexes) -> tuple[Floats, Floats]:
    """Times (n_time,) [s], and E(t), of a response whose mean delay is taken out."""
    reach = min(0.5 / float(np.diff(hz).max()), LONGEST_S)
    time = np.arange(-reach, reach, TIME_STEP_S)
    weight = np.sin(np.pi * (hz - hz[0]) / (hz[-1] - hz[0])) * np.gradient(hz)
    return time, np.asarray(np.abs(np.exp(2j * np.pi * np.outer(time, hz)) @ (value * weight)) ** 2)


def _steadiness(value: Complexes) -> float:
    """C over short stretches of frequency, so that a delay that changes with frequency does not count against it."""
    count = (len(value) - 1) // STRETCH * STRETCH
    step = (value[1:] * np.conj(value[:-1]))[:count].reshape(-1, STRETCH)
    size = np.abs(value) ** 2
    both = 0.5 * (size[1:] + size[:-1])[:count].reshape(-1, STRETCH).sum(axis=1)
    return float(np.mean(np.abs(step.sum(axis=1)) / np.maximum(both, 1e-300)))
