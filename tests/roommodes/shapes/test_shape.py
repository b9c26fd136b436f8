"""The geometry of rooms that are no boxes: volumes, faces, edges and what is air, against sums by hand."""

from math import pi

import numpy as np
import pytest

from roommodes.shapes.nearer_wall import nearer_wall
from roommodes.shapes.shape import Shape
from roommodes.shapes.solids import Block, Slope

SIZE = (6.0, 4.0, 2.5)


def block(name, low, high, **options) -> Block:
    return Block(name=name, low_m=low, high_m=high, **options)


RISER = block("riser", (4.0, 0.0, 0.0), (6.0, 4.0, 0.3), carries=True)
ROOF = Slope(name="roof", along="y", from_m=(2.0, 2.5), to_m=(4.0, 1.5))


def test_an_empty_box():
    shape = Shape(size_m=SIZE)
    assert shape.is_box
    assert shape.volume_m3 == pytest.approx(60.0)
    assert shape.surface_m2 == pytest.approx(98.0)
    assert shape.square_edge_length_m == pytest.approx(50.0)
    assert {face.name for face in shape.faces} == {"front", "rear", "left", "right", "floor", "ceiling"}
    assert not shape.inward_edges


def test_a_riser_takes_its_volume_and_adds_its_riser():
    shape = Shape(size_m=SIZE, blocks=(RISER,))
    assert not shape.is_box
    assert shape.volume_m3 == pytest.approx(60.0 - 2.4)
    assert shape.face("riser: top")[0].area_m2 == pytest.approx(8.0)
    assert shape.face("riser: front")[0].area_m2 == pytest.approx(1.2)
    assert shape.face("riser: rear") == ()
    assert shape.face("floor")[0].area_m2 == pytest.approx(16.0)
    assert sum(edge.length_m for edge in shape.inward_edges) == pytest.approx(4.0)
    assert all(edge.angle == pytest.approx(1.5 * pi) for edge in shape.inward_edges)
    assert shape.stands_on_m((5.0, 1.0, 0.5)) == pytest.approx(0.3)
    assert shape.stands_on_m((3.0, 1.0, 0.5)) == 0.0


def test_a_slope_takes_a_wedge():
    shape = Shape(size_m=SIZE, slopes=(ROOF,))
    assert shape.volume_m3 == pytest.approx(60.0 - 6.0)
    assert shape.face("roof")[0].area_m2 == pytest.approx(6.0 * 5.0**0.5)
    assert shape.face("ceiling")[0].area_m2 == pytest.approx(12.0)
    assert shape.face("right")[0].area_m2 == pytest.approx(9.0)
    point = np.array([[1.0, 3.0, 1.99], [1.0, 3.0, 2.01], [1.0, 1.0, 2.49]])
    assert shape.contains(point).tolist() == [True, False, True]


def test_the_faces_close():
    """The outward normals of a closed surface, weighted with area, add up to nothing."""
    column = block("column", (2.0, 1.0, 0.0), (2.4, 1.3, 2.5))
    breast = block("breast", (1.0, 3.2, 0.0), (2.0, 4.0, 2.5))
    roof = Slope(name="gable", along="x", from_m=(1.0, 1.8), to_m=(3.0, 2.5))
    for blocks, slopes in (((RISER, column), ()), ((breast, RISER), (ROOF,)), ((RISER,), (ROOF, roof))):
        shape = Shape(size_m=SIZE, blocks=blocks, slopes=slopes)
        total = sum(face.area_m2 * face.plane.normal for face in shape.faces)
        assert np.abs(total).max() < 1e-9
        # Gauss: a third of the integral of x . n is the volume
        moment = sum(face.area_m2 * float(face.plane.origin_m @ face.plane.normal) for face in shape.faces)
        assert moment / 3.0 == pytest.approx(shape.volume_m3)


def test_air_cut_in_two():
    wall = block("wall", (2.0, 0.0, 0.0), (2.2, 4.0, 2.5))
    shape = Shape(size_m=SIZE, blocks=(wall,))
    assert shape.parts_m3 == pytest.approx((38.0, 20.0))
    assert shape.volume_m3 == pytest.approx(38.0)
    near = Shape(size_m=SIZE, blocks=(wall,), inside_m=(1.0, 1.0, 1.0))
    assert near.volume_m3 == pytest.approx(20.0)
    assert near.box_m == ((0.0, 0.0, 0.0), (2.0, 4.0, 2.5))
    sides = (block("a", (2.0, 0.0, 0.0), (2.2, 1.0, 2.5)), block("b", (2.0, 2.0, 0.0), (2.2, 4.0, 2.5)))
    assert Shape(size_m=SIZE, blocks=sides).parts_m3 == pytest.approx((60.0 - 0.2 * 3.0 * 2.5,))


