"""A second solver of rooms with blocks and slopes against the model, in a small room with both."""

import json

import numpy as np

from benchmarks import reference_cases
from benchmarks.case_format import read_case
from tests.independent.shaped_elements import Fineness, solve_shaped

CASE = {
    "format": "room reference case 2",
    "name": "small",
    "description": "small room with a step and a slope along x",
    "room_m": [2.4, 1.8, 1.6],
    "speed_of_sound_m_s": 343.2,
    "air_density_kg_m3": 1.2041,
    "loss_factor": 0.004,
    "walls": {"x0": {"type": "constant", "beta_re": 0.03, "beta_im": 0.0}},
    "regions": [],
    "panes": [],
    "blocks": [
        {
            "name": "step",
            "from_m": [1.5, 0.0, 0.0],
            "to_m": [2.4, 1.8, 0.3],
            "law": {"type": "constant", "beta_re": 0.02, "beta_im": 0.01},
        }
    ],
    "slopes": [
        {
            "axis": "x",
            "line": [[1.5, 1.6], [2.4, 1.1]],
            "law": {"type": "resonant", "R": 1500.0, "m": 8.5, "s": 2800000.0},
        }
    ],
    "sources_m": [[0.2, 0.3, 0.2]],
    "receivers_m": [[1.1, 0.9, 0.9], [1.9, 0.6, 0.8], [0.6, 1.3, 1.0]],
    "frequencies_hz": [40.0, 82.0, 105.0],
}


def test_both_solvers_agree(tmp_path):
    answer = solve_shaped(CASE, Fineness(degree=4, grading_m=(0.1,)))
    path = tmp_path / "small.json"
    path.write_text(json.dumps({**CASE, "H_re": answer.real.tolist(), "H_im": answer.imag.tolist()}))
    found = reference_cases.run(read_case(path))
    assert found["max"] < 5e-3
    assert np.isfinite(answer).all()
