"""Sobol' indices against published values."""

import numpy as np
from scipy.stats import qmc

from solvers.tolerance.shares import shares
from tests.conftest import Published


def ishigami(unit: np.ndarray) -> np.ndarray:
    x = np.pi * (2.0 * unit - 1.0)
    value: np.ndarray = np.sin(x[:, 0]) + 7.0 * np.sin(x[:, 1]) ** 2 + 0.1 * x[:, 2] ** 4 * np.sin(x[:, 0])
    return value


def test_ishigami(published: Published) -> None:
    want = published("sobol", "ishigami")
    both = qmc.Sobol(6, rng=1).random(8192)
    a, b = both[:, :3], both[:, 3:]
    mixed = []
    for group in range(3):
        unit = a.copy()
        unit[:, group] = b[:, group]
        mixed.append(ishigami(unit))
    found = shares(ishigami(a), ishigami(b), np.array(mixed))
    np.testing.assert_allclose(found.first, want["first"], atol=0.02)  # one value is zero: an absolute tolerance
    np.testing.assert_allclose(found.total, want["total"], rtol=0.02)
    for ends, value in ((found.first_interval, want["first"]), (found.total_interval, want["total"])):
        assert np.all(ends[:, 0] - 0.02 < value)
        assert np.all(value < ends[:, 1] + 0.02)
        assert np.all(ends[:, 1] - ends[:, 0] < 0.06)


def test_exact_variances(published: Published) -> None:
    """The printed values follow from the exact variances."""
    want, a, b = published("sobol", "ishigami"), 7.0, 0.1
    alone = 0.5 * (1.0 + b * np.pi**4 / 5.0) ** 2
    second, both = a**2 / 8.0, 8.0 * b**2 * np.pi**8 / 225.0
    variance = alone + second + both
    np.testing.assert_allclose(np.array([alone, second]) / variance, want["first"][:2], atol=5e-5)
    np.testing.assert_allclose(np.array([alone + both, second, both]) / variance, want["total"], atol=5e-5)


def test_nothing_varies() -> None:
    found = shares(np.ones(16), np.ones(16), np.ones((2, 16)))
    assert not found.first.any()
    assert not found.total.any()
