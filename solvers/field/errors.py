"""What an estimate is worth: every place predicted from all others, in percent and dB, by third octave."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roommodes.arrays import Complexes, Floats
from roommodes.responses.metrics import level_db
from roommodes.responses.third_octaves import bands_of, bands_within, nominal_hz
from roommodes.storage.left_out import LeftOutTable

LEAST_LEVEL = 1e-30


def expected_level_db(pressure: Complexes, deviation: Floats) -> Floats:
    """Mean level of a complex Gaussian value, 20 lg |p| on average over what it may be, of any shape [dB].

    ln|m|² + E1(|m|²/σ²), m the mean, σ the standard deviation. Where the value is hardly known its own level would be
    too low: a sum of what may cancel is no null.
    """
    from scipy.special import exp1  # noqa: PLC0415 (a tenth of a second, and only estimates need it)

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
    deviation : (n_freq, n_place, n_sub) standard deviation that the first way states; None where it states none.
    """

    frequency_hz: Floats
    data: Complexes
    found: Mapping[str, Complexes]
    deviation: Floats | None

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
        stated = self.deviation[used] if self.deviation is not None and way == self.ways[0] else None
        level = level_db(found) if stated is None else expected_level_db(found, stated)
        level = level - level_db(data)
        return Worth(
            left=float(np.sqrt(share.mean())),
            median_db=float(np.median(np.abs(level))),
            rms_db=float(np.sqrt(np.mean(level**2))),
            within=float("nan") if stated is None else float(np.mean(error <= stated)),
        )

    def by_third_octave(self, way: str) -> tuple[tuple[float, Worth], ...]:
        """The errors of one way in each third-octave band that holds a frequency: nominal centre [Hz], errors."""
        return tuple((hz, self.worth(way, inside)) for inside, hz in self._bands())

    def _bands(self) -> tuple[tuple[NDArray[np.bool_], float], ...]:
        """Which frequencies lie in each third octave, and its nominal centre [Hz]."""
        band = bands_of(self.frequency_hz)
        return tuple((band == one, nominal_hz(one)) for one in bands_within(self.frequency_hz))

    def table(self) -> LeftOutTable:
        """Every way by third octave, then over the whole band."""
        bands = [*((hz, band) for band, hz in self._bands()), (0.0, None)]
        worth = [[self.worth(way, band) for way in self.ways] for _, band in bands]
        values = {
            key: np.array([[getattr(one, key) for one in row] for row in worth])
            for key in ("left", "median_db", "rms_db", "within")
        }
        return LeftOutTable(way=self.ways, band_hz=np.array([hz for hz, _ in bands]), **values)

    def by_place(self, way: str) -> Floats:
        """Share of the rms that is left at each place: (n_place,)."""
        power = (np.abs(self.data) ** 2).mean(axis=1, keepdims=True)
        return np.asarray(np.sqrt((np.abs(self.found[way] - self.data) ** 2 / power).mean(axis=(0, 2))))
