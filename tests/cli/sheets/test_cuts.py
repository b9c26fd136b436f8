"""The filters of a plan that was not tuned: cuts find the peaks that are there, and nothing else."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from cli.terminal.plan_options import choose_plan
from roommodes.filters.biquads import peaking, response
from roommodes.running import Running
from roommodes.storage.kept import Kept
from solvers.tuning.equaliser import Equaliser, equalise
from solvers.tuning.path_filters import CUTS_ALONE, common_cuts

RATE_HZ = 48000.0
HZ = np.geomspace(20, 120, 63)


def bump(frequency_hz: float, q: float, gain_db: float) -> np.ndarray:
    one = peaking(frequency_hz=frequency_hz, q=q, gain_db=gain_db, rate_hz=RATE_HZ)
    return 20 * np.log10(np.abs(response([one], HZ, rate_hz=RATE_HZ)))


def cuts_of(level_db: np.ndarray) -> Equaliser:
    return equalise(HZ, level_db[:, None], np.ones(1), shape_db=np.zeros(len(HZ)), limits=CUTS_ALONE, rate_hz=RATE_HZ)


def test_a_peak_is_undone() -> None:
    """A level that is one filter's boost is flattened by the same filter's cut."""
    level = bump(45.0, 4.0, 7.0) + 3.0
    found = cuts_of(level)
    (cut,) = found.sections
    assert cut.frequency_hz == pytest.approx(45.0, abs=0.5)
    assert cut.q == pytest.approx(4.0, abs=0.6)
    assert cut.gain_db == pytest.approx(-7.0, abs=0.7)
    assert np.ptp(level + found.gain_db) < 0.15 * np.ptp(level)


def test_two_peaks_become_two_cuts_and_a_dip_is_left() -> None:
    found = cuts_of(bump(30.0, 3.0, 6.0) + bump(90.0, 3.0, 5.0) + bump(55.0, 5.0, -12.0))
    low, high = found.sections
    assert low.frequency_hz == pytest.approx(30.0, abs=1.5)
    assert high.frequency_hz == pytest.approx(90.0, abs=4.5)
    assert found.gain_db.max() <= 0.0
    assert found.gain_db.min() >= -CUTS_ALONE.cut_db


def test_a_flat_level_needs_none() -> None:
    assert cuts_of(np.full(63, 4.0)).sections == ()
    assert cuts_of(0.4 * np.sin(HZ)).sections == ()


def test_they_never_boost_and_never_make_the_mean_less_even() -> None:
    rng = np.random.default_rng(4)
    for _ in range(5):
        level = np.convolve(rng.normal(size=80), np.ones(9) / 3.0, mode="valid")[:63]
        found = cuts_of(level)
        above = level - np.median(level)
        rest = above + found.gain_db
        assert all(one.gain_db < 0.0 for one in found.sections)
        assert np.sum(np.maximum(rest, 0) ** 2) <= np.sum(np.maximum(above, 0) ** 2)


def test_those_that_are_kept_are_the_same_to_the_last_bit(plan_file: Path, tmp_path: Path) -> None:
    plan = choose_plan(plan_file)
    keeping = Running(kept=Kept(folder=tmp_path, software=lambda: "this"))
    found = common_cuts(plan, RATE_HZ)
    assert found
    assert [common_cuts(plan, RATE_HZ, keeping) for _ in range(2)] == [found, found]
    (file,) = tmp_path.iterdir()
    other = replace(plan, tuning=None)
    assert common_cuts(other, 2.0 * RATE_HZ, keeping) == common_cuts(other, 2.0 * RATE_HZ)
    assert len(list(tmp_path.iterdir())) == 2
    file.write_bytes(file.read_bytes()[:-1])
    assert common_cuts(plan, RATE_HZ, keeping) == found
