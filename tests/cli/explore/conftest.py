"""A plan with everything that the page can move, and its page in a browser."""

import json
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from cli.explore.data import page_data
from cli.explore.field import page_field
from cli.explore.page import explore_html
from cli.terminal.plan_options import choose_plan
from roommodes.acoustics.transfer import transfer_function
from roommodes.filters.sections import section_response
from roommodes.places.seats import Seats
from roommodes.places.zones import Candidates
from roommodes.plan.drives import Drives
from roommodes.plan.file import write_results
from roommodes.plan.plan import Plan, Results
from roommodes.plan.tables import Further
from roommodes.responses.metrics import (
    direct_sound_s,
    drive_weights,
    energy_time_s,
    level_db,
    normalised,
    output_db,
    seat_pressure,
    variation_db,
)
from roommodes.responses.third_octaves import band_levels, bands_within
from solvers.choice.aims import decay_s, smoothness_db
from solvers.loudness.headroom import headroom, highest_clean_db, loudness_of
from tests.browser import Opened, opened_file
from tests.given_plans import Given, given_results

PROJECT = """\
format = 1
name = "Loft"
[room]
length_m = 5.4
width_m = 4.1
height_m = 2.5
loss_factor = 0.02
[walls]
front = "brick"
[[regions]]
wall = "left"
from_m = [1.0, 0.2]
to_m = [2.5, 2.2]
construction = "glass pane 6 mm"
[[rows]]
name = "front"
x_m = 2.6
y_m = [1.2, 2.05, 2.9]
ear_height_m = 1.1
move_m = [0.3, 0.2]
[[rows]]
name = "back"
x_m = 4.0
y_m = [1.6, 2.5]
ear_height_m = 1.3
weight = 0.5
CLOUD
[screen]
width_m = 2.4
[[zones]]
name = "front wall"
from_m = [0.31, 0.35, 0.27]
to_m = [0.31, 3.65, 0.27]
spacing_m = 0.55
[[zones]]
name = "behind the seats"
from_m = [4.6, 0.4, 0.3]
to_m = [5.1, 3.7, 0.3]
spacing_m = 0.5
[[zones]]
name = "shelf"
from_m = [5.1, 2.0, 2.1]
to_m = [5.1, 2.0, 2.1]
[[keep_outs]]
name = "way in"
from_m = [4.3, 0.0, 0.0]
to_m = [5.4, 1.2, 2.1]
[subwoofer]
cabinet_m = [0.42, 0.36, 0.44]
port_clearance_m = 0.06
max_level_1m_db = { "20" = 98, "40" = 108 }
[target]
level_db = 105
band_hz = [25, 90]
[search]
counts = [1, 2, 3]
band_hz = [20, 100]
points_per_octave = 8
delay_ms = [0, 15]
gain_db = [-10, 0]
"""
CLOUDS = "cloud_m = [0.08, 0.1, 0.0]"
DRIVES: dict[int, Given] = {
    1: ([0.0], [0.0], [1], [0]),
    2: ([0.0, -3.5], [0.0021, 0.0094], [1, -1], [1, 8]),
    3: ([-1.0, 0.0, -2.0], [0.0012, 0.0, 0.0105], [1, 1, -1], [0, 5, 9]),
}


@dataclass(frozen=True)
class Explored:
    """A page and the plan behind it."""

    opened: Opened
    plan: Plan

    @property
    def page(self) -> Any:
        """Playwright's page."""
        return self.opened.page

    def drawn(self) -> None:
        """Wait until what was changed is on the screen."""
        self.page.evaluate("() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")

    def state(self) -> dict[str, Any]:
        """The page's state."""
        return dict(json.loads(self.page.evaluate("JSON.stringify(roommodes.app.state)")))

    def numbers(self) -> dict[str, Any]:
        """The page's numbers, its arrays as lists."""
        text = self.page.evaluate(
            "JSON.stringify(roommodes.app.numbers, (k, v) => ArrayBuffer.isView(v) ? Array.from(v) : v)"
        )
        return dict(json.loads(text))


Explore = Callable[..., Explored]


@pytest.fixture(scope="session")
def explore(browser: Any, tmp_path_factory: pytest.TempPathFactory) -> Explore:
    """`explore(subs=2)`: the page of a plan, opened anew; `text` and `change` make other plans."""
    made: dict[tuple[object, ...], tuple[Path, Plan]] = {}

    def open_page(
        *,
        subs: int = 2,
        text: str = PROJECT.replace("CLOUD\n", ""),
        drives: dict[int, Given] = DRIVES,
        change: Callable[[Results], Results] = lambda results: results,
        fragment: str = "",
        **wishes: Any,
    ) -> Explored:
        key = (subs, text, change if change.__name__ != "<lambda>" else None)
        if key not in made:
            folder = tmp_path_factory.mktemp("explore")
            write_results(folder / "plan.h5", change(given_results(text, drives)), force=False)
            plan = choose_plan(folder / "plan.h5", subs=subs)
            (folder / "page.html").write_bytes(explore_html(page_data(plan, page_field(plan.results))))
            made[key] = (folder / "page.html", plan)
        path, plan = made[key]
        opened = opened_file(browser, path, fragment=fragment, **wishes)
        opened.page.wait_for_selector("#page:not([hidden])")
        return Explored(opened=opened, plan=plan)

    return open_page


