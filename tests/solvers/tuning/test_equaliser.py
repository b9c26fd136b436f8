"""The shared equaliser: it never exceeds its limits, fills no null that differs by seat, and does what it is for."""

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from roommodes.filters.processor import Steps
from roommodes.filters.sections import section_response
from roommodes.responses.frequency_grid import log_grid
from roommodes.responses.metrics import normalised, variation_db
from solvers.tuning.equaliser import SKIRT_DB, EqualiserLimits, aimed_target_db, ceiling_db, equalise
from solvers.tuning.filter_shapes import all_pass_shapes, apart, peaking_shapes

RATE_HZ = 48000.0
HZ = log_grid(20.0, 120.0, 12)


def bell(centre: float, height: float, octaves: float = 0.3) -> np.ndarray:
    return height * np.exp(-((np.log2(HZ / centre) / octaves) ** 2))


def room(seed: int, n_seat: int, ripple_db: float) -> np.ndarray:
    """Levels of no room in particular: bells and dips at random, some alike at all seats."""
    rng = np.random.default_rng(seed)
    level = np.zeros((len(HZ), n_seat))
    for _ in range(6):
        own = rng.normal(scale=ripple_db / 2, size=n_seat)
        level += np.outer(bell(rng.uniform(18, 130), 1.0, rng.uniform(0.05, 0.6)), rng.normal(scale=ripple_db) + own)
    return level + rng.normal(scale=20.0)


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    n_seat=st.integers(1, 9),
    ripple_db=st.floats(0.0, 25.0),
    boost_db=st.floats(0.0, 9.0),
    cut_db=st.floats(0.0, 20.0),
    filters=st.integers(0, 12),
    tilt_db=st.floats(-10.0, 10.0),
)
@example(seed=6101587, n_seat=2, ripple_db=11.0, boost_db=0.0, cut_db=10.0, filters=2, tilt_db=0.0)  # deep between two
def test_it_never_exceeds_its_limits(
    seed: int, n_seat: int, ripple_db: float, boost_db: float, cut_db: float, filters: int, tilt_db: float
) -> None:
    level = room(seed, n_seat, ripple_db)
    weight = np.random.default_rng(seed).uniform(0.1, 2.0, n_seat)
    limits = EqualiserLimits(filters=filters, boost_db=boost_db, cut_db=cut_db)
    shape = tilt_db * np.log2(HZ / 50.0)
    found = equalise(HZ, level, weight, shape_db=shape, limits=limits, rate_hz=RATE_HZ)
    assert len(found.sections) <= filters
    fine = np.geomspace(10.0, 240.0, 20_000)
    total = 20 * np.log10(np.abs(section_response(found.sections, fine, rate_hz=RATE_HZ)))
    assert total.max() <= max(boost_db, SKIRT_DB) + 0.01  # between the checked frequencies
    assert total.min() >= -cut_db - 0.01
    assert (found.gain_db <= np.maximum(found.ceiling_db, SKIRT_DB) + 1e-9).all()
    # Said anew, without the module's own ceiling: where one seat reaches the target or the seats differ, no boost.
    target = aimed_target_db(level, weight, shape)
    deviation = np.sqrt(((level - (level @ normalised(weight))[:, None]) ** 2) @ normalised(weight))
    barred = (level.max(axis=1) >= target) | (deviation > limits.differ_db)
    assert (found.gain_db[barred] <= SKIRT_DB + 1e-9).all()
    placed = np.array([one.frequency_hz for one in found.sections])
    assert (np.diff(np.log2(placed)) >= 1 / 6).all()  # as dialled in, and in rising order
    for one in found.sections:
        assert limits.q[0] <= one.q <= limits.q[1]
        assert -cut_db - 1e-9 <= one.gain_db <= boost_db + 1e-9
        dialled = round(one.frequency_hz, 1), round(one.q, 1), round(one.gain_db, 1)
        assert (one.frequency_hz, one.q, one.gain_db) == dialled or one.gain_db in (-cut_db, boost_db)


