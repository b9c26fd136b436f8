"""Damped modes against exact roots from outside, and against what any room must obey."""

import numpy as np
import pytest

from roommodes.acoustics.air import Air
from roommodes.acoustics.built_modes import FOR_READING, PRECISION, built_modes, strongest
from roommodes.acoustics.plates.panes import Pane
from roommodes.acoustics.resonances import Resonances
from roommodes.acoustics.rigid_modes import rigid_modes
from roommodes.acoustics.room import WALLS, Room, Surface
from roommodes.acoustics.transfer import transfer_function
from roommodes.acoustics.wall_laws import ConstantAdmittance, MassSpring


def published_room(values) -> Room:
    length, width, height = values["room_m"]
    air = Air(temperature_c=293.15 * (values["speed_m_s"] / 343.2) ** 2 - 273.15)
    return Room(length_m=length, width_m=width, height_m=height, air=air, loss_factor=0.0)


def whole(room: Room, wall, law) -> Surface:
    return Surface(wall=wall, from_m=(0.0, 0.0), to_m=room.wall_size_m(wall), law=law)


def test_published_damping_of_a_room_with_six_lossy_walls(published, close):
    values = published("rectangular_room", "damping")
    room = published_room(values)
    walls = [whole(room, w, ConstantAdmittance(beta_re=1.0 / values["zeta"][w], beta_im=0.0)) for w in WALLS]
    modes = {mode.number: mode for mode in built_modes(room, walls, max_hz=104.0)}
    chosen = [modes[tuple(number)] for number in values["number"]]
    assert all(mode.settled for mode in modes.values())
    close([mode.frequency_hz for mode in chosen], values["damped_hz"], rtol=2e-5)
    close([6.907755 / mode.decay_time_s for mode in chosen], values["delta"], rtol=1e-4)
    close([mode.decay_time_s for mode in chosen], values["decay_s"], rtol=2e-3)
    close(
        [mode.quality_factor for mode in chosen],
        [np.pi * m.frequency_hz / d for m, d in zip(chosen, values["delta"], strict=True)],
        rtol=1e-4,
    )


def test_published_wavenumbers_between_two_absorbing_ends(published, close):
    """Here k in the wall law stands still while k_x is sought: many kept modes make that the matrix's eigenvalues."""
    values = published("rectangular_room", "wavenumbers")
    room = Room(length_m=values["length_m"], width_m=0.04, height_m=0.04, loss_factor=0.0)
    law = ConstantAdmittance(beta_re=1.0 / values["zeta"], beta_im=0.0)
    walls = [whole(room, "front", law), whole(room, "rear", law)]
    highest_hz = 4200.0  # below the first mode across
    problem = Resonances(room, walls, rigid_modes(room, highest_hz, with_pressure_mode=True), highest_hz, PRECISION)
    for k, re, im in zip(values["k"], values["re"], values["im"], strict=True):
        found = np.sqrt(np.linalg.eigvals(problem.matrix(k * room.air.speed_of_sound_m_s)))
        found = found[np.argsort(found.real)][:5]
        close(found.real, re, rtol=1e-3)
        close(np.abs(found.imag), im, rtol=1e-3)  # the table's time sign turns the phase over


def test_bulk_loss_alone_decays_as_its_loss_factor_says(close):
    """Im omega = omega eta / 2, so T60 = 2 ln(1000) / (omega eta); the rigid frequencies stay."""
    room = Room(length_m=5.0, width_m=4.0, height_m=2.5, loss_factor=0.02)
    modes = built_modes(room, (), max_hz=90.0)
    close([mode.frequency_hz for mode in modes], [mode.rigid_hz for mode in modes], rtol=2e-4)
    close([m.decay_time_s for m in modes], [np.log(1e3) / (np.pi * m.frequency_hz * 0.02) for m in modes], rtol=2e-4)
    for mode in modes:
        assert len(mode.null_planes) == sum(mode.number)
        assert max(abs(plane.built_m - plane.rigid_m) for plane in mode.null_planes) < 1e-3


