"""Filters as a person dials them in: kind, frequency, Q, gain; coefficients follow for a sample rate."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roommodes.filters.biquads import Biquad, all_pass, peaking, response

SectionKind = Literal["peaking", "all-pass"]
KINDS: tuple[SectionKind, ...] = ("peaking", "all-pass")


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """One second-order filter.

    Parameters
    ----------
    kind : "peaking" or "all-pass".
    frequency_hz, q : as in `biquads` [Hz], [-].
    gain_db : of a peaking filter at its frequency; 0 for an all-pass [dB].
    """

    kind: SectionKind
    frequency_hz: float
    q: float
    gain_db: float = 0.0

    def biquad(self, rate_hz: float) -> Biquad:
        """Its coefficients at a sample rate [Hz]."""
        if self.kind == "all-pass":
            return all_pass(frequency_hz=self.frequency_hz, q=self.q, rate_hz=rate_hz)
        return peaking(frequency_hz=self.frequency_hz, q=self.q, gain_db=self.gain_db, rate_hz=rate_hz)


def section_response(sections: Sequence[Section], frequency_hz: ArrayLike, *, rate_hz: float) -> NDArray[np.complex128]:
    """What sections in a row do: (n_freq,) [Hz] -> (n_freq,) complex128; none gives ones."""
    return response([one.biquad(rate_hz) for one in sections], frequency_hz, rate_hz=rate_hz)
