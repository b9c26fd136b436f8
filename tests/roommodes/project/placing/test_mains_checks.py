"""Cabinets of main loudspeakers: where they are, what they may not reach into, what is said of seats and picture."""

import numpy as np
import pytest

from roommodes.errors import ProjectInvalid
from roommodes.project.advice import project_warnings
from roommodes.project.project import Project
from roommodes.project.reading import parse_project

TEXT = """\
format = 1
name = "mains"
[room]
length_m = 6.0
width_m = 4.0
height_m = 2.5
MORE
[[rows]]
name = "row"
x_m = 3.2
y_m = [1.3, 2.0, 2.8]
ear_height_m = 1.1
[screen]
width_m = 2.0
aspect = 2
foot_m = 0.7
distance_m = SCREEN
[[zones]]
name = "front"
from_m = [0.3, 0.3, 0.225]
to_m = [0.3, 3.7, 0.225]
spacing_m = 0.1
[subwoofer]
cabinet_m = [0.4, 0.4, 0.45]
[mains]
positions_m = [[0.45, 0.8, 0.9], [0.45, 3.2, 0.9]]
MAINS
"""
CABINETS = "cabinets_m = [[0.3, 0.25, 1.0]]\n"


def project(mains: str = CABINETS, *, more: str = "", screen: float = 0.9, text: str = TEXT) -> Project:
    whole = text.replace("MORE", more).replace("SCREEN", str(screen)).replace("MAINS", mains)
    return parse_project(whole, source="mains.toml")


def faults(mains: str = CABINETS, *, more: str = "", text: str = TEXT) -> list[str]:
    with pytest.raises(ProjectInvalid) as caught:
        project(mains, more=more, text=text)
    return [f"{fault.where}: {fault.message}" for fault in caught.value.faults]


def test_where_they_stand() -> None:
    left, right = project("cabinets_m = [[0.3, 0.25, 1.0]]\nacoustic_centre_m = [0.15, 0.0, 0.2]").mains_bodies
    assert (left.name, right.name) == ("main 1", "main 2")
    assert left.low == pytest.approx((0.15, 0.675, 0.2))  # its woofer in the front, 0.2 m above the middle
    assert left.high == pytest.approx((0.45, 0.925, 1.2))
    offset = project("cabinets_m = [[0.4, 0.3, 1.0]]\nacoustic_centre_m = [0.1, 0.05, 0.0]\naim_deg = [90, -90]")
    left, right = offset.mains_bodies
    # looking at the right wall, its right is the rear; at the left wall, its right is the front
    assert [(a + b) / 2 for a, b in zip(left.low, left.high, strict=True)] == pytest.approx((0.4, 0.7, 0.9))
    assert [(a + b) / 2 for a, b in zip(right.low, right.high, strict=True)] == pytest.approx((0.5, 3.3, 0.9))
    assert project("").mains_bodies == ()


def test_no_candidate_stands_in_them() -> None:
    taken, free = (project(mains).candidates.position_m[:, 1] for mains in (CABINETS, ""))
    gone = sorted(set(np.round(free, 6)) - set(np.round(taken, 6)))
    # 0.3 m to 0.6 m from the front wall, 0.25 m wide, against cabinets of 0.4 m
    assert gone == pytest.approx([y for y in np.round(free, 6) if min(abs(y - 0.8), abs(y - 3.2)) < 0.325 - 1e-9])


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (("[0.45, 0.8, 0.9]", "[0.1, 0.8, 0.9]"), "reaches 0.05 m through the front wall"),
        (("[0.45, 0.8, 0.9]", "[0.45, 0.1, 0.9]"), "through the left wall"),
        (("[0.45, 3.2, 0.9]", "[0.45, 3.2, 0.4]"), "reaches 0.10 m through the floor"),
        (("[0.45, 3.2, 0.9]", "[0.45, 0.95, 0.9]"), "its cabinet and that of main 1 overlap"),
    ],
)
def test_they_reach_through_nothing(change: tuple[str, str], said: str) -> None:
    (fault,) = faults(text=TEXT.replace(*change))
    assert fault.startswith("mains.positions_m[")
    assert said in fault


def test_they_keep_out_of_blocks_slopes_and_keep_outs() -> None:
    stage = '[[blocks]]\nname = "stage"\nfrom_m = [0.0, 0.0, 0.0]\nto_m = [1.0, 1.2, 0.5]\n'
    (fault,) = faults(more=stage)
    assert 'mains.positions_m[0]: its cabinet reaches into the block "stage"' in fault
    door = '[[keep_outs]]\nname = "door"\nfrom_m = [0.5, 3.3, 0.0]\nto_m = [1.5, 4.0, 2.0]\n'
    (fault,) = faults(more=door)
    assert 'mains.positions_m[1]: its cabinet reaches into the keep-out "door"' in fault
    roof = '[[slopes]]\nname = "roof"\nalong = "y"\nfrom_m = [1.2, 2.5]\nto_m = [0.0, 0.8]\n'
    (fault,) = faults("cabinets_m = [[0.3, 0.25, 1.78]]\n", more=roof)
    assert "mains.positions_m[0]: its cabinet reaches through a slope" in fault


def test_one_for_each_or_one_for_all() -> None:
    assert "cabinets_m has 3 entries for 2 positions" in faults("cabinets_m = [[1, 1, 1], [1, 1, 1], [1, 1, 1]]")[0]
    assert "aim_deg turns cabinets, and cabinets_m is missing" in faults("aim_deg = [10, -10]")[0]
    both = project("cabinets_m = [[0.3, 0.25, 1.0], [0.2, 0.2, 0.6]]").mains_bodies
    assert both[1].high[2] - both[1].low[2] == pytest.approx(0.6)


def test_seats_picture_and_layout_are_warned_of() -> None:
    assert not [text for text in project_warnings(project()) if "main" in text]  # behind the picture
    wide = "cabinets_m = [[0.3, 1.2, 1.0]]\n"  # reaches behind the picture's sides
    assert not [text for text in project_warnings(project(wide)) if "main" in text]
    before = [text for text in project_warnings(project(wide, screen=0.0)) if "main" in text]
    assert [text.split(" the picture")[0] for text in before] == [
        "main 1: its cabinet stands before",
        "main 2: its cabinet stands before",
    ]
    through = [text for text in project_warnings(project(wide, screen=0.5)) if "main" in text]
    assert through[0].startswith("main 1: its cabinet reaches through the picture, from 0.70 m to 1.70 m")
    among = project(text=TEXT.replace("[0.45, 0.8, 0.9]", "[3.2, 0.9, 0.9]"))
    assert any("main 1: its cabinet reaches into the place of seat row 1" in text for text in project_warnings(among))
    layout = "[layout]\npositions_m = [[0.4, 0.9, 0.225], [0.4, 2.0, 0.225]]\n"
    said = [text for text in project_warnings(project(CABINETS + layout)) if "layout" in text]
    assert len(said) == 1
    assert said[0].startswith("layout: sub 1 at")
