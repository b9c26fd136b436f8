"""The page of a room that is no box: subs stand at candidates, the drawing shows the air as built."""

import pytest

from tests.given_plans import Given
from tests.rooms_shaped import ATTIC

from .conftest import Explore, held
from .test_numbers import drag

DRIVES: dict[int, Given] = {2: ([0.0, -3.0], [0.0015, 0.0], [1, 1], [0, 4])}


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
