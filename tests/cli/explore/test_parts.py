"""The page's parts: scripts joined into one, numbers packed, as much of the field as fits, and what is left out."""

import base64
import re
import zlib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from cli.explore import bundle
from cli.explore.bundle import bundled
from cli.explore.data import page_data
from cli.explore.field import DOUBT, MOST_BYTES, Extent, expected, extent_of, left_out, page_field
from cli.explore.packing import Rates, packed_floats, packed_integers
from cli.explore.page import explore_html
from cli.terminal.plan_options import choose_plan
from roommodes.plan.file import write_results
from roommodes.plan.plan import Plan
from solvers.listening.anywhere import anywhere
from tests.given_plans import given_results

from .conftest import DRIVES, PROJECT, Explore, held

SCRIPTS = Path(bundle.__file__).parent / "script"
TEXT = PROJECT.replace("CLOUD\n", "")


@pytest.fixture(scope="module")
def plan(tmp_path_factory: pytest.TempPathFactory) -> Plan:
    """The plan with two subs."""
    path = tmp_path_factory.mktemp("plan") / "plan.h5"
    write_results(path, given_results(TEXT, DRIVES), force=False)
    return choose_plan(path, subs=2)


def test_every_script_is_short_and_used() -> None:
    used = set(re.findall(r"const m_(\w+) =", bundled("main") + bundled("worker")))
    for path in SCRIPTS.glob("*.js"):
        lines = path.read_text(encoding="utf-8").splitlines()
        assert len(lines) <= 400, path.name
        assert max(map(len, lines)) <= 120, path.name
        assert lines[0].startswith("/**"), f"{path.name} does not say what it is"
        assert path.stem in used | {"types"}, f"{path.name} is in no bundle"
        assert "innerHTML" not in path.read_text(encoding="utf-8"), f"{path.name}: texts stay texts"


def test_a_bundle_holds_each_module_once_before_those_that_need_it() -> None:
    text = bundled("main")
    order = re.findall(r"^const m_(\w+) = \(\(\) =>", text, flags=re.MULTILINE)
    assert len(order) == len(set(order))
    assert order[-1] == "main"
    for name in order:
        needed = re.findall(r'from "\./(\w+)\.js";', (SCRIPTS / f"{name}.js").read_text(encoding="utf-8"))
        assert all(order.index(one) < order.index(name) for one in needed), name
    assert not re.search(r"^\s*(import|export)\b", text, flags=re.MULTILINE)


def test_a_circle_of_modules_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "a.js").write_text('import { b } from "./b.js";\nexport const a = 1;\n')
    (tmp_path / "b.js").write_text('import { a } from "./a.js";\nexport const b = 1;\n')
    monkeypatch.setattr(bundle, "files", lambda package: tmp_path)
    with pytest.raises(ValueError, match="a -> b -> a"):
        bundled("a")


def test_numbers_come_out_of_their_packing_as_they_went_in() -> None:
    values = np.array([0, 1, -1, 127, -128, 70_000, -70_000, 2**20, -(2**20)], dtype=np.int64)
    packed = packed_integers(values)
    planes = np.frombuffer(zlib.decompress(base64.b64decode(packed["data"])), dtype=np.uint8)
    planes = planes.reshape(packed["bytes"], packed["count"]).astype(np.int64)
    folded = sum(planes[k] << (8 * k) for k in range(packed["bytes"]))
    assert np.array_equal((folded >> 1) ^ -(folded & 1), values)
    floats = np.array([1.5, -2.25e-9, 3e7], dtype=np.float32)
    assert np.array_equal(np.frombuffer(zlib.decompress(base64.b64decode(packed_floats(floats))), dtype="<f4"), floats)


def test_what_is_expected_is_what_comes(plan: Plan) -> None:
    extent = extent_of(plan.results)
    assert extent == Extent(step_m=0.1)
    size = len(explore_html(page_data(plan, page_field(plan.results))))
    assert size / DOUBT < expected(plan.results, extent) < DOUBT * size


def test_what_does_not_fit_is_left_out_step_by_step(plan: Plan) -> None:
    whole = [expected(plan.results, Extent(step_m=step)) for step in (0.1, 0.15, 0.2)]
    assert extent_of(plan.results, whole[0] - 1.0) == Extent(step_m=0.15)
    assert extent_of(plan.results, whole[1] - 1.0).step_m == 0.2
    assert extent_of(plan.results, whole[2] - 1.0) == Extent(step_m=0.2)  # it may fit all the same: weighed later
    still = expected(plan.results, Extent(step_m=0.2, rows=False))
    assert extent_of(plan.results, min(still, whole[2] / DOUBT) - 1.0) == Extent(step_m=0.2, rows=False, plane=False)
    least = expected(plan.results, Extent(step_m=0.2, rows=False, plane=False))
    last = Extent(step_m=0.2, rows=False, plane=False, between=False)
    assert extent_of(plan.results, min(least, whole[2] / DOUBT) - 1.0) == last
    assert expected(plan.results, last) < least


