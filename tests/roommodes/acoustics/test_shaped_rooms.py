"""Transfer functions in rooms that are no boxes: the box in disguise, symmetry, reciprocity, energy, refusals."""

from dataclasses import replace

import numpy as np
import pytest

from roommodes.acoustics import ports, room_boundary
from roommodes.acoustics.plates.panes import Pane
from roommodes.acoustics.room import Room, Surface, whole_face
from roommodes.acoustics.transfer import transfer_function
from roommodes.acoustics.wall_laws import ConstantAdmittance, MassSpring
from roommodes.elements import mesh
from roommodes.errors import OutsideModel
from roommodes.shapes.solids import Block, Slope

HZ = np.array([24.0, 39.0, 57.0, 71.0, 88.0])
SEATS = np.array([[2.0, 1.1, 1.1], [2.2, 1.9, 1.1], [1.4, 0.6, 1.2]])
SOURCES = np.array([[0.2, 0.3, 0.25], [0.0, 2.1, 0.0]])
SOFT = ConstantAdmittance(beta_re=0.04, beta_im=0.02)
LIGHT = MassSpring(resistance_pa_s_m=900.0, mass_kg_m2=9.0, stiffness_pa_m=1.4e6)


def room(**options) -> Room:
    return Room(length_m=3.6, width_m=2.7, height_m=2.3, **options)


def block(name, low, high) -> Block:
    return Block(name=name, low_m=low, high_m=high)


def walls(of: Room) -> list[Surface]:
    return [
        whole_face(of, "rear", SOFT),
        whole_face(of, "ceiling", LIGHT),
        Surface(wall="left", from_m=(0.5, 0.4), to_m=(2.0, 1.8), law=ConstantAdmittance(beta_re=0.1, beta_im=-0.1)),
    ]


def field(of: Room, surfaces, seats=SEATS, sources=SOURCES, hz=HZ):
    return transfer_function(of, surfaces, frequency_hz=hz, seat_m=seats, source_m=sources)


def apart(one, other) -> float:
    """Largest difference over the seats' rms at each frequency."""
    return float((np.abs(one - other) / np.sqrt((np.abs(other) ** 2).mean(axis=1, keepdims=True))).max())


STEPPED = (block("riser", (2.6, 0.0, 0.0), (3.6, 2.7, 0.3)), block("column", (1.0, 1.6, 0.0), (1.3, 1.9, 2.3)))
ROOF = Slope(name="roof", along="y", from_m=(1.5, 2.3), to_m=(2.7, 1.6))


@pytest.mark.parametrize(
    "disguise",
    [
        {"blocks": (block("outside", (3.6, 0.0, 0.0), (5.0, 2.7, 2.3)),)},
        {"blocks": (block("riser of nought", (2.0, 0.0, 0.0), (3.6, 2.7, 0.0)),)},
        {"slopes": (Slope(name="level", along="x", from_m=(1.0, 2.3), to_m=(3.0, 2.3)),)},
    ],
)
def test_what_takes_nothing_leaves_the_box(disguise):
    whole = room()
    other = room(**disguise)
    assert np.array_equal(field(other, walls(other)), field(whole, walls(whole)))


@pytest.mark.parametrize(("fineness", "regions", "within"), [(1.0, 3, 3e-3), (1.0, 2, 1e-3), (1.5, 2, 1e-4)])
def test_the_elements_give_the_box(monkeypatch, fineness, regions, within):
    """The box solved as if it were no box, in two halves that are joined at a seam: its own closed sums are exact."""
    exact = field(room(), walls(room())[:regions])
    for module in (ports, room_boundary):
        monkeypatch.setattr(module, "box_within", lambda _: None)
    monkeypatch.setattr(Room, "is_box", False)
    monkeypatch.setattr(mesh, "DEGREE_PER_KH", fineness * mesh.DEGREE_PER_KH)
    # a plane of cells at the end of a block outside the air, named anew for each fineness: shapes are remembered
    halves = room(blocks=(block(f"outside {fineness}", (1.7, 2.7, 0.0), (2.0, 3.0, 2.3)),))
    assert apart(field(halves, walls(halves)[:regions]), exact) < within


def test_two_halves_joined_by_a_doorway_as_large_as_the_wall_are_the_box():
    """A wall of blocks beside the room and over it, none in the way."""
    low, high = (1.7, 0.0, 0.0), (1.9, 2.7, 2.3)
    beside = block("wall beside the doorway", (low[0], high[1], 0.0), (high[0], 4.0, 3.0))
    above = block("wall over the doorway", (low[0], 0.0, high[2]), (high[0], high[1], 3.0))
    rest = (block("beyond", (0.0, 2.7, 0.0), (3.6, 4.0, 3.0)), block("attic", (0.0, 0.0, 2.3), (3.6, 2.7, 3.0)))
    other = Room(length_m=3.6, width_m=4.0, height_m=3.0, blocks=(beside, above, *rest))
    here = [whole_face(other, "rear", SOFT), whole_face(other, "attic: bottom", LIGHT)]
    assert not other.is_box
    assert apart(field(other, here), field(room(), walls(room())[:2])) < 1e-9


