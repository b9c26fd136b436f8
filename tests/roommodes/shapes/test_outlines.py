"""Outlines of rooms seen along an axis, by hand."""

import numpy as np
import pytest

from roommodes.shapes.outlines import outline_along, solid_at
from roommodes.shapes.polygons import area_of
from roommodes.shapes.shape import Shape
from roommodes.shapes.solids import Block, Slope

CORNER = Block(name="corner", low_m=(4.0, 2.5, 0.0), high_m=(6.0, 4.0, 2.5))
COLUMN = Block(name="column", low_m=(2.0, 1.0, 0.0), high_m=(2.5, 1.5, 2.5))
ROOF = Slope(name="roof", along="y", from_m=(2.0, 2.5), to_m=(4.0, 1.5))


def test_a_box_has_four_corners():
    (loop,) = outline_along(Shape(size_m=(6.0, 4.0, 2.5)), 2)
    assert sorted(map(tuple, loop.tolist())) == [(0.0, 0.0), (0.0, 4.0), (6.0, 0.0), (6.0, 4.0)]


def test_an_l_has_six_and_a_column_stands_in_it():
    loops = outline_along(Shape(size_m=(6.0, 4.0, 2.5), blocks=(CORNER, COLUMN)), 2)
    assert sorted(len(loop) for loop in loops) == [4, 6]
    assert sorted(area_of(loop) for loop in loops) == pytest.approx([0.25, 24.0 - 3.0])


def test_under_a_roof_the_end_wall_has_five_corners():
    shape = Shape(size_m=(6.0, 4.0, 2.5), slopes=(ROOF,))
    (end,) = outline_along(shape, 0)
    assert sorted(map(tuple, np.round(end, 6).tolist())) == [(0, 0), (0, 2.5), (2, 2.5), (4, 0), (4, 1.5)]
    (side,) = outline_along(shape, 1)
    assert area_of(side) == pytest.approx(6.0 * 2.5)


def test_what_is_not_air_at_a_height():
    shape = Shape(size_m=(6.0, 4.0, 2.5), blocks=(CORNER,), slopes=(ROOF,))
    assert solid_at(shape, 1.0) == ((4.0, 2.5, 6.0, 4.0),)
    assert solid_at(shape, 2.0)[1] == pytest.approx((0.0, 3.0, 6.0, 4.0))
    assert solid_at(shape, 2.0)[0] == (4.0, 2.5, 6.0, 4.0)
