"""Responses at many frequencies by a reduced model, against the full equations, in rooms it was not tuned on."""

from collections.abc import Sequence

import numpy as np
import pytest

from roommodes.acoustics.dense import curves, wall_terms, window
from roommodes.acoustics.dense.curves import ALLOWED, DENSE, dense_transfer
from roommodes.acoustics.dense.room_terms import RoomTerms, room_terms
from roommodes.acoustics.plates.panes import DoublePane, Pane
from roommodes.acoustics.ports import Ports
from roommodes.acoustics.precision import Precision
from roommodes.acoustics.room import Room, Surface
from roommodes.acoustics.room_boundary import boundary_of
from roommodes.acoustics.transfer import bulk_k2, transfer_function
from roommodes.acoustics.wall_laws import ConstantAdmittance, MassSpring
from roommodes.arrays import Complexes, Floats
from roommodes.running import Running
from roommodes.shapes.solids import Block

QUICK = Precision(cut=2.5, lowest_cut=5.0, plane_wavenumber=60.0, edge_wavenumber=20.0, extra_order=3, near_error=0.3)
HZ = np.arange(12.0, 81.0, 0.5)
SEATS = np.array([[2.9, 1.2, 1.1], [2.7, 2.4, 1.2]])
SOURCES = np.array([[0.3, 0.4, 0.3], [4.5, 3.3, 0.2], [0.3, 1.8, 0.4]])
GLASS = Pane(thickness_m=0.006, youngs_modulus_pa=70e9, poisson=0.22, density_kg_m3=2500.0, loss_factor=0.03)
DOUBLE = DoublePane(
    inner_thickness_m=0.004,
    outer_thickness_m=0.008,
    gap_m=0.09,
    gap_loss_factor=0.005,
    youngs_modulus_pa=70e9,
    poisson=0.22,
    density_kg_m3=2500.0,
    loss_factor=0.01,
)
HEAVY = ConstantAdmittance(beta_re=0.01, beta_im=0.002)
SOFT = ConstantAdmittance(beta_re=0.3, beta_im=0.1)
LIGHT = MassSpring(resistance_pa_s_m=150.0, mass_kg_m2=10.0, stiffness_pa_m=1.4e6)


def room(**options) -> Room:
    return Room(length_m=4.9, width_m=3.7, height_m=2.5, **options)


def on(wall, low, high, law) -> Surface:
    return Surface(wall=wall, from_m=low, to_m=high, law=law)


FLOOR = on("floor", (0.0, 0.0), (4.9, 3.7), HEAVY)
PANE = on("left", (0.6, 0.3), (2.4, 2.2), GLASS)
REGIONS = (on("ceiling", (0.0, 0.0), (2.5, 3.7), LIGHT), on("rear", (0.5, 0.0), (2.4, 2.0), SOFT))
ROOMS = {
    "bare": (room(), (FLOOR,)),
    "pane": (room(), (FLOOR, PANE)),
    "lossy regions, lossy air": (room(loss_factor=0.02), (FLOOR, PANE, *REGIONS)),
    "no box": (
        room(blocks=(Block(name="chimney", low_m=(3.9, 0.0, 0.0), high_m=(4.9, 1.2, 2.5)),)),
        (FLOOR, on("ceiling", (0.0, 0.0), (2.5, 3.7), LIGHT)),
    ),
}


def direct(of: Room, surfaces: Sequence[Surface], hz: Floats) -> Complexes:
    return transfer_function(
        of, surfaces, frequency_hz=hz, seat_m=SEATS, source_m=SOURCES, precision=QUICK, running=Running()
    )


def misses(found: Complexes, full: Complexes) -> Floats:
    return np.abs(found - full).max(axis=(1, 2)) / np.sqrt((np.abs(full) ** 2).mean(axis=(1, 2)))


@pytest.mark.parametrize("name", ROOMS)
def test_many_frequencies_come_out_as_the_full_equations_have_them(name):
    of, surfaces = ROOMS[name]
    found = dense_transfer(of, surfaces, frequency_hz=HZ, seat_m=SEATS, source_m=SOURCES, precision=QUICK)
    assert misses(found.transfer, direct(of, surfaces, HZ)).max() < max(found.error, 1e-7)
    assert 0.0 < found.error <= ALLOWED
    assert found.solved < len(HZ) / 2


def test_frequencies_may_stand_in_any_order():
    of, surfaces = ROOMS["pane"]
    order = np.random.default_rng(3).permutation(len(HZ))
    turned = dense_transfer(of, surfaces, frequency_hz=HZ[order], seat_m=SEATS, source_m=SOURCES, precision=QUICK)
    assert misses(turned.transfer[np.argsort(order)][::20], direct(of, surfaces, HZ)[::20]).max() < ALLOWED


