"""Figures over rooms with the ends of their intervals, honest for few rooms and for designed samples.

| figure | interval |
| --- | --- |
| mean of independent rooms | Student's t |
| mean of a replicated design | Student's t over the means of its designs, each drawn by itself [1] |
| median | order statistics, by the binomial law [2]; none for so few rooms that none covers |
| share | Wilson's score [3] |

Of a designed sample (Sobol, Latin hypercube) that is not replicated the first says too much, never too little: the
rooms are spread more evenly than independent ones. For one room there is no interval.

References
----------
[1] A. B. Owen, Monte Carlo theory, methods and examples, ch. 17 (from memory).
[2] W. J. Conover, Practical Nonparametric Statistics (from memory).
[3] E. B. Wilson, J. Am. Stat. Assoc. 22, 1927 (from memory).
"""

from dataclasses import dataclass
from math import isfinite, nan, sqrt

import numpy as np
from numpy.typing import NDArray

from roommodes.arrays import Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """A figure with the ends of its interval, NaN where there is none."""

    value: float
    low: float = nan
    high: float = nan

    @property
    def known(self) -> bool:
        """Whether there is an interval."""
        return isfinite(self.low) and isfinite(self.high)

    @property
    def parts(self) -> tuple[float, float, float]:
        """(value, low, high)."""
        return (self.value, self.low, self.high)


def t_interval(value: float, deviation: float, freedom: int, confidence: float) -> Interval:
    """A figure with its standard deviation, which was estimated with so many degrees of freedom."""
    from scipy.stats import t  # noqa: PLC0415 (half a second, and only comparisons need it)

    if freedom < 1 or not isfinite(deviation):
        return Interval(value=value)
    reach = float(t.ppf(0.5 + 0.5 * confidence, freedom)) * deviation
    return Interval(value=value, low=value - reach, high=value + reach)


def mean_interval(values: Floats, confidence: float, replicate: NDArray[np.int64] | None = None) -> Interval:
    """Mean over rooms.

    Parameters
    ----------
    values : (n,), n >= 1.
    confidence : of the interval.
    replicate : (n,) which design drew each room; None for one design, or for independent rooms.
    """
    value = float(values.mean())
    means = values
    if replicate is not None:
        designs = np.unique(replicate)
        means = np.array([values[replicate == one].mean() for one in designs])
    if len(means) < 2:
        return Interval(value=value)
    return t_interval(value, float(means.std(ddof=1)) / sqrt(len(means)), len(means) - 1, confidence)


def median_interval(values: Floats, confidence: float) -> Interval:
    """Median over rooms (n,), n >= 1."""
    from scipy.stats import quantile_test  # noqa: PLC0415 (as above)

    low, high = np.array(quantile_test(values, q=0.0, p=0.5).confidence_interval(confidence), dtype=np.float64)
    return Interval(value=float(np.median(values)), low=float(low), high=float(high))


def share_interval(hit: NDArray[np.bool_], confidence: float) -> Interval:
    """Share of rooms in which something holds: (n,), n >= 1."""
    from scipy.stats import binomtest  # noqa: PLC0415 (as above)

    value = float(hit.mean())
    if len(hit) < 2:
        return Interval(value=value)
    ends = binomtest(int(hit.sum()), len(hit)).proportion_ci(confidence, method="wilson")
    return Interval(value=value, low=float(ends.low), high=float(ends.high))
