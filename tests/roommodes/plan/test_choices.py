"""What stands beside the plans in a results file: optional, checked, and open to xarray."""

from dataclasses import replace
from pathlib import Path

import h5py
import numpy as np
import pytest
import xarray

from roommodes.errors import FileUnusable
from roommodes.plan.choices import Choices
from roommodes.plan.file import read_results, write_results
from roommodes.plan.plan import Results
from roommodes.plan.tables import Merits
from tests.roommodes.plan.stored import assert_same, some_results


@pytest.fixture
def results() -> Results:
    return some_results()


@pytest.fixture
def plan(tmp_path: Path, results: Results) -> Path:
    path = tmp_path / "plan.h5"
    write_results(path, results, force=False)
    return path


def test_files_without_choices_are_read(tmp_path: Path, results: Results) -> None:
    """As written before there were any, and as written when a search was cut short."""
    bare = replace(
        results,
        choices=Choices(),
        plans={
            count: replace(one, found=replace(one.found, by_aims=False), merits=Merits())
            for count, one in results.plans.items()
        },
    )
    write_results(tmp_path / "bare.h5", bare, force=False)
    with h5py.File(tmp_path / "bare.h5", "r+") as file:
        for group in file["plans"].values():
            del group.attrs["by_aims"]
    assert_same(bare, read_results(tmp_path / "bare.h5"))


def test_a_file_that_calls_free_weights_a_bound_opens(plan: Path) -> None:
    """Plan files once said `bound_db`, and nothing of output or proof."""
    whole = read_results(plan).plans[2].merits
    with h5py.File(plan, "r+") as file:
        group = file["plans/2"]
        group.move("weights_db", "bound_db")
        del group["weights_output_db"], group["weights_least_db"]
    merits = read_results(plan).plans[2].merits
    assert merits.weights_db.tolist() == whole.weights_db.tolist()
    assert merits.weights_output_db is merits.weights_least_db is None


@pytest.mark.parametrize(
    ("group", "name", "value"),
    [
        ("fronts/2", "candidate_index", 99),
        ("fronts/2", "polarity", 0),
        ("fronts/2", "variation_db", np.nan),
        ("rows/2", "candidate_index", -1),
        ("rows/2", "offset_m", np.inf),
        ("usual", "driven_output_db", np.nan),
        ("plans/2", "weights_db", np.nan),
    ],
)
def test_damaged_choices_are_refused(plan: Path, group: str, name: str, value: float) -> None:
    with h5py.File(plan, "r+") as file:
        data = file[group][name]
        data[(0,) * data.ndim] = value
    with pytest.raises(FileUnusable, match="damaged"):
        read_results(plan)


def test_strange_groups_of_choices_are_refused(plan: Path) -> None:
    with h5py.File(plan, "r+") as file:
        file.create_group("fronts/two")
    with pytest.raises(FileUnusable, match="/fronts holds what is not a group named by a number of subs"):
        read_results(plan)


def test_xarray_opens_fronts_usual_layouts_and_rows(plan: Path, results: Results) -> None:
    front = xarray.open_dataset(plan, engine="h5netcdf", group="fronts/2")
    assert front["variation_db"].dims == ("rank",)
    assert front["gain_db"].attrs["unit"] == "dB"
    usual = xarray.open_dataset(plan, engine="h5netcdf", group="usual")
    assert usual["name"].values.tolist() == list(results.choices.usual.name)
    rows = xarray.open_dataset(plan, engine="h5netcdf", group="rows/2")
    assert rows["at_variation_db"].dims == ("point",)
    assert rows.attrs["variation_db"] == results.choices.rows[2].variation_db
