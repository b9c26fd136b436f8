"""Eigenvalues of rigid rooms that are no boxes: exact ones, and published ones of the L-shaped domain."""

import numpy as np
import pytest

from roommodes.elements import mesh
from roommodes.elements.cost import mode_estimate
from roommodes.elements.solution import solve
from roommodes.errors import Interrupted, OutsideModel
from roommodes.running import Running
from roommodes.shapes.shape import Shape
from roommodes.shapes.solids import Block, Slope

# M. Dauge, benchmark of the Neumann problem on the L-shaped domain ]-1, 1[^2 less one quarter (from memory)
DAUGE = (1.475621824, 3.534031367, 9.869604401, 9.869604401, 11.38947940)


def l_shaped() -> Shape:
    height = 0.2  # so flat that the lowest mode along z lies at k2 = 246
    corner = Block(name="corner", low_m=(1.0, 1.0, 0.0), high_m=(2.0, 2.0, height))
    return Shape(size_m=(2.0, 2.0, height), blocks=(corner,))


def test_the_l_shaped_domain():
    found = solve(l_shaped(), 4.0).k2
    assert found[0] == 0.0
    assert found[1:6] == pytest.approx(np.array(DAUGE), rel=2e-5)


def test_convergence_at_the_inward_edge(monkeypatch):
    """The first mode goes as r^(2/3) at the edge, which elements of one size follow as degree^(-4 * 2/3) alone; the
    edge's own functions make it fall by a factor with each degree. They do not hold r^(4/3), which leads the second
    mode: degree^(-4 * 4/3) (I. Babuska and M. Suri, The p and h-p versions of the finite element method, basic
    principles and properties, SIAM Review 36, 1994: singularities at a vertex of the elements; from memory)."""
    degrees = np.arange(3, 8)
    errors = []
    for degree in degrees:
        monkeypatch.setattr(mesh, "degree_for", lambda length_m, wavenumber, degree=int(degree): degree)
        errors.append(solve(l_shaped(), 4.0).k2[1:3] / np.array(DAUGE[:2]) - 1.0)
    first, second = np.array(errors).T
    assert (first > 0.0).all()  # Rayleigh quotients: from above
    assert (first[1:] < first[:-1] / 8.0).all()
    order = np.polyfit(np.log(degrees[1:]), np.log(second[1:]), 1)[0]
    assert order == pytest.approx(-16.0 / 3.0, abs=0.7)


def test_a_prism_of_half_a_square():
    """Modes of the right isosceles triangle: those of the square that are even about its diagonal."""
    side, depth = 2.0, 1.5
    shape = Shape(
        size_m=(depth, side, side), slopes=(Slope(name="roof", along="y", from_m=(0.0, side), to_m=(side, 0.0)),)
    )
    number = np.arange(8)
    # cos m cos n + cos n cos m about the diagonal y = z; the hypotenuse y + z = side is the mirrored one
    flat = [(m * m + n * n) * (np.pi / side) ** 2 for m in number for n in number if m <= n]
    exact = np.sort([f + (q * np.pi / depth) ** 2 for f in flat for q in number])
    found = solve(shape, 3.0).k2
    kept = exact[exact < found[-1]][: len(found)]
    assert len(kept) > 20
    assert found[: len(kept)] == pytest.approx(kept, rel=1e-2, abs=1e-6)
    band = kept < 3.0**2  # what is asked for; the rest helps to carry it
    assert found[: len(kept)][band] == pytest.approx(kept[band], rel=1e-4, abs=1e-6)


def test_the_estimate_of_modes_holds():
    shape = Shape(size_m=(4.0, 3.0, 2.4), blocks=(Block(name="breast", low_m=(1.0, 2.2, 0.0), high_m=(2.0, 3.0, 2.4)),))
    found = solve(shape, 2.0)
    for k in (2.0, 3.0, 4.0):
        counted = int((found.k2 < k * k).sum())
        assert abs(counted - mode_estimate(shape, k)) < 4.0 + 0.05 * counted


def test_too_large_a_question_says_what_it_would_take():
    shape = Shape(
        size_m=(30.0, 20.0, 8.0), blocks=(Block(name="stage", low_m=(0.0, 5.0, 0.0), high_m=(3.0, 15.0, 1.0)),)
    )
    with pytest.raises(OutsideModel, match=r"would take about \d+\.\d GB.*Ask up to \d+ %"):
        solve(shape, 5.0)


def test_progress_and_interrupt():
    shape = Shape(size_m=(3.0, 2.5, 2.4), blocks=(Block(name="step", low_m=(2.0, 0.0, 0.0), high_m=(3.0, 2.5, 0.3)),))
    told: list[float] = []
    solve(shape, 2.0, Running(report=lambda step: told.append(step.fraction)))
    assert told == sorted(told)
    assert (told[0], told[-1]) == (0.0, 1.0)
    with pytest.raises(Interrupted):
        solve(shape, 2.0, Running(cancelled=lambda: True))
