"""How loud a plan plays: laws, a second simple way, a published case in an absorbing room, the aims of the search."""

from dataclasses import replace
from math import log2, log10
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roommodes.acoustics.air import Air
from roommodes.acoustics.room import WALLS, Room, Surface
from roommodes.acoustics.transfer import transfer_function
from roommodes.acoustics.wall_laws import ConstantAdmittance
from roommodes.errors import ProjectInvalid
from roommodes.filters.sections import Section
from roommodes.plan.drives import Drives
from roommodes.plan.file import read_results, write_results
from roommodes.plan.plan import Results
from roommodes.project.project import Project
from roommodes.project.reading import parse_project
from roommodes.project.tables import AimLimitsTable, AimWeightsTable
from roommodes.responses.metrics import drive_weights
from roommodes.responses.third_octaves import bands_of
from roommodes.subwoofer.boxed_driver import displaced_level_db
from roommodes.subwoofer.limits import Limit, MeasuredDrive, own_response
from solvers.choice.aims import Figures, broken_limits, excess, score_db
from solvers.choice.recommend import recommend, steers
from solvers.loudness.headroom import (
    Loudness,
    highest_clean_db,
    loudness_of,
    rule_of_thumb_db,
    target_bands,
)
from solvers.loudness.of_plan import plan_headroom
from solvers.plans.solve import solve
from tests.solvers.loudness.loud import TEXT, project


@pytest.fixture(scope="module")
def results() -> Results:
    return solve(project())


def found(results: Results, text: Project | None = None, count: int = 2):
    return plan_headroom(replace(results, project=text or project()).plan(count, 1))


def stated(hz: np.ndarray, level: float = 100.0) -> Loudness:
    """A sub that plays 100 dB at every frequency, 110 dB wanted."""
    given = TEXT.partition("[subwoofer]")[0] + f"[subwoofer]\nmax_level_1m_db = {level}\n[target]\nlevel_db = 110\n"
    found = loudness_of(parse_project(given, source="stated.toml"), hz)
    assert found is not None
    assert found.limits.kinds == (Limit.STATED,)
    return found


# -- laws -------------------------------------------------------------------------------------------------------------


@settings(max_examples=30)
@given(st.integers(min_value=0, max_value=10**6), st.floats(min_value=-20.0, max_value=20.0))
def test_a_gain_common_to_all_subs_changes_nothing(seed: int, gain: float) -> None:
    rng = np.random.default_rng(seed)
    h = rng.normal(size=(5, 3, 2)) + 1j * rng.normal(size=(5, 3, 2))
    w = rng.normal(size=(5, 2)) + 1j * rng.normal(size=(5, 2))
    limit = rng.normal(100.0, 3.0, size=(5, 2))
    level, spare = highest_clean_db(h, w, limit)
    again, spare_again = highest_clean_db(h, w * 10.0 ** (gain / 20.0), limit)
    np.testing.assert_allclose(again, level, atol=1e-9)
    np.testing.assert_allclose(spare_again, spare, atol=1e-9)
    assert np.all(spare.min(axis=1) < 1e-9)  # one sub is at its limit at every frequency ...
    assert np.all(spare >= 0.0)  # ... and none is beyond it


@settings(max_examples=30)
@given(st.integers(min_value=0, max_value=10**6))
def test_the_highest_level_is_what_a_slow_rise_of_the_gain_finds(seed: int) -> None:
    """A second, simple way: raise the common gain in small steps until some sub would pass its limit."""
    rng = np.random.default_rng(seed)
    h = rng.normal(size=(1, 2, 3)) + 1j * rng.normal(size=(1, 2, 3))
    w = rng.normal(size=(1, 3)) + 1j * rng.normal(size=(1, 3))
    limit = rng.normal(100.0, 3.0, size=(1, 3))
    gains = np.arange(60.0, 140.0, 0.01)
    emitted = gains[:, None] + 20.0 * np.log10(np.abs(w[0]))
    allowed = gains[np.all(emitted <= limit[0], axis=1)].max()
    slow = allowed + 20.0 * np.log10(np.abs(h[0] @ w[0]))
    fast, _ = highest_clean_db(h, w, limit)
    np.testing.assert_allclose(fast[0], slow, atol=0.0101)


