"""The room as an eigenproblem: panes' modes as unknowns change nothing, and what a fit over frequency makes of them."""

from math import log, pi

import numpy as np
import pytest
from numpy.typing import NDArray

from roommodes.acoustics import resonances
from roommodes.acoustics.built_modes import FOR_READING, SHORTEST_S
from roommodes.acoustics.plates.panes import Pane
from roommodes.acoustics.poles import Poles, Strip, newton_step, repeated
from roommodes.acoustics.resonances import Fitted, Resonances
from roommodes.acoustics.rigid_modes import rigid_modes
from roommodes.acoustics.room import Room, Surface
from roommodes.acoustics.strengths import Matrices
from roommodes.acoustics.transfer import bulk_k2
from roommodes.acoustics.wall_laws import ConstantAdmittance
from roommodes.arrays import Complexes
from roommodes.running import Running

TOP_HZ = 70.0
GLASS = Pane(thickness_m=0.006, youngs_modulus_pa=70e9, poisson=0.22, density_kg_m3=2500.0, loss_factor=0.03)
ROOM = Room(length_m=4.9, width_m=3.7, height_m=2.5)
SURFACES = (
    Surface(wall="floor", from_m=(0.0, 0.0), to_m=(4.9, 3.7), law=ConstantAdmittance(beta_re=0.01, beta_im=0.002)),
    Surface(wall="left", from_m=(0.6, 0.3), to_m=(2.4, 2.2), law=GLASS),
)
STRIP = Strip(low=2.0 * pi * 5.0, high=2.0 * pi * TOP_HZ, deepest=log(1e3) / SHORTEST_S)


def problem() -> Resonances:
    kept = rigid_modes(ROOM, 1.3 * TOP_HZ, with_pressure_mode=True)
    return Resonances(ROOM, SURFACES, kept, TOP_HZ + 12.0, FOR_READING)


def plain_reaction(room: Resonances, omega: Complexes) -> Complexes:
    """Y' U^T with every mode of the box summed at every frequency: (k,) -> (k, boundary mode, kept)."""
    z = room.ports.at(bulk_k2(ROOM, omega), without=room.is_kept).boundary
    wide = np.broadcast_to(room.kept_overlaps, (len(omega), *room.kept_overlaps.shape))
    both = Matrices(omega).times(room.boundary.strengths, np.concatenate([z, wide], axis=2))
    size = room.boundary.size
    return np.asarray(np.linalg.solve(both[:, :, :size] + np.eye(size), both[:, :, size:]))


def plain_folded(room: Resonances, omega: Complexes) -> Complexes:
    """U Y' U^T / V: (k,) -> (k, kept, kept)."""
    return np.asarray(room.kept_overlaps.T @ plain_reaction(room, omega) / ROOM.volume_m3)


def test_panes_as_unknowns_leave_the_equations_as_they_are(close) -> None:
    room = problem()
    assert len(room.plates) >= 5
    omega = 2.0 * pi * np.array([8.0, 31.0, 60.0]) + 1j * np.array([0.0, 20.0, -40.0])
    wide = room._without_plates(np.stack([folded for folded, _ in room._with_plates(omega)]))
    for one, folded in zip(wide, plain_folded(room, omega), strict=True):
        close(one, folded, rtol=1e-8, scale=float(np.abs(folded).max()))


def test_poles_are_those_of_a_much_finer_fit(monkeypatch: pytest.MonkeyPatch) -> None:
    found = problem().poles(STRIP, Running())
    monkeypatch.setattr(resonances, "PLATE_REACH", 0.0)
    monkeypatch.setattr(resonances, "STEP_HZ", 0.5)
    monkeypatch.setattr(resonances, "GOOD", 1e-9)
    finer = problem()
    assert not len(finer.plates)
    expected = finer.poles(STRIP, Running())
    shown = expected.share > 0.05
    assert shown.sum() >= 8
    for omega, part in zip(expected.poles.omega[shown], expected.share[shown], strict=True):
        near = int(np.abs(found.poles.omega - omega).argmin())
        assert abs(found.poles.omega[near] - omega) < 1e-5 * abs(omega)
        assert found.share[near] == pytest.approx(part, abs=2e-3)


def shown_of(room: Resonances) -> tuple[Fitted, NDArray[np.intp], Poles, Complexes]:
    """The poles that show: all that were found, which of these, they alone and the walls' reaction to each."""
    found = room.poles(STRIP, Running())
    chosen = np.flatnonzero(found.share > 0.1)
    assert len(chosen) >= 8
    some = Poles(omega=found.poles.omega[chosen], vector=found.poles.vector[chosen])
    return found, chosen, some, room.reactions_at(found, chosen, Running())


