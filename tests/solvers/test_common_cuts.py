"""Cuts find the peaks that are there, and nothing else."""

import numpy as np

from roommodes.biquads import peaking, response
from solvers.common_cuts import DEEPEST_DB, Q_RANGE, common_cuts, cuts_gain_db

RATE_HZ = 48000.0
HZ = np.geomspace(20, 120, 63)


def bump(frequency_hz: float, q: float, gain_db: float) -> np.ndarray:
    one = peaking(frequency_hz=frequency_hz, q=q, gain_db=gain_db, rate_hz=RATE_HZ)
    return 20 * np.log10(np.abs(response([one], HZ, rate_hz=RATE_HZ)))


def test_a_peak_is_undone() -> None:
    """A level that is one filter's boost is flattened by the same filter's cut."""
    level = bump(45.0, 4.0, 7.0) + 3.0
    (cut,) = common_cuts(HZ, level, rate_hz=RATE_HZ)
    assert abs(cut.frequency_hz - 45.0) < 0.5
    assert abs(cut.q - 4.0) < 0.6
    assert abs(cut.gain_db + 7.0) < 0.7
    rest = level + cuts_gain_db([cut], HZ, rate_hz=RATE_HZ)
    assert np.ptp(rest) < 0.15 * np.ptp(level)


def test_two_peaks_become_two_cuts_and_a_dip_is_left() -> None:
    level = bump(30.0, 3.0, 6.0) + bump(90.0, 3.0, 5.0) + bump(55.0, 5.0, -12.0)
    cuts = common_cuts(HZ, level, rate_hz=RATE_HZ)
    assert len(cuts) == 2
    assert abs(cuts[0].frequency_hz - 30) < 1.5
    assert abs(cuts[1].frequency_hz - 90) < 4.5
    assert all(DEEPEST_DB <= cut.gain_db < 0 and Q_RANGE[0] <= cut.q <= Q_RANGE[1] for cut in cuts)


def test_a_flat_level_needs_none() -> None:
    assert common_cuts(HZ, np.full(63, 4.0), rate_hz=RATE_HZ) == ()
    assert common_cuts(HZ, 0.4 * np.sin(HZ), rate_hz=RATE_HZ) == ()


def test_they_never_make_the_mean_less_even() -> None:
    rng = np.random.default_rng(4)
    for _ in range(5):
        level = np.convolve(rng.normal(size=80), np.ones(9) / 3.0, mode="valid")[:63]
        above = level - np.median(level)
        rest = above + cuts_gain_db(common_cuts(HZ, level, rate_hz=RATE_HZ), HZ, rate_hz=RATE_HZ)
        assert np.sum(np.maximum(rest, 0) ** 2) <= np.sum(np.maximum(above, 0) ** 2)