def test_doubling_the_subs_at_one_place_gives_six_decibels(close) -> None:
    hz = np.geomspace(20.0, 100.0, 20)
    h = np.ones((20, 2, 1), dtype=np.complex128)
    one, _ = highest_clean_db(h, np.ones((20, 1), dtype=np.complex128), np.full((20, 1), 100.0))
    two, _ = highest_clean_db(np.repeat(h, 2, axis=2), np.ones((20, 2), dtype=np.complex128), np.full((20, 2), 100.0))
    close(two - one, np.full((20, 2), 20.0 * log10(2.0)), rtol=1e-12)
    loud = stated(hz)
    drives = Drives(gain_db=[-3.0, -5.0], delay_s=[0.0, 0.0], polarity=[1, 1])
    close(loud.headroom_db(np.zeros((20, 2)), drives, np.ones(2)), 100.0 + 3.0 - 110.0, rtol=1e-12)


# -- a published case through the model -------------------------------------------------------------------------------


def test_a_large_absorbing_room_gives_back_the_displacement_limited_level(published, close) -> None:
    """Published: Sd 0.05 m2, 20 mm, 20 Hz gives 100.59 dB at 1 m in half space. The model: a sub on the only hard wall.

    Walls with the admittance of a plane wave still reflect what comes in at a slant; 0.3 dB are left to that.
    """
    side, table = 14.0, published("subwoofers", "displacement")
    air = Air(temperature_c=101325.0 / (287.058 * 1.204) - 273.15)
    room = Room(length_m=side, width_m=side, height_m=side, loss_factor=0.0, air=air)
    law = ConstantAdmittance(beta_re=1.0, beta_im=0.0)
    surfaces = [
        Surface(wall=wall, from_m=(0.0, 0.0), to_m=(side, side), law=law, name=wall)
        for wall in WALLS
        if wall != "floor"
    ]
    sub, seat = np.array([7.0, 7.0, 0.0]), np.array([7.0, 8.0, 0.0])
    hz = np.array([20.0])
    h = transfer_function(room, surfaces, frequency_hz=hz, seat_m=seat[None], source_m=sub[None])
    limit = displaced_level_db(
        displacement_m=table["displacement_m"][1], cone_area_m2=table["cone_area_m2"][1], frequency_hz=hz, air=air
    )
    level, _ = highest_clean_db(h, np.ones((1, 1), dtype=np.complex128), limit[:, None])
    close(level[0, 0], table["half_space_db"][1], rtol=0.3 / 100.59)


# -- a plan -----------------------------------------------------------------------------------------------------------


def test_headroom_agrees_with_the_stored_levels(results: Results, close) -> None:
    """Bands by hand from the file's own levels and the displacement formula, below where anything else limits."""
    one = found(results)
    hz, table = results.frequency_hz, results.plans[2]
    inside = bands_of(hz) == 13
    free = displaced_level_db(displacement_m=0.014, cone_area_m2=0.083, frequency_hz=hz[inside], air=Air())
    level = table.level_db[0][inside] - table.gain_db[0].max() + free[:, None]
    close(one.headroom.highest_db[0], 10 * np.log10(np.mean(10 ** (level / 10), axis=0)), rtol=1e-9)
    assert one.headroom.tightest.limited_by[0] is Limit.DISPLACEMENT
    close(one.headroom.mean_db[0], one.headroom.highest_db[0].mean(), rtol=1e-12)
    close(one.headroom.headroom_db, one.headroom.mean_db - 115.0, rtol=1e-9)
    loudness = loudness_of(project(), hz)
    assert loudness is not None
    close(
        one.headroom.least_db,
        loudness.headroom_db(table.level_db[0], Drives.of_row(table, 0), results.seats.weight),
        rtol=1e-9,
    )


