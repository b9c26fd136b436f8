"""Third-octave bands: centres, edges, and levels averaged over them.

References
----------
[1] IEC 61260-1:2014, eqs 1 to 5: exact centres 1000 G^(x/3), G = 10^0.3; edges a factor G^(1/6) either way.
[2] ISO 266: nominal centres (those below 25 Hz from memory).

Band number n has the exact centre 10^(n / 10) Hz, so 1000 Hz is number 30.
"""

from collections.abc import Sequence
from math import log10

import numpy as np
from numpy.typing import NDArray

from roommodes.arrays import Floats

NOMINAL_HZ = (10, 12.5, 16, 20, 25, 31.5, 40, 50, 63, 80, 100, 125, 160, 200, 250, 315)  # [2]
FIRST_BAND = 10  # number of the first nominal centre
HALF_BAND = 10.0**0.05  # [1] from a centre to its edge


def exact_hz(band: int) -> float:
    """Exact centre of a band number [Hz], [1]."""
    return float(10.0 ** (band / 10.0))


def edges_hz(band: int) -> tuple[float, float]:
    """Lower and upper edge of a band number [Hz], [1]."""
    return exact_hz(band) / HALF_BAND, exact_hz(band) * HALF_BAND


def nominal_hz(band: int) -> float:
    """What a band is called [Hz], [2]; bands 10 to 25."""
    return float(NOMINAL_HZ[band - FIRST_BAND])


def band_named(hz: float) -> int | None:
    """Number of the band with the nominal centre `hz`; None where no band is called so."""
    return next((FIRST_BAND + index for index, centre in enumerate(NOMINAL_HZ) if centre == hz), None)


def nearest_band(hz: float) -> int:
    """Number of the band that holds a frequency [Hz]."""
    return round(10.0 * log10(hz))


def bands_of(frequency_hz: Floats) -> NDArray[np.int64]:
    """Band number of each frequency: (n_freq,) [Hz] -> (n_freq,)."""
    return np.round(10.0 * np.log10(frequency_hz)).astype(np.int64)


def bands_within(frequency_hz: Floats) -> tuple[int, ...]:
    """The bands with a nominal centre that hold at least one of the frequencies, rising."""
    found = np.unique(bands_of(frequency_hz))
    return tuple(int(band) for band in found if 0 <= band - FIRST_BAND < len(NOMINAL_HZ))


def band_levels(frequency_hz: Floats, level_db: Floats, bands: Sequence[int]) -> Floats:
    """Mean-square level in each band.

    Parameters
    ----------
    frequency_hz : (n_freq,) on a logarithmic grid [Hz].
    level_db : (..., n_freq, n_seat) [dB]; leading axes for several plans.
    bands : numbers of bands that each hold a frequency.

    Returns
    -------
    (..., n_band, n_seat) [dB].
    """
    inside = (bands_of(frequency_hz) == np.asarray(bands, dtype=np.int64).reshape(-1, 1)).astype(np.float64)
    power = (inside / inside.sum(axis=1, keepdims=True)) @ 10.0 ** (level_db / 10.0)
    return np.asarray(10.0 * np.log10(power))


def third_octaves(frequency_hz: Floats, level_db: Floats) -> tuple[tuple[float, ...], Floats]:
    """Mean-square level in each third-octave band that holds a frequency.

    Parameters
    ----------
    frequency_hz : (n_freq,) [Hz].
    level_db : (n_freq, n_seat) [dB].

    Returns
    -------
    Nominal centre frequencies (n_band,) [Hz], levels (n_band, n_seat) [dB].
    """
    bands = bands_within(frequency_hz)
    return tuple(nominal_hz(band) for band in bands), band_levels(frequency_hz, level_db, bands)