def test_boxes_that_lie_in_the_air():
    shape = Shape(size_m=SIZE, blocks=(RISER,), slopes=(ROOF,))
    low = np.array([[4.5, 1.0, 0.3], [4.5, 1.0, 0.2], [1.0, 3.0, 0.0], [1.0, 3.0, 0.0], [-0.1, 0.0, 0.0]])
    high = np.array([[5.0, 1.5, 0.8], [5.0, 1.5, 0.8], [1.5, 3.5, 1.75], [1.5, 3.5, 1.8], [0.5, 0.5, 0.5]])
    assert shape.clear(low, high).tolist() == [True, False, True, False, False]


def test_what_is_no_room_is_refused():
    with pytest.raises(ValueError, match="no air"):
        Shape(size_m=SIZE, blocks=(block("all", (0.0, 0.0, 0.0), SIZE),))
    with pytest.raises(ValueError, match="leaves the room"):
        Shape(size_m=SIZE, slopes=(Slope(name="s", along="y", from_m=(2.0, 2.5), to_m=(4.5, 1.0)),))
    with pytest.raises(ValueError, match="upright"):
        Shape(size_m=SIZE, slopes=(Slope(name="s", along="y", from_m=(2.0, 2.5), to_m=(2.0, 1.0)),))


def test_a_block_outside_or_flat_fills_nothing():
    flat = block("riser of nought", (4.0, 0.0, 0.0), (6.0, 4.0, 0.0))
    level = Slope(name="level", along="x", from_m=(1.0, 2.5), to_m=(4.0, 2.5))
    assert Shape(size_m=SIZE, blocks=(flat,), slopes=(level,)).is_box


def test_what_stands_next():
    """An L: a core fills the rear right corner; from the front, the rear wall is 0.7 m away behind one seat of two."""
    core = block("core", (4.6, 2.4, 0.0), (6.0, 4.0, 2.5))
    hip = Slope(name="hip", along="x", from_m=(2.0, 2.5), to_m=(0.0, 0.5))
    shape = Shape(size_m=SIZE, blocks=(RISER, core), slopes=(hip,))
    assert shape.next_wall((3.9, 3.0, 1.1), 0, 1) == (pytest.approx(0.7), "core")
    assert shape.next_wall((3.9, 2.0, 1.1), 0, 1) == (pytest.approx(2.1), None)
    assert shape.next_wall((3.9, 2.0, 0.2), 0, 1) == (pytest.approx(0.1), "riser")
    # the ceiling is 1.5 m high at x = 1.0
    assert shape.next_wall((3.9, 2.0, 1.5), 0, -1, slopes=True) == (pytest.approx(2.9), "hip")
    assert shape.next_wall((3.9, 2.0, 1.5), 0, -1) == (pytest.approx(3.9), None)
    assert shape.next_wall((3.9, 2.0, 0.4), 0, -1, slopes=True) == (pytest.approx(3.9), None)


def test_a_tape_is_held_at_a_wall_that_no_block_hides():
    core = block("core", (4.6, 2.4, 0.0), (6.0, 4.0, 2.5))
    column = block("column", (4.8, 0.4, 0.0), (5.2, 0.8, 2.5))
    shape = Shape(size_m=SIZE, blocks=(core, column))
    beside = nearer_wall(shape, (5.7, 2.1, 0.3), 1)  # 1.9 m from the right wall, but through the core
    assert (beside.name, beside.distance_m(2.1)) == ("left wall", pytest.approx(2.1))
    before = nearer_wall(shape, (4.0, 3.0, 0.3), 0)
    assert (before.name, before.distance_m(4.0)) == ("front wall", pytest.approx(4.0))
    both = nearer_wall(shape, (5.0, 1.5, 0.3), 1)  # 0.7 m behind the column, 0.9 m before the core
    assert (both.name, both.distance_m(1.5)) == ("column", pytest.approx(0.7))
    assert both.distance_m(1.3) == pytest.approx(0.5)
    free = nearer_wall(shape, (3.0, 3.0, 0.3), 1)
    assert (free.name, free.distance_m(3.0)) == ("right wall", pytest.approx(1.0))