def test_subs_measured_at_unlike_voltages_have_the_models_headroom(results: Results, close) -> None:
    """Sound pressure by the driver's law, each sub at a voltage of its own, and gains that undo it: nothing changes."""
    model = found(results)
    plan, own = model.plan, own_response(project().subwoofer, results.frequency_hz, Air())
    volts = np.random.default_rng(3).uniform(1.0, 9.0, len(results.candidates))
    pressure_pa = results.transfer * own[:, None, None] * volts
    drive = MeasuredDrive(volts=float(volts.max()), zero_db=-20.0 * log10(20e-6), each_v=tuple(volts.tolist()))
    measured = replace(results, transfer=pressure_pa, project=replace(project(), drive=drive))
    gain_db = plan.drives.gain_db - 20.0 * np.log10(volts[plan.candidate_index])
    driven = replace(plan.drives, gain_db=gain_db)
    other = plan_headroom(measured.plan(2, 1).with_drives(driven))
    close(other.headroom.highest_db, model.headroom.highest_db, rtol=1e-9)
    close(other.headroom.room_gain_db, model.headroom.room_gain_db, rtol=1e-9)
    close(other.headroom.rule_gain_db, model.headroom.rule_gain_db, rtol=1e-9)
    close(other.headroom.open_air_db, model.headroom.open_air_db, rtol=1e-9)
    close(other.headroom.needs.voltage_v, model.headroom.needs.voltage_v, rtol=1e-9)
    highest = other.plan.highest_level_db
    assert highest is not None
    close(highest, model.plan.highest_level_db, rtol=1e-9)


def test_at_the_target_a_sub_needs_what_its_headroom_says(results: Results, close) -> None:
    """The sub at its limit moves 14 mm at 20 Hz; at the target 10^(-headroom / 20) of that."""
    head = found(results).headroom
    assert head.needs is not None
    (first,) = head.tightest.first_subs[0]
    close(head.needs.travel_m[0, first], 0.014 * 10 ** (-head.headroom_db[0] / 20), rtol=1e-6)
    ratio = head.needs.voltage_v[0] / head.needs.voltage_v[0, first]
    gain = results.plans[2].gain_db[0]
    close(20 * np.log10(ratio), gain - gain.max(), rtol=1e-6, scale=max(0.1, np.abs(gain - gain.max()).max()))
    assert head.needs.port_velocity_m_s is None
    # power cannot exceed voltage times current
    assert np.all(head.needs.power_w <= head.needs.voltage_v * head.needs.current_a * (1 + 1e-9))


def test_a_filter_on_a_sub_moves_the_limit_to_it(results: Results) -> None:
    hz = results.frequency_hz
    drives = Drives(gain_db=[0.0, -3.0], delay_s=[0.0, 0.0], polarity=[1, 1])
    plan = results.plan(2, 1).with_drives(drives)
    plain = plan.weights(hz, shared=False)
    boost = Section(kind="peaking", frequency_hz=40.0, q=2.0, gain_db=6.0)

    settings = SimpleNamespace(sample_rate_hz=48000.0)
    own = SimpleNamespace(settings=settings, sub_filters=((), (boost,)))
    tuned = replace(plan, tuning=own).weights(hz, shared=False)
    h = np.ones((len(hz), 1, 2), dtype=np.complex128)
    limit = np.full((len(hz), 2), 100.0)
    at = int(np.argmin(np.abs(hz - 40.0)))
    assert int(np.argmin(highest_clean_db(h, plain, limit)[1][at])) == 0
    assert int(np.argmin(highest_clean_db(h, tuned, limit)[1][at])) == 1


