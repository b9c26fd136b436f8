"""What an estimate is worth: every place predicted from all others, in percent and dB, by third octave."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import exp1

from roommodes.arrays import Complexes, Floats
from roommodes.responses.metrics import level_db
from roommodes.responses.third_octaves import bands_of, bands_within, nominal_hz

LEAST_LEVEL = 1e-30


def expected_level_db(pressure: Complexes, deviation: Floats) -> Floats:
    """Mean level of a complex Gaussian value, 20 lg |p| on average over what it may be, of any shape [dB].

    ln|m|² + E1(|m|²/σ²), m the mean, σ the standard deviation. Where the value is hardly known its own level would be
    too low: a sum of what may cancel is no null.
    """
    power = np.maximum(np.abs(pressure), LEAST_LEVEL) ** 2
    spread = np.maximum(deviation, 1e-3 * np.sqrt(power)) ** 2
    return np.asarray(10.0 / np.log(10.0) * (np.log(power) + exp1(power / spread)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Worth:
    """Errors at places that were left out.

    Parameters
    ----------
    left : rms of the complex error over that of the responses, both taken at each frequency and sub, then their mean
        square.
    median_db, rms_db : size of the level error, that of the field by `expected_level_db` [dB].
    within : share of the complex errors that are smaller than one stated standard deviation; NaN where none is stated.
    """

    left: float
    median_db: float
    rms_db: float
    within: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LeftOut:
    """Every measured response beside what others make of it.

    Parameters
    ----------
    frequency_hz : (n_freq,) [Hz].
    data : (n_freq, n_place, n_sub) measured.
    found : way of estimating -> (n_freq, n_place, n_sub) each place from the others.
    deviation : (n_freq, n_place, n_sub) standard deviation that the first way states.
    """

    frequency_hz: Floats
    data: Complexes
    found: Mapping[str, Complexes]
    deviation: Floats

    @property
    def ways(self) -> tuple[str, ...]:
        """The ways of estimating, the field first."""
        return tuple(self.found)

    def worth(self, way: str, inside: NDArray[np.bool_] | None = None) -> Worth:
        """The errors of one way over some frequencies, (n_freq,) bool; None for all."""
        used = slice(None) if inside is None else inside
        data, found = self.data[used], self.found[way][used]
        error = np.abs(found - data)
        share = (error**2).mean(axis=1) / (np.abs(data) ** 2).mean(axis=1)
        first = way == self.ways[0]
        level = expected_level_db(found, self.deviation[used]) if first else level_db(found)
        level = level - level_db(data)
        return Worth(
            left=float(np.sqrt(share.mean())),
            median_db=float(np.median(np.abs(level))),
            rms_db=float(np.sqrt(np.mean(level**2))),
            within=float(np.mean(error <= self.deviation[used])) if first else float("nan"),
        )

    def by_third_octave(self, way: str) -> tuple[tuple[float, Worth], ...]:
        """The errors of one way in each third-octave band that holds a frequency: nominal centre [Hz], errors."""
        band = bands_of(self.frequency_hz)
        return tuple((nominal_hz(one), self.worth(way, band == one)) for one in bands_within(self.frequency_hz))

    def by_place(self, way: str) -> Floats:
        """Share of the rms that is left at each place: (n_place,)."""
        power = (np.abs(self.data) ** 2).mean(axis=1, keepdims=True)
        return np.asarray(np.sqrt((np.abs(self.found[way] - self.data) ** 2 / power).mean(axis=(0, 2))))
