"""Polish from here: what the page finds is better by the program's own reckoning, and no step away from it helps."""

from typing import Any

import numpy as np
import pytest

from roommodes.acoustics.transfer import transfer_function
from solvers.search.explore import Effort
from solvers.search.from_project import drives_of
from solvers.search.polish import Polisher
from solvers.search.problem import Problem
from solvers.search.search import search
from solvers.search.state import State

from .conftest import PROJECT, Explore, Explored, held, judged

TEXT = PROJECT.replace("CLOUD\n", "")


def polished(explored: Explored) -> None:
    """Press the button and wait for the end."""
    page = explored.page
    page.get_by_role("button", name="Polish from here").click()
    page.get_by_role("button", name="Polish from here").wait_for(timeout=120_000)
    assert "Polishing finished" in page.locator("#polish-said").inner_text()


def problem_of(explored: Explored) -> tuple[Problem, State]:
    """The page's subs as the search takes them, and their settings."""
    plan, subs = explored.plan, [sub for sub in explored.state()["subs"] if sub["on"]]
    project, seats = plan.project, plan.project.seats
    transfer = transfer_function(
        project.room,
        project.surfaces(),
        frequency_hz=plan.results.frequency_hz,
        seat_m=seats.position_m,
        source_m=np.array([sub["at"] for sub in subs]),
    )
    problem = Problem(
        frequency_hz=plan.results.frequency_hz,
        transfer=transfer,
        seat_weight=seats.weight,
        drives=drives_of(project),
    )
    state = State(
        column=np.arange(len(subs)),
        delay_s=np.array([1e-3 * sub["delay"] for sub in subs]),
        gain_db=np.array([sub["gain"] for sub in subs]),
        polarity=np.array([float(sub["polarity"]) for sub in subs]),
    )
    return problem, state


@pytest.mark.parametrize("subs", [2, 3])
def test_it_finds_what_the_search_finds_and_no_small_step_helps(explore: Explore, subs: int) -> None:
    """The program's own search over the same places, far longer, is no more than 0.02 dB better."""
    explored = explore(subs=subs)
    before = held(explored)["variation"]
    polished(explored)
    after = held(explored)["variation"]
    assert after < before - 0.5
    problem, state = problem_of(explored)
    weight = problem.seat_weight / problem.seat_weight.sum()
    polisher = Polisher(
        transfer=problem.transfer,
        frequency_hz=problem.frequency_hz,
        seat_weight=weight,
        drives=problem.drives,
        reward=0.0,
    )
    _, value = polisher.polish(state)
    assert after < np.sqrt(value) + 0.002
    (outcome,) = search(problem, counts=[subs], seed=3, effort=Effort(hops=200))
    assert after < outcome.plans[0].variation_db + 0.02


def test_it_keeps_to_what_the_processor_can_do(explore: Explore) -> None:
    text = TEXT.replace("delay_ms = [0, 15]", "delay_ms = [1, 9]\npolarity = false\ndelay_step_samples = 48")
    explored = explore(subs=3, text=text)
    signs = [sub["polarity"] for sub in explored.state()["subs"]]
    polished(explored)
    subs: list[dict[str, Any]] = explored.state()["subs"]
    assert [sub["polarity"] for sub in subs] == signs
    assert min(sub["delay"] for sub in subs) == 1.0
    assert max(sub["delay"] for sub in subs) <= 9.0
    assert all(abs(sub["delay"] - round(sub["delay"])) < 1e-9 for sub in subs), "48 samples are a millisecond"
    assert max(sub["gain"] for sub in subs) == 0.0
    assert min(sub["gain"] for sub in subs) >= -10.0
    held(explored)


def test_it_keeps_to_the_steps_of_the_processor(explore: Explore) -> None:
    """Gains in whole steps below the highest, and no step of any gain or delay is better by the program's reckoning."""
    steps = "[processor]\ngain_step_db = 1.5\ndelay_step_ms = 0.5\n[search]"
    explored = explore(subs=3, text=TEXT.replace("[search]", steps))
    polished(explored)
    subs: list[dict[str, Any]] = explored.state()["subs"]
    assert max(sub["gain"] for sub in subs) == 0.0
    for sub in subs:
        assert sub["gain"] / 1.5 == pytest.approx(round(sub["gain"] / 1.5), abs=1e-9)
        assert sub["delay"] / 0.5 == pytest.approx(round(sub["delay"] / 0.5), abs=1e-9)
    best = held(explored)["variation"]
    for sub in range(len(subs)):
        for key, step in (("gain", 1.5), ("gain", -1.5), ("delay", 0.5), ("delay", -0.5)):
            moved = [dict(one) for one in subs]
            moved[sub][key] += step
            if moved[sub]["gain"] >= -10.0 and moved[sub]["delay"] >= 0.0:
                assert judged(explored.plan, {**explored.state(), "subs": moved})["variation"] > best - 0.002


def test_two_subs_of_a_channel_keep_one_setting(explore: Explore) -> None:
    text = TEXT.replace("[search]", "[search]\nshared_drives = true")
    explored = explore(subs=2, text=text)
    page = explored.page
    assert [sub["channel"] for sub in explored.state()["subs"]] == [0, 1], "these two have settings of their own"
    page.evaluate(
        """() => {
          const { app } = roommodes;
          app.change({ ...app.state, subs: app.state.subs.map((sub) => ({ ...sub, channel: 0, gain: 0, delay: 0 })) });
        }"""
    )
    page.get_by_label("sub 2, gain in decibels, typed").fill("-2")
    page.get_by_label("sub 2, gain in decibels, typed").press("Enter")
    assert [sub["gain"] for sub in explored.state()["subs"]] == [-2, -2]
    polished(explored)
    first, second = explored.state()["subs"]
    assert (first["gain"], first["delay"]) == (second["gain"], second["delay"])
    held(explored)


def test_a_stop_keeps_the_best_and_an_undo_takes_it_back(explore: Explore) -> None:
    explored = explore(subs=3)
    page, before = explored.page, explored.state()
    first = held(explored)["variation"]
    button = page.get_by_role("button", name="Polish from here").element_handle()
    # in the page itself, so that the search cannot end between the word and the click
    page.evaluate(
        """(button) => {
          const said = document.querySelector("#polish-said");
          new MutationObserver((_, seen) => {
            if (!said.textContent.includes("Trial")) return;
            seen.disconnect();
            button.click();
          }).observe(said, { childList: true, characterData: true, subtree: true });
          button.click();
        }""",
        button,
    )
    page.locator("#polish-said", has_text="Polishing stopped").wait_for()
    assert held(explored)["variation"] < first
    page.get_by_role("button", name="Undo").click()
    assert explored.state() == before


def test_what_was_found_for_other_places_is_dropped(explore: Explore) -> None:
    explored = explore(subs=3)
    page = explored.page
    button = page.get_by_role("button", name="Polish from here").element_handle()
    # at once, so that the search cannot end in between
    page.get_by_label("sub 2 on").evaluate("(box, button) => { button.click(); box.click(); }", button)
    state = explored.state()
    page.get_by_role("button", name="Polish from here").wait_for(timeout=120_000)
    assert "dropped" in page.locator("#polish-said").inner_text()
    assert explored.state() == state


def test_without_a_thread_of_its_own_it_works_between_frames(explore: Explore) -> None:
    explored = explore(subs=2)
    explored.page.evaluate("() => { window.Worker = class { constructor() { throw new Error('barred'); } }; }")
    before = held(explored)["variation"]
    polished(explored)
    assert held(explored)["variation"] < before - 0.5