def test_the_rooms_gain_of_one_sub_is_its_transfer_function(results: Results, close) -> None:
    head = found(results, count=1).headroom
    h = results.transfer[:, :, results.plans[1].candidate_index[0, 0]]
    inside = bands_of(results.frequency_hz) == 17
    close(head.room_gain_db[4], 10 * np.log10(np.mean(np.abs(h[inside]) ** 2, axis=0)), rtol=1e-9)


def test_the_rule_of_thumb(close) -> None:
    room = Room(length_m=5.0, width_m=4.0, height_m=2.5)
    lowest = room.air.speed_of_sound_m_s / 10.0
    hz = np.array([lowest / 2.0, lowest * 2.0])
    weights = np.ones((2, 1), dtype=np.complex128)
    gain = rule_of_thumb_db(room, hz, weights=weights, sub_m=np.zeros((1, 3)), seat_m=np.array([[2.0, 0.0, 0.0]]))
    close(gain[:, 0], [12.0, 1e-9], rtol=1e-6, scale=12.0)
    two = rule_of_thumb_db(room, hz, weights=np.repeat(weights, 2, 1), sub_m=np.zeros((2, 3)), seat_m=np.ones((1, 3)))
    one = rule_of_thumb_db(room, hz, weights=weights, sub_m=np.zeros((1, 3)), seat_m=np.ones((1, 3)))
    close(two, one, rtol=1e-9)


def test_the_targets_band_chooses_the_bands(results: Results) -> None:
    hz = results.frequency_hz
    assert target_bands(project(), hz) == tuple(range(13, 21))
    assert target_bands(project(extra="[target]\nband_hz = [31.5, 63]\n"), hz) == (15, 16, 17, 18)


def test_seats_count_by_their_weight(close) -> None:
    hz = np.geomspace(20.0, 22.0, 5)
    loud = stated(hz)
    level = np.tile([0.0, -8.0], (5, 1))
    close(loud.headroom_db(level, Drives.alike(1), np.array([3.0, 1.0])), 100.0 - 2.0 - 110.0, rtol=1e-12)


def test_the_filters_of_a_tuned_plan_are_in_its_headroom(results: Results) -> None:
    boost = Section(kind="peaking", frequency_hz=40.0, q=2.0, gain_db=6.0)
    tuning = SimpleNamespace(
        subs=2, rank=0, settings=SimpleNamespace(sample_rate_hz=48000.0), sub_filters=((boost,), ())
    )
    tuned = found(replace(results, tuning=tuning))
    plain = found(results)
    assert tuned.filtered
    assert not plain.filtered
    moved = np.abs(tuned.headroom.mean_db - plain.headroom.mean_db)
    assert moved[3] > 0.5  # the 40 Hz band
    assert moved[0] < moved[3]
    other = replace(results, tuning=SimpleNamespace(subs=1, rank=0))
    assert not found(other).filtered


def test_one_more_sub_is_tried_at_every_free_place(results: Results, close) -> None:
    one = found(results)
    assert one.next_count is None
    added = one.added
    assert added is not None
    assert added.candidate not in results.plans[2].candidate_index[0]
    # worked out again from its position and drive
    table, hz = results.plans[2], results.frequency_hz
    weights = drive_weights(
        hz,
        gain_db=[*table.gain_db[0], added.gain_db],
        delay_s=[*table.delay_s[0], added.delay_s],
        polarity=[*table.polarity[0], added.polarity],
    )
    loudness = one.loudness
    h = results.transfer[:, :, [*table.candidate_index[0], added.candidate]]
    highest, _ = highest_clean_db(h, weights, np.repeat(loudness.limits.highest_db[:, None], 3, axis=1))
    close(loudness.band_headroom_db(highest, results.seats.weight), added.band_headroom_db, rtol=1e-9)


