"""The tolerance file: what is written is read, and what is no such file is refused."""

from dataclasses import replace
from pathlib import Path

import h5py
import numpy as np
import pytest

from roommodes.errors import FileUnusable, ProjectInvalid
from roommodes.plan.file import read_results
from roommodes.plan.tolerance import (
    PERCENTILES,
    FirstPlan,
    Shares,
    Tolerance,
    ToleranceTable,
    read_tolerance,
    write_tolerance,
)
from roommodes.project.reading import parse_project
from roommodes.project.tolerance_tables import CLAMPED
from roommodes.storage.stamp import Made
from tests.roommodes.plan.stored import assert_same
from tests.solvers.tolerance.built_rooms import project_text


def some_tolerance(*, groups: int = 3) -> Tolerance:
    random = np.random.default_rng(5)

    def table(count: int) -> ToleranceTable:
        shares = {"first_order": random.random(groups), "total": random.random(groups)} if groups else {}
        intervals = {name + "_interval": random.random((groups, 2)) for name in shares}
        return ToleranceTable(
            rank=np.array([1, 0]),
            candidate_index=random.integers(0, 5, (2, count)),
            gain_db=-random.random((2, count)),
            delay_s=random.random((2, count)),
            polarity=np.ones((2, count), dtype=np.int64),
            variation_db=random.random(2),
            output_db=random.random(2),
            variation_draw_db=random.random((2, 16)),
            output_draw_db=random.random((2, 16)),
            first=FirstPlan(
                level_percentile_db=random.random((7, 3, len(PERCENTILES))),
                mean_percentile_db=random.random((7, len(PERCENTILES))),
                shares=Shares(**shares, **intervals) if groups else None,
                worst=("air +1.0 deg C", "brick: absorption x 1.20"),
            ),
        )

    return Tolerance(
        project_toml="format = 1\n",
        project_sha256="0" * 64,
        made=Made(seed=3, software_version="1", created_utc="2026-01-01T00:00:00Z"),
        draws_asked=32,
        frequency_hz=np.geomspace(20.0, 120.0, 7),
        seat_name=("a 1", "a 2", "b 1"),
        group_name=tuple(f"group {k}" for k in range(groups)),
        method=("one", "two"),
        checked=2,
        error_db=0.01,
        plans={1: table(1), 10: table(10)},
    )


@pytest.mark.parametrize("groups", [0, 3])
def test_what_is_written_is_read(tmp_path: Path, groups: int) -> None:
    path, wanted = tmp_path / "t.h5", some_tolerance(groups=groups)
    write_tolerance(path, wanted, force=False)
    found = read_tolerance(path)
    assert found.draws == 16
    assert list(found.plans) == [1, 10]
    assert_same(found, wanted)
    with pytest.raises(FileUnusable, match="exists"):
        write_tolerance(path, wanted, force=False)


def test_other_files_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "t.h5"
    write_tolerance(path, some_tolerance(), force=False)
    with pytest.raises(FileUnusable, match="not a roommodes plan"):
        read_results(path)
    with h5py.File(path, "a") as file:
        file.attrs["format_version"] = 2
    with pytest.raises(FileUnusable, match="format version 2"):
        read_tolerance(path)
    with h5py.File(path, "a") as file:
        file.attrs["format_version"] = 1
        del file["plans/1/variation_draw_db"]
    with pytest.raises(FileUnusable, match="variation_draw_db is missing"):
        read_tolerance(path)
    write_tolerance(path, replace(some_tolerance(), frequency_hz=np.full(7, np.nan)), force=True)
    with h5py.File(path, "a") as file:
        file["plans/1/variation_draw_db"][0, 0] = np.nan
    with pytest.raises(FileUnusable, match="not finite"):
        read_tolerance(path)
    path.write_text("no HDF5")
    with pytest.raises(FileUnusable, match="cannot be read"):
        read_tolerance(path)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("cabinet_m = [0.1, 0.1]", "got 2 numbers; allowed: 3, [x, y, z] in m"),
        ("ears_m = [0.1, 0.1, -0.1]", "got -0.1 m; allowed: 0 to 0.5 m"),
        ("support = [3, 1]", "the first must not be above the second"),
        ("mass_factor = 0.9", "got 0.9; allowed: 1 to 1.5"),
        ("temprature_c = 3", "temperature_c"),
        ("[tolerance.constructions.glas]\nsupport = [1, 2]", 'Did you mean "glass"?'),
    ],
)
def test_bad_tolerances_get_one_message_each(text: str, message: str) -> None:
    with pytest.raises(ProjectInvalid) as caught:
        parse_project(project_text(tolerance=f"[tolerance]\n{text}\n"), source="bad.toml")
    lines = caught.value.lines()
    assert len(lines) == 1
    assert message in lines[0]


def test_support_default_reaches_clamped() -> None:
    """(40.38 / 21.32)^2, CHECK_VALUES 2.4: a 1.0 x 1.5 m pane of 6 mm, clamped over simply supported."""
    table = parse_project(project_text(), source="x").tables.tolerance
    assert table.support == (1.0, pytest.approx(CLAMPED, abs=0.005))
    # Ritz calculation, printed with three digits: 35.985 against 19.739 for a square, 27.005 for a/b = 2/3
    assert 3.2 < (35.985 / 19.739) ** 2 < CLAMPED < (27.005 / (3.14159**2 * (1 + (2 / 3) ** 2))) ** 2 * 1.01