@pytest.mark.parametrize(
    "nearly",
    [
        {"blocks": (block("riser", (2.0, 0.0, 0.0), (3.6, 2.7, 5e-6)),)},
        {"slopes": (Slope(name="slope", along="x", from_m=(0.0, 2.3), to_m=(3.6, 2.29995)),)},
    ],
)
def test_a_riser_or_slope_of_next_to_nothing_is_the_box(nearly):
    whole, other = room(), room(**nearly)
    laws = [*walls(other)]
    if other.slopes:
        laws.append(whole_face(other, "slope", LIGHT))
    assert not other.is_box
    assert apart(field(other, laws), field(whole, walls(whole))) < 3e-3


def test_a_closed_doorway_leaves_the_room_before_it():
    wall = block("wall", (2.6, 0.0, 0.0), (2.8, 2.7, 2.3))
    two = Room(length_m=5.0, width_m=2.7, height_m=2.3, blocks=(wall,), inside_m=(1.0, 1.0, 1.0))
    one = Room(length_m=2.6, width_m=2.7, height_m=2.3)
    here = [whole_face(two, "wall: front", SOFT), whole_face(two, "ceiling", LIGHT)]
    there = [whole_face(one, "rear", SOFT), whole_face(one, "ceiling", LIGHT)]
    assert np.allclose(field(two, here), field(one, there), rtol=1e-9)


def test_swapping_source_and_seat_changes_nothing():
    of = room(blocks=STEPPED, slopes=(ROOF,))
    laws = [*walls(of), whole_face(of, "roof", LIGHT), whole_face(of, "riser: top", SOFT)]
    sources = np.array([[0.2, 0.3, 0.25], [0.4, 2.1, 0.1]])
    there = field(of, laws, SEATS, sources)
    back = field(of, laws, sources, SEATS).transpose(0, 2, 1)
    assert apart(back, there) < 1e-4


def test_a_mirrored_room_gives_mirrored_pressures():
    of = room(blocks=STEPPED)
    turned = tuple(
        block(b.name, (b.low_m[0], 2.7 - b.high_m[1], b.low_m[2]), (b.high_m[0], 2.7 - b.low_m[1], b.high_m[2]))
        for b in STEPPED
    )
    other = room(blocks=turned)
    here = [whole_face(of, "rear", SOFT), whole_face(of, "ceiling", LIGHT)]
    there = [whole_face(other, "rear", SOFT), whole_face(other, "ceiling", LIGHT)]
    flip = np.array([1.0, -1.0, 1.0])
    seats, sources = SEATS * flip + [0.0, 2.7, 0.0], SOURCES * flip + [0.0, 2.7, 0.0]
    assert apart(field(other, there, seats, sources), field(of, here)) < 1e-4


def test_a_turned_room_gives_the_same_pressures():
    """x becomes y and y becomes x; the slope along y becomes one along x."""
    of = room(blocks=STEPPED, slopes=(ROOF,))

    def turn(point):
        return (point[1], point[0], point[2])

    blocks = tuple(block(b.name, turn(b.low_m), turn(b.high_m)) for b in STEPPED)
    slopes = (replace(ROOF, along="x"),)
    other = Room(length_m=2.7, width_m=3.6, height_m=2.3, blocks=blocks, slopes=slopes)
    here = [whole_face(of, "rear", SOFT), whole_face(of, "roof", LIGHT)]
    there = [whole_face(other, "right", SOFT), whole_face(other, "roof", LIGHT)]
    assert apart(field(other, there, SEATS[:, [1, 0, 2]], SOURCES[:, [1, 0, 2]]), field(of, here)) < 1e-4


def test_a_source_gives_energy_and_takes_none():
    """Passive walls: the pressure at a source in phase with its volume velocity is above nought."""
    of = room(blocks=STEPPED, slopes=(ROOF,))
    pane = Pane(
        thickness_m=0.006, youngs_modulus_pa=7e10, poisson=0.22, density_kg_m3=2500.0, loss_factor=0.03, radiates=True
    )
    laws = [
        *walls(of),
        whole_face(of, "roof", LIGHT),
        Surface(wall="front", from_m=(0.5, 0.8), to_m=(1.9, 2.0), law=pane),
    ]
    near = np.array([[0.6, 0.5, 0.4], [0.63, 0.5, 0.4]])
    hz = np.linspace(20.0, 95.0, 31)
    h = field(of, laws, near, near + np.array([0.0, 0.0, 0.021]), hz)
    # p = j w rho q H / 4 pi: power is Re(p q*) / 2, so Im H < 0
    assert (h.imag[:, [0, 1], [0, 1]] < 0.0).all()


def test_what_lies_outside_the_air_is_refused():
    of = room(blocks=STEPPED, slopes=(ROOF,))
    for seat in ([3.0, 1.0, 0.2], [1.1, 1.7, 1.0], [1.0, 2.5, 2.0]):
        with pytest.raises(OutsideModel, match=r"in a block, above a slope"):
            field(of, (), np.array([seat]))