def test_rows_stay_out_only_where_the_page_itself_passes_the_size(plan: Plan, monkeypatch: pytest.MonkeyPatch) -> None:
    """The page is packed and weighed; what is expected of it decides nothing that is near."""

    size = len(explore_html(page_data(plan, anywhere(plan.results, step_m=0.2))))
    for part in (0.85, 1.2):  # expected too small, and too large
        rates = Rates(field=2.9 * part, series=1.12 * part, plane=1.6 * part)
        for most, whole in ((1.1 * size, True), (0.95 * size, False)):
            monkeypatch.setattr("cli.explore.field.MOST_BYTES", most)
            found = page_field(plan.results, rates=rates)
            assert bool(found.shifts) is whole
            assert len(explore_html(page_data(plan, found))) <= most


def test_beyond_the_last_it_says_how_large_the_page_is(
    explore: Explore, plan: Plan, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("cli.explore.field.MOST_BYTES", 10.0)
    monkeypatch.setattr(
        "cli.explore.field.extent_of", lambda *_, **__: Extent(step_m=0.2, rows=False, plane=False, between=False)
    )
    explored = explore(text=TEXT.replace('"Loft"', '"Large loft"'))
    said = explored.page.locator("footer").inner_text()
    assert "at the plan's candidates only" in said
    places = len(explored.plan.results.candidates)
    assert (
        f"5 points of seats, {places} candidates and {len(explored.plan.frequency_hz)} frequencies are all in" in said
    )
    held(explored)


def test_what_was_left_out_is_said_and_the_page_works_without(
    explore: Explore, plan: Plan, monkeypatch: pytest.MonkeyPatch
) -> None:
    bare = anywhere(plan.results, step_m=0.2, rows=False, plane=False)
    said = " ".join(left_out(plan.results, bare))
    assert "Places stand up to 0.20 m apart" in said
    assert "Rows stay where they are drawn" in said
    assert "There is no map" in said
    monkeypatch.setattr("cli.explore.field.extent_of", lambda *_, **__: Extent(step_m=0.2, rows=False, plane=False))
    explored = explore(text=TEXT.replace('"Loft"', '"Small loft"'))
    page = explored.page
    assert page.locator("#add-seat").is_hidden()
    assert page.locator("#map-part").is_hidden()
    assert "Row front stays where it is drawn." in page.locator("#rows").inner_text()
    assert "There is no map" in page.locator("footer").inner_text()
    field = page.get_by_label("sub 1, y in metres", exact=True)
    field.fill("2.13")
    field.press("Enter")
    held(explored)


def test_another_model_is_noticed(explore: Explore) -> None:
    """A file whose responses are not those of today's model keeps to its candidates."""

    def other(results):  # type: ignore[no-untyped-def]
        return replace(results, transfer=1.01 * results.transfer)

    explored = explore(change=other)
    footer = explored.page.locator("footer").inner_text()
    assert "model differs from the one that the plan was searched with (version 0.1.0)" in footer
    assert explored.page.locator("#between").is_hidden()
    assert explored.numbers()["variation"] == pytest.approx(float(explored.plan.table.variation_db[0]), abs=0.002)


def test_seven_seats_150_candidates_and_48_frequencies_stay_under_five_megabytes(tmp_path: Path) -> None:
    """Both rows may move, all of it is in the page, and nothing is left out."""
    text = TEXT.replace("points_per_octave = 8", "points_per_octave = 20")
    text = text.replace("y_m = [1.6, 2.5]", "y_m = [1.0, 1.6, 2.5, 3.1]\nmove_m = [0.3, 0.3]")
    text = text.replace("spacing_m = 0.55", "spacing_m = 0.1").replace("spacing_m = 0.5", "spacing_m = 0.1")
    results = given_results(text, {1: ([0.0], [0.0], [1], [3])})
    assert len(results.seats) == 7
    assert len(results.candidates) >= 150
    assert len(results.frequency_hz) >= 47
    write_results(tmp_path / "plan.h5", results, force=False)
    chosen = choose_plan(tmp_path / "plan.h5")
    found = page_field(chosen.results)
    assert left_out(chosen.results, found) == ()
    assert len(found.shifts) == 2
    assert len(explore_html(page_data(chosen, found))) < MOST_BYTES
