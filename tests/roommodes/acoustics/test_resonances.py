"""The room as an eigenproblem: panes' modes as unknowns change nothing, and what a fit over frequency makes of them."""

from math import log, pi

import numpy as np
import pytest

from roommodes.acoustics import resonances
from roommodes.acoustics.built_modes import FOR_READING, SHORTEST_S
from roommodes.acoustics.plates.panes import Pane
from roommodes.acoustics.poles import Strip
from roommodes.acoustics.resonances import Resonances
from roommodes.acoustics.rigid_modes import rigid_modes
from roommodes.acoustics.room import Room, Surface
from roommodes.acoustics.wall_laws import ConstantAdmittance
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


def test_panes_as_unknowns_leave_the_equations_as_they_are(close) -> None:
    room = problem()
    assert len(room.plates) >= 5
    omega = 2.0 * pi * np.array([8.0, 31.0, 60.0]) + 1j * np.array([0.0, 20.0, -40.0])
    wide = room._without_plates(room._with_plates(omega))
    for one, reaction in zip(wide, room.reaction(omega), strict=True):
        folded = room.folded(reaction)
        close(one, folded, rtol=1e-8, scale=float(np.abs(folded).max()))


def test_poles_are_those_of_a_much_finer_fit(monkeypatch: pytest.MonkeyPatch) -> None:
    found, share, _ = problem().poles(STRIP, Running())
    monkeypatch.setattr(resonances, "PLATE_REACH", 0.0)
    monkeypatch.setattr(resonances, "STEP_HZ", 0.5)
    monkeypatch.setattr(resonances, "GOOD", 1e-9)
    finer = problem()
    assert not len(finer.plates)
    expected, shares, _ = finer.poles(STRIP, Running())
    shown = shares > 0.05
    assert shown.sum() >= 8
    for omega, part in zip(expected.omega[shown], shares[shown], strict=True):
        near = int(np.abs(found.omega - omega).argmin())
        assert abs(found.omega[near] - omega) < 1e-5 * abs(omega)
        assert share[near] == pytest.approx(part, abs=2e-3)