@pytest.mark.parametrize("name", ["few", "rigid", "not smooth", "never good enough"])
def test_what_the_reduced_model_cannot_take_goes_the_direct_way(name, monkeypatch):
    of, surfaces, hz = room(), (FLOOR,), HZ
    if name == "few":
        hz = HZ[: DENSE - 1]
    if name == "rigid":
        surfaces = ()
    if name == "not smooth":
        monkeypatch.setattr(wall_terms, "WEAKEST", 2.0)
    if name == "never good enough":
        monkeypatch.setattr(curves, "ALLOWED", 0.0)
    found = dense_transfer(of, surfaces, frequency_hz=hz, seat_m=SEATS, source_m=SOURCES, precision=QUICK)
    assert (found.error, found.solved) == (0.0, len(hz))
    assert (found.transfer == direct(of, surfaces, hz)).all()


def test_two_leaves_that_swing_against_each_other_are_no_polynomial(monkeypatch):
    """Where they do 1 / y of a double pane has a pole: here some from 60 to 80 Hz. Polynomials alone miss it."""
    of, surfaces = room(), (FLOOR, on("left", (0.6, 0.3), (2.4, 2.2), DOUBLE))
    points = {"frequency_hz": HZ, "seat_m": SEATS, "source_m": SOURCES, "precision": QUICK}
    found = dense_transfer(of, surfaces, **points)
    assert found.solved < len(HZ) / 2
    assert misses(found.transfer, direct(of, surfaces, HZ)).max() < found.error <= ALLOWED
    terms = terms_of(of, surfaces)
    assert projected_misses(terms) < 1e-6
    monkeypatch.setattr(window, "SINGLE_ERROR", np.inf)
    assert projected_misses(terms) > 1e-2


@pytest.mark.parametrize("name", ["pane", "lossy regions, lossy air"])
def test_the_equations_of_a_part_of_the_band_are_the_full_ones_projected(name):
    assert projected_misses(terms_of(*ROOMS[name])) < 1e-6


def terms_of(of: Room, surfaces: Sequence[Surface]) -> RoomTerms:
    points = {"seat_m": SEATS, "source_m": SOURCES, "precision": QUICK}
    boundary = boundary_of(of, surfaces, frequency_hz=HZ, **points)
    top = 2.0 * np.pi * float(HZ.max()) / of.air.speed_of_sound_m_s
    ports = Ports(of, boundary.families, max_wavenumber=top, **points)
    omega = (2.0 * np.pi * HZ).astype(np.complex128)
    return room_terms(ports, wall_terms.wall_terms(boundary.strengths, omega), bulk_k2(of, omega))


def projected_misses(terms: RoomTerms) -> float:
    """The most by which equations of 40 to 80 Hz on some random basis are off, over the largest entry there."""
    index = np.flatnonzero(HZ >= 40.0)
    basis, probes = np.split(np.random.default_rng(7).normal(size=(len(terms.overlap), 12)), [8], axis=1)
    left = np.concatenate([basis, probes], axis=1)
    part = window.Window(terms, HZ, index, basis=basis, left=left, smooth=left.T @ terms.node @ basis)
    worst = 0.0
    for one, system, right in zip(index, *part.at(index), strict=True):
        full = np.tensordot(terms.weight[one], terms.node, axes=1) + terms.overlap * terms.low[one] @ terms.overlap.T
        terms.walls.add(full, int(one))
        asked = np.tensordot(terms.weight[one], terms.node_point, axes=1)
        asked = asked + (terms.overlap * terms.low[one]) @ terms.shape
        for found, plain in ((system, left.T @ full @ basis), (right, left.T @ asked)):
            worst = max(worst, float(np.abs(found - plain).max() / np.abs(plain).max()))
    return worst


def test_full_answers_are_those_of_a_plain_solution():
    terms = terms_of(*ROOMS["lossy regions, lossy air"])
    index = np.array([3, 60, 130])
    for one, found in zip(index, terms.answers(index), strict=True):
        full = np.tensordot(terms.weight[one], terms.node, axes=1) + terms.overlap * terms.low[one] @ terms.overlap.T
        terms.walls.add(full, int(one))
        asked = np.tensordot(terms.weight[one], terms.node_point, axes=1)
        plain = np.linalg.solve(full, asked + (terms.overlap * terms.low[one]) @ terms.shape)
        assert np.abs(found - plain).max() < 1e-3 * np.abs(plain).max()
