"""A value over frequency."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roommodes.errors import OutsideModel


@dataclass(frozen=True, slots=True)
class Curve:
    """A value over frequency: straight lines over log frequency between the points, level beyond the ends.

    Parameters
    ----------
    hz : (n,) rising [Hz]; one point is a constant.
    value : (n,) in whatever unit the user of the curve says.
    """

    hz: tuple[float, ...]
    value: tuple[float, ...]

    def at(self, frequency_hz: ArrayLike) -> NDArray[np.float64]:
        """The value at frequencies above 0: any shape [Hz] -> the same shape."""
        return np.interp(np.log(frequency_hz), np.log(self.hz), self.value)


def curve_of(target: Mapping[float, float] | Curve | None) -> Curve:
    """Level by frequency as a curve; flat where left out. OutsideModel says what is allowed."""
    if isinstance(target, Curve):
        return target
    points = sorted((target or {1000.0: 0.0}).items())
    if not points or points[0][0] <= 0.0:
        raise OutsideModel(f"target: got {target}; allowed: levels in dB by frequency in Hz above 0, such as {{20: 4}}")
    return Curve(tuple(float(hz) for hz, _ in points), tuple(float(level) for _, level in points))
