"""Plans judged between the frequencies of their search, against the model at its full precision."""

import numpy as np
import pytest

from roommodes.plan.plan import Results
from roommodes.project.reading import parse_project
from roommodes.responses.frequency_grid import log_grid
from roommodes.responses.metrics import level_db, variation_db
from solvers.plans.between_frequencies import finer_variation_db
from solvers.plans.solve import solve
from solvers.project_transfer import project_transfer
from tests.cli.conftest import SMALL


@pytest.fixture(scope="module")
def results() -> Results:
    return solve(parse_project(SMALL, source="small.toml"))


def test_it_is_the_models_variation_on_four_times_as_many_points(results: Results) -> None:
    plans = [results.plan(count, 1) for count in results.plans]
    search = results.project.search
    hz = log_grid(*search.band_hz, 4 * search.points_per_octave)
    for plan, got in zip(plans, finer_variation_db(plans), strict=True):
        each = project_transfer(
            results.project, frequency_hz=hz, seat_m=results.seats.position_m, source_m=plan.positions_m
        )
        late, gain = plan.drives.delay_s, 10 ** (plan.drives.gain_db / 20)
        turn = plan.drives.polarity * gain * np.exp(-2j * np.pi * np.outer(hz, late))
        want = variation_db(level_db(np.einsum("fsc,fc->fs", each, turn)), results.seats.weight)
        assert got == pytest.approx(want, abs=3e-3)


def test_each_number_of_subs_says_it(results: Results) -> None:
    for count, table in results.plans.items():
        said = [one for one in table.found.remarks if one.startswith("On 4 times as many frequencies it has ")]
        assert len(said) == 1, count
        value, difference = float(said[0].split()[8]), said[0].split()[10]
        seen = round(float(table.variation_db[0]), 2)
        assert difference == "as" or float(difference) == pytest.approx(abs(value - seen), abs=1e-9)
