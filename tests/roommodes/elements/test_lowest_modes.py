"""The eigenvalue solver: from a shift among the modes sought the same as from below zero, and the way back to that."""

import numpy as np
import pytest

from roommodes.elements import solution
from roommodes.elements.solution import solve
from roommodes.shapes.shape import Shape
from roommodes.shapes.solids import Block, Slope

WAVENUMBER = 1.6


def shape() -> Shape:
    roof = Slope(name="roof", along="y", from_m=(1.8, 2.4), to_m=(3.1, 1.5))
    return Shape(
        size_m=(4.3, 3.1, 2.4),
        blocks=(Block(name="riser", low_m=(3.0, 0.0, 0.0), high_m=(4.3, 3.1, 0.3)),),
        slopes=(roof,),
    )


@pytest.fixture
def shifts(monkeypatch):
    """The shifts from which modes were sought."""
    asked = []
    plain = solution._nearest_modes

    def noted(*given):
        asked.append(given[3])
        return plain(*given)

    monkeypatch.setattr(solution, "_nearest_modes", noted)
    return asked


def alike(found, wanted):
    assert found.k2 == pytest.approx(wanted.k2, rel=1e-9, abs=1e-9)
    apart = np.diff(wanted.k2)
    alone = np.minimum(np.append(apart, 0.0), np.insert(apart, 0, np.inf)) > 1e-3
    assert alone.sum() > 20
    assert found.vectors[:, alone] == pytest.approx(wanted.vectors[:, alone], abs=1e-6)


def test_a_shift_among_the_modes_finds_the_lowest(monkeypatch, shifts):
    found = solve(shape(), WAVENUMBER)
    assert len(shifts) == 1
    assert 0.0 < shifts[0] < 0.5 * found.k2[-1]
    monkeypatch.setattr(solution, "_lowest", lambda *_: False)
    alike(found, solve(shape(), WAVENUMBER))
    assert shifts[-1] == -(WAVENUMBER**2)


@pytest.mark.parametrize("share", ["an eigenvalue", "too high"])
def test_a_shift_that_will_not_do_is_left(monkeypatch, shifts, share):
    wanted = solve(shape(), WAVENUMBER)
    top = (solution.CUT * WAVENUMBER) ** 2
    monkeypatch.setattr(solution, "SHIFT", float(wanted.k2[20]) / top if share == "an eigenvalue" else 0.9)
    alike(solve(shape(), WAVENUMBER), wanted)
    assert len(shifts) == 3
    assert shifts[-1] < 0.0
