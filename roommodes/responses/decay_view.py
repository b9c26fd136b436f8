"""Level over time and frequency, and decay times, from transfer functions on an even grid of frequencies.

Each band is cut out by a bell over log frequency, W(f) = 2^{-(2 log2(f / centre) / width)^2 / 2}, 3 dB down half a
width on either side. Only positive frequencies are summed, so the magnitude is the band's envelope:

    e(t) = |sum_k H(f_k) W(f_k) e^{+j 2 pi f_k t}| df,   E(t) = sum over seats of a_s e^2

A narrow band tells modes apart and smears in time, a wide one the reverse: a bell of width B octaves at f Hz itself
shows a decay time of about 1.7 / (B f) seconds, so nothing shorter can be seen (`shortest_decay_s`).

Decay times: E integrated backwards [1], a straight line through its fall from -5 to -25 dB, extended to 60 dB.

References
----------
[1] M. R. Schroeder, New method of measuring reverberation time, J. Acoust. Soc. Am. 37, 1965 (from memory).
"""

from dataclasses import dataclass

import numpy as np

from roommodes.arrays import Complexes, Floats
from roommodes.responses.metrics import normalised

WIDTH_OCTAVES = 1.0 / 3.0
BANDS_PER_OCTAVE = 12
FALL_DB = (-5.0, -25.0)
STEPS_PER_WIDTH = 8  # of time, against the inverse of the widest band's width
# Thresholds below which a mode's decay was not told from a shorter one [s], N. Stephenson, PhD thesis, Salford 2012:
# about 0.85 at 32 Hz, about 0.2 from 100 Hz on; between them straight over log frequency (ours).
HEARD_HZ, HEARD_S = (32.0, 100.0), (0.85, 0.2)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TimeView:
    """Level over time and frequency.

    Parameters
    ----------
    centre_hz : (n_band,) [Hz].
    time_s : (n_time,) from 0 [s].
    energy : (n_band, n_time) mean over the weighted seats, any common scale.
    decay_s : (n_band,) decay times; NaN where the fall cannot be followed for 20 dB [s].
    shortest_s : (n_band,) the bell's own decay time [s].
    """

    centre_hz: Floats
    time_s: Floats
    energy: Floats
    decay_s: Floats
    shortest_s: Floats

    def level_db(self, top: float | None = None) -> Floats:
        """(n_band, n_time), re `top` or the largest energy [dB]."""
        reference = float(self.energy.max()) if top is None else top
        return np.asarray(10.0 * np.log10(np.maximum(self.energy / reference, 1e-30)))


def band_centres(low_hz: float, high_hz: float) -> Floats:
    """Centres from one end of a band to the other: (n_band,) [Hz]."""
    count = 1 + max(1, round(BANDS_PER_OCTAVE * np.log2(high_hz / low_hz)))
    return np.geomspace(low_hz, high_hz, count)


def bell(frequency_hz: Floats, centre_hz: float, *, width_octaves: float = WIDTH_OCTAVES) -> Floats:
    """The weight of each frequency in a band: (n_freq,) [Hz] -> (n_freq,)."""
    away = 2.0 * np.log2(frequency_hz / centre_hz) / width_octaves
    return np.asarray(2.0 ** (-0.5 * away**2))


def time_view(
    frequency_hz: Floats,
    pressure: Complexes,
    seat_weight: Floats,
    *,
    centre_hz: Floats,
    lasting_s: float,
    width_octaves: float = WIDTH_OCTAVES,
) -> TimeView:
    """Level over time and frequency of what the seats hear.

    Parameters
    ----------
    frequency_hz : (n_freq,) even steps; what they resolve, the inverse of the step, must exceed `lasting_s` [Hz].
    pressure : (n_freq, n_seat) complex128, any scale.
    seat_weight : (n_seat,) any scale.
    centre_hz : (n_band,) [Hz].
    lasting_s : how long a time is shown [s].
    width_octaves : of each band.
    """
    step_s = 1.0 / (STEPS_PER_WIDTH * width_octaves * float(centre_hz.max()))
    time_s = np.arange(0.0, lasting_s, step_s)
    turns = np.exp(2j * np.pi * np.outer(time_s, frequency_hz))
    energy = np.array(
        [
            np.abs(turns @ (pressure * bell(frequency_hz, float(hz), width_octaves=width_octaves)[:, None])) ** 2
            @ normalised(seat_weight)
            for hz in centre_hz
        ]
    )
    return TimeView(
        centre_hz=centre_hz,
        time_s=time_s,
        energy=energy,
        decay_s=np.array([decay_time_s(time_s, one) for one in energy]),
        shortest_s=shortest_decay_s(centre_hz, width_octaves=width_octaves),
    )


def shortest_decay_s(centre_hz: Floats, *, width_octaves: float = WIDTH_OCTAVES) -> Floats:
    """Decay time that the bell itself shows when nothing rings: (n_band,) [Hz] -> (n_band,) [s]."""
    hz = np.linspace(0.05, 4.0, 791)  # in units of the centre; all bells are alike but for scale
    time = np.arange(0.0, 12.0 / width_octaves, 0.02)
    count = round(1.0 / ((hz[1] - hz[0]) * time[1]))  # of times until the steps of frequency come round again
    whole = np.fft.ifft(bell(hz, 1.0, width_octaves=width_octaves), count)
    flat = np.abs(whole[np.arange(len(time)) % count]) ** 2
    return np.asarray(decay_time_s(time, flat) / centre_hz)


def decay_time_s(time_s: Floats, energy: Floats) -> float:
    """Decay time of an energy over time: (n_time,) each -> [s]; NaN where it cannot be followed for 20 dB."""
    left = np.cumsum(energy[::-1])[::-1]
    if left[0] <= 0.0:
        return float("nan")
    fall = 10.0 * np.log10(np.maximum(left / left[0], 1e-30))
    begin, end = FALL_DB
    part = (fall <= begin) & (fall >= end)
    # the last tenth of the time is no end of the fall: backwards from where the view was cut it always drops
    cut = int(0.9 * len(time_s))
    if fall[cut] > end or np.count_nonzero(part) < 2:
        return float("nan")
    slope = float(np.polyfit(time_s[part], fall[part], 1)[0])
    return -60.0 / slope if slope < 0.0 else float("nan")


def heard_from_s(frequency_hz: Floats) -> Floats:
    """Decay times from which a single mode was heard to ring, see `HEARD_HZ`: (n,) [Hz] -> (n,) [s]."""
    return np.asarray(np.interp(np.log(frequency_hz), np.log(HEARD_HZ), HEARD_S))
