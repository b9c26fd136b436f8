"""Regression: what users see of the demo and of a small study stays, to a hundred-thousandth; see `numbers`."""

import json
from pathlib import Path

import pytest

from tests.regression.numbers import STORED, gather, leaves

NEAR = 1e-5  # dB, m, ms, shares; the linear algebra library and its threads may change the digits beyond


@pytest.mark.slow
def test_numbers_of_the_demo_and_of_a_small_study_stay(tmp_path: Path) -> None:
    folder = tmp_path / "demo"
    folder.mkdir()
    now = dict(leaves(gather(folder)))
    stored = {path: value for path, value in leaves(json.loads(STORED.read_text())) if _is_number(value)}
    assert len(stored) > 5_000
    gone = [path for path in stored if path not in now]
    assert not gone, f"no longer printed: {gone[:10]}"
    moved = [
        f"{path}: {value} became {now[path]}"
        for path, value in stored.items()
        if not (_is_number(now[path]) and abs(now[path] - value) <= NEAR * max(1.0, abs(value)))
    ]
    assert not moved, f"{len(moved)} numbers changed: {moved[:10]}"


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)
