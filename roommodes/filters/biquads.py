"""Second-order filter sections, as every signal processor takes them.

    H(z) = (b0 + b1 z^-1 + b2 z^-2) / (1 + a1 z^-1 + a2 z^-2),   y[n] = b0 x[n] + b1 x[n-1] + b2 x[n-2]
                                                                        - a1 y[n-1] - a2 y[n-2]

a0 is 1 and a1, a2 carry the signs of this denominator. Some processors want a1 and a2 with the opposite sign.

| symbol | meaning |
| --- | --- |
| w | 2 pi frequency / rate [rad/sample] |
| A | 10^(gain/40) |
| alpha | sin(w) / (2 Q) |

References
----------
[1] R. Bristow-Johnson, Audio EQ Cookbook, W3C Working Group Note, 8 June 2021.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import cos, pi, sin, sqrt, tan

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roommodes.errors import OutsideModel

SIGN_CONVENTION = "y[n] = b0 x[n] + b1 x[n-1] + b2 x[n-2] - a1 y[n-1] - a2 y[n-2], a0 = 1"
BUTTERWORTH_Q = sqrt(0.5)


@dataclass(frozen=True, slots=True, kw_only=True)
class Biquad:
    """Coefficients of one section, a0 = 1; signs as in the module's first lines."""

    b0: float
    b1: float
    b2: float
    a1: float
    a2: float

    @property
    def stable(self) -> bool:
        """Whether both poles lie inside the unit circle."""
        return abs(self.a2) < 1.0 and abs(self.a1) < 1.0 + self.a2


def peaking(*, frequency_hz: float, q: float, gain_db: float, rate_hz: float) -> Biquad:
    """A peak (gain above 0) or cut (below 0) around a frequency; `q` as in [1], the peaking equaliser.

    Raises
    ------
    OutsideModel : frequency not between 0 and half the rate, or q not above 0.
    """
    w, alpha = _angle(frequency_hz, q, rate_hz)
    a = 10.0 ** (gain_db / 40.0)
    b = (1.0 + alpha * a, -2.0 * cos(w), 1.0 - alpha * a)
    return _normalised(b, (1.0 + alpha / a, -2.0 * cos(w), 1.0 - alpha / a))


def low_shelf(*, frequency_hz: float, gain_db: float, rate_hz: float, slope: float = 1.0) -> Biquad:
    """A step of `gain_db` below a frequency, where half of it [dB] is reached; [1], shelf slope S = `slope`.

    Raises
    ------
    OutsideModel : frequency not between 0 and half the rate, or slope not above 0 and at most 1.
    """
    a, cosine, root = _shelf(frequency_hz, gain_db, rate_hz, slope)
    b = (
        a * ((a + 1.0) - (a - 1.0) * cosine + root),
        2.0 * a * ((a - 1.0) - (a + 1.0) * cosine),
        a * ((a + 1.0) - (a - 1.0) * cosine - root),
    )
    return _normalised(
        b,
        (
            (a + 1.0) + (a - 1.0) * cosine + root,
            -2.0 * ((a - 1.0) + (a + 1.0) * cosine),
            (a + 1.0) + (a - 1.0) * cosine - root,
        ),
    )


def high_shelf(*, frequency_hz: float, gain_db: float, rate_hz: float, slope: float = 1.0) -> Biquad:
    """A step of `gain_db` above a frequency, where half of it [dB] is reached; as `low_shelf`."""
    a, cosine, root = _shelf(frequency_hz, gain_db, rate_hz, slope)
    b = (
        a * ((a + 1.0) + (a - 1.0) * cosine + root),
        -2.0 * a * ((a - 1.0) + (a + 1.0) * cosine),
        a * ((a + 1.0) + (a - 1.0) * cosine - root),
    )
    return _normalised(
        b,
        (
            (a + 1.0) - (a - 1.0) * cosine + root,
            2.0 * ((a - 1.0) - (a + 1.0) * cosine),
            (a + 1.0) - (a - 1.0) * cosine - root,
        ),
    )


def low_pass(*, frequency_hz: float, rate_hz: float, q: float = BUTTERWORTH_Q) -> Biquad:
    """Second-order low-pass [1]; two in a row with the default `q` are a fourth-order Linkwitz-Riley crossover."""
    w, alpha = _angle(frequency_hz, q, rate_hz)
    half = sin(w / 2.0) ** 2  # (1 - cos w) / 2, without the loss of digits at low frequencies
    return _normalised((half, 2.0 * half, half), (1.0 + alpha, -2.0 * cos(w), 1.0 - alpha))


