"""What was bought, the recommended plan and its reasons, and the order of the plans by all aims."""

from dataclasses import replace

import numpy as np
import pytest

from roommodes.acoustics.transfer import transfer_function
from roommodes.plan.file import read_results, results_image, write_results
from roommodes.plan.plan import Results
from roommodes.project.project import Project
from roommodes.project.reading import parse_project
from roommodes.project.tables import AimLimitsTable, AimWeightsTable
from roommodes.responses.metrics import drive_weights, level_db, output_db, seat_pressure, variation_db
from roommodes.running import Running
from solvers.choice.aims import Figures, decay_s, smoothness_db
from solvers.choice.recommend import recommend
from solvers.choice.usual_layouts import usual_layouts
from solvers.plans.solve import expected_results_bytes, solve
from solvers.plans.solve_again import solve_again
from tests.solvers.choice.choosing import TEXT

NO_WEIGHTS, NO_LIMITS = AimWeightsTable(), AimLimitsTable()


def project_with(extra: str = "") -> Project:
    return parse_project(TEXT + extra, source="choosing.toml")


@pytest.fixture(scope="module")
def results() -> Results:
    return solve(project_with())


@pytest.fixture(scope="module")
def loud() -> Results:
    return solve(project_with("[search.weights]\noutput = 0.3\n"))


def figures(variation: float, subs: int, *, output: float = -3.0) -> Figures:
    return Figures(variation_db=variation, output_db=output, smoothness_db=2.0, decay_s=0.4, subs=subs)


def test_each_plan_carries_what_it_is_worth(results: Results, close) -> None:
    for table in results.plans.values():
        assert table.merits.alike_db is not None
        assert table.merits.weights_db is not None
        assert table.merits.smoothness_db is not None
        assert table.merits.decay_s is not None
        weight = results.seats.weight
        for rank, index in enumerate(table.candidate_index):
            h = results.transfer[:, :, index]
            alike = level_db(h.sum(axis=2))
            close(table.merits.alike_db[rank], variation_db(alike, weight), rtol=1e-9)
            assert 0.0 <= table.merits.weights_db[rank] <= table.variation_db[rank]
            assert table.variation_db[rank] <= table.merits.alike_db[rank] + 1e-9
            close(
                table.merits.smoothness_db[rank],
                smoothness_db(table.level_db[rank], weight, results.frequency_hz),
                rtol=1e-9,
            )
            w = drive_weights(
                results.frequency_hz,
                gain_db=table.gain_db[rank],
                delay_s=table.delay_s[rank],
                polarity=table.polarity[rank],
            )
            close(table.merits.decay_s[rank], decay_s(seat_pressure(h, w), weight, results.frequency_hz), rtol=1e-9)
    one = results.plans[1]
    np.testing.assert_allclose(one.merits.weights_db, one.variation_db, rtol=1e-9)
    np.testing.assert_allclose(one.merits.alike_db, one.variation_db, rtol=1e-9)


def test_usual_layouts_stand_beside_the_winner(results: Results, close) -> None:
    usual = results.choices.usual
    assert usual is not None
    project = project_with()
    seat_m = project.seats.position_m
    for count in (1, 2, 3):
        layouts = {one.name: one for one in usual_layouts(project, count, seat_m.tolist())}
        own = usual.of_count(count)
        assert {usual.name[k] for k in own} == set(layouts)
        driven = usual.driven_variation_db[own]
        assert np.all(np.diff(driven) >= 0.0)
        table = results.plans[count]
        said = any(usual.name[own[0]] in remark and "zone" in remark for remark in table.found.remarks)
        assert said == (driven[0] <= table.variation_db[0] - 0.05)  # other places than the candidates
        for k in own:
            h = transfer_function(
                project.room,
                project.surfaces(),
                frequency_hz=results.frequency_hz,
                seat_m=seat_m,
                source_m=np.array(layouts[usual.name[k]].positions_m),
            )
            level = level_db(h.sum(axis=2))
            close(usual.alike_variation_db[k], variation_db(level, results.seats.weight), rtol=1e-5)
            assert usual.alike_output_db[k] == pytest.approx(
                output_db(level, results.seats.weight, np.zeros(count)), abs=1e-4
            )
            assert usual.driven_variation_db[k] <= usual.alike_variation_db[k] + 1e-6
    assert not usual.of_count(4)


