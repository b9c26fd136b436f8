"""A plan with two kinds of subwoofer: what the seats hear, and how loud it gets, against a plain second way."""

import numpy as np
import pytest

from roommodes.plan.plan import Plan
from roommodes.project.project import Project
from roommodes.project.reading import parse_project
from roommodes.responses.third_octaves import band_levels
from roommodes.subwoofer.boxed_driver import REFERENCE_PA
from roommodes.subwoofer.limits import boxed_driver, limits_of
from solvers.loudness.headroom import headroom, loudness_of
from solvers.plans.by_hand import predict_layout
from solvers.project_transfer import project_transfer
from tests.rooms import CLOSED_BOX, SMALL

PORTED = """\
[subwoofers.driver]
fs_hz = 30
qes = 0.4
qms = 4
vas_m3 = 0.05
cone_area_m2 = 0.035
re_ohm = 5.5
xmax_m = 0.009
power_w = 250
box_m3 = 0.04
[subwoofers.port]
area_m2 = 0.008
tuning_hz = 27
"""
AMPLIFIER = "[subwoofers.amplifier]\nvoltage_v = 45\n"
CLOSED = CLOSED_BOX.replace("[subwoofer.", "[subwoofers.")


def two_kinds(first: str = CLOSED, second: str = PORTED, kinds: str = '["large", "small"]') -> Project:
    """The small room with its layout, one sub of each kind."""
    text = SMALL.replace("[layout]\n", f"[layout]\nkinds = {kinds}\n")
    text += f'[[subwoofers]]\nname = "large"\nprice = 900\n{first}{AMPLIFIER}'
    return parse_project(text + f'[[subwoofers]]\nname = "small"\nprice = 400\n{second}{AMPLIFIER}', source="test")


@pytest.fixture(scope="module")
def plan() -> Plan:
    return predict_layout(two_kinds())


def _volts_to_pascal(plan: Plan) -> tuple[np.ndarray, np.ndarray]:
    """Pressure of each sub at each seat for one volt at its terminals before its gain, and at 1 m: by hand."""
    project, hz = plan.project, plan.frequency_hz
    room = project_transfer(project, frequency_hz=hz, seat_m=plan.seats.position_m, source_m=plan.positions_m)
    boxes = [boxed_driver(kind, project.room.air) for kind in project.kinds]
    own = np.stack([box.per_volt(hz).pressure_pa for box in boxes if box is not None], axis=1)
    weights = plan.drives.weights(hz) * own
    return room * weights[:, None], np.abs(weights)


def test_the_seats_hear_each_kind_with_its_own_response(plan: Plan) -> None:
    each, _ = _volts_to_pascal(plan)
    level = 20.0 * np.log10(np.abs(each.sum(axis=2)))
    spread = (level - level.mean(axis=1, keepdims=True)) ** 2  # seats weigh alike
    assert plan.variation_db == pytest.approx(float(np.sqrt(spread.mean())), abs=1e-9)


def test_the_first_kind_to_meet_its_limit_ends_the_plan(plan: Plan) -> None:
    """The common voltage rises until one sub, by its own limits at 1 m, is done."""
    project, hz = plan.project, plan.frequency_hz
    each, at_1m = _volts_to_pascal(plan)
    found = [limits_of(kind, hz, project.room.air) for kind in project.kinds]
    highest = np.stack([10.0 ** (one.highest_db / 20.0) * REFERENCE_PA for one in found if one is not None], axis=1)
    volts = (highest / at_1m).min(axis=1)
    wanted = 20.0 * np.log10(np.abs(each.sum(axis=2)) * volts[:, None] / REFERENCE_PA)
    loudness = loudness_of(project, hz)
    assert loudness is not None
    head = headroom(plan, loudness)
    np.testing.assert_allclose(head.highest_db, band_levels(hz, wanted, head.bands), atol=1e-8)
    assert plan.highest_level_db is not None
    np.testing.assert_allclose(plan.highest_level_db, wanted, atol=1e-8)
    first = (highest / at_1m).argmin(axis=1)
    assert set(first) == {0, 1} or {sub for subs in head.tightest.first_subs for sub in subs} == set(first)


def test_two_kinds_that_are_alike_are_as_one(plan: Plan) -> None:
    """The same driver under two names gives what one kind gives, with no price told."""
    alike = predict_layout(two_kinds(CLOSED, CLOSED))
    single = predict_layout(
        parse_project(SMALL + CLOSED_BOX + "[subwoofer.amplifier]\nvoltage_v = 45\n", source="test")
    )
    assert alike.variation_db == pytest.approx(single.variation_db, abs=1e-9)
    loud, other = loudness_of(alike.project, alike.frequency_hz), loudness_of(single.project, single.frequency_hz)
    assert loud is not None
    assert other is not None
    np.testing.assert_allclose(headroom(alike, loud).highest_db, headroom(single, other).highest_db, atol=1e-9)
    assert alike.price == 1300
    assert abs(plan.variation_db - single.variation_db) > 0.01  # and kinds that differ do not


def test_an_unknown_response_counts_as_the_same_level_at_1_m() -> None:
    bare = "max_level_1m_db = 100\n"
    stated = predict_layout(two_kinds(bare, CLOSED))
    plain = predict_layout(parse_project(SMALL, source="test"))
    assert stated.variation_db == pytest.approx(plain.variation_db, abs=1e-9)


def test_each_kind_is_asked_for_its_own_power(plan: Plan) -> None:
    """At the target a sub's voltage times its response is its level at 1 m."""
    loudness = loudness_of(plan.project, plan.frequency_hz)
    assert loudness is not None
    needs = headroom(plan, loudness).needs
    assert needs is not None
    assert needs.port_velocity_m_s is not None
    assert (needs.port_velocity_m_s[:, 0] == 0.0).all()  # the closed box has no port
    assert (needs.port_velocity_m_s[:, 1] > 0.0).all()
    # both hang on the same common signal: their voltages differ by their gains alone, 0 and -3 dB
    np.testing.assert_allclose(needs.voltage_v[:, 1] / needs.voltage_v[:, 0], 10.0 ** (-3.0 / 20.0), rtol=1e-6)
