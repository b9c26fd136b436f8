"""The model against two finite-element solvers that know nothing of modes.

scikit-fem's quadratic bricks (`quadratic_bricks`) carry the independence: another discretisation, another library.
The spectral elements (`spectral_elements`) carry the accuracy: they stand within 1e-6 of their own refinement, and
`tests/independent/test_spectral_elements.py` holds them against closed values.
"""

from typing import Any

import numpy as np
import pytest

from roommodes.acoustics.transfer import transfer_function
from roommodes.arrays import Complexes
from tests.independent.quadratic_bricks import BrickRoom
from tests.independent.rooms_built import PANE_ROOM, SMALL_ROOM, model_room, over_rms
from tests.independent.spectral_elements import Mesh, solve_case


def by_the_model(case: dict[str, Any]) -> Complexes:
    room, surfaces = model_room(case)
    transfer = transfer_function(
        room,
        surfaces,
        frequency_hz=np.array(case["frequencies_hz"]),
        seat_m=np.array(case["receivers_m"]),
        source_m=np.array(case["sources_m"]),
    )
    return transfer.transpose(2, 1, 0)


@pytest.fixture(scope="module")
def bricks() -> dict[float, Complexes]:
    """H of the small room on two meshes, by element size [m]."""
    found = {}
    for size in (0.7, 0.36):
        room = BrickRoom(SMALL_ROOM, size)
        found[size] = np.stack([room.solve(f) for f in SMALL_ROOM["frequencies_hz"]], axis=-1)
    return found


def test_quadratic_bricks_agree(bricks: dict[float, Complexes]) -> None:
    error = over_rms(by_the_model(SMALL_ROOM), bricks[0.36])
    # what the bricks themselves are off by at 31.5, 50 and 71 Hz on this mesh, with a third to spare
    assert np.all(error.max(axis=(0, 1)) < [7e-5, 3e-4, 1.3e-3]), error.max(axis=(0, 1))


def test_finer_bricks_approach_the_model(bricks: dict[float, Complexes]) -> None:
    model = by_the_model(SMALL_ROOM)
    coarse, fine = (over_rms(bricks[size], model).max(axis=(0, 1)) for size in (0.7, 0.36))
    # quadratic elements: the error of pressure far from the source falls with h^3 or faster; the meshes' mean
    # sizes stand as 1 : 1.6 (elements end at the regions' edges)
    assert np.all(coarse / fine > 1.6**2.5), (coarse, fine)


def test_a_slip_in_one_law_would_show(bricks: dict[float, Complexes]) -> None:
    tampered = {**SMALL_ROOM, "walls": {"x1": {"type": "constant", "beta_re": 0.08, "beta_im": 0.052}}}
    error = over_rms(by_the_model(tampered), bricks[0.36])
    assert error.max(axis=(0, 1))[0] > 7e-5


def test_spectral_elements_agree_on_a_region_a_wall_law_and_a_pane() -> None:
    reference = solve_case(PANE_ROOM, Mesh(order=8, size_m=1.1, grading_m=(0.2,)))
    error = over_rms(by_the_model(PANE_ROOM), reference)
    in_the_room, on_the_pane = error[:2], error[2]
    assert in_the_room.max() < 5e-5, in_the_room.max(axis=(0, 1))
    assert np.median(in_the_room) < 2e-6
    assert on_the_pane.max() < 6e-4, on_the_pane.max(axis=0)  # the pressure beside the source is nearly singular
