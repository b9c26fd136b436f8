"""The subs' own response counts where they meet the mains: held against Small's high-pass in closed form."""

import numpy as np

from roommodes.plan.drives import Drives
from roommodes.plan.plan import Plan
from roommodes.project.reading import parse_project
from solvers.crossover.alignment import Parts, setting
from solvers.crossover.responses import meeting_parts
from solvers.crossover.with_mains import meet_mains
from solvers.plans.by_hand import judge_layout

FS_HZ, QES, QMS, VAS_M3, BOX_M3 = 26.0, 0.52, 6.0, 0.14, 0.05
TEXT = """
format = 1
name = "own response"
[room]
length_m = 5.4
width_m = 4.1
height_m = 2.5
loss_factor = 0.05
[[rows]]
name = "row"
x_m = 3.4
y_m = [1.2, 2.0, 2.9]
ear_height_m = 1.1
[[zones]]
name = "front"
from_m = [0.3, 0.3, 0.3]
to_m = [0.3, 3.8, 0.3]
[mains]
positions_m = [[0.4, 0.9, 0.9], [0.4, 3.2, 0.9]]
frequency_hz = 70
"""
DRIVER = f"""
[subwoofer.driver]
fs_hz = {FS_HZ}
qes = {QES}
qms = {QMS}
vas_m3 = {VAS_M3}
cone_area_m2 = 0.05
re_ohm = 3.4
xmax_m = 0.014
power_w = 500
box_m3 = {BOX_M3}
"""


def plan(text: str) -> Plan:
    drives = Drives(gain_db=np.zeros(2), delay_s=np.array([0.0, 0.004]), polarity=np.array([1, 1]))
    return judge_layout(parse_project(text, source="own.toml"), [[0.3, 0.5, 0.3], [5.1, 3.6, 0.3]], drives)


def high_pass(hz: np.ndarray) -> np.ndarray:
    """s^2 / (s^2 + s w_c / Q_tc + w_c^2), a sealed box (R. H. Small, J. Audio Eng. Soc. 20(10), 1972; from memory)."""
    stiffer = np.sqrt(1.0 + VAS_M3 / BOX_M3)
    w = 2.0 * np.pi * FS_HZ * stiffer
    q = QES * QMS / (QES + QMS) * stiffer
    s = 2j * np.pi * hz
    return s**2 / (s**2 + s * w / q + w**2)


def test_the_subs_sound_through_their_driver_and_box() -> None:
    bare, boxed = plan(TEXT), plan(TEXT + DRIVER)
    crossover = boxed.project.mains.filters
    without, found = meeting_parts(bare, crossover), meeting_parts(boxed, crossover)
    assert found.own
    assert not without.own
    ratio = found.subs / without.subs
    np.testing.assert_allclose(ratio, np.repeat(ratio[:, :1], 3, axis=1), rtol=1e-9)  # the same at every seat
    expected = high_pass(found.frequency_hz)
    np.testing.assert_allclose(np.angle(ratio[:, 0] / expected), 0.0, atol=1e-9)
    level = 20 * np.log10(np.abs(ratio[:, 0] / expected))
    assert np.ptp(level) < 1e-9
    below = found.frequency_hz <= crossover.frequency_hz
    assert abs(20 * np.log10(np.abs(ratio[below, 0])).mean()) < 1e-9  # the gain against the mains means the same
    np.testing.assert_array_equal(found.mains, without.mains)


def test_what_is_set_without_it_is_worse_with_it() -> None:
    """Both settings judged on one sum, whose own response is the closed form: what today's user hears."""
    bare, boxed = plan(TEXT), plan(TEXT + DRIVER)
    crossover = boxed.project.mains.filters
    parts = meeting_parts(bare, crossover)
    own = high_pass(parts.frequency_hz)
    heard = Parts(
        frequency_hz=parts.frequency_hz,
        subs=parts.subs * own[:, None],
        mains=parts.mains,
        seat_weight=parts.seat_weight,
    )
    blind, seeing = meet_mains(bare, crossover).best, meet_mains(boxed, crossover).best
    scores = [
        min(
            setting(heard, crossover, delay_s=one.delay_s, polarity=one.polarity, gain_db=gain).merit.score_db
            for gain in np.arange(-12.0, 12.1, 0.5)
        )
        for one in (blind, seeing)
    ]
    assert scores[1] < scores[0] - 0.2
