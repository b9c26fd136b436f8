"""Built rooms that are no boxes: the reduced field against rooms that are solved anew."""

from dataclasses import replace

import numpy as np
import pytest

from roommodes.acoustics.transfer import transfer_function
from roommodes.elements.moved_modes import moved_modes
from roommodes.elements.solution import solved
from roommodes.project.reading import parse_project
from roommodes.shapes.movable import movable_planes, moved_shape
from roommodes.shapes.shape import Shape
from roommodes.shapes.solids import Block, Slope
from solvers.tolerance.field import Field
from solvers.tolerance.forecast import in_words, seconds_for
from solvers.tolerance.geometry import geometry_of
from solvers.tolerance.inputs import Builds, Inputs, inputs_of
from solvers.tolerance.reduction import PRECISION, reduced_field

HZ = np.array([28.0, 41.0, 52.0])
ROOM = """\
format = 1
name = "loft"
[room]
length_m = 3.1
width_m = 2.6
height_m = 2.2
loss_factor = 0.03
[walls]
rear = "masonry"
[constructions.masonry]
kind = "absorption"
alpha = 0.1
[[blocks]]
name = "riser"
from_m = [2.0, 0.0, 0.0]
to_m = [3.1, 2.6, 0.3]
construction = "masonry"
carries = true
[[slopes]]
name = "roof"
along = "y"
from_m = [1.4, 2.2]
to_m = [2.6, 1.5]
[[rows]]
name = "row"
x_m = 2.5
y_m = [0.7, 1.4]
ear_height_m = 1.0
on = "riser"
[[zones]]
name = "front"
from_m = [0.3, 0.3, 0.3]
to_m = [0.3, 2.2, 0.3]
spacing_m = 1.9
[search]
counts = [1]
band_hz = [25, 60]
"""


def inputs_for(tolerance: str = "", text: str = ROOM) -> Inputs:
    """Of all its seats and candidates."""
    project = parse_project(f"{text}[tolerance]\n{tolerance}", source="loft.toml")
    return inputs_of(project, ear_m=project.seats.position_m, cabinet_m=project.candidates.position_m, n_slot=1)


@pytest.fixture(scope="module")
def loft() -> tuple[Inputs, Field]:
    inputs = inputs_for()
    return inputs, reduced_field(inputs, frequency_hz=HZ, seed=1)


def full(inputs: Inputs, builds: Builds) -> np.ndarray:
    """The model in the first of some rooms, built as a project of its own."""
    room, surfaces = inputs.built(builds, 0)
    places = {"seat_m": builds.ear_m[0], "source_m": builds.cabinet_m[0]}
    return transfer_function(room, surfaces, frequency_hz=HZ, precision=PRECISION, **places)


def deviation(one: np.ndarray, other: np.ndarray) -> float:
    """Largest difference over the receivers' rms at each frequency."""
    rms = np.sqrt((np.abs(other) ** 2).mean(axis=(1, 2)))
    return float((np.abs(one - other).max(axis=(1, 2)) / rms).max())


def test_reduced_field_agrees_with_rooms_solved_anew(loft: tuple[Inputs, Field]) -> None:
    """All spreads at once, far out: the field in a room built so, of which the drawn one is no good guess."""
    inputs, field = loft
    unit = np.tile([[0.95], [0.1]], (1, inputs.size))
    builds = inputs.builds(unit)
    reduced = field.transfer(builds)
    wanted = full(inputs, builds)
    assert deviation(reduced[0], wanted) < 0.01
    assert deviation(field.transfer(inputs.drawn())[0], wanted) > 0.08


def test_the_room_as_drawn_is_the_models(loft: tuple[Inputs, Field]) -> None:
    inputs, field = loft
    assert deviation(field.transfer(inputs.drawn())[0], full(inputs, inputs.drawn())) < 2e-3


def test_what_stands_on_a_block_goes_up_with_it(loft: tuple[Inputs, Field]) -> None:
    inputs = loft[0]
    top = [one.plane.name for one in inputs.uncertain].index("riser: top")
    unit = np.full((1, inputs.size), 0.5)
    unit[0, inputs.groups["block: riser"]] = 1.0
    builds = inputs.builds(unit)
    assert builds.plane_m[0, top] == pytest.approx(0.01)
    assert builds.ear_m[0, :, 2] == pytest.approx(1.31)  # 1.0 m above the riser, now 0.31 m high
    assert builds.cabinet_m[0, :, 2] == pytest.approx(0.3)  # on the floor


def test_places_stay_in_the_air() -> None:
    """Seats 0.2 m before a block, cabinets 0.05 m from a wall: no spread puts one into either."""
    text = ROOM.replace("from_m = [0.3, 0.3, 0.3]", "from_m = [0.05, 0.3, 0.3]").replace(
        "to_m = [0.3, 2.2", "to_m = [0.05, 2.2"
    )
    column = '[[blocks]]\nname = "column"\nfrom_m = [2.4, 0.9, 0.0]\nto_m = [2.6, 1.1, 2.2]\n[[rows]]\n'
    inputs = inputs_for("ears_m = [0.4, 0.4, 0.1]\ncabinet_m = [0.2, 0.2, 0.4]\n", text.replace("[[rows]]\n", column))
    builds = inputs.builds(np.random.default_rng(1).random((12, inputs.size)))
    for index in range(len(builds)):
        shape = inputs.built(builds, index)[0].shape
        assert shape.contains(builds.ear_m[index]).all()
        assert shape.contains(builds.cabinet_m[index]).all()


