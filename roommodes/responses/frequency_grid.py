"""Frequency grids."""

from math import log2

import numpy as np
from numpy.typing import NDArray


def log_grid(low_hz: float, high_hz: float, points_per_octave: float) -> NDArray[np.float64]:
    """Logarithmic grid with both ends on it; the step is the nearest that divides the band evenly.

    Parameters
    ----------
    low_hz, high_hz : ends of the band, 0 < low < high [Hz].
    points_per_octave : about how many points an octave gets.

    Returns
    -------
    (n_freq,) float64 [Hz], n_freq = 1 + round(points_per_octave * log2(high / low)), at least 2.
    """
    steps = max(1, round(points_per_octave * log2(high_hz / low_hz)))
    return np.geomspace(low_hz, high_hz, steps + 1)
