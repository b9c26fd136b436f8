"""Boundary modes: overlaps against quadrature, completeness, and plates against published frequencies."""

import numpy as np
import pytest
from numpy.polynomial.legendre import Legendre
from scipy.integrate import quad

from roommodes.acoustics.edge_functions import _edge_overlaps, level_out_m, overlaps_with_edges
from roommodes.acoustics.plates.panes import Pane
from roommodes.acoustics.strengths import legendre_sine, plate_modes, plate_omega
from roommodes.acoustics.wall_bases import legendre_overlaps, sine_overlaps

LENGTH_M, START_M, END_M = 4.2, 0.7, 2.9
WIDTH_M = END_M - START_M


def room_cosine(n: int, x: float) -> float:
    return (1.0 if n == 0 else np.sqrt(2.0)) * np.cos(n * np.pi * x / LENGTH_M)


def legendre(degree: int, x: float) -> float:
    return np.sqrt((2 * degree + 1) / WIDTH_M) * Legendre.basis(degree)((2.0 * x - START_M - END_M) / WIDTH_M)


def sine(j: int, x: float) -> float:
    return np.sqrt(2.0 / WIDTH_M) * np.sin(j * np.pi * (x - START_M) / WIDTH_M)


@pytest.mark.parametrize("degree", [0, 1, 4, 7])
@pytest.mark.parametrize("n", [0, 1, 6, 15])
def test_overlaps_agree_with_quadrature(degree, n):
    table = legendre_overlaps(LENGTH_M, START_M, END_M, order=8, count=16)
    assert abs(table[degree, n] - quad(lambda x: legendre(degree, x) * room_cosine(n, x), START_M, END_M)[0]) < 1e-12
    table = sine_overlaps(LENGTH_M, START_M, END_M, order=8, count=16)
    assert abs(table[degree, n] - quad(lambda x: sine(degree + 1, x) * room_cosine(n, x), START_M, END_M)[0]) < 1e-12
    table = legendre_sine(8, 16)
    want = quad(lambda x: legendre(degree, x) * sine(n + 1, x), START_M, END_M, limit=200)[0]
    assert abs(table[degree, n] - want) < 1e-12


def test_the_rooms_cosines_see_all_of_a_basis(close):
    # Parseval: sum over n of overlap_i overlap_j / L -> delta_ij, the faster the smoother at the ends
    table = sine_overlaps(LENGTH_M, START_M, END_M, order=5, count=4000)
    close(table @ table.T / LENGTH_M, np.eye(5), rtol=1e-3, scale=1.0)
    table = legendre_overlaps(LENGTH_M, 0.0, LENGTH_M, order=5, count=4000)
    close(table @ table.T / LENGTH_M, np.eye(5), rtol=1e-3, scale=1.0)


def test_edge_functions_agree_with_quadrature():
    rho = np.array([0.004, 0.05])
    for far in (False, True):
        table = _edge_overlaps(LENGTH_M, END_M if far else START_M, WIDTH_M, far=far, rho_m=rho, count=40)
        for i, n in ((0, 0), (0, 7), (1, 1), (1, 39)):

            def density(x, i=i, n=n, far=far):
                r = END_M - x if far else x - START_M
                return room_cosine(n, x) / np.sqrt(r + rho[i])

            want = quad(density, START_M, END_M, limit=400, epsabs=1e-10)[0]
            assert abs(table[i, n] - want) < 1e-8


def test_polynomials_and_edge_functions_are_orthonormal(close):
    """Parseval, as above: what is missing falls as one over the number of cosines."""
    rho = level_out_m(20.0, WIDTH_M)
    assert len(rho) > 2
    table = overlaps_with_edges(LENGTH_M, START_M, END_M, order=9, free=(True, True), rho_m=rho, count=60000)
    assert 9 + len(rho) < len(table) <= 9 + 2 * len(rho)  # the widest are nearly polynomials, and go
    close(table @ table.T / LENGTH_M, np.eye(len(table)), rtol=3e-3, scale=1.0)
    close(table[:9], legendre_overlaps(LENGTH_M, START_M, END_M, order=9, count=60000), rtol=1e-12, scale=1.0)


def glass(thickness_m: float) -> Pane:
    return Pane(thickness_m=thickness_m, youngs_modulus_pa=70e9, poisson=0.22, density_kg_m3=2500.0, loss_factor=0.01)


def test_simply_supported_plates(published, close):
    values = published("rectangular_room", "plates")
    pane = glass(0.006)
    numbers = np.array([[1, 1], [1, 2], [2, 1], [2, 2], [1, 3]])
    scale = np.sqrt(pane.surface_mass_kg_m2 / pane.bending_stiffness_n_m)
    close(plate_omega(pane, 1.0, 1.0, numbers) * scale, values["square"], rtol=1e-4)
    for (width, height, thickness), mass, hz in zip(
        values["pane_m"], values["mass_kg_m2"], values["first_hz"], strict=True
    ):
        pane = glass(thickness)
        close(pane.surface_mass_kg_m2, mass, rtol=1e-9)
        close(plate_omega(pane, width, height, np.array([[1, 1]]))[0] / (2 * np.pi), hz, rtol=5e-4)
    close([glass(0.006).bending_stiffness_n_m, glass(0.010).bending_stiffness_n_m], values["stiffness_n_m"], rtol=1e-5)


def test_plate_modes_are_all_below_the_limit_and_none_is_missing():
    pane, limit = glass(0.006), 2.0 * np.pi * 300.0
    numbers = plate_modes(pane, 2.4, 1.6, limit)
    grid = np.stack(np.meshgrid(np.arange(1, 40), np.arange(1, 40), indexing="ij"), axis=-1).reshape(-1, 2)
    inside = grid[plate_omega(pane, 2.4, 1.6, grid) <= limit]
    assert sorted(map(tuple, numbers.tolist())) == sorted(map(tuple, inside.tolist()))
