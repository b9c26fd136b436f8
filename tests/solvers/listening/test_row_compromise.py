"""One setting for two rows: rows that are alike cost nothing, rows that pull apart cost what can be computed."""

from dataclasses import replace

import numpy as np
import pytest

from roommodes.plan.plan import Results
from roommodes.project.reading import parse_project
from roommodes.responses.metrics import direct_sound_s, energy_time_s
from roommodes.running import Running
from solvers.listening.row_compromise import compromise
from solvers.plans.solve import solve

TWO_ROWS = """\
format = 1
name = "two rows"
[room]
length_m = 5.0
width_m = 3.6
height_m = 2.4
loss_factor = 0.03
[[rows]]
name = "front"
x_m = 2.2
y_m = [1.0, 1.8, 2.6]
ear_height_m = 1.1
[[rows]]
name = "rear"
x_m = 3.8
y_m = [1.0, 2.6]
ear_height_m = 1.3
weight = 0.5
[[zones]]
name = "front wall"
from_m = [0.3, 0.3, 0.3]
to_m = [0.3, 3.3, 0.3]
spacing_m = 1.5
[search]
counts = [2]
band_hz = [25, 90]
points_per_octave = 8
"""


@pytest.fixture(scope="module")
def results() -> Results:
    return solve(parse_project(TWO_ROWS, source="x"))


def test_each_row_alone_is_at_least_as_even_and_pays_elsewhere(results: Results) -> None:
    found = compromise(results.plan(2, 1))
    assert found.rows == (0, 1)
    assert found.variation_db == pytest.approx(float(results.plans[2].variation_db[0]), abs=1e-9)
    for cost in found.costs:
        assert cost.alone_db <= cost.here_db
        assert cost.all_alone_db >= found.variation_db - 1e-6  # nothing beats the plan over all seats
    assert max(cost.cost_db for cost in found.costs) > 0.05
    again = compromise(results.plan(2, 1), running=Running(threads=1))
    assert [cost.alone_db for cost in again.costs] == [cost.alone_db for cost in found.costs]


def test_rows_that_hear_the_same_differ_by_nothing_and_cost_nothing(results: Results) -> None:
    """The rear row given the responses of two front seats that are alike."""
    seat = results.transfer[:, [0, 0, 0, 0, 0], :]
    same = replace(results, transfer=seat)
    found = compromise(same.plan(2, 1).with_drives())
    (pair,) = found.pairs
    assert pair.response_db < 1e-9
    assert abs(pair.level_db) < 1e-9
    assert abs(pair.energy_s) < 1e-12
    assert all(cost.cost_db < 1e-9 for cost in found.costs)


def test_a_later_and_quieter_row_is_measured_as_such(results: Results) -> None:
    """The rear row hears what the front row hears, 5 ms later and 6 dB lower."""
    hz = results.frequency_hz
    front = results.transfer[:, [0, 1, 0], :]
    late = front[:, [0, 1], :] * 10 ** (-6 / 20) * np.exp(-2j * np.pi * hz * 0.005)[:, None, None]
    shifted = replace(results, transfer=np.concatenate([front, late], axis=1))
    even = replace(shifted.seats, weight=np.ones(5))
    found = compromise(replace(shifted, seats=even).plan(2, 1).with_drives())
    (pair,) = found.pairs
    hears = shifted.transfer[:, :2]
    later = hears * np.exp(-2j * np.pi * hz * 0.005)[:, None, None]
    apart = energy_time_s(hz, later.sum(axis=2)) - energy_time_s(hz, hears.sum(axis=2))
    assert apart == pytest.approx([0.005, 0.005], rel=1e-6)
    assert 0.003 < pair.energy_s < 0.007  # the front row's third seat is the first again
    assert 5.0 < pair.level_db < 7.0


def test_arrivals_are_distance_over_speed_and_delay() -> None:
    speed = parse_project(TWO_ROWS, source="x").room.air.speed_of_sound_m_s
    got = direct_sound_s(
        np.array([[0.0, 0.0, 0.0], [3.0, 4.0, 0.0]]),
        np.array([0.002, 0.012]),
        np.array([[3.0, 4.0, 0.0], [0.0, 0.0, 0.0]]),
        speed_m_s=speed,
    )
    assert got == pytest.approx(np.array([[5.0 / speed, 0.010], [0.0, 5.0 / speed + 0.010]]))


def test_energy_time_of_a_single_mode_is_its_decay_behind_its_delay() -> None:
    """h = e^{-delta t} cos(w0 t) after T: its energy lies 1 / (2 delta) behind T (exact for delta << w0)."""
    hz = np.linspace(20.0, 80.0, 6001)
    delta, late = 9.0, 0.02
    omega, centre = 2 * np.pi * hz, 2 * np.pi * 50.0
    pressure = np.exp(-1j * omega * late) / (delta + 1j * (omega - centre))
    assert energy_time_s(hz, pressure[:, None])[0] == pytest.approx(late + 1 / (2 * delta), rel=0.03)
