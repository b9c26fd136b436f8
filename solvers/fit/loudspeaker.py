"""What a subwoofer with its electronics may look like over frequency: shapes to hold its own response to.

A box rolls off at 12 or 24 dB an octave below its corner, a crossover at 12 or 24 dB above its own. Between them
and beside them a response wavers by a decibel or two, slowly (common practice, no source).
"""

from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from roommodes.arrays import Complexes, Floats

CORNERS = 10  # of each roll-off tried, over log frequency
LOWEST, HIGHEST = 0.3, 1.5  # of the lower corners, over the ends of the band
QS = (0.5, 0.7, 1.0)
CROSSOVERS_HZ = (40.0, 50.0, 60.0, 80.0, 100.0, 120.0, 160.0)
WAVER = 0.25  # standard deviation of a response about its shape, over the shape: 2 dB
PER_OCTAVE = 1.0  # waves an octave from which it wavers less


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """Roll-offs of a subwoofer with its electronics.

    Parameters
    ----------
    low_hz, low_db, q : corner, steepness (12 or 24 dB an octave) and Q of the roll-off below; 0 where it has none.
    high_hz, high_db : of the roll-off above.
    """

    low_hz: float = 0.0
    low_db: int = 0
    q: float = 0.0
    high_hz: float = 0.0
    high_db: int = 0


@cache
def shape_table(
    hz: tuple[float, ...], *, corners: int = CORNERS, highest: float = HIGHEST
) -> tuple[tuple[Shape, ...], Complexes]:
    """The shapes tried, the plain one first, and their responses (n_shape, n_freq), 1 in the passband.

    Parameters
    ----------
    hz : (n_freq,) [Hz].
    corners, highest : how many lower corners are tried, and the highest over the lower end of the band.
    """
    f = np.array(hz)
    lower_hz = np.geomspace(LOWEST * f[0], min(highest * f[0], 0.7 * f[-1]), corners)
    one = np.ones_like(f, dtype=np.complex128)
    low = [(Shape(), one)]
    for corner in lower_hz:
        s = 1j * f / corner
        for q in QS:
            second = s**2 / (s**2 + s / q + 1.0)
            low += [(Shape(low_hz=float(corner), low_db=12 * order, q=q), second**order) for order in (1, 2)]
    high = [(Shape(), one)]
    for corner in CROSSOVERS_HZ:
        if f[0] < corner < 2.0 * f[-1]:
            s = 1j * f / corner
            second = 1.0 / (s**2 + s / 0.7071 + 1.0)
            high += [(Shape(high_hz=corner, high_db=12 * order), second**order) for order in (1, 2)]
    both = [
        (replace(below, high_hz=above.high_hz, high_db=above.high_db), a * b) for below, a in low for above, b in high
    ]
    return tuple(shape for shape, _ in both), np.asarray([response for _, response in both])


def best_shape(hz: Floats, wanted: Complexes, weight: Floats, time_s: Floats) -> tuple[Complexes, float]:
    """The shape, with a gain and a latency, that comes nearest to a wavering response.

    Parameters
    ----------
    hz : (n_freq,) [Hz].
    wanted : (n_freq,) complex128.
    weight : (n_freq,) of the squared distance.
    time_s : (n_time,) latencies tried [s].

    Returns
    -------
    Shape times gain, without the latency (n_freq,), and the latency [s].
    """
    _, tried = shape_table(tuple(hz.tolist()))
    power = (np.abs(tried) ** 2) @ weight
    turn = np.exp(2j * np.pi * np.outer(hz, time_s))
    alike = (np.conj(tried) * (weight * wanted)) @ turn  # (shape, time)
    gained = np.abs(alike) ** 2 / power[:, None]
    one, late = np.unravel_index(int(gained.argmax()), gained.shape)
    gain = alike[one, late] / power[one]
    return np.asarray(gain * tried[one]), float(time_s[late])


def waver_sigma(terms: int, octaves: float) -> Floats:
    """Standard deviations of a response's Chebyshev terms over log frequency about its shape: (terms,).

    The first two, a level and a tilt, are as good as free.
    """
    rate = np.arange(terms) / max(octaves, 0.5) / 2.0  # waves an octave
    sigma = WAVER / (1.0 + (rate / PER_OCTAVE) ** 2)
    sigma[:2] = 3.0
    return np.asarray(sigma)
