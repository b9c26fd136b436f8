"""A Gaussian process of complex values: weights of its kernels by marginal likelihood, prediction, leaving one out.

Every batch (a sub at one frequency) has a scale of its own, from its data alone; all share the kernels' weights.
With K = sum of weighted kernels, a = K^-1 y and q = y^H a / n, minus twice the log likelihood per batch, its scale at
its best, is n ln q + ln det K. Leaving out place i: error a_i / (K^-1)_ii, variance q_i / (K^-1)_ii [1],
with the scale of the others, q_i = (n q - |a_i|^2 / (K^-1)_ii) / (n - 1).

References
----------
[1] C. E. Rasmussen, C. K. I. Williams, Gaussian Processes for Machine Learning, MIT Press 2006, eqs 5.9, 5.10, 5.12.
"""

from dataclasses import dataclass

import numpy as np
from threadpoolctl import threadpool_limits

from roommodes.arrays import Complexes, Floats
from roommodes.running import Running

START, LEAST, MOST = -2.0, -9.0, 5.0  # logarithm of a kernel's weight
NOISE_START, NOISE_LEAST = -6.0, -14.0
CENTRE, PRIOR = -3.0, 0.02  # a weak prior: PRIOR (ln weight - CENTRE)^2, so that what the data do not tell stays put
MOST_STEPS = 60


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Weights:
    """What the marginal likelihood chose.

    Parameters
    ----------
    value : (n_kernel,) weights; the first kernel is the noise.
    cost : minus twice the log likelihood, less a constant.
    """

    value: Floats
    cost: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Solved:
    """A process with its data.

    Parameters
    ----------
    inverse : (n_batch, n, n) of the covariance.
    pull : (n_batch, n) inverse times data.
    scale : (n_batch,) of each batch's variance.
    """

    inverse: Complexes
    pull: Complexes
    scale: Floats


def chosen_weights(terms: Complexes, data: Complexes, *, start: Floats | None = None, running: Running) -> Weights:
    """Weights by marginal likelihood.

    Parameters
    ----------
    terms : (n_kernel, n_batch, n, n) kernels, the noise first.
    data : (n_batch, n) values.
    start : (n_kernel,) weights to start from.
    running : cancelling.

    Raises
    ------
    Interrupted : when cancelled.
    """
    from scipy.optimize import minimize  # noqa: PLC0415 (a fifth of a second, and only estimates need it)

    count = len(terms)
    begin = np.full(count, START)
    begin[0] = NOISE_START
    bounds = [(NOISE_LEAST, MOST), *[(LEAST, MOST)] * (count - 1)]

    def cost(log_weight: Floats) -> tuple[float, Floats]:
        running.check("interrupted while the process was fitted")
        return _evidence(log_weight, terms, data)

    with threadpool_limits(1):  # small matrices: waiting for each other costs threads more than they save
        found = minimize(
            cost,
            begin if start is None else np.log(start),
            jac=True,
            method="L-BFGS-B",
            bounds=bounds,
            options={"maxiter": MOST_STEPS},
        )
    return Weights(value=np.exp(found.x), cost=float(found.fun))


def solved(weight: Floats, terms: Complexes, data: Complexes) -> Solved:
    """The process with given weights and its data; shapes as in `chosen_weights`."""
    inverse = np.linalg.inv(np.einsum("j,jbmn->bmn", weight, terms, optimize=True))
    pull = np.einsum("bmn,bn->bm", inverse, data)
    scale = np.einsum("bm,bm->b", data.conj(), pull).real / data.shape[1]
    return Solved(inverse=inverse, pull=pull, scale=scale)


def left_out(process: Solved, data: Complexes) -> tuple[Complexes, Floats]:
    """Each place from the others, their scale included: its value and the standard deviation of that, (n_batch, n)."""
    n = data.shape[1]
    own = np.einsum("bnn->bn", process.inverse).real
    scale = (n * process.scale[:, None] - np.abs(process.pull) ** 2 / own) / (n - 1)
    return data - process.pull / own, np.sqrt(np.maximum(scale, 0.0) / own)


def predicted(process: Solved, cross: Complexes, variance: Floats) -> tuple[Complexes, Floats]:
    """Values elsewhere and their standard deviations, (n_batch, p) each.

    Parameters
    ----------
    cross : (n_batch, p, n) covariance with the data.
    variance : (n_batch, p) before any data.
    """
    value = np.einsum("bpn,bn->bp", cross, process.pull)
    told = np.einsum("bpn,bpn->bp", cross @ process.inverse, cross.conj()).real
    left = np.maximum(variance - told, 1e-12 * variance)
    return value, np.sqrt(process.scale[:, None] * left)


def _evidence(log_weight: Floats, terms: Complexes, data: Complexes) -> tuple[float, Floats]:
    """What is minimised, and its gradient."""
    weight = np.exp(log_weight)
    n = data.shape[1]
    covariance = np.tensordot(weight, terms, axes=1)
    inverse = np.linalg.inv(covariance)
    pull = np.einsum("bmn,bn->bm", inverse, data)
    scale = np.einsum("bm,bm->b", data.conj(), pull).real / n
    _, log_det = np.linalg.slogdet(covariance)
    # slope of ln det K less that of n ln q: both are inner products with the kernel
    slope = inverse - np.einsum("bm,bn,b->bmn", pull, pull.conj(), 1.0 / scale)
    flat = terms.reshape(len(terms), -1)
    gradient = weight * (flat @ slope.transpose(0, 2, 1).reshape(-1)).real
    away = log_weight - CENTRE
    return float((n * np.log(scale) + log_det).sum() + PRIOR * (away**2).sum()), gradient + 2.0 * PRIOR * away
