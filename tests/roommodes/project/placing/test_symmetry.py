"""Mirrored layouts: refused in one sentence where room and zones have none, said where the room is uneven."""

import pytest

from roommodes.project.advice import project_warnings
from roommodes.project.placing.symmetry import uneven_shape, without_mirror
from roommodes.project.project import Project
from roommodes.project.reading import parse_project

TEXT = """\
format = 1
name = "alike"
[room]
length_m = 6.0
width_m = 4.0
height_m = 2.5
BLOCKS
[[rows]]
name = "row"
x_m = 3.2
y_m = [1.3, 2.0, 2.8]
ear_height_m = 1.1
[[zones]]
name = "front"
from_m = [0.4, FROM, 0.3]
to_m = [0.4, TO, 0.3]
spacing_m = SPACING
[search]
counts = COUNTS
mirror = true
"""
COLUMN = '[[blocks]]\nname = "column {at}"\nfrom_m = [5.0, {low}, 0.0]\nto_m = [5.4, {high}, 2.5]\n'
LEFT, RIGHT = (COLUMN.format(at=at, low=low, high=low + 0.5) for at, low in (("left", 0.5), ("right", 3.0)))
ROOF = '[[slopes]]\nname = "roof"\nalong = "y"\nfrom_m = [{a}, 2.5]\nto_m = [{b}, 1.5]\n'


def project(ends: tuple[float, float], spacing: float, counts: str = "[2, 4]", blocks: str = "") -> Project:
    low, high = ends
    text = TEXT.replace("FROM", str(low)).replace("TO", str(high)).replace("SPACING", str(spacing))
    return parse_project(text.replace("COUNTS", counts).replace("BLOCKS", blocks), source="alike.toml")


def test_zones_on_one_side_have_no_mirror() -> None:
    found = project((0.4, 1.8), 0.4, blocks=LEFT)
    said = without_mirror(found, (2, 4))
    assert said.startswith("none of the 5 candidates has its mirror image about y = 2.000 m, or lies on it.")
    assert 'The room is not its own mirror image: block "column left" has no mirror image.' in said
    assert any(text.startswith("search.mirror: none of the 5") for text in project_warnings(found))


@pytest.mark.parametrize(
    ("ends", "spacing", "counts", "allowed"),
    [
        ((0.4, 3.6), 0.8, (1, 2, 3, 4, 5), True),  # two pairs and the middle
        ((0.4, 3.6), 0.8, (6,), False),
        ((0.4, 3.6), 1.1, (1, 3), False),  # two pairs alone
        ((0.4, 3.6), 1.1, (1, 4), True),
        ((2.0, 2.0), 1.0, (1,), True),
        ((2.0, 2.0), 1.0, (2,), False),
    ],
)
def test_numbers_that_pairs_and_middle_make_up(ends, spacing, counts, allowed) -> None:
    assert (without_mirror(project(ends, spacing, "[1]"), counts) == "") == allowed


def test_numbers_without_a_layout_and_an_uneven_room_are_said() -> None:
    said = project_warnings(project((0.4, 3.6), 1.1, "[1, 2]", LEFT))
    assert any("no mirrored layout of 1 subs: there are 2 mirrored pairs" in text for text in said)
    assert any('not its own mirror image: block "column left" has no mirror image' in text for text in said)


def test_rooms_alike_left_and_right() -> None:
    assert uneven_shape(project((0.4, 3.6), 0.8, blocks=LEFT + RIGHT)) == []
    both = ROOF.format(a=1.0, b=0.0) + ROOF.format(a=3.0, b=4.0).replace("roof", "other roof")
    assert uneven_shape(project((0.4, 3.6), 0.8, blocks=both)) == []
    one = ROOF.format(a=3.0, b=4.0)
    assert uneven_shape(project((0.4, 3.6), 0.8, blocks=one)) == ['slope "roof" has no mirror image']
