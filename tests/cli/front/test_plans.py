"""Plans through the front door: the search, what if, every question, files; against the commands."""

from collections.abc import Callable
from dataclasses import FrozenInstanceError
from pathlib import Path

import numpy as np
import pytest
from typer.testing import Result

import roommodes as rm

Run = Callable[..., Result]


def test_the_search_is_the_commands(said, results: rm.Results) -> None:
    command = said("optimise", "small.toml", "--counts", "1,2", "-o", "other.h5", "--threads", 1)
    for told in command["plans"]:
        plan = results.plan(told["subs"])
        assert plan.variation_db == told["variation_db"]
        np.testing.assert_array_equal(plan.positions_m, told["positions_m"])
        np.testing.assert_array_equal(plan.drives.gain_db, told["gain_db"])
        np.testing.assert_allclose(1e3 * plan.drives.delay_s, told["delay_ms"])
        np.testing.assert_array_equal(plan.drives.polarity, told["polarity"])
    assert results.recommended().subs == command["recommended"]["subs"]
    assert results.recommended().recommended
    assert results.settled() is None
    with pytest.raises(rm.NoSuchPlan, match="got 3; this file has plans with 1, 2 subs"):
        results.plan(3)
    with pytest.raises(rm.NoSuchPlan, match="got 99; allowed: 1 to"):
        results.plan(2, rank=99)


def test_one_level_reference_and_one_offset(results: rm.Results) -> None:
    """As driven; the offset takes the loudest sub to its limit, whatever the gains."""
    plan = results.plan(2)
    quiet = plan.with_drives(gain_db=plan.drives.gain_db - 7.0)
    np.testing.assert_allclose(plan.response().level_db(), plan.level_db, atol=1e-9)
    np.testing.assert_allclose(quiet.level_db, plan.level_db - 7.0, atol=1e-9)
    np.testing.assert_allclose(quiet.level_at_limit_db, plan.level_at_limit_db, atol=1e-9)
    assert quiet.to_limit_db == pytest.approx(plan.to_limit_db + 7.0)
    assert quiet.output_db == pytest.approx(plan.output_db)
    limit = np.repeat(results.limit_db[:, None], len(plan.seats), axis=1)
    np.testing.assert_allclose(plan.highest_level_db - plan.level_at_limit_db, limit)


def test_what_if_and_by_hand_are_judged_as_the_search_judges(project: rm.Project, results: rm.Results) -> None:
    plan = results.plan(2, rank=1)
    assert plan.response().variation_db() == pytest.approx(plan.variation_db, abs=1e-12)
    assert plan.with_drives().variation_db == pytest.approx(plan.variation_db, abs=1e-12)
    moved = plan.with_drives(delay_s=plan.drives.delay_s + 0.003)
    assert moved.variation_db == pytest.approx(plan.variation_db, abs=1e-9), "a delay common to all changes nothing"
    other = plan.with_drives(rm.Drives.alike(2))
    assert other.variation_db == pytest.approx(plan.table.merits.alike_db[0], abs=1e-9)
    by_hand = rm.judge(project, plan.positions_m, plan.drives)
    assert by_hand.variation_db == pytest.approx(plan.variation_db, rel=1e-3)
    assert by_hand.headroom().headroom.least_db == pytest.approx(plan.headroom().headroom.least_db, abs=0.01)
    with pytest.raises(rm.OutsideModel, match="outside the room"):
        rm.judge(project, [[99.0, 1.0, 1.0]])
    with pytest.raises(rm.ProjectInvalid, match="1 drives"):
        rm.judge(project, plan.positions_m, rm.Drives.alike(1))
    with pytest.raises(rm.ProjectInvalid, match="one gain, one delay and one polarity"):
        plan.with_drives(gain_db=[0.0])
    with pytest.raises(rm.ProjectInvalid, match="polarity: got"):
        plan.with_drives(polarity=[1, 0])


def test_nothing_that_is_returned_can_be_changed(results: rm.Results) -> None:
    plan = results.plan(2)
    with pytest.raises(FrozenInstanceError):
        plan.rank = 2  # type: ignore[misc]
    with pytest.raises(ValueError, match="read-only"):
        plan.drives.gain_db[0] = 1.0