def high_pass(*, frequency_hz: float, rate_hz: float, q: float = BUTTERWORTH_Q) -> Biquad:
    """Second-order high-pass [1]."""
    w, alpha = _angle(frequency_hz, q, rate_hz)
    half = (1.0 + cos(w)) / 2.0
    return _normalised((half, -2.0 * half, half), (1.0 + alpha, -2.0 * cos(w), 1.0 - alpha))


def all_pass(*, frequency_hz: float, q: float, rate_hz: float) -> Biquad:
    """Level as it was, phase turned through half a turn at a frequency and a whole turn far above it [1]."""
    w, alpha = _angle(frequency_hz, q, rate_hz)
    return _normalised((1.0 - alpha, -2.0 * cos(w), 1.0 + alpha), (1.0 + alpha, -2.0 * cos(w), 1.0 - alpha))


def first_low_pass(*, frequency_hz: float, rate_hz: float) -> Biquad:
    """First-order low-pass, -3 dB at its frequency, by the bilinear transform with that frequency kept in place."""
    k = _tangent(frequency_hz, rate_hz)
    return _normalised((k, k, 0.0), (1.0 + k, k - 1.0, 0.0))


def first_high_pass(*, frequency_hz: float, rate_hz: float) -> Biquad:
    """First-order high-pass, as `first_low_pass`."""
    k = _tangent(frequency_hz, rate_hz)
    return _normalised((1.0, -1.0, 0.0), (1.0 + k, k - 1.0, 0.0))


def response(filters: Sequence[Biquad], frequency_hz: ArrayLike, *, rate_hz: float) -> NDArray[np.complex128]:
    """Complex response of sections in a row, e^{+j omega t}.

    Parameters
    ----------
    filters : any number of sections; none gives ones.
    frequency_hz : (n_freq,) [Hz].
    rate_hz : sample rate [Hz].

    Returns
    -------
    (n_freq,) complex128.
    """
    # In powers of s = z^-1 - 1 and not of z^-1: near 0 Hz the plain sum loses half of its digits.
    s = np.expm1(-2j * pi * np.asarray(frequency_hz, dtype=np.float64) / rate_hz)
    total = np.ones_like(s)
    for one in filters:
        above = (one.b0 + one.b1 + one.b2) + (one.b1 + 2.0 * one.b2) * s + one.b2 * s**2
        below = (1.0 + one.a1 + one.a2) + (one.a1 + 2.0 * one.a2) * s + one.a2 * s**2
        total = total * above / below
    return np.asarray(total)


def _angle(frequency_hz: float, q: float, rate_hz: float) -> tuple[float, float]:
    if not 0.0 < frequency_hz < rate_hz / 2.0:
        raise OutsideModel(
            f"a filter at {frequency_hz:g} Hz; at a sample rate of {rate_hz:g} Hz, allowed: above 0 and below "
            f"{rate_hz / 2.0:g} Hz. Raise the sample rate."
        )
    if not q > 0.0:
        raise OutsideModel(f"a filter with Q = {q:g}; allowed: above 0.")
    w = 2.0 * pi * frequency_hz / rate_hz
    return w, sin(w) / (2.0 * q)


def _tangent(frequency_hz: float, rate_hz: float) -> float:
    w, _ = _angle(frequency_hz, 1.0, rate_hz)
    return tan(w / 2.0)


def _shelf(frequency_hz: float, gain_db: float, rate_hz: float, slope: float) -> tuple[float, float, float]:
    """A, cos w and 2 sqrt(A) alpha of a shelf."""
    if not 0.0 < slope <= 1.0:
        raise OutsideModel(f"a shelf with slope {slope:g}; allowed: above 0, up to 1.")
    a = 10.0 ** (gain_db / 40.0)
    q = 1.0 / sqrt((a + 1.0 / a) * (1.0 / slope - 1.0) + 2.0)
    w, alpha = _angle(frequency_hz, q, rate_hz)
    return a, cos(w), 2.0 * sqrt(a) * alpha


def _normalised(b: tuple[float, float, float], a: tuple[float, float, float]) -> Biquad:
    return Biquad(b0=b[0] / a[0], b1=b[1] / a[0], b2=b[2] / a[0], a1=a[1] / a[0], a2=a[2] / a[0])