def test_the_next_plan_of_the_file_is_taken_where_there_is_one(results: Results, close) -> None:
    one = found(results, count=1)
    assert one.added is None
    assert one.next_count == 2
    assert one.next_bands_db is not None
    close(one.next_bands_db, found(results).headroom.headroom_db, rtol=1e-9)


def test_without_limits_there_is_no_headroom(results: Results) -> None:
    bare = parse_project(TEXT[: TEXT.index("[subwoofer.driver]")], source="loud.toml")
    with pytest.raises(ProjectInvalid, match="nothing says how loud a sub plays"):
        found(results, bare)


def test_every_plan_in_the_file_carries_its_headroom(results: Results, tmp_path: Path, close) -> None:
    write_results(tmp_path / "plan.h5", results, force=False)
    for count, table in read_results(tmp_path / "plan.h5").plans.items():
        assert table.merits.headroom_db is not None
        for rank in range(min(3, len(table.merits.headroom_db))):
            one = plan_headroom(results.plan(count, rank + 1))
            close(table.merits.headroom_db[rank], one.headroom.least_db, rtol=1e-9)


# -- as an aim --------------------------------------------------------------------------------------------------------


def figures(variation: float, headroom: float | None, subs: int = 2) -> Figures:
    return Figures(
        variation_db=variation, output_db=0.0, smoothness_db=2.0, decay_s=0.4, subs=subs, headroom_db=headroom
    )


def test_headroom_counts_up_to_the_target(close) -> None:
    weights = AimWeightsTable(headroom=0.5, subs=0.0)
    close(score_db(figures(2.0, -4.0), weights), 4.0, rtol=1e-12)
    assert score_db(figures(2.0, 3.0), weights) == score_db(figures(2.0, 0.0), weights) == 2.0
    assert score_db(figures(2.0, None), weights) == 2.0
    limits = AimLimitsTable(headroom_db=1.0)
    close(excess(figures(2.0, -1.0), limits), 2.0, rtol=1e-12)
    assert excess(figures(2.0, 1.5), limits) == 0.0
    assert broken_limits(figures(2.0, -1.0), limits) == ("headroom -1 dB, at least 1 dB",)
    assert broken_limits(figures(2.0, None), limits) == ()
    assert steers(AimWeightsTable(headroom=0.1), AimLimitsTable())
    assert steers(AimWeightsTable(), limits)


def test_a_limit_on_headroom_chooses_more_subs() -> None:
    best = {1: figures(2.0, -6.0, 1), 2: figures(1.9, 1.0, 2)}
    free = recommend(best, best, {}, weights=AimWeightsTable(), limits=AimLimitsTable())
    held = recommend(best, best, {}, weights=AimWeightsTable(), limits=AimLimitsTable(headroom_db=0.0))
    assert (free.subs, held.subs) == (1, 2)
    assert any("headroom -6 dB, at least 0 dB" in reason for reason in held.reasons)


def test_the_search_weighs_headroom(results: Results) -> None:
    """With headroom weighed heavily the first plan has at least as much as the most even one."""
    eager = project("[subwoofer]\n", "[search.weights]\nheadroom = 3.0\n[subwoofer]\n")
    loud = solve(eager, counts=(2,))
    assert loud.plans[2].found.by_aims
    assert found(loud).headroom.least_db >= found(results).headroom.least_db - 1e-9


def test_the_slope_of_a_displacement_limit_is_twelve_decibels_an_octave(close) -> None:
    """Exact law, through limits and bands: the 20 and the 40 Hz band of a sub whose travel limits both."""
    one = project()
    hz = np.geomspace(18.0, 44.0, 60)
    loudness = loudness_of(one, hz)
    assert loudness is not None
    assert all(loudness.limits.kinds[k] is Limit.DISPLACEMENT for k in loudness.limits.first[hz < 30.0])
    level = loudness.limits.level_db[0]
    slope = (level[-1] - level[0]) / log2(hz[-1] / hz[0])
    close(slope, 40.0 * log10(2.0), rtol=1e-9)
