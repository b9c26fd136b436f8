"""Several kinds of subwoofer from the search to the sheets: one mirrored plan, and every place that names a kind."""

import csv
import io
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from matplotlib.figure import Figure

from cli.drawing.objects import stances
from cli.figures.mixes import MixPoints, variation_against_price
from cli.report.blocks import Table
from cli.report.mixes import mix_blocks
from cli.terminal.output import Page
from cli.words.kinds.mixes import mix_table, mixes_json, price_line, print_mixes
from cli.words.plan import plans_json
from cli.words.settings import pair_lines, settings_csv
from roommodes.errors import ProjectInvalid
from roommodes.plan.drives import Drives
from roommodes.plan.file import read_results, write_results
from roommodes.plan.plan import Results
from roommodes.plan.starting_values import starting_values
from roommodes.project.reading import parse_project
from solvers.electrical.of_plan import electrical_of
from solvers.plans.by_hand import predict_layout
from solvers.plans.side_by_side import moved
from solvers.plans.solve import solve
from solvers.tolerance.percentiles import Asked, design_of
from solvers.tolerance.plans import leading_plans
from tests.rooms import CLOSED_BOX, SMALL

DRIVER = CLOSED_BOX.replace("[subwoofer.", "[subwoofers.")
KINDS = f"""\
[[subwoofers]]
name = "large"
price = 900.5
weight_kg = 40
cabinet_m = [0.45, 0.4, 0.5]
{DRIVER}[[subwoofers]]
name = "small"
price = 400
cabinet_m = [0.4, 0.36, 0.4]
acoustic_centre_m = [0, 0, 0.05]
{DRIVER.replace("0.083", "0.04").replace("0.14", "0.04").replace("fs_hz = 23", "fs_hz = 31")}"""
ASKED = """\
[units]
currency = "EUR"
[search]
counts = [2]
band_hz = [30, 60]
points_per_octave = 4
mirror = true
budget = 1801
delay_ms = [0, 0]
gain_db = [-6, 0]
[search.limits]
variation_db = 9
"""


@pytest.fixture(scope="module")
def results() -> Results:
    text = SMALL[: SMALL.index("[search]")] + ASKED + KINDS
    return solve(parse_project(text, source="two kinds"))


def test_every_mix_has_its_plan_and_keeps_the_wishes(results: Results) -> None:
    mixes = {tuple(one["kinds"].items()): one for one in mixes_json(results)}
    assert set(mixes) >= {(("large", 2), ("small", 0)), (("large", 0), ("small", 2))}
    for row in range(len(results.plans[2])):
        plan = results.plan(2, row + 1)
        assert plan.price is not None
        assert plan.price <= 1801
        left, right = plan.positions_m  # mirrored pairs, or both on the centre plane
        middle = results.project.room.width_m / 2.0
        assert left[1] + right[1] == pytest.approx(2.0 * middle, abs=2e-6) or np.allclose([left[1], right[1]], middle)


def test_places_found_by_several_searches_are_there_once(results: Results) -> None:
    found = results.candidates
    places = {(kind, *np.round(place, 5)) for kind, place in zip(found.kind, found.position_m, strict=True)}
    assert len(places) == len(found)


def test_the_file_keeps_the_kinds(results: Results, tmp_path: Path) -> None:
    path = tmp_path / "plan.h5"
    write_results(path, results, force=False)
    again = read_results(path)
    assert (again.candidates.kind == results.candidates.kind).all()
    assert mixes_json(again) == mixes_json(results)
    assert [kind.name for kind in again.recommended().kinds] == [kind.name for kind in results.recommended().kinds]


def test_terminal_settings_and_json_name_kind_and_price(results: Results, capsys: pytest.CaptureFixture[str]) -> None:
    print_mixes(Page(), results)
    said = capsys.readouterr().out
    assert "2 small" in said
    assert "1,801 EUR" in said
    assert "Cheapest plan found with a variation of at most 9 dB: 2 small, 800 EUR" in said
    plan = results.recommended()
    assert price_line(plan).endswith("of a budget of 1,801 EUR.")
    assert plans_json(results)["plans"][0]["price"] == plan.price
    rows = list(csv.DictReader(io.StringIO(settings_csv(starting_values(plan, rate_hz=48000.0)).decode())))
    assert [row["kind"] for row in rows] == [kind.name for kind in plan.kinds]