@pytest.mark.parametrize(("kept_bytes", "rtol"), [(256e6, 3e-5), (0.0, 1e-8)])
def test_reactions_of_the_fit_are_those_of_the_equations(
    kept_bytes: float, rtol: float, close, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(resonances, "KEPT_BYTES", kept_bytes)
    room = problem()
    found, _, some, pull = shown_of(room)
    assert (found.answers is None) == (kept_bytes == 0.0)
    for omega, vector, walls in zip(some.omega, some.vector, pull, strict=True):
        expected = plain_reaction(room, np.array([omega]))[0] @ vector
        close(walls, expected, rtol=rtol, scale=float(np.abs(expected).max()))


def test_a_pole_confirmed_without_a_matrix_is_where_newton_puts_it() -> None:
    room = problem()
    found, chosen, some, pull = shown_of(room)
    away = Poles(omega=some.omega * (1.0 + 3e-7j), vector=some.vector)
    omega, steep, sure = room._confirmed(away.omega, away.vector, pull)
    assert sure.all()
    assert (np.abs(steep - 1.0) < 1e-3).all()  # as the vectors of the fit are scaled, which is good here
    plain, vector = some.omega.copy(), some.vector
    for _ in range(3):
        value = room.complete(plain_folded(room, plain), plain)
        move, vector = newton_step(value, room.slopes_at(found, chosen), vector)
        plain -= move
    assert (np.abs(away.omega - plain) > 1e-7 * np.abs(plain)).all()
    assert (np.abs(omega - plain) < 1e-9 * np.abs(plain)).all()


def test_a_pole_that_the_quotient_cannot_confirm_goes_the_plain_way() -> None:
    room = problem()
    found, chosen, some, pull = shown_of(room)
    slope = room.slopes_at(found, chosen)
    expected, walls, settled = room.refined(some, slope, pull, Running())
    assert settled.all()
    assert not room._confirmed(some.omega, some.vector, 1.01 * pull)[2].any()
    poles, again, settled = room.refined(some, slope, 1.01 * pull, Running())
    assert settled.all()
    assert (np.abs(poles.omega - expected.omega) < 1e-7 * np.abs(expected.omega)).all()
    sign = np.sign((again * walls.conj()).sum(axis=1).real)[:, None]  # a vector and its negative are one
    assert (np.linalg.norm(sign * again - walls, axis=1) < 1e-3 * np.linalg.norm(walls, axis=1)).all()


def test_a_pole_settles_though_the_fit_has_a_poor_slope() -> None:
    room = problem()
    found, chosen, some, pull = shown_of(room)
    slope = room.slopes_at(found, chosen)
    expected, _, _ = room.refined(some, slope, pull, Running())
    away = Poles(omega=some.omega * (1.0 + 3e-5j), vector=some.vector)
    poles, _, settled = room.refined(away, 1.3 * slope, pull, Running())
    assert settled.all()
    assert (np.abs(poles.omega - expected.omega) < 1e-8 * np.abs(expected.omega)).all()


def test_what_hardly_is_a_pole_is_not_confirmed() -> None:
    room = problem()
    _, _, some, pull = shown_of(room)
    away = Poles(omega=some.omega * 1.01, vector=some.vector)
    omega, _, sure = room._confirmed(away.omega, away.vector, pull)
    assert not sure.any()
    stays = np.abs(omega - away.omega) < resonances.LONGEST * np.abs(away.omega)  # longer steps are not taken
    assert stays.all()
    further = some.omega * 1.1
    assert (room._confirmed(further, some.vector, pull)[0] == further).all()


def test_a_pole_that_two_starts_came_to_counts_once_and_a_double_one_twice() -> None:
    vector = np.array([[1.0, 0.0], [0.0, 1.0], [1.0j, 0.0], [1.0, 0.0]])
    poles = Poles(omega=np.array([100.0, 100.0, 100.0 + 1e-5, 101.0]) + 5j, vector=vector)
    assert repeated(poles, np.ones(4, dtype=bool)).tolist() == [False, False, True, False]
    assert repeated(poles, np.array([False, True, True, True])).tolist() == [True, False, False, False]
    under_way = Poles(omega=np.array([100.0, 100.05, 100.05, 100.3]) + 5j, vector=vector[[0, 0, 1, 0]])
    assert repeated(under_way, np.array([True, False, False, False])).tolist() == [False, True, False, False]
    assert not repeated(under_way, np.ones(4, dtype=bool)).any()