def test_headroom_rows_decay_and_settings_are_the_commands(said, results: rm.Results) -> None:
    plan = results.plan(2)
    command = said("headroom", "plan.h5", "--subs", 2)
    assert plan.headroom().headroom.least_db == pytest.approx(command["headroom_db"], abs=1e-9)
    rows = said("rows", "plan.h5", "--subs", 2)
    assert [cost.alone_db for cost in plan.rows(threads=1).costs] == pytest.approx(
        [row["alone_variation_db"] for row in rows["rows"]]
    )
    decay = said("decay", "plan.h5", "--subs", 2)
    np.testing.assert_allclose(
        plan.decay().after.view.decay_s, np.array(decay["after"]["decay_s"], dtype=float), rtol=1e-9
    )
    settings = said("settings", "plan.h5", "--subs", 2)
    mine = plan.settings()
    assert [round(1e3 * sub.delay_s, 4) for sub in mine.subs] == [row["delay_ms"] for row in settings["values"]]
    assert [len(sub.filters) for sub in mine.subs] == [len(row["filters"]) for row in settings["values"]]
    assert all(not sub.filters for sub in plan.settings(filters=False).subs)
    with pytest.raises(rm.OutsideModel, match="sample rate: got 10 Hz"):
        plan.settings(rate_hz=10.0)


def test_tolerance_is_the_commands(said, results: rm.Results) -> None:
    command = said("tolerance", "plan.h5", "--subs", 2, "--plans", 1, "--draws", 64, "--check", 0, "--no-shares")
    found = results.plan(2).tolerance(draws=64, checked=0, shares=False, threads=1)
    (told,) = command["plans"]
    assert found.draws == command["draws"]
    assert float(found.plans[2].variation_percentile_db[0, 2]) == pytest.approx(
        told["variation_percentile_db"]["90"], abs=1e-12
    )
    whole = results.tolerance(draws=64, plans=1, counts=(2,), checked=0, shares=False)
    np.testing.assert_array_equal(whole.plans[2].variation_draw_db, found.plans[2].variation_draw_db)


def test_filters_and_crossover_stay_with_their_plan(said, run: Run, folder: Path, results: rm.Results) -> None:
    plan = results.plan(2)
    command = said("tune", "plan.h5", "--subs", 2, "-o", "tuned.h5", "--individual", 1, "--target", "20:4,120:0")
    tuned = plan.tuned(per_sub=1, target={20: 4, 120: 0})
    assert tuned.tuning.variation_after_db == pytest.approx(command["variation_after_db"], abs=1e-9)
    assert tuned.response().variation_db() == pytest.approx(tuned.tuning.variation_after_db, abs=1e-9)
    assert tuned.response(filters=False).variation_db() == pytest.approx(plan.variation_db, abs=1e-9)
    crossed = tuned.crossed(order=2)
    told = said("crossover", "tuned.h5", "--order", 2, "-o", "ready.h5")
    assert 1e3 * crossed.crossover.delay_s == pytest.approx(told["delay_ms"], abs=1e-9)
    assert tuned.mains(order=2).best.merit.variation_db == pytest.approx(told["as_set"]["variation_db"], abs=1e-9)
    over = tuned.crossed(order=2, target={20: 6, 160: 0})
    told = said("crossover", "tuned.h5", "--order", 2, "--target", "20:6,160:0")
    assert over.crossover.gain_db == over.crossover.asked_gain_db == pytest.approx(told["gain_db"], abs=1e-9)
    assert over.crossover.gain_db > crossed.crossover.gain_db  # the subs play below the mains, where the target rises
    with pytest.raises(rm.OutsideModel, match="give one"):
        tuned.crossed(gain_db=0.0, target={20: 6, 160: 0})
    again = crossed.tuned(per_sub=0, shared=1)  # other filters: the crossover is found anew
    assert again.crossover is not None
    assert again.crossover.delay_s != crossed.crossover.delay_s or again.tuning.count != crossed.tuning.count
    rm.save(crossed, folder / "kept.h5")
    kept = rm.open(folder / "kept.h5").settled()
    assert (kept.subs, kept.rank) == (2, 1)
    assert kept.crossover.delay_s == crossed.crossover.delay_s
    assert kept.tuning.count == tuned.tuning.count
    assert rm.open(folder / "kept.h5").plan(1).tuning is None
    assert crossed.with_drives(gain_db=[0, 0]).tuning is None
    with pytest.raises(rm.OutsideModel, match="order 3; allowed: 2, 4, 6, 8"):
        plan.crossed(order=3)


def test_files_are_written_read_and_not_overwritten(folder: Path, results: rm.Results) -> None:
    with pytest.raises(rm.FileUnusable, match="exists"):
        rm.save(results, folder / "plan.h5")
    rm.save(results, folder / "plan.h5", force=True)
    found = results.plan(2).tolerance(draws=64, checked=0, shares=False)
    rm.save(found, folder / "t.h5")
    assert rm.open(folder / "t.h5", "tolerance").seed == found.seed
    with pytest.raises(rm.FileUnusable):
        rm.open(folder / "t.h5")
    same = rm.open(folder / "plan.h5").again(threads=1)
    np.testing.assert_array_equal(same.plan(2).drives.delay_s, results.plan(2).drives.delay_s)