def test_a_peak_of_all_seats_is_taken_off() -> None:
    level = np.stack([bell(45.0, 9.0), bell(45.0, 8.0), bell(45.0, 10.0)], axis=1)
    found = equalise(HZ, level, np.ones(3), shape_db=np.zeros(len(HZ)), limits=EqualiserLimits(), rate_hz=RATE_HZ)
    after = (level + found.gain_db[:, None]).mean(axis=1)
    assert np.ptp(level.mean(axis=1)) > 8.0
    assert np.ptp(after) < 2.0
    assert min(found.sections, key=lambda one: one.gain_db).frequency_hz == pytest.approx(45.0, rel=0.05)
    both = variation_db(level, np.ones(3)), variation_db(level + found.gain_db[:, None], np.ones(3))
    assert both[0] == pytest.approx(both[1], abs=1e-12)


def test_a_dip_alike_at_all_seats_is_filled_within_the_limit_and_one_seats_null_is_not() -> None:
    shape, limits = np.zeros(len(HZ)), EqualiserLimits(boost_db=4.0)
    alike = np.stack([bell(45.0, -8.0)] * 3, axis=1)
    filled = equalise(HZ, alike, np.ones(3), shape_db=shape, limits=limits, rate_hz=RATE_HZ)
    at = int(np.argmin(np.abs(HZ - 45.0)))
    assert 2.5 < filled.gain_db[at] <= 4.0
    one_seat = alike.copy()
    one_seat[:, 1:] = 0.0
    untouched = equalise(HZ, one_seat, np.ones(3), shape_db=shape, limits=limits, rate_hz=RATE_HZ)
    assert untouched.gain_db[at] <= SKIRT_DB
    differing = np.stack([bell(45.0, -4.0), bell(45.0, -18.0), bell(45.0, -9.0)], axis=1)
    assert ceiling_db(differing, np.ones(3), shape, limits)[at] == 0.0


def test_the_target_is_followed_and_needs_no_filter_where_it_is_met() -> None:
    shape = 6.0 - 6.0 * np.log2(HZ / 20.0) / np.log2(6.0)  # 6 dB more at 20 than at 120 Hz
    level = np.repeat(shape[:, None], 2, axis=1) - 11.0
    met = equalise(HZ, level, np.ones(2), shape_db=shape, limits=EqualiserLimits(), rate_hz=RATE_HZ)
    assert met.sections == ()
    flat = equalise(HZ, np.zeros((len(HZ), 2)), np.ones(2), shape_db=shape, limits=EqualiserLimits(), rate_hz=RATE_HZ)
    left = flat.gain_db - shape
    assert np.std(left) < 0.6 * np.std(shape)


def test_shapes_are_the_sections_prototypes(close) -> None:
    from roommodes.filters.sections import Section  # noqa: PLC0415

    peak = Section(kind="peaking", frequency_hz=47.0, q=3.0, gain_db=-7.0)
    turn = Section(kind="all-pass", frequency_hz=33.0, q=1.1)
    one = peaking_shapes(HZ, centre_hz=np.array([47.0]), q=np.array([3.0]), gain_db=np.array([-7.0]))[0]
    two = all_pass_shapes(HZ, centre_hz=np.array([33.0]), q=np.array([1.1]))[0]
    close(one, section_response([peak], HZ, rate_hz=RATE_HZ), 1e-3)
    close(two, section_response([turn], HZ, rate_hz=RATE_HZ), 1e-3)


def test_a_sixth_of_an_octave_is_left_after_rounding() -> None:
    low = np.arange(20.0, 60.0, 0.007)
    dials = Steps(low=1.0, high=20000.0, step=0.1)
    high = low * np.exp(apart(HZ, dials))
    assert (np.round(high, 1) / np.round(low, 1)).min() >= 2 ** (1 / 6)
    assert apart(HZ, dials) < np.log(2) / 6 + 0.006