def test_drawing_and_quantities_go_by_kind(results: Results) -> None:
    front = next(one for one in mixes_json(results) if one["kinds"]["small"] == 2)
    small = results.plan(2, front["rank"])
    for one in stances(small):
        assert one.name == "small"
        size = np.sort(np.array(one.high_m) - one.low_m)
        assert size == pytest.approx([0.36, 0.4, 0.4])
        assert one.low_m[2] == pytest.approx(0.3 - 0.05 - 0.2)  # its centre lies above its middle
    items = {item.item: item for item in electrical_of(small).items}
    assert items["subwoofer, small"].quantity == 2
    assert "subwoofer, large" not in items
    table = next(block for block in mix_blocks(small) if isinstance(block, Table))
    assert any("this plan" in row[1] for row in table.rows)


def test_mixes_say_which_one_costs_less_and_is_more_even(results: Results) -> None:
    table = mix_table(results)
    assert table is not None
    assert len(table.front) + len(table.beaten) == len(mixes_json(results))
    for one, louder in zip(table.front, table.louder, strict=True):
        better = [
            other
            for other in (*table.front, *table.beaten)
            if other.mix != one.mix
            and (other.price or 0.0) <= (one.price or 0.0)
            and other.plan.variation_db <= one.plan.variation_db + 1e-9
        ]
        assert louder == bool(better)
    assert len(table.louder_words) == sum(table.louder)
    assert len(table.beaten_words) == len(table.beaten)


def test_the_figure_of_mixes_steps_down_over_the_price() -> None:
    points = MixPoints(
        price=[620, 1240, 1300, 1860, 1900],
        variation_db=[6.2, 4.5, 6.0, 3.7, 5.0],
        level_db=[101, 103, 107, 104, 102],
        louder=[False, False, True, False],
        chosen=3,
    )
    upper, lower = Figure().subplots(2, 1)
    variation_against_price((upper, lower), points, price_label="price", level_label="level")
    steps = next(line for line in upper.lines if len(line.get_xdata()) == 6)
    assert list(steps.get_ydata()) == [6.2, 6.2, 4.5, 4.5, 3.7, 3.7]
    assert list(steps.get_xdata())[:5] == [620, 1240, 1240, 1860, 1860]
    assert [text.get_text() for text in lower.texts] == ["1", "2", "3", "4"]  # the one that is beaten has no number


def test_settings_say_that_a_mirrored_pair_has_one_setting(results: Results) -> None:
    plan = results.recommended()
    left, right = plan.positions_m
    lines = pair_lines(plan, starting_values(plan, rate_hz=48000.0))
    apart = not np.allclose(left[1], right[1])
    assert bool(lines) == apart
    assert all("share gain, delay and polarity" in line for line in lines)


def test_tolerance_hears_each_kind_with_its_own_response(results: Results) -> None:
    """The drawn room of the sampled ones has a mixed plan's own variation, another one if all were of one kind."""
    kind = results.candidates.kind
    index = [int(np.flatnonzero(kind == 0)[0]), int(np.flatnonzero(kind == 1)[-1])]
    plan = results.judged(index, Drives(gain_db=np.zeros(2), delay_s=np.zeros(2), polarity=np.ones(2, dtype=np.int64)))
    leading = leading_plans(plan.results, plans=1)
    asked = Asked(draws=16, seed=1, plans=1, counts=None, checked=0, indices=False)
    design = design_of(plan.results, asked, leading, frequency_hz=results.frequency_hz)
    assert design.drawn().variation_db[0, 0] == pytest.approx(plan.variation_db, abs=0.02)
    assert replace(design, response=None).drawn().variation_db[0, 0] != pytest.approx(plan.variation_db, abs=0.05)


def test_a_plan_goes_into_a_project_by_the_names_of_its_kinds(results: Results) -> None:
    plan = results.recommended()
    there = plan.in_project()
    assert there.layout is not None
    assert there.layout.kind == tuple(plan.kind.tolist())
    assert predict_layout(there).variation_db == pytest.approx(plan.variation_db, abs=0.01)  # written to 4 digits
    assert moved(plan, results.project).variation_db == pytest.approx(plan.variation_db, abs=1e-3)
    others = parse_project(
        results.project.toml_text.replace('"large"', '"tall"').replace('"small"', '"flat"'), source="other"
    )
    with pytest.raises(ProjectInvalid, match="which the plan has"):
        moved(plan, others)
