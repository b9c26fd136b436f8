"""Equations refined from single precision: as double precision answers, and left to it where they are too hard."""

import numpy as np
import pytest

from roommodes import refined_solve
from roommodes.refined_solve import solved_each

SIZE = refined_solve.LARGE + 20


def equations(condition: float, count: int = 2, seed: int = 1):
    """Complex systems whose singular values fall evenly from 1, on a logarithmic scale."""
    rng = np.random.default_rng(seed)

    def turned(*shape):
        return np.linalg.qr(rng.standard_normal(shape) + 1j * rng.standard_normal(shape))[0]

    values = np.geomspace(1.0, 1.0 / condition, SIZE)
    system = turned(count, SIZE, SIZE) * values @ turned(count, SIZE, SIZE)
    return system, system @ (rng.standard_normal((count, SIZE, 3)) + 0j) * np.array([1.0, 1e-9, 1e9])


def apart(found, wanted):
    return float((np.abs(found - wanted).max(axis=1) / np.abs(wanted).max(axis=1)).max())


@pytest.mark.parametrize("condition", [1e1, 1e3, 1e5])
def test_as_precise_as_double(condition, monkeypatch):
    system, right = equations(condition)
    wanted = np.linalg.solve(system, right)
    monkeypatch.setattr(np.linalg, "solve", None)
    found = solved_each(system.transpose(0, 2, 1).copy().transpose(0, 2, 1), right)
    assert apart(found, wanted) < 1e-14 * condition * SIZE**0.5
    single = np.stack([one.astype(np.complex64) for one in found])
    assert apart(single, wanted) > 1e-9  # the bound can fail


@pytest.mark.parametrize("case", ["ill", "singular in single precision", "too large for it", "not a number"])
def test_what_is_too_hard_is_solved_in_double(case):
    system, right = equations(1e9 if case == "ill" else 1e2)
    if case == "singular in single precision":
        system[1, 7] *= 1e-60
        right[1, 7] *= 1e-60
    elif case == "too large for it":
        system[0] *= 1e60
    elif case == "not a number":
        right[1, 3, 0] = np.nan
    found, wanted = solved_each(system, right), np.linalg.solve(system, right)
    assert np.array_equal(found[1], wanted[1], equal_nan=True) or case == "too large for it"
    assert np.array_equal(np.isnan(found), np.isnan(wanted))


def test_no_right_side_and_nothing_asked():
    system, right = equations(1e2, 1)
    assert solved_each(system, right[:, :, :0]).shape == (1, SIZE, 0)
    assert not solved_each(system, 0.0 * right).any()
