"""The second opinion must itself be right: closed values, a direct factorisation, reciprocity, refinement."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.independent.rooms_built import PANE_ROOM, SMALL_ROOM, over_rms
from tests.independent.spectral_elements import Mesh, SpectralRoom, solve_case, solve_directly

PUBLISHED = Path(__file__).parents[1] / "published" / "reference_cases"
COARSE = Mesh(order=4, size_m=1.2, grading_m=(), source_grading_m=())

# 6.0 x 4.0 x 2.6 m, c 343, source (0.3, 0.4, 0.3), receiver (4.2, 2.3, 1.1), locally reacting walls, zeta 25 (x = 0),
# 60, 40, 40, 80 (floor), 15 (ceiling), no volume loss: G = H / 4 pi [1/m]. Worked out for this project by a modal sum
# with one axis in closed form, held against scikit-fem and against pyrato 1.1.0 (MIT); six decimals given.
LOCALLY_REACTING = {
    20.0: -0.252566 + 0.003920j,
    25.0: -0.325058 + 0.096318j,
    31.5: 0.170552 + 0.141716j,
    40.0: -0.010077 + 0.045583j,
    50.0: 0.083180 - 0.057729j,
    63.0: 0.068357 - 0.014094j,
    80.0: 0.066777 + 0.005388j,
    100.0: 0.016279 - 0.024295j,
    125.0: 0.064866 + 0.043439j,
    160.0: -0.005567 + 0.069945j,
    200.0: 0.000865 + 0.098566j,
}


def test_locally_reacting_walls_to_the_printed_digits() -> None:
    zeta = {"x0": 25.0, "x1": 60.0, "y0": 40.0, "y1": 40.0, "z0": 80.0, "z1": 15.0}
    case: dict[str, Any] = {
        "room_m": [6.0, 4.0, 2.6],
        "speed_of_sound_m_s": 343.0,
        "air_density_kg_m3": 1.2,
        "loss_factor": 0.0,
        "walls": {name: {"type": "constant", "beta_re": 1.0 / z, "beta_im": 0.0} for name, z in zeta.items()},
        "regions": [],
        "panes": [],
        "sources_m": [[0.3, 0.4, 0.3]],
        "receivers_m": [[4.2, 2.3, 1.1]],
        "frequencies_hz": list(LOCALLY_REACTING)[::2],
    }
    found = solve_case(case, Mesh(order=10))[0, 0] / (4.0 * np.pi)
    printed = np.array(list(LOCALLY_REACTING.values())[::2])
    assert np.all(np.abs(found.real - printed.real) < 0.6e-6)
    assert np.all(np.abs(found.imag - printed.imag) < 0.6e-6)


@pytest.mark.parametrize("case", [SMALL_ROOM, PANE_ROOM], ids=["regions", "region, wall law, pane"])
def test_iterations_give_the_answer_of_the_factorised_system(case: dict[str, Any]) -> None:
    frequency = case["frequencies_hz"][1]
    directly = solve_directly(case, frequency, COARSE)
    iterated = SpectralRoom(case, COARSE).solve(frequency, tolerance=1e-12)
    assert np.abs(iterated - directly).max() < 1e-10 * np.abs(directly).max()


def test_reciprocity_with_a_source_on_an_absorbing_wall() -> None:
    """Subtraction, loads and reading differ between the two directions; only the physics is the same."""
    on_wall, inside = [2.6, 1.1, 0.9], [0.9, 0.6, 1.3]
    there, back = (
        solve_case({**SMALL_ROOM, "sources_m": [a], "receivers_m": [b], "frequencies_hz": [63.0, 120.0]})[0, 0]
        for a, b in ((on_wall, inside), (inside, on_wall))
    )
    assert np.all(np.abs(there - back) < 1e-5 * np.abs(there)), np.abs(there - back) / np.abs(there)


def test_a_source_in_a_rigid_corner_radiates_eightfold() -> None:
    """Seen from beside it: H tends to 8 e^{-jkr}/r."""
    case = {**SMALL_ROOM, "regions": [], "sources_m": [[0.0, 0.0, 0.0]], "receivers_m": [[0.002, 0.001, 0.002]]}
    found = SpectralRoom(case).solve(50.0)[0, 0]
    assert found == pytest.approx(8.0 / 0.003, rel=5e-3)


def test_refinement_changes_nothing() -> None:
    case = {**PANE_ROOM, "sources_m": PANE_ROOM["sources_m"][:1], "frequencies_hz": [125.0]}
    coarse, fine = (
        solve_case(case, mesh)
        for mesh in (Mesh(order=8, size_m=1.1, grading_m=(0.2,)), Mesh(order=9, size_m=0.9, grading_m=(0.25, 0.06)))
    )
    assert over_rms(coarse, fine).max() < 2e-5


@pytest.mark.parametrize("name", ["P1", "P2", "P3", "P4", "V1"])
def test_published_reference_cases(name: str) -> None:
    path = PUBLISHED / f"{name}.json"
    if not path.exists():
        pytest.skip(f"needs {path.name} in tests/published/reference_cases")
    case = json.loads(path.read_text(encoding="utf-8"))
    case["frequencies_hz"] = case["frequencies_hz"][::18]
    expected = (np.array(case["H_re"]) + 1j * np.array(case["H_im"]))[:, :, ::18]
    assert over_rms(solve_case(case), expected).max() < 1e-5
