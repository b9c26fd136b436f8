"""Which uncertain input matters most: Sobol' indices of variance from a seeded quasi-random design.

Two samples A and B of n points, and for every group of inputs i the sample AB_i, which is A with the columns of i
from B. With f the figure of interest and V its variance over A and B together,

    first order  S_i = mean(f(B) (f(AB_i) - f(A))) / V              [1], table 2, (b)
    total        T_i = mean((f(A) - f(AB_i))^2) / (2 V)             [2]; [1], table 2, (f)

S_i is the part of V that goes if i alone becomes known; T_i what remains if all but i become known. The figures' mean
is taken off first, which changes neither and lets S_i settle sooner. Intervals come from drawing the points anew with
replacement (bootstrap).

References
----------
[1] A. Saltelli et al., Variance based sensitivity analysis of model output. Design and estimator for the total
    sensitivity index, Comput. Phys. Commun. 181(2) 259-270, 2010 (from memory).
[2] M. J. W. Jansen, Analysis of variance designs for model output, Comput. Phys. Commun. 117, 35-43, 1999 (from
    memory).
"""

from dataclasses import dataclass

import numpy as np

from roommodes.arrays import Floats

RESAMPLES = 400
INTERVAL = (5.0, 95.0)  # percentiles of the resampled indices


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shares:
    """Sobol' indices of some groups of inputs.

    Parameters
    ----------
    first, total : (n_group,).
    first_interval, total_interval : (n_group, 2), 90 % of the resampled indices lie between.
    """

    first: Floats
    total: Floats
    first_interval: Floats
    total_interval: Floats


def shares(a: Floats, b: Floats, mixed: Floats, *, seed: int = 0) -> Shares:
    """Sobol' indices from the figures at the design's points.

    Parameters
    ----------
    a, b : (n,) f(A) and f(B).
    mixed : (n_group, n) f(AB_i).
    seed : of the resampling.
    """
    random = np.random.default_rng(seed)
    rows = np.concatenate([np.arange(len(a))[None], random.integers(0, len(a), (RESAMPLES, len(a)))])
    first, total = _indices(a[rows], b[rows], mixed[:, rows])
    return Shares(
        first=first[:, 0],
        total=total[:, 0],
        first_interval=np.percentile(first[:, 1:], INTERVAL, axis=1).T,
        total_interval=np.percentile(total[:, 1:], INTERVAL, axis=1).T,
    )


def _indices(a: Floats, b: Floats, mixed: Floats) -> tuple[Floats, Floats]:
    """First-order and total indices over the last axis: (..., n), (..., n), (group, ..., n) -> (group, ...) each."""
    both = np.concatenate([a, b], axis=-1)
    mean, variance = both.mean(axis=-1, keepdims=True), both.var(axis=-1)
    safe = np.where(variance > 0.0, variance, 1.0)  # nothing varies: every share is zero
    first = ((b - mean) * (mixed - a)).mean(axis=-1) / safe
    total = ((a - mixed) ** 2).mean(axis=-1) / (2.0 * safe)
    return first, total
