"""A value over frequency."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray


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
