"""The page's numbers are the program's to 0.01 dB, whatever is done on it: the model is asked for the same state."""

from dataclasses import replace

import numpy as np
import pytest

from roommodes.acoustics.transfer import transfer_function
from roommodes.filters.sections import Section
from roommodes.plan.plan import Results
from roommodes.plan.tuning import Tuning, TuningPrice
from roommodes.project.reading import parse_project
from roommodes.responses.metrics import drive_weights, level_db, seat_pressure
from tests.roommodes.plan.stored import tuning_settings

from .conftest import CLOUDS, PROJECT, Explore, Explored, held, judged


def drag(explored: Explored, mark: str, to_m: tuple[float, float], drawing: str = "#plan") -> None:
    """Take a mark somewhere with the mouse; metres along the drawing and up from its lower edge."""
    page = explored.page
    box = page.locator(mark).bounding_box()
    x, y = page.evaluate(
        """([drawing, x, y]) => {
          const point = document.querySelector(drawing).createSVGPoint();
          Object.assign(point, { x: 100 * x, y: -100 * y });
          const at = point.matrixTransform(document.querySelector(drawing).getScreenCTM());
          return [at.x, at.y];
        }""",
        [drawing, *to_m],
    )
    start = (box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.mouse.move(*start)
    page.mouse.down()
    page.mouse.move((start[0] + x) / 2, (start[1] + y) / 2)
    page.mouse.move(x, y)
    page.mouse.up()
    explored.drawn()


def typed(explored: Explored, label: str, text: str) -> None:
    field = explored.page.get_by_label(label, exact=True)
    field.fill(text)
    field.press("Enter")
    explored.drawn()


@pytest.mark.parametrize("subs", [1, 2, 3])
def test_it_opens_with_the_plans_own_numbers(explore: Explore, subs: int) -> None:
    explored = explore(subs=subs)
    page = held(explored)
    table = explored.plan.table
    assert page["variation"] == pytest.approx(float(table.variation_db[0]), abs=0.002)
    assert page["output"] == pytest.approx(float(table.output_db[0]), abs=0.002)


def test_a_dragged_sub(explore: Explore) -> None:
    """Along a line, between the candidates; then across a rectangle, between them both ways."""
    explored = explore()
    before = held(explored)["variation"]
    drag(explored, "#plan .sub >> nth=0", (0.31, 2.345))
    first = explored.state()["subs"][0]["at"]
    assert first == pytest.approx([0.31, 2.35, 0.27], abs=0.0151)
    assert abs(held(explored)["variation"] - before) > 0.011
    drag(explored, "#plan .sub >> nth=1", (4.87, 2.93))
    second = explored.state()["subs"][1]["at"]
    assert second[:2] == pytest.approx([4.87, 2.93], abs=0.05)
    held(explored)


def test_a_sub_lifted_in_the_side_view(explore: Explore) -> None:
    explored = explore()
    drag(explored, "#side .sub >> nth=1", (5.1, 2.1), "#side")
    assert explored.state()["subs"][1]["at"] == [5.1, 2.0, 2.1]
    held(explored)


def test_settings_by_typing_sliders_and_keys(explore: Explore) -> None:
    explored = explore()
    page = explored.page
    typed(explored, "sub 1, gain in decibels, typed", "-4.25")
    typed(explored, "sub 2, delay in milliseconds, typed", "7,125")
    held(explored)
    page.get_by_label("sub 2, gain in decibels", exact=True).focus()
    page.keyboard.press("ArrowLeft")
    page.locator("#plan .sub").nth(0).focus()
    for key in ("+", "+", ".", "p"):
        page.keyboard.press(key)
    subs = explored.state()["subs"]
    assert [subs[0]["gain"], subs[0]["delay"], subs[0]["polarity"]] == [-3.25, pytest.approx(2.2), -1]
    assert subs[1]["gain"] == pytest.approx(-3.6)
    assert subs[1]["delay"] == 7.125
    held(explored)


def test_arrow_keys_move_by_a_centimetre_and_to_candidates(explore: Explore) -> None:
    explored = explore()
    explored.page.locator("#plan .sub").nth(0).focus()
    before = explored.state()["subs"][0]["at"]
    explored.page.keyboard.press("ArrowUp")
    explored.page.keyboard.press("ArrowUp")
    after = explored.state()["subs"][0]["at"]
    assert after[1] == pytest.approx(before[1] + 0.02, abs=1e-9)
    held(explored)
    explored.page.keyboard.press("Shift+ArrowUp")
    assert explored.state()["subs"][0]["at"] == pytest.approx([0.31, 1.45, 0.27])
    held(explored)


def test_a_sub_off_added_and_taken_away(explore: Explore) -> None:
    explored = explore(subs=3)
    explored.page.get_by_label("sub 2 on").uncheck()
    assert held(explored)["count"] == 2
    explored.page.get_by_role("button", name="Add a sub").click()
    assert held(explored)["count"] == 3
    explored.page.get_by_role("button", name="take sub 1 away").click()
    assert held(explored)["count"] == 2


def test_a_row_that_moves(explore: Explore) -> None:
    """Dragged by its handle, to either end by slider, and with a sub between the candidates as well."""
    explored = explore()
    typed(explored, "sub 1, y in metres", "1.93")
    typed(explored, "row front, shift in metres, typed", "-0.3")
    assert explored.state()["rows"] == [-0.3, 0]
    held(explored)
    typed(explored, "row front, shift in metres, typed", "0.13")
    assert explored.state()["rows"] == [0.13, 0]
    held(explored)
    typed(explored, "row front, shift in metres, typed", "0.7")
    assert explored.state()["rows"] == [0.2, 0]
    held(explored)


def test_seats_that_do_not_count(explore: Explore) -> None:
    explored = explore()
    for name in ("front 2", "back 1"):
        explored.page.get_by_label(name, exact=True).uncheck()
    assert held(explored)["seats"] == [0, 2, 4]


def test_seats_that_are_clouds(explore: Explore) -> None:
    text = PROJECT.replace("CLOUD", CLOUDS).replace("move_m = [0.3, 0.2]\n", "")  # rows of clouds do not move
    explored = explore(text=text)
    held(explored)
    typed(explored, "sub 2, x in metres", "4.71")
    held(explored)
    explored.page.get_by_label("back 2", exact=True).uncheck()
    held(explored)


def test_an_added_seat_to_a_tenth_of_a_decibel(explore: Explore) -> None:
    """Its field comes from the map: the model asked for the same place as a row of its own."""
    explored = explore()
    explored.page.get_by_role("button", name="Add a seat").click()
    drag(explored, "#plan .seat[tabindex]", (3.31, 2.02))
    (added,) = explored.state()["added"]
    assert added == pytest.approx([3.31, 2.02], abs=0.0151)
    height = explored.page.evaluate("roommodes.app.judge.plane.height")
    text = explored.plan.project.toml_text.replace(
        "[screen]",
        f'[[rows]]\nname = "added"\nx_m = {added[0]}\ny_m = [{added[1]}]\near_height_m = {height}\n[screen]',
    )
    other = replace(explored.plan.results, project=parse_project(text, source="test"))
    plan = replace(explored.plan, results=other)
    state = explored.state()
    want = judged(plan, {**state, "rows": [*state["rows"], 0.0]})
    page = explored.numbers()
    error = np.abs(np.array(page["level"]).T - want["level"])
    assert error[:, :-1].max() < 0.01
    assert error[:, -1].max() < 0.2
    assert np.median(error[:, -1]) < 0.02
    assert page["variation"] == pytest.approx(want["variation"], abs=0.02)
    assert "added seats" in explored.page.locator("#verdict").inner_text()


def test_the_map_follows_the_subs(explore: Explore) -> None:
    """Against the model asked at the map's own points, away from the walls; the subs dragged, one switched off."""
    explored = explore(subs=3)
    drag(explored, "#plan .sub >> nth=0", (0.31, 2.6))
    typed(explored, "sub 3, x in metres", "4.83")
    explored.page.get_by_label("sub 2 on").uncheck()
    plan, hz = explored.plan, explored.plan.results.frequency_hz
    on = [sub for sub in explored.state()["subs"] if sub["on"]]
    found = explored.page.evaluate(
        """() => {
          const { app } = roommodes;
          const plane = app.judge.plane;
          const subs = app.state.subs.filter((sub) => sub.on);
          const placed = (f) => subs.map((sub) => ({
            mix: app.field.mix(sub.at),
            at: sub.at,
            weight: Array.from(app.judge.weight(sub).subarray(2 * f, 2 * f + 2)),
          }));
          const levels = app.data.hz.map((_, f) => Array.from(plane.levels(f, placed(f))));
          return { points: plane.points, levels };
        }"""
    )
    points, levels = np.array(found["points"]), np.array(found["levels"])
    room = np.array(plan.project.room.size_m)
    inside = np.all((points[:, :2] > 0.3) & (points[:, :2] < room[:2] - 0.3), axis=1)
    chosen = np.flatnonzero(inside)[::7]
    transfer = transfer_function(
        plan.project.room,
        plan.project.surfaces(),
        frequency_hz=hz,
        seat_m=points[chosen],
        source_m=np.array([sub["at"] for sub in on]),
    )
    weights = drive_weights(
        hz,
        gain_db=[sub["gain"] for sub in on],
        delay_s=[1e-3 * sub["delay"] for sub in on],
        polarity=[sub["polarity"] for sub in on],
    )
    want = level_db(seat_pressure(transfer, weights))
    error = np.abs(levels[:, chosen] - want)
    loud = want > want.mean(axis=1, keepdims=True) - 20.0
    assert error[loud].max() < 0.4
    assert np.median(error) < 0.02


def with_filters(results: Results) -> Results:
    """As `tune` leaves a plan: filters on each sub."""
    settings = tuning_settings(shared=0, cut_db=9.0, q=(0.5, 8.0), exchange=0.1)
    level = results.plans[2].level_db[0]
    tuning = Tuning(
        place=(2, 0),
        settings=settings,
        sub_filters=(
            (Section(kind="peaking", frequency_hz=43.0, q=3.0, gain_db=-6.0),),
            (Section(kind="all-pass", frequency_hz=62.0, q=1.5, gain_db=0.0),),
        ),
        shared=(),
        before_db=level,
        after_db=level,
        target_db=level[:, 0],
        ceiling_db=level[:, 0],
        variation_before_db=1.0,
        variation_after_db=1.0,
        price=TuningPrice(boost_db=0.0, boost_hz=40.0, level_lost_db=0.0),
    )
    return replace(results, tuning=tuning)


def test_a_tuned_plan_keeps_its_filters(explore: Explore) -> None:
    explored = explore(change=with_filters)
    bare = explore()
    assert abs(held(explored)["variation"] - held(bare)["variation"]) > 0.02
    typed(explored, "sub 1, y in metres", "2.2")
    held(explored)


def test_without_limits_levels_count_from_one_sub(explore: Explore) -> None:
    text = PROJECT.replace("CLOUD\n", "").replace('max_level_1m_db = { "20" = 98, "40" = 108 }\n', "")
    explored = explore(text=text)
    held(explored)
    assert explored.page.locator("#headroom").is_hidden()


def test_one_seat_has_no_variation(explore: Explore) -> None:
    text = PROJECT.replace("CLOUD\n", "").replace("y_m = [1.2, 2.05, 2.9]", "y_m = [2.0]")
    text = text[: text.index('[[rows]]\nname = "back"')] + text[text.index("[screen]") :]
    explored = explore(text=text)
    assert held(explored)["variation"] == 0.0
    assert "variation" not in explored.page.locator("#verdict").inner_text()
