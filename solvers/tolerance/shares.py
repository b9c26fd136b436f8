"""Which uncertain input matters most: Sobol' indices of variance from a seeded quasi-random design.

Two samples A and B of n points, and for every group of inputs i the sample AB_i, which is A with the columns of i
from B. With f the figure of interest, its mean taken off, and V its variance,

    first order  S_i = mean(f(B) (f(AB_i) - f(A))) / V(A and B)            [1], table 2, (b)
    total        T_i = mean((f(A) - f(AB_i))^2) / (2 V(A and AB_i))        [2], with V after [3]

S_i is the part of V that goes if i alone becomes known; T_i what remains if all but i become known. scipy's own pair is
[1] (b) and (f): the same S_i, and T_i with V(A and B). Where a few points hold most of the variance, AB_i may have more
of it than A and B, and T_i comes to more than one. With the variance of the two samples whose difference it is it does
not, and its error is a quarter less (`tests/solvers/tolerance/test_shares.py`).

Intervals come from drawing the points anew with replacement (bootstrap, percentiles, by scipy), for each group from the
points that it has.

References
----------
[1] A. Saltelli et al., Variance based sensitivity analysis of model output. Design and estimator for the total
    sensitivity index, Comput. Phys. Commun. 181(2) 259-270, 2010 (from memory).
[2] M. J. W. Jansen, Analysis of variance designs for model output, Comput. Phys. Commun. 117, 35-43, 1999 (from
    memory).
[3] A. Janon et al., Asymptotic normality and efficiency of two Sobol index estimators, ESAIM Probab. Stat. 18, 342-364,
    2014 (from memory): for the first order, the variance of the two samples that are compared.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from roommodes.arrays import Floats
from roommodes.plan.tolerance import Shares

RESAMPLES = 400
CONFIDENCE = 0.9
MEMORY = 2**17  # figures that are resampled at once


def shares(a: Floats, b: Floats, mixed: Sequence[Floats], *, seed: int = 0) -> Shares:
    """Sobol' indices from the figures at the design's points.

    Parameters
    ----------
    a, b : (n,) f(A) and f(B), n a power of two.
    mixed : for each group f(AB_i) at the first of these points, all of them or fewer.
    seed : of the resampling.
    """
    found, ends = np.empty((2, len(mixed))), np.empty((2, len(mixed), 2))
    for group, values in enumerate(mixed):
        n = len(values)
        found[:, group] = np.ravel(indices(a[:n], b[:n], values[None]))
        ends[:, group] = found[:, group, None]  # a single point cannot be drawn anew
        if n > 1:
            ends[:, group] = _intervals(a[:n], b[:n], values, np.random.default_rng(seed))
    return Shares(first_order=found[0], total=found[1], first_order_interval=ends[0], total_interval=ends[1])


def _intervals(a: Floats, b: Floats, mixed: Floats, rng: np.random.Generator) -> Floats:
    """Of one group's first-order and total index: (2, 2)."""
    from scipy import stats  # noqa: PLC0415 (slow to load; only for intervals)

    def resampled(points: NDArray[np.intp], axis: int = -1) -> Floats:
        """Both indices of the points along the last axis, which scipy calls so."""
        assert axis == -1
        return np.concatenate(indices(a[points], b[points], mixed[None][:, points]))

    interval = stats.bootstrap(
        (np.arange(len(mixed)),),
        resampled,
        n_resamples=RESAMPLES,
        batch=max(1, MEMORY // len(mixed)),
        vectorized=True,
        confidence_level=CONFIDENCE,
        method="percentile",
        rng=rng,
    ).confidence_interval
    return np.stack([interval.low, interval.high], axis=-1)


def indices(f_A: Floats, f_B: Floats, f_AB: Floats) -> tuple[Floats, Floats]:
    """First-order and total indices; names as scipy has them. Nothing varies: zero.

    Parameters
    ----------
    f_A, f_B : (..., n).
    f_AB : (n_group, ..., n).

    Returns
    -------
    (n_group, ...) each.
    """
    mean = 0.5 * (f_A.mean(axis=-1, keepdims=True) + f_B.mean(axis=-1, keepdims=True))
    apart = np.mean((f_A - f_AB) ** 2, axis=-1)
    first = np.mean((f_B - mean) * (f_AB - f_A), axis=-1)
    return _over(first, _variance(f_A, f_B)), _over(0.5 * apart, _variance(np.broadcast_to(f_A, f_AB.shape), f_AB))


def _variance(one: Floats, other: Floats) -> Floats:
    """Of two samples together, over the last axis."""
    return np.asarray(np.concatenate([one, other], axis=-1).var(axis=-1))


def _over(part: Floats, whole: Floats) -> Floats:
    return np.asarray(part / np.where(whole > 0.0, whole, 1.0))
