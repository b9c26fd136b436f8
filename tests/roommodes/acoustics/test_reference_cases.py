"""The model against independent solutions, through the command that outsiders run."""

import json
from pathlib import Path

import numpy as np
import pytest

from benchmarks import reference_cases
from benchmarks.case_format import read_case

CASES = sorted((Path(__file__).parents[2] / "published" / "reference_cases").glob("*.json"))


def test_there_are_cases():
    assert len(CASES) >= 13


@pytest.mark.parametrize("path", CASES, ids=lambda path: path.stem)
def test_case_is_within_bounds(path):
    result = reference_cases.run(read_case(path))
    # far inside the published bounds (1e-3, 1e-4), so that a loss of accuracy shows early
    assert result["max"] < 3e-4
    assert result["median"] < 3e-5


def test_a_wrong_answer_is_refused(tmp_path, capsys):
    case = json.loads(next(path for path in CASES if path.stem == "P1").read_text())
    case["room_m"][0] += 0.01
    wrong = tmp_path / "wrong.json"
    wrong.write_text(json.dumps(case))
    assert reference_cases.main([str(wrong)]) == 1
    assert "OVER" in capsys.readouterr().out
    assert reference_cases.main([str(wrong), "--json"]) == 1
    assert json.loads(capsys.readouterr().out)["within_bounds"] is False


def test_what_is_not_a_case_is_named(tmp_path, capsys):
    path = tmp_path / "other.json"
    for text in ("{}", "[1, 2", '{"format": "room reference case 1"}'):
        path.write_text(text)
        assert reference_cases.main([str(path)]) == 2
        assert "other.json: not a reference case" in capsys.readouterr().err
    assert reference_cases.main([str(tmp_path / "none.json")]) == 2


def test_the_deviation_is_scaled_by_the_receivers_rms():
    case = read_case(next(path for path in CASES if path.stem == "P1"))
    error = reference_cases.deviation(case, 1.01 * case.transfer)
    assert np.abs(np.sqrt(np.mean(error**2, axis=1)) - 0.01).max() < 1e-12