def judged(plan: Plan, state: dict[str, Any]) -> dict[str, Any]:
    """The numbers of a state, from the model asked for these very places: nothing here knows of the page's data."""
    project, hz, room = plan.project, plan.results.frequency_hz, plan.project.room
    listening, seats = project.listening(), project.seats
    on = [sub for sub in state["subs"] if sub["on"]]
    place = np.array([sub["at"] for sub in on])
    gain, delay = np.array([sub["gain"] for sub in on]), 1e-3 * np.array([sub["delay"] for sub in on])
    sign = [sub["polarity"] for sub in on]
    ears = listening.position_m.copy()
    ears[:, 0] += np.array(state["rows"])[seats.row[listening.seat]]
    counts = ~np.isin(listening.seat, state["out"])
    transfer = transfer_function(room, project.surfaces(), frequency_hz=hz, seat_m=ears[counts], source_m=place)
    weights = drive_weights(hz, gain_db=gain, delay_s=delay, polarity=sign) * _filters(plan, on)
    weight = listening.weight[counts]
    pressure = seat_pressure(transfer, weights)
    level = level_db(pressure)
    n_seat = len(seats) - len(state["out"])
    seat_weight = seats.weight[[seat not in state["out"] for seat in range(len(seats))]]
    found: dict[str, Any] = {
        "variation": variation_db(level, weight),
        "output": output_db(level, weight, gain),
        "smoothness": smoothness_db(level, weight, hz),
        "decay": decay_s(pressure, weight, hz),
        "level": level[:, :n_seat] - gain.max(),
    }
    seat_m = ears[counts][:n_seat]
    arrive = 1e3 * direct_sound_s(place, delay, seat_m, speed_m_s=room.air.speed_of_sound_m_s)
    energy = 1e3 * energy_time_s(hz, pressure[:, :n_seat]) - 1e3 * delay.min()
    found["arrivals"] = np.stack([arrive.min(axis=1), arrive.max(axis=1), energy], axis=1)
    loudness = loudness_of(project, hz) if plan.results.limit_db is not None else None
    if loudness is not None:
        own = transfer[:, :n_seat]
        limit = np.repeat(loudness.limits.highest_db[:, None], len(on), axis=1)
        found["level"] = highest_clean_db(own, weights, limit)[0]
        kept = [seat for seat in range(len(seats)) if seat not in state["out"]]
        results = replace(
            plan.results,
            seats=Seats(
                position_m=seat_m,
                name=tuple(seats.name[seat] for seat in kept),
                weight=seat_weight,
                row=seats.row[kept],
            ),
            candidates=Candidates(position_m=place, zone=("x",) * len(on), mirror_of=np.full(len(on), -1)),
            transfer=own,
            further=Further(),
        )
        alone = results.judged(range(len(on)), Drives(gain_db=gain, delay_s=delay, polarity=np.array(sign)))
        bands = headroom(replace(alone, tuning=plan.tuning), loudness)
        found["headroom"], found["bands"], found["stops"] = bands.headroom_db, bands.bands, bands.tightest.limited_by
        found["worst"] = bands.least_db
    found["band_level"] = band_levels(hz, found["level"], bands_within(hz))
    found["mean"] = found["level"] @ normalised(seat_weight)
    return found


def _filters(plan: Plan, subs: list[dict[str, Any]]) -> np.ndarray:
    hz, tuning = plan.results.frequency_hz, plan.results.tuning
    columns = [np.ones(len(hz), dtype=complex) for _ in subs]
    for place, sub in enumerate(subs):
        if tuning is not None and sub["filter"] >= 0:
            filters = tuning.sub_filters[sub["filter"]]
            columns[place] = section_response(filters, hz, rate_hz=tuning.settings.sample_rate_hz)
    return np.stack(columns, axis=1)


def held(explored: Explored, within_db: float = 0.01) -> dict[str, Any]:
    """Fail unless every number of the page is the program's; returns the page's."""
    page, plan, state = explored.numbers(), explored.plan, explored.state()
    want = judged(plan, state)
    for name in ("variation", "output", "smoothness"):
        assert page[name] == pytest.approx(want[name], abs=within_db), name
    assert page["decay"] == pytest.approx(want["decay"], rel=2e-3)
    assert np.abs(np.array(page["level"]).T - want["level"]).max() < within_db
    assert np.abs(np.array(page["mean"]) - want["mean"]).max() < within_db
    assert np.abs(np.array([band["level"] for band in page["bands"]]) - want["band_level"]).max() < within_db
    arrivals = np.array([[one["first"], one["last"], one["energy"]] for one in page["arrivals"]])
    assert np.abs(arrivals - want["arrivals"]).max() < 0.01
    asked = [band for band in page["bands"] if band["headroom"] is not None]
    if "headroom" in want:
        assert np.abs(np.array([band["headroom"] for band in asked]) - want["headroom"]).max() < within_db
        assert [band["stops"] for band in asked] == [str(limit) for limit in want["stops"]]
        assert page["worst"]["headroom"] == pytest.approx(want["worst"], abs=within_db)
    else:
        assert not asked
        assert page["worst"] is None
    assert explored.opened.said == []
    return page
