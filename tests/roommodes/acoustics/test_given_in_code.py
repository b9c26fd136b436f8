"""Rooms, surfaces and walls given in Python are checked as files are, with the same sentences."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest

import roommodes as rm
from roommodes.acoustics.air import Air
from roommodes.acoustics.built_modes import built_modes
from roommodes.acoustics.curve import Curve
from roommodes.acoustics.plates.light_walls import Partition
from roommodes.acoustics.plates.panes import Pane
from roommodes.acoustics.wall_laws import (
    Absorption,
    ConstantAdmittance,
    MassSpring,
    Opening,
    Porous,
)
from roommodes.arrays import Complexes

SIZE = {"length_m": 6.1, "width_m": 4.3, "height_m": 2.6}
ROOM = rm.Room(**SIZE)
LAW = ConstantAdmittance(beta_re=0.1, beta_im=0.2)


@dataclass(frozen=True)
class Sounding:
    """A wall that gives energy above 100 Hz."""

    def admittance(self, omega: Complexes, air: Air) -> Complexes:
        """Re beta < 0 from 100 Hz on."""
        return np.where(np.real(omega) < 2.0 * np.pi * 100.0, 0.1, -0.02).astype(np.complex128)


def pressure(*surfaces: rm.Surface, room: rm.Room = ROOM) -> Complexes:
    """At one seat at three frequencies."""
    asked = {"frequency_hz": [30.0, 50.0, 70.0], "seat_m": [[3.0, 2.0, 1.1]], "source_m": [[0.3, 0.4, 0.3]]}
    return rm.transfer(room, surfaces=surfaces, **asked).values


@pytest.mark.parametrize(
    ("make", "sentence"),
    [
        (lambda: rm.Room(**SIZE, loss_factor=-0.1), "Room.loss_factor: got -0.1; allowed: 0 to 1."),
        (lambda: rm.Room(**SIZE, loss_factor=float("nan")), "Room.loss_factor: got nan; allowed: 0 to 1."),
        (lambda: rm.Room(**{**SIZE, "width_m": -4.3}), "Room.width_m: got -4.3 m; allowed: above 0, up to"),
        (lambda: ConstantAdmittance(beta_re=-0.02, beta_im=0.1), "beta_re: got -0.02; allowed: 0 or more."),
        (lambda: MassSpring(resistance_pa_s_m=-1.0, mass_kg_m2=9.0), "resistance_pa_s_m: got -1; allowed: 0 or more."),
        (lambda: Absorption(alpha=Curve((50.0, 100.0), (0.1, 0.97))), "alpha[1]: got 0.97; allowed: 0 to 0.951."),
        (
            lambda: Partition(inner_mass_kg_m2=10.0, outer_mass_kg_m2=10.0, cavity_m=0.0),
            "cavity_m: got 0; allowed: above",
        ),
        (lambda: Porous(flow_resistivity_pa_s_m2=1e4, thickness_m=-0.1), "thickness_m: got -0.1; allowed: above 0."),
        (lambda: Opening(area_m2=0.0), "area_m2: got 0; allowed: above 0."),
        (
            lambda: Pane(
                thickness_m=0.006, youngs_modulus_pa=70e9, poisson=0.22, density_kg_m3=2500.0, loss_factor=-0.01
            ),
            "Pane.loss_factor: got -0.01; allowed: 0 or more.",
        ),
    ],
)
def test_a_value_out_of_range_is_refused(make: Callable[[], object], sentence: str) -> None:
    with pytest.raises(rm.OutsideModel) as told:
        make()
    assert sentence in str(told.value)


def test_all_wrong_values_are_told_at_once() -> None:
    with pytest.raises(rm.OutsideModel) as told:
        rm.Room(length_m=0.0, width_m=4.3, height_m=2.6, loss_factor=2.0)
    assert len(str(told.value).splitlines()) == 2


@pytest.mark.parametrize(
    ("surface", "sentence"),
    [
        (
            rm.Surface(wall="left", from_m=(0.0, 0.0), to_m=(7.0, 2.0), law=LAW, name="felt"),
            'surfaces[0].to_m: a corner of the "felt" is at x = 7.00 m; the left wall ends at 6.10 m. '
            "Move the corner or enlarge the room.",
        ),
        (  # z before x
            rm.Surface(wall="left", from_m=(0.5, 1.0), to_m=(2.0, 5.0), law=LAW),
            'a corner of the "left" is at z = 5.00 m; the left wall ends at 2.60 m.',
        ),
        (rm.Surface(wall="front", from_m=(-0.5, 0.0), to_m=(2.0, 1.0), law=LAW), "the front wall begins at 0.00 m."),
        (rm.Surface(wall="lefft", from_m=(0.0, 0.0), to_m=(2.0, 1.0), law=LAW), 'got "lefft"; allowed: front, rear,'),
        (rm.Surface(wall="left", from_m=(1.0, 0.0), to_m=(1.0, 1.0), law=LAW), "has no area: it goes from [1, 0]"),
        (rm.Surface(wall="left", from_m=(float("nan"), 0.0), to_m=(1.0, 1.0), law=LAW), "is at x = nan m"),
        (
            rm.Surface(wall="left", from_m=(0.0, 0.0), to_m=(1.0, 1.0), law=Sounding()),
            "surfaces[0].law: the real part of beta is -0.02 at",
        ),
    ],
)
@pytest.mark.parametrize("ask", [pressure, lambda surface: built_modes(ROOM, [surface], max_hz=40.0)])
def test_a_surface_that_cannot_be_is_refused(
    ask: Callable[[rm.Surface], object], surface: rm.Surface, sentence: str
) -> None:
    with pytest.raises(rm.OutsideModel) as told:
        ask(surface)
    assert sentence in str(told.value)


def test_the_sentence_is_the_files() -> None:
    text = 'wall = "left"\nconstruction = "brick"\nfrom_m = [0, 0]\nto_m = [70, 2]'
    project = rm.demo()
    given = project.toml_text.partition("[[regions]]")
    with pytest.raises(rm.ProjectInvalid) as told:
        rm.loads(f"{given[0]}[[regions]]\n{text}\n\n{''.join(given[1:])}".replace("to_m = [70, 2]", "to_m = [50, 2]"))
    (of_file,) = (one.message for one in told.value.faults)
    surface = rm.Surface(wall="left", from_m=(0.0, 0.0), to_m=(50.0, 2.0), law=LAW, name="brick")
    with pytest.raises(rm.OutsideModel) as of_python:
        pressure(surface, room=project.room)
    assert str(of_python.value) == f"surfaces[0].to_m: {of_file}"


def test_a_law_in_code_that_makes_sound_is_refused_by_the_project() -> None:
    with pytest.raises(rm.ProjectInvalid) as told:
        rm.demo().with_(constructions={"loud": Sounding()}, walls={"rear": "loud"})
    assert "constructions.loud: the real part of beta is -0.02" in str(told.value)


def test_opposite_corners_may_come_in_any_order() -> None:
    corners = [((0.5, 0.3), (3.0, 2.0)), ((3.0, 2.0), (0.5, 0.3)), ((0.5, 2.0), (3.0, 0.3))]
    found = [pressure(rm.Surface(wall="left", from_m=a, to_m=b, law=LAW)) for a, b in corners]
    assert np.array_equal(found[0], found[1])
    assert np.array_equal(found[0], found[2])
    assert not np.allclose(found[0], pressure(), rtol=1e-3)


def test_half_a_pane_is_refused() -> None:
    glass = Pane(thickness_m=0.006, youngs_modulus_pa=70e9, poisson=0.22, density_kg_m3=2500.0, loss_factor=0.02)
    pane = rm.Surface(wall="left", from_m=(0.5, 0.3), to_m=(2.0, 2.0), law=glass, name="window")
    over = rm.Surface(wall="left", from_m=(1.0, 0.3), to_m=(3.0, 2.0), law=LAW, name="felt")
    with pytest.raises(rm.OutsideModel, match="covers part of the pane"):
        pressure(pane, over)


def test_corners_kept_to_the_micrometre_lie_on_walls_of_any_size() -> None:
    """As a fit finds them: sizes of sixteen digits, corners rounded."""
    room = rm.Room(length_m=6.0999996, width_m=4.2999996, height_m=2.6)
    wall = rm.Surface(wall="floor", from_m=(0.0, 0.0), to_m=(6.1, 4.3), law=LAW)
    np.testing.assert_allclose(pressure(wall, room=room), pressure(wall), rtol=1e-4)
    assert len(rm.modes(room, surfaces=[wall], max_hz=60.0)) == len(rm.modes(ROOM, surfaces=[wall], max_hz=60.0))
    with pytest.raises(rm.OutsideModel, match=r"is at x = 6\.101 m; the floor ends at 6\.10 m"):
        pressure(rm.Surface(wall="floor", from_m=(0.0, 0.0), to_m=(6.101, 4.3), law=LAW))
