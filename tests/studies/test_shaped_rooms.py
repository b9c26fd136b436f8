"""Families of rooms that are no boxes: blocks and falling ceilings in fractions of each room."""

import numpy as np
import pytest

import roommodes as rm
from roommodes.errors import ProjectInvalid

from .texts import tiny

BUILDS = """\
[[builds]]
name = "L"
[[builds.blocks]]
name = "corner"
from_fraction = [0.7, 0.6, 0]
to_fraction = [1, 1, 1]
construction = "brick"
faces = { front = "plasterboard on studs" }
[[builds.blocks]]
name = "riser"
from_fraction = [0.45, 0.2, 0]
to_fraction = [0.7, 0.8, 0.1]
carries = true
[[builds]]
name = "attic"
[[builds.slopes]]
name = "roof"
along = "y"
from_fraction = [0.5, 1]
to_fraction = [1, 0.6]
construction = "timber floor"
[[seatings]]"""
SHAPED = tiny(8).replace("[[seatings]]", BUILDS).replace("ear_height_m = 1.1", 'ear_height_m = 1.1\non = "riser"')
SHORT = """\
[[builds]]
name = "short"
[[builds.blocks]]
name = "rear part"
from_fraction = [0.8, 0, 0]
to_fraction = [1, 1, 1]
[[seatings]]"""


def test_blocks_slopes_and_rows_follow_the_size_of_each_room() -> None:
    rooms = rm.study_from(SHAPED).rooms()
    kinds = {bool(room.tables.blocks): room for room in rooms}
    assert set(kinds) == {True, False}
    for room in rooms:
        length, width, height = room.room.size_m
        ears = room.seats.position_m
        if room.tables.blocks:
            corner, riser = room.tables.blocks
            assert corner.from_m == pytest.approx((0.7 * length, 0.6 * width, 0.0), abs=1e-4)
            assert corner.to_m == pytest.approx((length, width, height), abs=1e-4)
            assert corner.construction_of("front") == "plasterboard on studs"
            assert riser.carries
            taken = 0.3 * 0.4 + 0.25 * 0.6 * 0.1
            assert room.room.volume_m3 == pytest.approx((1.0 - taken) * length * width * height, rel=1e-4)
            assert ears[:, 2] == pytest.approx(0.1 * height + 1.1, abs=1e-4)
        else:
            (roof,) = room.tables.slopes
            assert roof.to_m == pytest.approx((width, 0.6 * height), abs=1e-4)
            assert room.room.volume_m3 == pytest.approx(0.9 * length * width * height, rel=1e-4)
            assert ears[:, 2] == pytest.approx(1.1)


def test_a_box_whose_rear_part_is_solid_is_a_shorter_box() -> None:
    """The same air, once by elements and once by cosines; only the first says that it is no box."""
    fixed = (
        tiny(1)
        .replace("[25, 80]", "[25, 60]")
        .replace("{ from = 4.2, to = 6.8 }", "LENGTH")
        .replace("{ from = 3.2, to = 5.0 }", "3.8")
    )
    fixed = fixed.replace("[2.4, 2.7]", "2.5").replace("[1, 0.5, 0]", "[0.5, 1, 0]")
    long = fixed.replace("LENGTH", "6.0").replace("x_fraction = 0.55", "x_fraction = 0.44")
    long = long.replace("[0.5, 1, 0]", "[0.4, 1, 0]").replace("[[seatings]]", SHORT)
    shaped, box = rm.study_from(long), rm.study_from(fixed.replace("LENGTH", "4.8"))
    assert not shaped.rooms()[0].room.is_box
    one, other = shaped.here().arrays, box.here().arrays
    for name in ("variation_db", "output_db", "variation_at_db"):
        assert one[name] == pytest.approx(other[name], abs=0.05), name
    assert one["position_m"] == pytest.approx(other["position_m"], abs=1e-9, nan_ok=True)


def test_no_sub_stands_in_a_solid_corner() -> None:
    corners = '[[strategies]]\nname = "four"\nsubs = 4\npositions = "corners"\n[search]'
    solid = SHORT.replace("[0.8, 0, 0]", "[0.75, 0.7, 0]")
    text = tiny(1).replace("[[seatings]]", solid).replace("[25, 80]", "[25, 50]")
    done = rm.study_from(text.replace("[search]", corners)).here()
    assert done.notes[0][2] == "no layout: too few feasible positions in this room"
    assert np.isnan(done.arrays["variation_db"][0, 2])
    assert np.isfinite(done.arrays["variation_db"][0, :2]).all()


def test_what_cannot_stand_is_told_before_any_room_is_built() -> None:
    wrong = SHAPED.replace('on = "riser"', 'on = "rizer"').replace(
        'faces = { front = "plasterboard', 'faces = { front = "plaster'
    )
    with pytest.raises(ProjectInvalid) as raised:
        rm.study_from(wrong)
    said = str(raised.value)
    assert 'there is no block "rizer". Did you mean riser?' in said
    assert 'there is no construction "plaster on studs"' in said
    with pytest.raises(ProjectInvalid, match="from_fraction"):
        rm.study_from(SHAPED.replace("[0.7, 0.6, 0]", "[0.7, 1.6, 0]"))


def test_faces_of_layers_are_those_of_every_room() -> None:
    """A construction of one's own that stands in a layer alone comes along into the rooms."""
    own = '[constructions."heavy board"]\nkind = "absorption"\nalpha = { "63" = 0.1 }\n'
    layered = 'construction = ["curtain", "timber floor"]\nfaces = { front = ["curtain", "heavy board"] }'
    text = SHAPED.replace('construction = "brick"\nfaces = { front = "plasterboard on studs" }', layered) + own
    text = text.replace(
        'construction = "timber floor"\n[[seatings]]', 'construction = ["curtain", "brick"]\n[[seatings]]'
    )
    for room in rm.study_from(text).rooms():
        if room.tables.blocks:
            corner = room.tables.blocks[0]
            assert corner.construction_of("front") == ("curtain", "heavy board")
            assert corner.construction_of("left") == ("curtain", "timber floor")
            assert "heavy board" in room.tables.constructions
        else:
            assert room.tables.slopes[0].construction == ("curtain", "brick")
