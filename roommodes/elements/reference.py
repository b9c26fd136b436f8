"""One interval of a spectral element, 0 to 1: Lagrange polynomials through the Gauss-Lobatto points.

References
----------
[1] C. Canuto et al., Spectral Methods: Fundamentals in Single Domains, section 2.3 (from memory).
"""

from collections.abc import Sequence
from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.polynomial import legendre
from numpy.typing import NDArray

from roommodes.arrays import Floats


@lru_cache(maxsize=32)
def nodes(degree: int) -> Floats:
    """Gauss-Lobatto points on 0 to 1: (degree + 1,)."""
    inner = legendre.Legendre.basis(degree).deriv().roots().real if degree > 1 else np.empty(0)
    return _kept(0.5 + 0.5 * np.concatenate(([-1.0], np.sort(inner), [1.0])))


@lru_cache(maxsize=32)
def _cardinal(degree: int) -> Floats:
    """The polynomials' Legendre coefficients: (degree + 1, polynomial)."""
    return _kept(np.linalg.inv(legendre.legvander(2.0 * nodes(degree) - 1.0, degree)))


def values(degree: int, at: Floats) -> Floats:
    """The polynomials at points of the interval: (n,) -> (n, degree + 1)."""
    return np.asarray(legendre.legvander(2.0 * at - 1.0, degree) @ _cardinal(degree))


def slopes(degree: int, at: Floats) -> Floats:
    """Their derivatives: (n,) -> (n, degree + 1)."""
    table = legendre.legder(_cardinal(degree), axis=0)
    return np.asarray(2.0 * legendre.legvander(2.0 * at - 1.0, degree - 1) @ table)


@lru_cache(maxsize=64)
def gauss(count: int) -> tuple[Floats, Floats]:
    """Gauss points and weights on 0 to 1: (count,), (count,)."""
    at, weight = legendre.leggauss(count)
    return _kept(0.5 + 0.5 * at), _kept(0.5 * weight)


def composite(count: int, breaks: Sequence[float] | Floats) -> tuple[Floats, Floats]:
    """Gauss rule with `count` points in each part between rising breaks: points and weights."""
    at, weight = gauss(count)
    parts = [(low + (high - low) * at, (high - low) * weight) for low, high in pairwise(breaks)]
    return np.concatenate([part[0] for part in parts]), np.concatenate([part[1] for part in parts])


@lru_cache(maxsize=32)
def mass(degree: int) -> Floats:
    """Integral of products of the polynomials over the interval: (degree + 1, degree + 1)."""
    at, weight = gauss(degree + 1)
    table = values(degree, at)
    return _kept((table.T * weight) @ table)


@lru_cache(maxsize=32)
def stiffness(degree: int) -> Floats:
    """Integral of products of their derivatives: (degree + 1, degree + 1)."""
    at, weight = gauss(degree + 1)
    table = slopes(degree, at)
    return _kept((table.T * weight) @ table)


def _kept(array: NDArray[np.floating]) -> Floats:
    kept = np.array(array, dtype=np.float64)
    kept.setflags(write=False)
    return kept
