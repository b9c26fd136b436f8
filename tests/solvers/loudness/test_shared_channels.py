"""Headroom of subs that share an amplifier channel, of a target in every seat, and what the channels must give."""

from dataclasses import replace
from math import log10, pi, sqrt

import numpy as np
import pytest

from roommodes.arrays import Complexes, Floats
from roommodes.errors import ProjectInvalid
from roommodes.plan.plan import Plan
from roommodes.responses.third_octaves import bands_of
from roommodes.subwoofer.limits import Limit
from solvers.loudness.headroom import loudness_of
from solvers.loudness.of_plan import PlanHeadroom, plan_headroom
from tests.given_plans import given_results
from tests.solvers.loudness.loud import TEXT, project

CHANNEL = "[subwoofer.amplifier]\npower_w = {power}\nload_ohm = 4\n"
SHARED = TEXT.replace("[search]\n", "[search]\nshared_drives = true\n")
ALIKE = {2: ([0.0, 0.0], [0.003, 0.003], [1, 1], [0, 4])}


def plan_of(text: str, extra: str = "", drives=ALIKE) -> Plan:
    return given_results(text + extra, drives).plan(2)


def found(text: str, extra: str) -> PlanHeadroom:
    return plan_headroom(plan_of(text, extra))


def impedance(hz: Floats) -> Complexes:
    """The project's driver in its sealed box: R. H. Small, J. Audio Eng. Soc. 20, 798 (1972), from memory."""
    grow = sqrt(1 + 0.14 / 0.052)
    w, wc, q = 2 * pi * hz, 2 * pi * 23 * grow, 5.5 * grow
    return np.asarray(3.3 + 3.3 * 5.5 / 0.42 * (1j * w * wc / q) / (wc**2 - w**2 + 1j * w * wc / q))


def by_hand(plan: Plan, volts: float, amps: float, *, parallel: bool) -> Floats:
    """(n_freq, n_seat) highest level with both subs on one source, from the circuit, its coil and its cone."""
    hz, z = plan.frequency_hz, impedance(plan.frequency_hz)
    c, rho = plan.project.room.air.speed_of_sound_m_s, plan.project.room.air.density_kg_m3
    source = np.minimum(volts, amps * np.abs(z / 2 if parallel else 2 * z))
    each = source if parallel else source / 2
    # displacement per volt: low-frequency compliance of driver and box, second order
    mass = 1 / ((2 * pi * 23) ** 2 * (0.14 / (rho * c**2 * 0.083**2)))
    bl = sqrt(2 * pi * 23 * mass * 3.3 / 0.42)
    grow = sqrt(1 + 0.14 / 0.052)
    w, wc = 2 * pi * hz, 2 * pi * 23 * grow
    qt = 1 / (1 / (0.42 * grow) + 1 / (5.5 * grow))
    travel = bl / 3.3 / mass / np.abs(wc**2 - w**2 + 1j * w * wc / qt)
    each = np.minimum(each, 0.014 / sqrt(2) / travel)
    each = np.minimum(each, sqrt(700 / 3.3) * np.abs(z))
    free = rho * w**2 * 0.083 * travel * each / (4 * pi)
    together = np.abs(plan.transfer.sum(axis=2))
    return np.asarray(20 * np.log10(together * free[:, None] / 20e-6))


@pytest.mark.parametrize("wiring", ["parallel", "series"])
def test_a_shared_channel_is_as_loud_as_its_circuit(wiring: str, close) -> None:
    """600 W into 4 ohm: 49 V, 12.2 A; bands, levels at the seats and the verdict worked out by hand."""
    extra = CHANNEL.format(power=600) + f'wiring = "{wiring}"\n'
    one = found(SHARED, extra)
    level = by_hand(one.plan, sqrt(600 * 4), sqrt(600 / 4), parallel=wiring == "parallel")
    number = bands_of(one.plan.frequency_hz)
    for k, band in enumerate(one.headroom.bands):
        inside = level[number == band]
        close(one.headroom.highest_db[k], 10 * np.log10(np.mean(10 ** (inside / 10), axis=0)), rtol=1e-6)
    kinds = set(one.headroom.tightest.limited_by)
    assert (Limit.CURRENT if wiring == "parallel" else Limit.VOLTAGE) in kinds
    close(one.plan.highest_level_db, level, rtol=1e-6)  # and so do the levels that predict and report show


def test_the_verdict_turns_where_two_share_what_one_had() -> None:
    """A target between the two: reached with a channel each, missed with one for both, by up to 6.02 dB in a band."""
    amplifier = CHANNEL.format(power=500)
    own, shared = found(TEXT, amplifier).headroom, found(SHARED, amplifier).headroom
    drop = own.mean_db - shared.mean_db
    assert np.all(drop >= -1e-9)
    assert np.all(drop <= 20 * log10(2) + 1e-9)
    assert drop.max() > 3.0
    worst = int(np.argmax(drop))
    between = float(own.mean_db[worst] + shared.mean_db[worst]) / 2
    band = 10 ** (own.bands[worst] / 10)
    target = f"[target]\nlevel_db = {between}\nband_hz = [{0.97 * band}, {1.03 * band}]\n"
    assert found(TEXT, amplifier + target).headroom.least_db > 1.0
    assert found(SHARED, amplifier + target).headroom.least_db < -1.0


