"""Filters and measurements stored beside a plan: read as written, refused when damaged."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import h5py
import numpy as np
import pytest

from roommodes.errors import FileUnusable
from roommodes.plan.file import read_results, write_results
from tests.roommodes.plan.stored import assert_same, some_results


def test_a_tuning_is_read_as_written_with_filters_and_without(tmp_path: Path) -> None:
    results = some_results()
    bare = replace(results.tuning, sub_filters=((), ()), shared=())
    for name, tuning in (("full", results.tuning), ("bare", bare), ("none", None)):
        write_results(tmp_path / name, replace(results, tuning=tuning), force=False)
        got = read_results(tmp_path / name).tuning
        assert (got is None) == (tuning is None)
        if tuning is not None:
            assert_same(tuning, got)
    assert results.tuning.of_sub(1) == (*results.tuning.sub_filters[1], *results.tuning.shared)
    assert results.tuning.count == 2


def set_to(name: str, index: int, value: float) -> Callable[[h5py.Group], None]:
    def damage(group: h5py.Group) -> None:
        group[name][index] = value

    return damage


def attribute(name: str, value: object) -> Callable[[h5py.Group], None]:
    def damage(group: h5py.Group) -> None:
        group.attrs[name] = value

    return damage


@pytest.mark.parametrize(
    ("damage", "words"),
    [
        (set_to("sub", 0, 2), "points past the 2 subs"),
        (set_to("filter_q", 1, 0.0), "no filter"),
        (set_to("filter_hz", 1, np.nan), "no filter"),
        (set_to("after_db", 0, np.inf), "not finite"),
        (attribute("rank", 4), "does not hold"),
        (attribute("subs", 7), "does not hold"),
        (attribute("asked_per_sub", "two"), "expected int"),
    ],
)
def test_a_damaged_tuning_is_refused(tmp_path: Path, damage: Callable[[h5py.Group], None], words: str) -> None:
    path = tmp_path / "plan.h5"
    write_results(path, some_results(), force=False)
    with h5py.File(path, "a") as file:
        damage(file["tuning"])
    with pytest.raises(FileUnusable, match=words):
        read_results(path)


def test_a_crossover_is_read_as_written(tmp_path: Path) -> None:
    results = some_results()
    for name, record in (("asked", results.crossover), ("matched", replace(results.crossover, asked_gain_db=None))):
        write_results(tmp_path / name, replace(results, crossover=record), force=False)
        assert_same(record, read_results(tmp_path / name).crossover)
    assert (results.crossover.subs_delay_s, results.crossover.mains_delay_s) == (0.0, 0.0031)


@pytest.mark.parametrize(
    ("damage", "words"),
    [
        (set_to("sum_db", 0, np.nan), "no setting"),
        (attribute("delay_s", np.inf), "no setting"),
        (attribute("polarity", 0), "no setting"),
        (attribute("kind", "steep"), "no setting"),
        (attribute("order", 9), "no setting"),
        (attribute("frequency_hz", -70.0), "no setting"),
        (attribute("rank", 4), "does not hold"),
        (attribute("gain_db", "loud"), "expected float"),
    ],
)
def test_a_damaged_crossover_is_refused(tmp_path: Path, damage: Callable[[h5py.Group], None], words: str) -> None:
    path = tmp_path / "plan.h5"
    write_results(path, some_results(), force=False)
    with h5py.File(path, "a") as file:
        damage(file["crossover"])
    with pytest.raises(FileUnusable, match=words):
        read_results(path)


def test_measurements_are_read_as_written_with_mains_and_without(tmp_path: Path) -> None:
    results = some_results()
    without = replace(results.measured, main_name=(), main_transfer=None)
    for name, record in (("mains", results.measured), ("none", without)):
        write_results(tmp_path / name, replace(results, measured=record), force=False)
        got = read_results(tmp_path / name).measured
        assert (got.main_name, got.notes, got.file_sha256) == (record.main_name, record.notes, record.file_sha256)
        assert (got.main_transfer is None) == (record.main_transfer is None)
    with h5py.File(tmp_path / "mains", "a") as file:
        file["measured"].attrs["level"] = "loud"
    with pytest.raises(FileUnusable, match="holds no measurements"):
        read_results(tmp_path / "mains")
