"""Rooms that are no boxes against independent spectral elements."""

import json
from pathlib import Path

import pytest

from benchmarks import reference_cases
from benchmarks.case_format import read_case

CASES = sorted((Path(__file__).parents[2] / "published" / "reference_cases" / "shapes").glob("*.json"))
SLOW = {"D1", "R1"}  # 15 s each


@pytest.mark.parametrize(
    "path",
    [pytest.param(path, marks=pytest.mark.slow if path.stem in SLOW else ()) for path in CASES],
    ids=lambda path: path.stem,
)
def test_case_is_within_bounds(path):
    result = reference_cases.run(read_case(path))
    last = json.loads(path.read_text(encoding="utf-8"))["change_in_last_refinement"]
    assert result["max"] < max(5e-3, 2.0 * last["max"])
    assert result["median"] < max(6e-4, 2.0 * last["median"])


def test_there_are_cases():
    assert {path.stem for path in CASES} == {"A1", "D1", "L1", "R1"}