def test_faces_that_touch_a_slope_are_held() -> None:
    """A cupboard whose upper edge meets the roof: neither moves away from the other, and that is told."""
    cupboard = '[[blocks]]\nname = "cupboard"\nfrom_m = [0.0, 2.0, 0.0]\nto_m = [1.0, 2.6, 1.85]\n[[rows]]\n'
    project = parse_project(ROOM.replace("[[rows]]\n", cupboard) + "[tolerance]\n", source="loft.toml")
    geometry = geometry_of(project)
    assert geometry is not None
    assert {"cupboard: left", "roof: to"} == set(geometry.held)
    assert "riser: top" in [one.plane.name for one in geometry.uncertain]


def test_faces_in_one_plane_move_together() -> None:
    """A wall of three blocks with a doorway stays one wall."""
    sides = (((0.0, 0.0), (0.9, 2.2)), ((1.7, 0.0), (2.6, 2.2)), ((0.9, 1.8), (1.7, 2.2)))
    blocks = tuple(
        Block(name=f"wall {k}", low_m=(1.5, a[0], a[1]), high_m=(1.6, b[0], b[1])) for k, (a, b) in enumerate(sides)
    )
    shape = Shape(size_m=(3.1, 2.6, 2.2), blocks=blocks)
    planes = movable_planes(shape)
    assert [(one.axis, one.at_m) for one in planes] == [(0, 1.5), (0, 1.6), (1, 0.9), (1, 1.7), (2, 1.8)]
    moved = moved_shape(shape, moves={planes[0]: 0.02, planes[2]: -0.01})
    assert {one.low_m[0] for one in moved.blocks} == {1.52}
    assert moved.blocks[0].high_m[1] == moved.blocks[2].low_m[1] == pytest.approx(0.89)


def test_moved_modes_agree_with_a_shape_solved_anew() -> None:
    """Eigenvalues of an L with a sloping ceiling: stretched to 1e-5, with moved faces to a twentieth of their shift."""
    shape = Shape(
        size_m=(3.0, 2.4, 2.2),
        blocks=(Block(name="corner", low_m=(1.9, 0.0, 0.0), high_m=(3.0, 1.1, 2.2)),),
        slopes=(Slope(name="roof", along="y", from_m=(1.5, 2.2), to_m=(2.4, 1.6)),),
    )
    solution = solved(shape, 1.2)
    planes = movable_planes(shape)
    moved = moved_modes(solution, shape, [(one, 0.03) for one in planes])
    grown = (1.01, 0.99, 1.008)
    count = 8
    stretched = solved(moved_shape(shape, grown=grown, moves={}), 1.2)
    k2, mixture = moved.of(np.array([grown]), np.zeros((1, len(planes))))
    assert k2[0, 1:count] == pytest.approx(stretched.k2[1:count], rel=1e-4)
    assert np.allclose(mixture[0].T @ mixture[0], np.eye(len(k2[0])), atol=1e-9)
    shift = {one: 0.02 * (-1) ** index for index, one in enumerate(planes)}
    other = solved(moved_shape(shape, moves=shift), 1.2)
    k2 = moved.of(np.ones((1, 3)), np.array([list(shift.values())]))[0]
    wanted = np.abs(other.k2[1:count] - solution.k2[1:count]).max()
    assert np.abs(k2[0, 1:count] - other.k2[1:count]).max() < 0.05 * wanted


def test_a_box_behind_a_wall_of_blocks_is_the_box() -> None:
    """Where the air fills a smaller box, that box is what is built: as the same room drawn without the wall."""
    wall = '[[blocks]]\nname = "wall"\nfrom_m = [3.1, 0.0, 0.0]\nto_m = [3.2, 2.6, 2.2]\nconstruction = "masonry"\n'
    plain = ROOM[: ROOM.index("[[blocks]]")] + ROOM[ROOM.index("[[rows]]") :].replace('on = "riser"\n', "")
    walled = plain.replace("length_m = 3.1", "length_m = 3.2").replace('rear = "masonry"\n', 'floor = "rigid"\n')
    walled = walled.replace("[[rows]]\n", f"{wall}[[rows]]\n")
    one, other = inputs_for(text=plain), inputs_for("block_m = [0, 0, 0]\n", walled)
    fields = [reduced_field(each, frequency_hz=HZ[:1], seed=1) for each in (one, other)]
    builds = one.builds(np.full((1, one.size), 0.9))
    size = builds.size_m / np.array(one.project.room.size_m) * np.array(other.project.room.size_m)
    same = replace(builds, size_m=size)
    assert deviation(fields[1].transfer(same)[0], fields[0].transfer(builds)[0]) < 2e-3


def test_no_rooms_at_all(loft: tuple[Inputs, Field]) -> None:
    """As after an interrupt, when none is to be checked."""
    inputs, field = loft
    none = inputs.builds(np.empty((0, inputs.size)))
    assert len(none) == 0
    assert field.transfer(none).shape == (0, len(HZ), 2, 2)


def test_how_long_it_takes_is_told_where_it_is_long(loft: tuple[Inputs, Field]) -> None:
    """Each room that is solved anew adds as much; 2048 rooms take longer than none; half a minute is told."""
    none, one, two = (seconds_for(loft[0], rooms=0, checked=n, frequency_hz=HZ) for n in (0, 1, 2))
    assert two - one == pytest.approx(one - none)
    assert seconds_for(loft[0], rooms=2048, checked=0, frequency_hz=HZ) > none > 0.0
    assert in_words(20.0) == ""
    assert in_words(170.0) == "about 3 min of a processor in all"
