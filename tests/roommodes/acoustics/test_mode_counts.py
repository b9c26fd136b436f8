"""Modes against what the response shows, counted and heard by other routes: see `benchmarks.mode_counts`."""

from math import log, pi

import numpy as np
import pytest

import roommodes as rm
from benchmarks.mode_counts import LISTED, count, seeded_walls, shown
from roommodes.acoustics.built_modes import BEYOND_HZ, FOR_READING, KEPT_REACH, built_modes, strongest
from roommodes.acoustics.resonances import Resonances
from roommodes.acoustics.rigid_modes import rigid_modes
from roommodes.acoustics.room import Room, Surface
from roommodes.acoustics.transfer import transfer_function
from roommodes.acoustics.wall_laws import ConstantAdmittance, MassSpring
from roommodes.arrays import Complexes
from roommodes.running import Running

TOP_HZ = 100.0


@pytest.mark.parametrize("seed", [4, 10, 13])
def test_as_many_poles_as_the_argument_principle_counts(seed: int) -> None:
    counts = count(*seeded_walls(seed, pane=False, lightly_damped=False))
    assert counts.counted == pytest.approx(counts.found, abs=1e-6)
    assert counts.found >= 10


@pytest.mark.parametrize(("seed", "pane"), [(3, True), (5, False)])
def test_rational_fits_of_single_responses_show_no_other_mode(seed: int, pane: bool) -> None:
    seen = shown(*seeded_walls(seed, pane=pane, lightly_damped=True), seed)
    assert seen.listed >= 10
    assert seen.missing == ()
    assert seen.left <= LISTED


def light_room() -> tuple[Room, tuple[Surface, ...]]:
    """Boards on filled studs, a ceiling on battens, boards on joists: figures of a leaf on a cavity, no source."""
    room = Room(length_m=5.4, width_m=4.0, height_m=2.4)
    studs = MassSpring(mass_kg_m2=8.5, resistance_pa_s_m=1230.0, stiffness_pa_m=1.013e6)
    battens = MassSpring(mass_kg_m2=8.5, resistance_pa_s_m=1480.0, stiffness_pa_m=2.836e6)
    joists = MassSpring(mass_kg_m2=13.0, resistance_pa_s_m=3430.0, stiffness_pa_m=7.09e5)
    laws = {"front": studs, "rear": studs, "left": studs, "right": studs, "floor": joists, "ceiling": battens}
    return room, tuple(
        Surface(wall=wall, from_m=(0.0, 0.0), to_m=room.wall_size_m(wall), law=law) for wall, law in laws.items()
    )


def test_the_strongest_mode_of_a_light_room_rings_as_its_response_does(close) -> None:
    """The response itself, driven and then left alone: where its spectrum peaks, and how fast it falls."""
    room, surfaces = light_room()
    modes = strongest(built_modes(room, surfaces, max_hz=60.0))
    first = modes[1, 0, 0]
    hz = np.arange(5.0, 60.0, 0.25)
    ends = [[0.2, 0.3, 0.2], [5.2, 3.6, 2.2]]
    response = transfer_function(room, surfaces, frequency_hz=hz, seat_m=ends[:1], source_m=ends[1:])[:, 0, 0]
    peak_hz = hz[int(np.where(hz > 15.0, np.abs(response), 0.0).argmax())]  # below, the walls give as one
    assert abs(peak_hz - first.frequency_hz) < 1.0
    time = np.arange(0.1, 0.5, 0.002)  # after a burst about the peak, before the 4 s in which the grid comes round
    burst = response * np.exp(-(((hz - peak_hz) / 4.0) ** 2))
    envelope = np.abs(np.exp(2j * pi * np.outer(time, hz)) @ burst)
    fall = np.polyfit(time, np.log(envelope), 1)[0]
    assert log(1e3) / -fall == pytest.approx(first.decay_time_s, rel=0.05)
    assert first.frequency_hz == pytest.approx(27.8, abs=0.1)
    assert first.share > 0.9
    assert first.likeness > 0.95


def test_shares_are_those_of_contour_integrals_among_the_walls_own_resonances() -> None:
    """The residue of T^-1 at each mode, by a circle about it on the full equations; a fit's was off by up to a half."""
    project = rm.loads(rm.template("two-row"))
    room, surfaces = project.room, project.surfaces()
    modes = built_modes(room, surfaces, max_hz=TOP_HZ, precision=FOR_READING)
    assert len(modes) >= 20
    assert all(mode.settled for mode in modes)
    kept = rigid_modes(room, KEPT_REACH * TOP_HZ, with_pressure_mode=True)
    problem = Resonances(room, surfaces, kept, TOP_HZ + BEYOND_HZ, FOR_READING)

    def inverse(omega: Complexes) -> Complexes:
        return np.asarray(np.linalg.inv(problem._exact(omega, Running())))

    omega = np.array([2.0 * pi * mode.frequency_hz + 1j * log(1e3) / mode.decay_time_s for mode in modes])
    turn = np.exp(2j * pi * (np.arange(12) + 0.5) / 12)
    looked = 0
    for mode, at in zip(modes, omega, strict=True):
        near = np.sort(np.abs(omega - at))[1]
        if near < 8.0:
            continue  # one circle could hold two
        radius = 0.15 * min(near, at.imag)
        residue = (inverse(at + radius * turn) * turn[:, None, None]).mean(axis=0) * radius
        size = np.linalg.svd(residue, compute_uv=False)
        if size[1] > 1e-3 * size[0]:
            continue  # a pole that is not listed lies beside it
        share = size[0] / at.imag / np.linalg.norm(inverse(np.array([at.real + 0j]))[0])
        assert mode.share == pytest.approx(share, abs=2e-3), mode.frequency_hz
        looked += 1
    assert looked >= 12


def test_modes_that_fall_together_are_both_there() -> None:
    """In a square room the first modes along and across have one frequency, whatever the four equal walls are."""
    room = Room(length_m=4.2, width_m=4.2, height_m=2.5)
    law = MassSpring(mass_kg_m2=12.0, resistance_pa_s_m=900.0, stiffness_pa_m=2.0e6)
    surfaces = [
        Surface(wall=wall, from_m=(0.0, 0.0), to_m=room.wall_size_m(wall), law=law)
        for wall in ("front", "rear", "left", "right")
    ]
    modes = strongest(built_modes(room, surfaces, max_hz=60.0))
    along, across = modes[1, 0, 0], modes[0, 1, 0]
    assert along.frequency_hz == pytest.approx(across.frequency_hz, rel=1e-5)
    assert along.decay_time_s == pytest.approx(across.decay_time_s, rel=1e-4)
    assert min(along.likeness, across.likeness) > 0.95


def test_what_hardly_rings_is_no_mode() -> None:
    """Six walls that swallow nearly all: no pole with a tenth of the response is left, only what a free field has."""
    room = Room(length_m=5.0, width_m=4.0, height_m=2.5)
    law = ConstantAdmittance(beta_re=0.9, beta_im=0.0)
    surfaces = [
        Surface(wall=wall, from_m=(0.0, 0.0), to_m=room.wall_size_m(wall), law=law)
        for wall in ("front", "rear", "left", "right", "floor", "ceiling")
    ]
    assert built_modes(room, surfaces, max_hz=100.0) == ()
