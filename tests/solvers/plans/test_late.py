"""A late last sub is told, and what less would cost keeps what it says."""

import re
from dataclasses import replace

import numpy as np

from roommodes.plan.drives import Drives
from roommodes.plan.plan import Plan
from roommodes.project.reading import parse_project
from solvers.plans.by_hand import judge_layout
from solvers.plans.late import late_remark
from solvers.search.problem import DriveRange

TEXT = """
format = 1
name = "late"
[room]
length_m = 5.0
width_m = 4.0
height_m = 2.5
loss_factor = 0.02
[[rows]]
name = "row"
x_m = 3.0
y_m = [1.0, 2.0, 3.0]
ear_height_m = 1.1
[[zones]]
name = "front"
from_m = [0.3, 0.3, 0.3]
to_m = [0.3, 3.6, 0.3]
[search]
band_hz = [25, 80]
points_per_octave = 6
"""
SUBS_M = np.array([[0.3, 2.0, 0.3], [4.7, 2.0, 0.3]])
RANGE = DriveRange(delay_s=(0.0, 0.040), gain_db=(-12.0, 0.0), polarity=True)


def plan(delay_s: float) -> Plan:
    drives = Drives(gain_db=np.zeros(2), delay_s=np.array([0.0, delay_s]), polarity=np.array([1, -1]))
    return judge_layout(parse_project(TEXT, source="late.toml"), SUBS_M, drives)


def test_a_sub_in_time_is_not_told() -> None:
    """The rear sub is 1 m nearer, some 3 ms: with 20 ms of delay it comes 17 ms after the front one."""
    assert late_remark(plan(0.020), RANGE, seed=1) is None


def test_a_late_sub_is_told_with_what_less_costs() -> None:
    late = plan(0.035)
    told = late_remark(late, RANGE, seed=1)
    assert told is not None
    speed, seats = late.project.room.air.speed_of_sound_m_s, late.seats.position_m
    way = np.linalg.norm(seats[:, None] - SUBS_M[None], axis=2) / speed + np.array([0.0, 0.035])
    assert f"up to {1e3 * np.ptp(way, axis=1).max():.0f} ms after the first" in told
    low, most = (float(text) for text in re.findall(r"delay_ms = \[([\d.]+), ([\d.]+)\]", told)[0])
    distances = np.linalg.norm(seats[:, None] - SUBS_M[None], axis=2) / speed
    assert 1e3 * np.ptp(distances, axis=1).max() + (most - low) <= 20.0  # whatever delays are taken from it
    price = float(re.findall(r"have ([\d.]+) dB in place of", told)[0])
    within = replace(RANGE, delay_s=(1e-3 * low, 1e-3 * most))
    grid = [
        late.with_drives(Drives(gain_db=np.array([0.0, gain]), delay_s=np.array([a, b]), polarity=np.array([1, sign])))
        for gain in (-6.0, -3.0, 0.0)
        for a, b in [(0.0, t) for t in np.linspace(0.0, within.delay_span_s, 9)]
        for sign in (1, -1)
    ]
    assert price <= min(one.variation_db for one in grid) + 0.005  # a plain grid finds nothing more even


def test_positions_that_are_too_far_apart_by_themselves() -> None:
    far_m = 9.0
    text = TEXT.replace("length_m = 5.0", f"length_m = {far_m + 1.0}").replace("x_m = 3.0", f"x_m = {far_m}")
    drives = Drives(gain_db=np.zeros(2), delay_s=np.zeros(2), polarity=np.ones(2, dtype=np.int64))
    there = judge_layout(parse_project(text, source="far.toml"), np.array([[0.2, 0.2, 0.2], [far_m, 2.2, 0.2]]), drives)
    told = late_remark(there, RANGE, seed=1)
    assert told is not None
    assert "positions alone" in told
