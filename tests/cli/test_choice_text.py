"""What optimise says beside the plans: the recommended one, what was bought, the front, the rows."""

import json
import re
from pathlib import Path

import numpy as np
import pytest

from roommodes.plan.file import read_results
from roommodes.project.reading import load_project
from solvers.plans.basis import build_problem

MOVING = 'name = "front"\nmove_m = [0.2, 0.1]'


@pytest.fixture
def moving(small: Path) -> Path:
    small.write_text(small.read_text().replace('name = "front"', MOVING, 1))
    return small


def words(text: str) -> str:
    return " ".join(text.split())


def test_the_summary_recommends_one_plan_with_reasons(run, small: Path) -> None:
    result = run("optimise", small, "-o", "plan.h5")
    assert result.exit_code == 0
    advice = read_results(Path("plan.h5")).choices.recommendation
    assert advice is not None
    text = words(result.stdout)
    assert f"Recommended: the plan with {advice.subs} sub" in text
    for reason in advice.reasons:
        assert words(reason) in text


def test_the_summary_says_what_was_bought(run, small: Path) -> None:
    text = words(run("optimise", small, "-o", "plan.h5").stdout)
    results = read_results(Path("plan.h5"))
    table, usual = results.plans[2], results.choices.usual
    assert f"this plan's positions {table.merits.alike_db[0]:.2f} dB {table.variation_db[0]:.2f} dB" in text
    assert usual is not None
    for k in usual.of_count(2):
        figures = f"{usual.alike_variation_db[k]:.2f} dB {usual.driven_variation_db[k]:.2f} dB"
        assert f"usual: {usual.name[k]} {figures}" in text
    found, least = table.merits.weights_db[0], table.merits.weights_least_db[0]
    assert f"the best found at these positions reach {found:.2f} dB" in text
    assert " output. " in text.split("the best found at these positions")[1]
    shown = re.search(r"Lower bound, proven: ([0-9.]+) dB \(gap ([0-9.]+) dB\)", text)
    if least < 0.01:
        assert shown is None
        assert "No better weights were found; no lower bound is proven." in text
    else:
        assert shown is not None
        assert float(shown[1]) <= least  # never rounded up
        assert abs(float(shown[1]) + float(shown[2]) - found) < 0.011
    assert f"Smoothness {table.merits.smoothness_db[0]:.1f} dB, decay {table.merits.decay_s[0]:.2f} s." in text
    assert "Where the rows should be" not in text  # none may move


def test_the_summary_says_where_the_rows_should_be(run, moving: Path) -> None:
    text = words(run("optimise", moving, "-o", "plan.h5").stdout)
    results = read_results(Path("plan.h5"))
    for count, move in results.choices.rows.items():
        offset = float(move.offset_m[0])
        where = f"{2.2 + offset:.2f} m ({100 * abs(offset):.0f} cm {'back' if offset > 0 else 'forward'})"
        if offset == 0.0:
            where = "2.20 m, as drawn"
        figures = [move.drawn_variation_db, move.variation_db, move.worst_near_db]
        assert f"{count} {' '.join(f'{value:.2f} dB' for value in figures)} {where}" in text
    assert re.search(r"front moved alone \(\+ is back\), .* rows held: -20 cm \d\.\d\d dB, .* 0 cm \d\.\d\d dB", text)


def test_the_front_is_a_table_from_even_to_loud(run, small: Path) -> None:
    text = run("optimise", small, "-o", "plan.h5", "--counts", "2").stdout
    front = read_results(Path("plan.h5")).choices.fronts[2]
    assert len(front.variation_db) > 2
    assert "2 subs: variation against output" in text
    listed = text[text.index("against output") :]
    rows = re.findall(r"^ +(\d+) +(\d+\.\d\d) dB +(-?\d+\.\d) dB", listed, flags=re.MULTILINE)
    assert [float(v) for _, v, _ in rows] == [round(float(v), 2) for v in front.variation_db]
    for k, (rank, _, _) in enumerate(rows):
        plan = read_results(Path("plan.h5")).plan(2, int(rank))
        assert plan.variation_db == pytest.approx(front.variation_db[k], rel=1e-9)
        assert plan.output_db == pytest.approx(front.output_db[k], abs=1e-9)
    last = rows[-1][0]
    assert int(last) > len(read_results(Path("plan.h5")).plans[2])
    shown = run("settings", "plan.h5", "--subs", "2", "--rank", last, "-o", "values.json").stdout
    assert shown
    wrong = run("settings", "plan.h5", "--subs", "2", "--rank", "999")
    assert wrong.exit_code == 2
    assert "allowed: 1 to" in words(wrong.stderr)
    assert "-0.0 dB" not in text


def test_the_price_in_level_is_said(run, small: Path) -> None:
    text = words(run("optimise", small, "-o", "plan.h5", "--counts", "2").stdout)
    results = read_results(Path("plan.h5"))
    front, table = results.choices.fronts[2], results.plans[2]
    lost = float(front.output_db.max() - table.output_db[0])
    assert lost > 1.0
    assert f"Its price in level: it plays {lost:.1f} dB less loud than the loudest plan found with 2 subs" in text


def test_json_tells_the_same(run, moving: Path) -> None:
    data = json.loads(run("optimise", moving, "-o", "plan.h5", "--json").stdout)
    results = read_results(Path("plan.h5"))
    advice = results.choices.recommendation
    assert advice is not None
    assert data["recommended"].pop("level_given_away_db") >= 0.0
    assert data["recommended"] == {"subs": advice.subs, "reasons": list(advice.reasons)}
    assert [entry["subs"] for entry in data["worth"]] == [1, 2]
    for entry in data["worth"]:
        assert entry["variation_db"] == results.plans[entry["subs"]].variation_db[0]
        assert entry["weights_db"] <= entry["variation_db"] <= entry["alike_variation_db"] + 1e-9
        assert entry["usual"]
    for entry in data["fronts"]:
        assert len(entry["plans"]) == len(results.choices.fronts[entry["subs"]].variation_db)
        for plan in entry["plans"]:
            assert np.shape(plan["positions_m"]) == (entry["subs"], 3)
    assert [entry["subs"] for entry in data["rows"]] == [1, 2]
    for entry in data["rows"]:
        assert len(entry["offset_m"]) == 1
        assert -0.2 <= entry["offset_m"][0] <= 0.1
        assert {point["row"] for point in entry["around"]} == {0}


def test_a_project_with_weights_says_what_its_order_means(run, small: Path) -> None:
    small.write_text(small.read_text().replace("[layout]", "[search.weights]\noutput = 0.5\n[layout]"))
    text = words(run("optimise", small, "-o", "plan.h5", "--counts", "2").stdout)
    assert "2 subs: first by the aims, variation" in text
    assert "ordered by the weights and limits of [search], not by variation alone" in text
    assert load_project(small).search.weights.output == 0.5


def test_the_transfer_is_that_of_the_problem(run, moving: Path) -> None:
    """Usual layouts and moved rows ride on the same call of the model; what is stored is the problem's own part."""
    run("optimise", moving, "-o", "plan.h5", "--counts", "1")
    stored = read_results(Path("plan.h5"))
    problem = build_problem(load_project(moving))
    np.testing.assert_array_equal(stored.transfer, problem.transfer)
    assert stored.transfer.shape[1:] == (3, 7)
