"""Filters of single subs: they undo what a known filter did, keep their limits, and pay for level."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from roommodes.filters.sections import Section, section_response
from roommodes.responses.frequency_grid import log_grid
from roommodes.responses.metrics import level_db, variation_db
from solvers.tuning.sub_filters import SubFilterLimits, sub_filters

RATE_HZ = 48000.0
HZ = log_grid(20.0, 120.0, 8)


def room(seed: int, n_seat: int, n_sub: int) -> np.ndarray:
    """A few modes with random shapes: no room in particular."""
    rng = np.random.default_rng(seed)
    modes = rng.uniform(20, 120, 7)
    shape = rng.normal(size=(7, n_seat)), rng.normal(size=(7, n_sub))
    resonance = HZ[:, None] ** 2 / (modes**2 - HZ[:, None] ** 2 + 0.1j * modes * HZ[:, None])
    return np.einsum("fm,ms,mc->fsc", resonance, *shape) + 0.3


def filtered(driven: np.ndarray, found: tuple[tuple[Section, ...], ...]) -> np.ndarray:
    parts = [section_response(one, HZ, rate_hz=RATE_HZ) for one in found]
    return level_db(np.einsum("fsc,cf->fs", driven, np.array(parts)))


def search(driven: np.ndarray, limits: SubFilterLimits, exchange: float = 0.05) -> tuple[tuple[Section, ...], ...]:
    n_seat, n_sub = driven.shape[1:]
    return sub_filters(
        HZ, driven, np.ones(n_seat), drive_db=np.zeros(n_sub), limits=limits, rate_hz=RATE_HZ, exchange=exchange
    )


@settings(max_examples=12, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    n_seat=st.integers(1, 5),
    n_sub=st.integers(1, 3),
    per_sub=st.integers(0, 3),
    boost_db=st.floats(0.0, 6.0),
    cut_db=st.floats(0.0, 12.0),
    all_pass=st.booleans(),
)
def test_limits_are_kept_and_nothing_gets_worse(
    seed: int, n_seat: int, n_sub: int, per_sub: int, boost_db: float, cut_db: float, all_pass: bool
) -> None:
    driven = room(seed, n_seat, n_sub)
    limits = SubFilterLimits(per_sub=per_sub, boost_db=boost_db, cut_db=cut_db, all_pass=all_pass, q=(0.9, 4.0))
    found = search(driven, limits)
    assert len(found) == n_sub
    for own in found:
        assert len(own) <= per_sub
        for kind in ("peaking", "all-pass"):  # two of one kind are never one filter dialled in twice
            assert (np.diff(np.log2([one.frequency_hz for one in own if one.kind == kind])) >= 1 / 6).all()
        for one in own:
            assert all_pass or one.kind == "peaking"
            assert 0.9 <= one.q <= 4.0
            assert -cut_db - 1e-9 <= one.gain_db <= boost_db + 1e-9
            assert HZ[0] - 0.05 <= one.frequency_hz <= HZ[-1] + 0.05
    before = variation_db(level_db(driven.sum(axis=2)), np.ones(n_seat))
    after = variation_db(filtered(driven, found), np.ones(n_seat))
    count = sum(map(len, found))
    assert after <= (before - 0.02 if count else before) + 1e-12  # a filter is worth at least half of worth_db


def even_room(seed: int) -> np.ndarray:
    """Two subs whose sum is the same at every seat, by construction."""
    rng = np.random.default_rng(seed)
    odd = 0.8 * rng.normal(size=(1, 4)) * np.exp(2j * np.pi * HZ[:, None] * 0.004)
    return np.stack([1.0 + odd, 1.0 - odd], axis=2)


def test_a_known_all_pass_is_undone() -> None:
    """One sub turned by an all-pass: the seats differ, and an all-pass on the other one makes them alike again."""
    driven = even_room(3)
    driven[:, :, 0] *= section_response([Section(kind="all-pass", frequency_hz=45.0, q=1.4)], HZ, rate_hz=RATE_HZ)[
        :, None
    ]
    before = variation_db(level_db(driven.sum(axis=2)), np.ones(4))
    found = search(driven, SubFilterLimits(per_sub=1))
    after = variation_db(filtered(driven, found), np.ones(4))
    assert before > 3.0
    assert after < 0.1 * before
    ((one,),) = [own for own in found if own]
    assert one.kind == "all-pass"
    assert abs(one.frequency_hz / 45.0 - 1.0) < 0.02
    without = search(driven, SubFilterLimits(per_sub=1, all_pass=False))
    assert variation_db(filtered(driven, without), np.ones(4)) > 3.0 * after


def test_a_known_bump_of_one_sub_is_cut() -> None:
    driven = even_room(5)
    bump = Section(kind="peaking", frequency_hz=60.0, q=2.0, gain_db=7.0)
    driven[:, :, 1] *= section_response([bump], HZ, rate_hz=RATE_HZ)[:, None]
    found = search(driven, SubFilterLimits(per_sub=1, all_pass=False), 0.0)
    assert found[0] == ()
    (one,) = found[1]
    assert abs(one.frequency_hz / 60.0 - 1.0) < 0.02
    assert abs(one.gain_db + 7.0) < 0.3
    assert abs(one.q - 2.0) <= 0.2


def test_two_all_passes_at_nearly_one_frequency_are_kept_apart() -> None:
    """One sub turned by two of them at one place: undone on the other by two that stand apart, as far as it goes."""
    driven = even_room(3)
    turn = [Section(kind="all-pass", frequency_hz=45.0, q=1.4)]
    driven[:, :, 0] *= section_response(turn * 2, HZ, rate_hz=RATE_HZ)[:, None]
    found = search(driven, SubFilterLimits(per_sub=3))
    after = variation_db(filtered(driven, found), np.ones(4))
    assert after < 0.5 * variation_db(level_db(driven.sum(axis=2)), np.ones(4))
    (own,) = [own for own in found if sum(one.kind == "all-pass" for one in own) > 1]
    turns = sorted(one.frequency_hz for one in own if one.kind == "all-pass")
    assert np.diff(np.log2(turns)).min() >= 1 / 6
    assert np.diff(np.log2(turns)).min() < 1 / 4  # the limit binds: without it both stand at one place


def test_level_is_paid_for() -> None:
    """The dearer level is, the less of it is given up."""
    driven = room(11, 5, 3)

    def lost(exchange: float) -> float:
        found = search(driven, SubFilterLimits(), exchange)
        boost = max(np.abs(section_response(one, HZ, rate_hz=RATE_HZ)).max() for one in found)
        change = level_db(driven.sum(axis=2)).mean() - filtered(driven, found).mean()
        return float(change + 20 * np.log10(boost))

    assert lost(2.0) < lost(0.0) - 0.3