GLASS = Pane(thickness_m=0.006, youngs_modulus_pa=70e9, poisson=0.22, density_kg_m3=2500.0, loss_factor=0.03)


@pytest.mark.parametrize("law", [MassSpring(mass_kg_m2=12.0, resistance_pa_s_m=120.0, radiates=True), GLASS])
def test_a_resonance_is_where_the_response_has_its_peak(law, close):
    """Fit H near a mode by one pole: the pole is the damped mode, found by a wholly different route."""
    room = Room(length_m=5.2, width_m=3.6, height_m=2.4, loss_factor=0.01)
    wall = [Surface(wall="left", from_m=(0.8, 0.3), to_m=(4.0, 2.1), law=law)]
    mode = strongest(built_modes(room, wall, max_hz=34.0))[1, 0, 0]
    half = 1.0 / mode.decay_time_s
    hz = np.linspace(mode.frequency_hz - half, mode.frequency_hz + half, 25)
    h = transfer_function(room, wall, frequency_hz=hz, seat_m=[[4.9, 0.4, 1.0]], source_m=[[0.3, 3.2, 0.3]])[:, 0, 0]
    # h (w - pole) = a + b w + c w^2, solved for a, b, c and the pole
    w = 2.0 * np.pi * hz
    shift = w - w.mean()
    system = np.stack([h, np.ones_like(h), shift, shift**2], axis=1)
    pole = np.linalg.lstsq(system, h * shift, rcond=None)[0][0] + w.mean()
    close(pole.real / (2.0 * np.pi), mode.frequency_hz, rtol=1e-4)
    close(pole.imag, np.log(1e3) / mode.decay_time_s, rtol=1e-2)


def test_a_springy_wall_makes_the_room_longer_and_a_heavy_one_shorter():
    room = Room(length_m=5.0, width_m=4.0, height_m=2.5)
    spring = [whole(room, "rear", ConstantAdmittance(beta_re=0.01, beta_im=0.2))]
    mass = [whole(room, "rear", ConstantAdmittance(beta_re=0.01, beta_im=-0.2))]
    rigid, soft, heavy = (strongest(built_modes(room, walls, max_hz=40.0))[1, 0, 0] for walls in ((), spring, mass))
    assert soft.frequency_hz < rigid.frequency_hz < heavy.frequency_hz
    # the null plane leaves the middle toward the wall that gives, and away from the one that pulls in
    assert soft.null_planes[0].built_m - 2.5 > 0.1
    assert heavy.null_planes[0].built_m - 2.5 < -0.1


def test_the_limit_keeps_the_lowest(close):
    room = Room(length_m=12.0, width_m=9.0, height_m=5.0)
    some = built_modes(room, (), max_hz=80.0, limit=12)
    assert len(some) == 12
    close([m.rigid_hz for m in some], rigid_modes(room, 80.0).frequency_hz[:12], rtol=1e-12)
    assert built_modes(room, (), max_hz=10.0) == ()


def test_the_quick_precision_for_reading_is_near_the_full_one() -> None:
    """What is printed to 0.1 Hz and 0.01 s: nothing of it changes but a last digit now and then."""
    room = Room(length_m=5.2, width_m=3.6, height_m=2.4, loss_factor=0.01)
    soft = MassSpring(mass_kg_m2=9.0, resistance_pa_s_m=1500.0, stiffness_pa_m=2.0e6)
    walls = [Surface(wall="left", from_m=(0.8, 0.3), to_m=(4.0, 2.1), law=GLASS), whole(room, "ceiling", soft)]
    full = built_modes(room, walls, max_hz=80.0)
    quick = built_modes(room, walls, max_hz=80.0, precision=FOR_READING)
    assert [mode.number for mode in quick] == [mode.number for mode in full]
    assert max(abs(a.frequency_hz - b.frequency_hz) for a, b in zip(full, quick, strict=True)) < 0.03
    assert max(abs(a.decay_time_s / b.decay_time_s - 1.0) for a, b in zip(full, quick, strict=True)) < 0.01
