"""What differs between two projects: every key, entries by name, entries that have no counterpart."""

import pytest

from roommodes.project.differences import differences
from roommodes.project.project import Project
from roommodes.project.reading import parse_project
from tests.rooms import SMALL

REGIONS = """
[[regions]]
wall = "left"
from_m = [0.5, 0.2]
to_m = [1.5, 1.2]
construction = "glass pane 6 mm"
[[regions]]
wall = "right"
from_m = [0.5, 0.2]
to_m = [1.5, 1.2]
construction = "door"
"""
TEXT = SMALL.replace("[[rows]]", REGIONS.lstrip() + "[[rows]]", 1)


def project(text: str = TEXT) -> Project:
    return parse_project(text, source="test")


def changes(text: str) -> dict[tuple[str | int, ...], tuple[object, object]]:
    return {one.path: (one.first, one.second) for one in differences(project(), project(text))}


def test_the_same_project_differs_in_nothing() -> None:
    assert changes(TEXT) == {}
    assert changes(TEXT + "# a comment\n") == {}


def test_name_and_layout_are_left_out() -> None:
    assert changes(TEXT.replace("small room", "other").replace("gain_db = [0, -3]", "gain_db = [0, 0]")) == {}


@pytest.mark.parametrize(
    ("old", "new", "path", "values"),
    [
        ("height_m = 2.4", "height_m = 2.5", ("room", "height_m"), (2.4, 2.5)),
        ('rear = "brick"', 'rear = "brick"\nfront = "brick"', ("walls", "front"), ("rigid", "brick")),
        ("x_m = 2.2", "x_m = 2.25", ("rows", "front", "x_m"), (2.2, 2.25)),
        ("spacing_m = 1.5", "spacing_m = 1.4", ("zones", "rear wall", "spacing_m"), (1.5, 1.4)),
        ("counts = [1, 2]", "counts = [2]", ("search", "counts"), ((1, 2), (2,))),
        ('construction = "door"', 'construction = "brick"', ("regions", 1, "construction"), ("door", "brick")),
    ],
)
def test_one_key(old: str, new: str, path: tuple[str | int, ...], values: tuple[object, object]) -> None:
    assert changes(TEXT.replace(old, new)) == {path: values}


def test_a_region_taken_out_is_one_difference_wherever_it_stood() -> None:
    first = TEXT.index("[[regions]]")
    second = TEXT.index("[[regions]]", first + 1)
    (found,) = differences(project(), project(TEXT[:first] + TEXT[second:]))
    assert found.path == ("regions", 0)
    assert found.first["construction"] == "glass pane 6 mm"
    assert found.second is None


def test_regions_in_another_order_do_not_differ_key_by_key() -> None:
    first = TEXT.index("[[regions]]")
    second = TEXT.index("[[regions]]", first + 1)
    third = TEXT.index("[[rows]]")
    assert changes(TEXT[:first] + TEXT[second:third] + TEXT[first:second] + TEXT[third:]) == {}


def test_a_curve_is_one_value() -> None:
    old = 'max_level_1m_db = { "20" = 98, "40" = 108 }'
    a, b = (
        project(TEXT.replace("[search]", f"[subwoofer]\n{text}\n[search]")) for text in (old, old.replace("98", "99"))
    )
    (found,) = differences(a, b)
    assert found.path == ("subwoofer", "max_level_1m_db")