def test_a_usual_layout_that_beats_every_plan_is_remarked_on() -> None:
    narrow = project_with().toml_text.replace("3.6, 0.3]", "0.7, 0.3]")  # both zones but a corner
    results = solve(parse_project(narrow, source="narrow.toml"), counts=(2,), running=Running(threads=1))
    usual = results.choices.usual
    assert usual is not None
    assert usual.driven_variation_db[usual.of_count(2)[0]] < results.plans[2].variation_db[0] - 0.05
    assert any("which no plan found among the candidates does" in remark for remark in results.plans[2].found.remarks)


def test_fronts_and_rows_are_stored_with_their_plans(results: Results, tmp_path, close) -> None:
    write_results(tmp_path / "plan.h5", results, force=False)
    stored = read_results(tmp_path / "plan.h5").choices
    assert set(stored.fronts) == set(stored.rows) == {1, 2, 3}
    for count, front in stored.fronts.items():
        assert np.all(np.diff(front.variation_db) > 0.0)
        assert np.all(np.diff(front.output_db) > 0.0)
        for rank, index in enumerate(front.candidate_index):
            w = drive_weights(
                results.frequency_hz,
                gain_db=front.gain_db[rank],
                delay_s=front.delay_s[rank],
                polarity=front.polarity[rank],
            )
            level = level_db(seat_pressure(results.transfer[:, :, index], w))
            close(front.variation_db[rank], variation_db(level, results.seats.weight), rtol=1e-9)
        assert stored.rows[count].variation_db < stored.rows[count].drawn_variation_db
    assert stored.recommendation == results.choices.recommendation


def test_the_file_grows_no_faster_than_foreseen(results: Results) -> None:
    """With each further number of subs: plans, front and rows."""
    project, choices = project_with(), results.choices
    fewer = replace(
        results,
        plans={1: results.plans[1]},
        choices=replace(choices, fronts={1: choices.fronts[1]}, rows={1: choices.rows[1]}),
    )
    grown = len(results_image(results)) - len(results_image(fewer))
    assert grown <= expected_results_bytes(project, (1, 2, 3)) - expected_results_bytes(project, (1,))


def test_all_of_it_can_be_had_again_from_the_file(loud: Results) -> None:
    again = solve_again(loud, running=Running(threads=1))
    for count, table in loud.plans.items():
        np.testing.assert_array_equal(table.variation_db, again.plans[count].variation_db)
        np.testing.assert_array_equal(loud.choices.fronts[count].output_db, again.choices.fronts[count].output_db)
        np.testing.assert_array_equal(table.merits.weights_db, again.plans[count].merits.weights_db)
        np.testing.assert_array_equal(loud.choices.rows[count].offset_m, again.choices.rows[count].offset_m)
    assert loud.choices.recommendation == again.choices.recommendation


def test_a_weight_of_output_buys_output(results: Results, loud: Results) -> None:
    for count in (2, 3):
        even, chosen = results.plans[count], loud.plans[count]
        assert not even.found.by_aims
        assert chosen.found.by_aims
        assert np.all(np.diff(even.variation_db) >= 0.0)
        score = chosen.variation_db - 0.3 * chosen.output_db
        assert np.all(np.diff(score) >= -1e-9)
        assert score[0] < even.variation_db[0] - 0.3 * even.output_db[0] - 0.05
        assert chosen.output_db[0] > even.output_db[0]
        assert len({tuple(row) for row in chosen.candidate_index.tolist()}) == len(chosen.candidate_index)
        assert any("ordered by the weights" in remark for remark in chosen.found.remarks)
    assert loud.choices.recommendation is not None
    assert any("gives up" in reason and "more output" in reason for reason in loud.choices.recommendation.reasons)


def test_limits_are_kept_where_a_plan_keeps_them(results: Results) -> None:
    louder = float(results.plans[2].output_db[0]) + 1.0
    least = louder + 20.0 * np.log10(2.0)  # limits are of the level at the seats
    kept = solve(project_with(f"[search.limits]\noutput_db = {least:.3f}\nsubs = 2\n"), counts=(2,))
    assert kept.plans[2].output_db[0] >= louder - 1e-3
    assert kept.choices.recommendation is not None
    assert kept.choices.recommendation.subs == 2
    beyond = solve(project_with("[search.limits]\noutput_db = 40\n"), counts=(1,))
    assert beyond.choices.recommendation is not None
    text = " ".join(beyond.choices.recommendation.reasons)
    assert "No plan found keeps every limit" in text
    assert "at least 40 dB" in text


