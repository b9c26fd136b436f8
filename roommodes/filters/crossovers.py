"""Crossovers between main loudspeakers and subwoofers: Linkwitz-Riley and Butterworth, orders 2 to 8, as sections.

| order n | Butterworth | Linkwitz-Riley (even orders) |
| --- | --- | --- |
| is made of | sections with Q = 1 / (2 cos theta) [1] | a Butterworth of order n/2, twice [2] |
| each half at the crossover | -3.01 dB | -6.02 dB |
| sum of the halves | odd n: 0 dB everywhere, either polarity | 0 dB everywhere, one half inverted where n/2 is odd |

The poles of a Butterworth filter lie on a half circle at the angles theta from the real axis: 2 theta = pi (2k - 1) / n
for even n, theta = pi k / n for odd n beside a first-order section. The halves are n quarter turns apart. The powers of
Butterworth halves add to one; for even n their sum has a bump of 3 dB, or in the other polarity a hole.

References
----------
[1] S. Butterworth, On the theory of filter amplifiers, Experimental Wireless, October 1930 (from memory; exact).
[2] S. H. Linkwitz, Active crossover networks for noncoincident drivers, J. Audio Eng. Soc. 24(1), 1976 (from memory).
"""

from dataclasses import dataclass
from math import cos, pi
from typing import Literal

from numpy.typing import ArrayLike

from roommodes.arrays import Complexes
from roommodes.errors import OutsideModel
from roommodes.filters.biquads import Biquad, first_high_pass, first_low_pass, high_pass, low_pass, response

Kind = Literal["linkwitz-riley", "butterworth"]
ORDERS = (2, 8)


@dataclass(frozen=True, slots=True, kw_only=True)
class Crossover:
    """A low-pass for the subs and a high-pass for the mains, of one kind, order and frequency.

    Parameters
    ----------
    kind : "linkwitz-riley" or "butterworth".
    order : 2 to 8, even for Linkwitz-Riley; each order falls by 6 dB per octave.
    frequency_hz : where both halves are equally loud [Hz].

    Raises
    ------
    OutsideModel : there is no such crossover.
    """

    kind: Kind = "linkwitz-riley"
    order: int = 4
    frequency_hz: float = 80.0

    def __post_init__(self) -> None:
        low, high = ORDERS
        if not low <= self.order <= high:
            raise OutsideModel(f"a crossover of order {self.order}; allowed: {low} to {high}.")
        if self.kind == "linkwitz-riley" and self.order % 2:
            raise OutsideModel(
                f"a Linkwitz-Riley crossover of order {self.order}; allowed: 2, 4, 6, 8. "
                "Odd orders exist as butterworth."
            )
        if not self.frequency_hz > 0.0:
            raise OutsideModel(f"a crossover at {self.frequency_hz:g} Hz; allowed: above 0.")

    @property
    def words(self) -> str:
        """Such as "Linkwitz-Riley, 24 dB per octave, 80 Hz"."""
        name = "Linkwitz-Riley" if self.kind == "linkwitz-riley" else "Butterworth"
        return f"{name}, {6 * self.order} dB per octave, {self.frequency_hz:g} Hz"

    @property
    def sums_inverted(self) -> bool:
        """Whether the halves fill each other with one of them inverted."""
        if self.kind == "linkwitz-riley":
            return self.order // 2 % 2 == 1
        return self.order % 4 in {2, 3}

    def at(self, frequency_hz: float) -> "Crossover":
        """The same at another frequency [Hz]."""
        return Crossover(kind=self.kind, order=self.order, frequency_hz=frequency_hz)

    def low_pass(self, rate_hz: float) -> tuple[Biquad, ...]:
        """Sections for the subs at a sample rate [Hz]."""
        return self._sections(rate_hz, low=True)

    def high_pass(self, rate_hz: float) -> tuple[Biquad, ...]:
        """Sections for the mains at a sample rate [Hz]."""
        return self._sections(rate_hz, low=False)

    def responses(self, frequency_hz: ArrayLike, rate_hz: float) -> tuple[Complexes, Complexes]:
        """Complex responses of the subs' half and of the mains': (n_freq,) [Hz] -> (n_freq,) twice."""
        halves = self.low_pass(rate_hz), self.high_pass(rate_hz)
        low, high = (response(one, frequency_hz, rate_hz=rate_hz) for one in halves)
        return low, high

    @property
    def q(self) -> tuple[float | None, ...]:
        """Q of the sections that each half is made of; None for one of first order."""
        times, order = (2, self.order // 2) if self.kind == "linkwitz-riley" else (1, self.order)
        if (times, order) == (2, 1):  # two first-order sections are one second-order one
            return (0.5,)
        alone: list[float | None] = [None] if order % 2 else []
        return tuple([*alone, *butterworth_q(order)] * times)

    def _sections(self, rate_hz: float, *, low: bool) -> tuple[Biquad, ...]:
        second, first = (low_pass, first_low_pass) if low else (high_pass, first_high_pass)
        place = {"frequency_hz": self.frequency_hz, "rate_hz": rate_hz}
        return tuple(first(**place) if q is None else second(q=q, **place) for q in self.q)


def butterworth_q(order: int) -> tuple[float, ...]:
    """Q of a Butterworth filter's second-order sections, the lowest first; an odd order has a first-order one too."""
    pairs = order // 2
    if order % 2:
        return tuple(1.0 / (2.0 * cos(pi * k / order)) for k in range(1, pairs + 1))
    return tuple(1.0 / (2.0 * cos(pi * (2 * k - 1) / (2 * order))) for k in range(1, pairs + 1))
