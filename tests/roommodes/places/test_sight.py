"""Viewing angles and sight lines: by hand, by the line itself, in warnings, and where the search moves rows."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from roommodes.errors import ProjectInvalid
from roommodes.places.sight import CROWN_M, Picture, hidden_m, viewing_angle_deg
from roommodes.project.advice import project_warnings
from roommodes.project.reading import parse_project
from solvers.choice.row_positions import row_places
from solvers.choice.seatable import seatable

ROOM = """\
format = 1
name = "sight"
[room]
length_m = 7.0
width_m = 4.5
height_m = 2.6
[screen]
width_m = 3.0
distance_m = 0.5
aspect = 2.4
foot_m = 0.6
[[rows]]
name = "front"
x_m = 3.5
y_m = [1.5, 3.0]
ear_height_m = 1.1
move_m = [0.5, 2.0]
[[rows]]
name = "rear"
x_m = 5.0
y_m = [1.5, 3.0]
ear_height_m = 1.4
[[zones]]
name = "front wall"
from_m = [0.3, 0.3, 0.3]
to_m = [0.3, 4.2, 0.3]
spacing_m = 1.3
[[keep_outs]]
name = "walkway"
from_m = [3.8, 0.0, 0.0]
to_m = [4.1, 4.5, 2.1]
"""


def test_a_sight_line_by_hand() -> None:
    """Eyes 1.1 m, head in front half way, foot 0.5 m: the line is at 0.8 m there, the crown at 1.22 m."""
    picture = Picture(at_m=0.0, width_m=3.0, foot_m=0.5)
    assert hidden_m(picture, (4.0, 1.1), [(2.0, 1.1)]) == pytest.approx(2 * (1.1 + CROWN_M) - 0.5 - 1.1)
    assert hidden_m(picture, (4.0, 2.0), [(2.0, 1.1)]) == 0.0
    assert hidden_m(picture, (4.0, 1.1), [(4.0, 1.1), (5.0, 2.0)]) == 0.0  # nobody in front
    assert hidden_m(Picture(at_m=2.5, width_m=3.0, foot_m=0.5), (4.0, 1.1), [(2.0, 1.1)]) == 0.0  # behind the picture


@given(x=st.floats(2.0, 8.0), share=st.floats(0.1, 0.9), eye=st.floats(0.9, 2.0), foot=st.floats(0.2, 1.2))
def test_raised_so_far_the_line_just_clears_the_crown(x: float, share: float, eye: float, foot: float) -> None:
    picture = Picture(at_m=0.4, width_m=3.0, foot_m=foot)
    head = (0.4 + share * (x - 0.4), 1.1)
    raised = eye + hidden_m(picture, (x, eye), [head])
    at_head = foot + share * (raised - foot)
    assert at_head >= head[1] + CROWN_M - 1e-9
    assert raised == eye or at_head == pytest.approx(head[1] + CROWN_M)


def test_the_check_tells_angles_and_hidden_feet() -> None:
    """Front 3.0 m off: 53 deg; rear 4.5 m off: 37 deg, over crowns at 1.22 m: it must be raised."""
    assert viewing_angle_deg(screen_width_m=3.0, distance_m=4.5) == pytest.approx(36.87, abs=0.01)
    found = project_warnings(parse_project(ROOM, source="t"))
    (hidden,) = [text for text in found if "hide the foot" in text]
    t = 1.5 / 4.5
    needed = (1.1 + CROWN_M - t * 0.6) / (1.0 - t) - 1.4
    assert f"{needed:.2f} m higher" in hidden
    assert not any("deg wide" in text for text in found)
    near = project_warnings(parse_project(ROOM.replace("x_m = 3.5", "x_m = 2.5"), source="t"))
    assert any('row "front" sees the picture 74 deg wide' in text for text in near)
    before = project_warnings(parse_project(ROOM.replace("distance_m = 0.5", "distance_m = 4.0"), source="t"))
    assert any('"front" is not behind the picture' in text for text in before)


def test_rows_are_moved_only_where_people_would_sit() -> None:
    """Front row: at most 60 deg, no nearer than 3.1 m; not in the walkway; never further into the rear row's sight."""
    hiding = parse_project(ROOM, source="t")
    assert not seatable(hiding, 0, -0.1)  # the rear row sees the foot from too low as it is
    assert seatable(hiding, 0, 0.1)
    project = parse_project(ROOM.replace("ear_height_m = 1.4", "ear_height_m = 1.8"), source="t")
    places = row_places(project, n_freq=5, step_m=0.1)
    assert places is not None
    x = 3.5 + places.offset_m[0]
    assert x.min() == pytest.approx(3.1)
    assert not np.any((x > 3.8) & (x < 4.1))
    assert 3.5 in np.round(x, 6)
    assert not seatable(project, 0, 0.4)  # in the walkway
    assert not seatable(project, 0, -0.5)  # 62 deg
    free = parse_project(
        ROOM[: ROOM.index("[screen]")] + ROOM[ROOM.index("[[rows]]") : ROOM.index("[[keep_outs]]")], source="t"
    )
    assert seatable(free, 0, 0.4)
    assert seatable(free, 1, 0.8)  # 1.2 m off the rear wall
    assert not seatable(free, 1, 1.0)  # 1.0 m


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("aspect = 2.4", "aspect = 2.4\nheight_m = 1.2", "height_m and aspect are both given"),
        ("foot_m = 0.6", "foot_m = 1.6", "the picture ends 2.85 m above the floor"),
        ("distance_m = 0.5", "distance_m = 7.5", "the room ends at 7.00 m"),
        ("width_m = 3.0", "width_m = 5.0", "5.00 m wide"),
    ],
)
def test_a_picture_that_does_not_fit_is_a_fault(old: str, new: str, words: str) -> None:
    with pytest.raises(ProjectInvalid) as fault:
        parse_project(ROOM.replace(old, new), source="t")
    assert words in str(fault.value)
