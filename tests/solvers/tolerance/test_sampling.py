"""How many rooms are sampled, and how sure their figures are."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from roommodes.plan.plan import Results
from roommodes.plan.tolerance import difference_error, percentile_errors
from roommodes.running import Running
from solvers.tolerance import sampling
from solvers.tolerance.inputs import CABINETS, DRIVES, EARS
from solvers.tolerance.percentiles import Asked, design_of, lean_grid, tolerance_of
from solvers.tolerance.plans import leading_plans
from solvers.tolerance.sampling import stages
from solvers.tolerance.shares import shares
from tests.conftest import Close, Published
from tests.solvers.tolerance.test_percentiles import results_for
from tests.solvers.tolerance.test_shares import designed, ishigami


@pytest.fixture(scope="module")
def results() -> Results:
    return results_for()


def test_standard_errors_of_percentiles_are_the_exact_ones(close: Close) -> None:
    """Of a normal distribution: (p (1 - p) / n)^(1/2) over its density; as met when it is drawn again and again."""
    percent, n = (5.0, 50.0, 90.0, 95.0), 512
    p = np.array(percent) / 100.0
    exact = np.sqrt(p * (1.0 - p) / n) / stats.norm.pdf(stats.norm.ppf(p))
    values = np.random.default_rng(1).normal(size=(400, n))
    close(percentile_errors(values, percent).mean(axis=0), exact, rtol=0.03)
    close(np.percentile(values, percent, axis=1).std(axis=1), exact, rtol=0.12)


def test_the_error_of_a_difference_is_less_where_two_plans_share_their_rooms(close: Close) -> None:
    rng = np.random.default_rng(2)
    common, n = rng.normal(size=(400, 512)), 512
    one, other = common + 0.3 * rng.normal(size=(2, 400, n))
    told = np.mean([difference_error(*both, 90.0) for both in zip(one, other, strict=True)])
    met = (np.percentile(one, 90.0, axis=1) - np.percentile(other, 90.0, axis=1)).std()
    close(told, met, rtol=0.12)
    assert told < 0.6 * np.hypot(*percentile_errors(np.stack([one[0], other[0]]), (90.0,)).ravel())


def test_rooms_are_added_until_the_figures_are_settled(results: Results, monkeypatch: pytest.MonkeyPatch) -> None:
    """A wide spread takes more rooms; those of the earlier stage come first, so that nothing is thrown away."""
    monkeypatch.setattr(sampling, "FIRST_HALF", 32)
    asked = Asked(plans=1, checked=0, indices=False)
    found = {}
    for settled_db in (10.0, 0.1):
        monkeypatch.setattr(sampling, "SETTLED_DB", settled_db)
        found[settled_db] = tolerance_of(results, asked, running=Running(threads=1))
    few, many = found[10.0], found[0.1]
    assert few.draws == few.draws_asked == 64
    assert 128 <= many.draws == many.draws_asked <= 2048
    for count, table in many.plans.items():
        assert table.variation_percentile_error_db[:, 2].max() <= 0.1 or many.draws == 2048
        half = many.draws // 2
        draws = table.variation_draw_db
        first = np.concatenate([draws[:, :32], draws[:, half : half + 32]], axis=1)
        np.testing.assert_array_equal(first, few.plans[count].variation_draw_db)
    assert stages(32, 256) == [32, 64, 128, 256]
    assert stages(32, 8) == [8]


def test_luck_is_hardly_taken_for_knowledge() -> None:
    """Nine plans, as drawn at random, the first rooms: the error told is itself unsure, but all plans must be settled.

    Where the exact standard error is a fifth above the mark, few samples end there; where it is below, they err by it.
    """
    n, z, met = 2 * sampling.FIRST_HALF, stats.norm.ppf(0.9), {}
    for true in (0.8, 1.2):
        spread = true * sampling.SETTLED_DB * stats.norm.pdf(z) / np.sqrt(0.9 * 0.1 / n)
        values = spread * np.random.default_rng(4).normal(size=(600, 9, n))
        ends = np.array([sampling.settled(one) for one in values])
        off = np.percentile(values[ends], 90.0, axis=2) - spread * z
        met[true] = float(ends.mean()), float(np.sqrt(np.mean(off**2)) if ends.any() else 0.0)
    assert met[0.8][0] > 0.05
    assert met[0.8][1] < sampling.SETTLED_DB
    assert met[1.2][0] < 0.01


def test_a_given_number_of_rooms_is_kept(results: Results, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sampling, "SETTLED_DB", 10.0)
    found = tolerance_of(results, Asked(draws=256, plans=1, checked=0, indices=False), running=Running(threads=2))
    assert found.draws == found.draws_asked == 256


def test_shares_from_fewer_points_for_what_is_settled(published: Published) -> None:
    """Each group's own points: as if the others had no more. Two of them against the exact values."""
    a, b, mixed = designed(ishigami, 4096, seed=6)
    found = shares(a, b, [mixed[0], mixed[1][:512], mixed[2]])
    alone = shares(a[:512], b[:512], [mixed[1][:512]])
    assert found.total[1] == alone.total[0]
    np.testing.assert_array_equal(found.total_interval[1], alone.total_interval[0])
    want = published("sobol", "ishigami")["total"]
    np.testing.assert_allclose(found.total, want, rtol=0.12)
    assert np.ptp(found.total_interval[1]) > 1.5 * np.ptp(found.total_interval[0])


def test_one_solution_serves_places_and_settings(results: Results, close: Close) -> None:
    """Shares of groups that share a solution are those of rooms worked out by themselves, by transfer functions."""
    asked = Asked(draws=64, plans=1, checked=0)
    leading = leading_plans(results, plans=1)
    design = design_of(results, asked, leading, frequency_hz=lean_grid(results.project, 24))
    names = list(design.inputs.groups)
    rooms = design.part(0)
    assert list(rooms.alone) == [CABINETS, EARS, DRIVES], "with the rooms themselves"
    jobs = design.mixes([name for name in names if name not in rooms.alone], 0, 32)
    assert len(jobs) == 3, "all walls at once, size, temperature"
    a, b = design.points()
    found = [rooms.alone, *(design.mixed(job) for job in jobs)]
    assert sorted(name for one in found for name in one) == sorted(names)
    for name, values in (item for one in found for item in one.items()):
        unit, columns = a[:32].copy(), design.inputs.groups[name]
        unit[:, columns] = b[:32, columns]
        builds = design.inputs.builds(unit)
        plain = design.heard(builds, design.field.transfer(builds)).variation_db
        close(values, plain[list(design.first)], rtol=1e-9, scale=1.0)
    for heard, unit in ((rooms.a, a), (rooms.b, b)):
        builds = design.inputs.builds(unit[:32])
        plain = design.heard(builds, design.field.transfer(builds))
        close(heard.variation_db, plain.variation_db, rtol=1e-9, scale=1.0)
    assert not replace(design, share_points=0).part(0).alone


def test_a_plans_own_frequencies_are_taken_and_fewer_are_said(results: Results) -> None:
    own = lean_grid(results.project)
    np.testing.assert_allclose(own, results.frequency_hz, rtol=1e-12)
    asked, said = Asked(draws=16, plans=1, checked=0, indices=False), f"the plan file has {len(own)}"
    few = tolerance_of(results, asked, frequency_hz=lean_grid(results.project, 4), running=Running(threads=1))
    assert len(few.frequency_hz) < len(own)
    assert any(said in line for line in few.method)
    assert not any(said in line for line in tolerance_of(results, asked, running=Running(threads=1)).method)
