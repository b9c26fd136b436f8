"""Responses of a plan's subs from quicker sums, against the full equations in a room that they were not tuned on."""

from dataclasses import replace

import numpy as np
import pytest

from roommodes.acoustics.dense.curves import ALLOWED
from roommodes.plan.plan import Results
from solvers.listening.modelled_responses import modelled_responses
from solvers.project_transfer import project_transfer
from tests.given_plans import given_results

ROOM = """\
format = 1
name = "a pane and a soft wall"
[room]
length_m = 4.4
width_m = 3.1
height_m = 2.3
[walls]
front = "brick"
rear = "porous absorber"
[[regions]]
wall = "left"
from_m = [1.0, 0.4]
to_m = [2.6, 2.0]
construction = "glass pane 6 mm"
[[rows]]
name = "row"
x_m = 2.9
y_m = [1.0, 2.0]
ear_height_m = 1.1
[[zones]]
name = "front wall"
from_m = [0.3, 0.3, 0.3]
to_m = [0.3, 2.8, 0.3]
spacing_m = 1.0
[search]
counts = [2]
band_hz = [25, 80]
points_per_octave = 6
"""
HZ = np.arange(18.0, 112.0, 1.0)


@pytest.fixture(scope="module")
def results() -> Results:
    return given_results(ROOM, {2: ([0.0, -1.0], [0.0, 0.003], [1, 1], [0, 2])})


def test_they_are_the_full_equations_and_what_is_told_holds(results: Results) -> None:
    plan = results.plan(2, 1)
    found = modelled_responses(plan, np.arange(2), HZ)
    some = np.r_[np.arange(0, len(HZ), 9), len(HZ) - 1]
    full = project_transfer(
        plan.project, frequency_hz=HZ[some], seat_m=plan.seats.position_m, source_m=plan.positions_m
    )
    rms = np.sqrt((np.abs(full) ** 2).mean(axis=(1, 2)))
    miss = np.abs(found.transfer[some] - full).max(axis=(1, 2)) / rms
    assert miss.max() < found.error <= ALLOWED
    assert found.solved < len(HZ)
    alone = modelled_responses(plan, np.array([1]), HZ)
    assert np.abs(alone.transfer[:, :, 0] - found.transfer[:, :, 1]).max() < ALLOWED * rms.max()


def test_a_field_that_the_model_does_not_give_is_told(results: Results) -> None:
    other = replace(results, transfer=1.05 * results.transfer)
    assert modelled_responses(other.plan(2, 1), np.arange(2), HZ).error > 0.1
