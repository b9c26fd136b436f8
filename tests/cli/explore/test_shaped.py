"""The page of a room that is no box: subs stand at candidates, the drawing shows the air as built."""

import pytest

from tests.given_plans import Given
from tests.rooms_shaped import ATTIC

from .conftest import Explore, held
from .test_numbers import drag

DRIVES: dict[int, Given] = {2: ([0.0, -3.0], [0.0015, 0.0], [1, 1], [0, 4])}


DOOR_AND_MAINS = """
[[regions]]
wall = "right"
from_m = [0.5, 0.0]
to_m = [1.3, 1.2]
construction = "door"
[[keep_outs]]
name = "way out"
from_m = [0.4, 2.3, 0.0]
to_m = [1.4, 3.0, 1.3]
[mains]
positions_m = [[0.5, 0.8, 0.8], [0.5, 2.0, 0.8]]
cabinets_m = [[0.3, 0.2, 0.6]]
"""


def test_names_mains_and_parts_of_walls_are_in_the_plan(explore: Explore) -> None:
    page = explore(text=ATTIC + DOOR_AND_MAINS, drives=DRIVES).page
    named = page.evaluate("[...document.querySelectorAll('#plan .named')].map((one) => one.textContent)")
    assert {"M1", "M2", "way out", "riser"} <= set(named)
    key = page.inner_text("#plan-key")
    assert "door (right wall)" in key
    assert "kept free: way out" in key
    assert "M1 to M2" in key
    assert page.locator("#plan .main").count() == 2
    assert page.locator("#side .main").count() == 2
    door = page.evaluate(
        "(([x]) => [x.x, x.x + x.width])([...document.querySelectorAll('#plan .part')].map((one) => one.getBBox()))"
    )
    assert door == pytest.approx([50.0, 130.0])


def test_numbers_follow_a_sub_from_candidate_to_candidate(explore: Explore) -> None:
    explored = explore(text=ATTIC, drives=DRIVES)
    before = held(explored)["variation"]
    places = explored.plan.results.candidates.position_m
    x, y, _ = places[2]
    drag(explored, ".sub >> nth=0", (x + 0.08, y + 0.1))
    assert explored.state()["subs"][0]["at"] == pytest.approx(places[2].tolist())
    assert held(explored)["variation"] != pytest.approx(before, abs=0.05)


def test_the_drawing_shows_what_is_built(explore: Explore) -> None:
    """A roof that falls from 2.3 m at y = 1.2 to 1.3 m at y = 3.0 is seen from above; the riser is 0.3 m high."""
    page = explore(text=ATTIC, drives=DRIVES).page
    assert page.evaluate("[...document.querySelectorAll('#plan .solid title')].map((one) => one.textContent)") == [
        "riser",
        "chimney breast",
    ]
    assert "1.30 m above floor" in " ".join(
        page.evaluate("[...document.querySelectorAll('#plan .slope title')].map((one) => one.textContent)")
    )
    height = page.evaluate("document.querySelector('#side .solid').getBBox().height")
    assert height == pytest.approx(30.0)
    assert "The room is no plain box" in page.inner_text("body")
    assert page.locator("#map-part").is_hidden()
