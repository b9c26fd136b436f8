"""The frequencies of a search: evenly over log frequency, or closer together where the subs are heard."""

from math import ceil

import numpy as np

from roommodes.arrays import Floats
from roommodes.project.mains import MainsTable, lower_end
from roommodes.project.tables import SearchTable
from roommodes.responses.frequency_grid import log_grid

LEAST_WEIGHT = 0.25  # of the fullest: what it costs in frequencies is bounded, and no part of the band is left out
RATE_HZ = 48000.0  # of the filters' coefficients; another one moves nothing that matters below 300 Hz
FINER = 40  # points between two frequencies, over which weights are summed


def search_grid_hz(
    search: SearchTable,
    mains: MainsTable | None,
    *,
    band_hz: tuple[float, float] | None = None,
    points_per_octave: float | None = None,
) -> Floats:
    """The frequencies of a search: (n_freq,) rising [Hz].

    Means over them are means over log frequency. With `weighted_by_crossover` they are means weighted by the crossover:
    each has the same weight between it and the next. Nowhere do they stand further apart than without, since a search
    would hide its peaks there; that takes up to four times as many.

    Parameters
    ----------
    search, mains : of the project.
    band_hz, points_per_octave : in place of those of the search.
    """
    even = log_grid(*(band_hz or search.band_hz), points_per_octave or search.points_per_octave)
    if not search.weighted_by_crossover or mains is None:
        return even
    fine = np.geomspace(even[0], even[-1], FINER * (len(even) - 1) + 1)
    weight = crossover_weight(mains, fine)
    below = np.concatenate([[0.0], np.cumsum(0.5 * (weight[1:] + weight[:-1]))])
    steps = ceil(below[-1] / (FINER * weight.min()) - 1e-9)  # the widest is as wide as without
    hz = np.exp(np.interp(np.linspace(0.0, below[-1], steps + 1), below, np.log(fine)))
    hz[0], hz[-1] = even[0], even[-1]
    return np.asarray(hz)


def crossover_weight(mains: MainsTable, frequency_hz: Floats) -> Floats:
    """What the subs have of what is heard through the crossover, in power: (n_freq,) [Hz] -> (n_freq,), 0.25 to 1.

    With main loudspeakers, subs over subs and mains, each as loud as the other by itself; without, the low-pass alone.
    """
    low, high = mains.filters.responses(frequency_hz, RATE_HZ)
    subs = np.abs(low) ** 2
    if mains.positions_m or mains.measured:
        subs = subs / (subs + np.abs(high * lower_end(mains.lowest_hz, frequency_hz)) ** 2)
    return np.asarray(np.maximum(subs, LEAST_WEIGHT))


def weight_words(search: SearchTable, mains: MainsTable | None, frequency_hz: Floats) -> str:
    """How the frequencies of a search (n_freq,) [Hz] are weighted, in sentences; empty where they are not."""
    if not search.weighted_by_crossover or mains is None:
        return ""
    what = "the subs' share of the sum with the mains" if mains.positions_m or mains.measured else "the low-pass"
    half_hz = float(np.exp(np.median(np.log(frequency_hz))))
    return (
        f"Weighted by the crossover ({mains.filters.words}): frequencies count by {what}, in power, the least a "
        f"quarter; half of the weight lies below {half_hz:.0f} Hz. Variation, output and smoothness are so weighted."
    )