def test_what_the_search_weighs_is_what_headroom_says(close) -> None:
    one = found(SHARED, CHANNEL.format(power=600))
    loudness = loudness_of(one.plan.project, one.plan.frequency_hz)
    assert loudness is not None
    weighed = loudness.headroom_db(one.plan.level_db, one.plan.drives, one.plan.seats.weight)
    close(weighed, one.headroom.least_db, rtol=1e-9)


def test_the_channel_gives_the_sum_of_what_its_subs_take(close) -> None:
    for wiring in ("parallel", "series"):
        needs = found(SHARED, CHANNEL.format(power=900) + f'wiring = "{wiring}"\n').headroom.needs
        assert needs is not None
        assert needs.channel_power_w.shape[1] == 1
        close(needs.channel_power_w[:, 0], needs.power_w.sum(axis=1), rtol=1e-9)
        summed, alone = (
            (needs.channel_current_a, needs.channel_voltage_v)
            if wiring == "parallel"
            else (needs.channel_voltage_v, needs.channel_current_a)
        )
        of_sub = (needs.current_a, needs.voltage_v) if wiring == "parallel" else (needs.voltage_v, needs.current_a)
        close(summed[:, 0], of_sub[0].sum(axis=1), rtol=1e-9)
        close(alone[:, 0], of_sub[1][:, 0], rtol=1e-9)
    z = np.abs(impedance(plan_of(SHARED).frequency_hz))
    close(needs.load_ohm, [2 * z.min()], rtol=1e-6)


def test_a_load_below_the_rating_is_told() -> None:
    both = found(SHARED, CHANNEL.format(power=900)).warnings
    assert any("channel 1 sees 2.0 ohm at 100 Hz" in line and "rated for 4 ohm" in line for line in both), both
    assert not any("ohm" in line for line in found(TEXT, CHANNEL.format(power=900)).warnings)


def test_levels_without_a_driver_do_not_know_of_currents() -> None:
    bare = SHARED.partition("[subwoofer]")[0] + "[subwoofer]\nmax_level_1m_db = 105\n"
    assert any("nothing says what current a sub takes" in line for line in found(bare, "").warnings)


RACK = '[[amplifiers]]\nname = "rack"\nchannels = 2\npower_w = 600\nload_ohm = 4\n'


def test_named_amplifiers_say_the_same_as_one_of_each_sub(close) -> None:
    each, named = found(TEXT, CHANNEL.format(power=600)), found(TEXT, RACK)
    close(named.headroom.highest_db, each.headroom.highest_db, rtol=1e-12)
    listed = found(TEXT, RACK + "subs = [[2, 1]]\n")
    close(listed.headroom.highest_db, found(SHARED, CHANNEL.format(power=600)).headroom.highest_db, rtol=1e-9)


def test_a_plan_that_cannot_be_wired_has_no_headroom() -> None:
    apart = {2: ([0.0, -3.0], [0.0, 0.0], [1, 1], [0, 4])}
    with pytest.raises(ProjectInvalid, match="hang on channel 1 of rack"):
        plan_headroom(plan_of(TEXT, RACK + "subs = [[1, 2]]\n", apart))


def test_a_cupboard_is_warmed_by_all_its_amplifiers_channels(close) -> None:
    cupboard = "closed_in_m = [0.5, 0.5, 0.4]\nidle_w = 0\n"
    both, one = found(TEXT, RACK + cupboard).heat, found(TEXT, CHANNEL.format(power=600) + cupboard).heat
    assert both is not None
    assert one is not None
    close(both.heat_w, 2 * one.heat_w, rtol=0.2)  # twice what one sub's channel loses, but for the bands' maxima


def test_every_seat_is_held_against_the_target(close) -> None:
    mean = found(TEXT, CHANNEL.format(power=600))
    every = found(TEXT, CHANNEL.format(power=600) + '[target]\nwhere = "every seat"\n')
    close(every.headroom.highest_db, mean.headroom.highest_db, rtol=1e-12)
    close(every.headroom.headroom_db, mean.headroom.highest_db.min(axis=1) - 115.0, rtol=1e-9)
    assert every.headroom.least_db < mean.headroom.least_db


def test_equal_channels_of_their_own_change_nothing(close) -> None:
    """shared_drives with settings that differ: each sub keeps a channel."""
    apart = {2: ([0.0, -3.0], [0.0, 0.004], [1, -1], [0, 4])}
    plain, sharing = (plan_of(text, CHANNEL.format(power=600), apart) for text in (TEXT, SHARED))
    close(plan_headroom(sharing).headroom.highest_db, plan_headroom(plain).headroom.highest_db, rtol=1e-12)
    moved = replace(sharing.results, project=project())
    assert moved.plan(2).wired.shared is False