def test_a_further_sub_must_be_worth_it() -> None:
    best = {1: figures(4.0, 1), 2: figures(2.5, 2), 4: figures(2.3, 4)}
    advice = recommend(best, best, {}, weights=NO_WEIGHTS, limits=NO_LIMITS)
    assert advice.subs == 2
    text = " ".join(advice.reasons)
    assert "take 1.50 dB off the variation of 1 sub" in text.replace("takes", "take")
    assert "the 2 further subs of the plan with 4 would buy only 0.20 dB" in text
    assert "0.3 dB for each is asked" in text
    keen = recommend(best, best, {}, weights=AimWeightsTable(subs=0.05), limits=NO_LIMITS)
    assert keen.subs == 4
    worse = {2: figures(2.5, 2), 3: figures(2.6, 3)}
    reasons = recommend(worse, worse, {}, weights=AimWeightsTable(subs=0.0), limits=NO_LIMITS).reasons
    assert "would gain nothing" in reasons[0]
    alone = recommend({2: best[2]}, {2: best[2]}, {}, weights=NO_WEIGHTS, limits=NO_LIMITS)
    assert alone.reasons == ("2 subs: the only number asked for.",)


def test_more_subs_that_are_louder_and_more_even_gain_by_their_level() -> None:
    """Four subs with less output than two may be louder at the seats: 20 lg (4 / 2) is what people hear of them."""
    best = {2: figures(2.0, 2, output=-4.0), 4: figures(1.9, 4, output=-6.0)}
    weights = AimWeightsTable(output=0.3, subs=0.1)
    advice = recommend(best, best, {}, weights=weights, limits=NO_LIMITS)
    assert advice.subs == 4
    assert "gain 1.31 dB by the weights of all aims over 2 subs" in advice.reasons[0]  # 0.1 + 0.3 (6.02 - 2)
    kept = recommend(best, best, {}, weights=NO_WEIGHTS, limits=AimLimitsTable(output_db=5.0))
    assert kept.subs == 4  # 6.0 dB re one sub at 1 m; two reach 2.0 dB


def test_a_search_that_was_stopped_does_not_say_the_only_number_asked_for() -> None:
    best = {2: figures(2.0, 2)}
    advice = recommend(best, best, {}, weights=NO_WEIGHTS, limits=NO_LIMITS, asked=(2, 4), stopped=True)
    assert advice.reasons[0] == "2 subs: the only number with a plan; 4 were asked for as well."
    assert "stopped early" in advice.reasons[-1]


def test_limits_rule_out_a_number() -> None:
    best = {1: figures(4.0, 1, output=1.0), 2: figures(2.0, 2, output=-9.0)}
    advice = recommend(best, best, {}, weights=NO_WEIGHTS, limits=AimLimitsTable(output_db=-2.0))
    assert advice.subs == 1
    assert (
        advice.reasons[0]
        == "1 sub: 2 subs would be further beyond the limits (level at the seats -2.98 dB, at least -2 dB)."
    )


def test_a_cheap_gain_of_output_is_offered_and_a_dear_one_is_not() -> None:
    best = {2: figures(2.5, 2, output=-6.0)}
    cheap = [best[2], figures(2.55, 2, output=-4.0), figures(3.5, 2, output=0.0)]
    reasons = recommend(best, best, {2: cheap}, weights=NO_WEIGHTS, limits=NO_LIMITS).reasons
    assert "gives up 0.05 dB of variation for 2.0 dB more output" in reasons[-1]
    dear = [best[2], figures(2.8, 2, output=-4.0)]
    assert len(recommend(best, best, {2: dear}, weights=NO_WEIGHTS, limits=NO_LIMITS).reasons) == 1


def test_what_a_plan_gives_up_is_said() -> None:
    best, evenest = {2: figures(2.6, 2, output=-3.0)}, {2: figures(2.5, 2, output=-6.0)}
    weights = AimWeightsTable(output=0.1)
    reasons = recommend(best, evenest, {}, weights=weights, limits=NO_LIMITS).reasons
    assert reasons[-1] == "This plan gives up 0.10 dB of variation: 3.0 dB more output."


def test_an_interrupt_after_the_search_keeps_the_plans() -> None:
    """Cancelled as soon as the search is over: plans are there, the slow extras are not."""
    stages: list[str] = []
    results = solve(
        project_with(),
        running=Running(report=lambda step: stages.append(step.stage), cancelled=lambda: "choice" in stages),
    )
    assert results.plans.keys() == {1, 2, 3}
    assert results.choices.usual is None
    assert not results.choices.rows
    assert results.plans[2].merits.weights_db is None
    assert results.choices.recommendation is not None
