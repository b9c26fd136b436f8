"""The aims beside variation: their laws, exact cases, and how they are weighed."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roommodes.acoustics.room import Room
from roommodes.acoustics.transfer import transfer_function
from roommodes.arrays import Complexes, Floats
from roommodes.project.tables import AimLimitsTable, AimWeightsTable
from roommodes.responses.metrics import drive_weights
from solvers.choice.aims import Figures, broken_limits, decay_s, excess, least, rank, score_db, smoothness_db

HZ = np.geomspace(20.0, 120.0, 63)
FINE_HZ = np.linspace(2.0, 400.0, 20_000)
FIGURES = Figures(variation_db=2.0, output_db=-4.0, smoothness_db=3.0, decay_s=0.5, subs=2)


def mode(hz: Floats, f0: float, t60_s: float) -> Complexes:
    """One decaying mode, e^{-delta t} cos-like: 1 / (delta + j (omega - omega0)), one seat."""
    delta = np.log(1e3) / t60_s
    return np.asarray(1.0 / (delta + 2j * np.pi * (hz - f0)))[:, None]


def test_a_tilt_is_smooth_and_a_wave_is_not(close) -> None:
    octave = np.log2(HZ / 20.0)
    tilted = (3.0 - 4.0 * octave)[:, None] + np.array([0.0, 5.0])
    assert smoothness_db(tilted, np.array([1.0, 2.0]), HZ) < 1e-12
    span = octave[-1]
    wave = 2.0 * np.cos(2.0 * np.pi * 4.0 * (np.arange(64)[:-1] + 0.5) / 63.0)  # whole periods: no tilt in it
    assert span > 2.5
    close(smoothness_db(wave[:, None] + tilted, np.ones(2), HZ), 2.0 / np.sqrt(2.0), rtol=0.01)
    close(smoothness_db(wave[:, None] - 3.0, np.ones(1), HZ), smoothness_db(-wave[:, None], np.ones(1), HZ), rtol=1e-9)


def test_smoothness_is_of_the_weighted_mean(close) -> None:
    random = np.random.default_rng(1)
    level = random.normal(size=(63, 2))
    alone = smoothness_db(level[:, :1], np.ones(1), HZ)
    close(smoothness_db(level, np.array([1.0, 0.0]), HZ), alone, rtol=1e-9)
    opposed = np.stack([level[:, 0], -level[:, 0]], axis=1)
    assert smoothness_db(opposed, np.ones(2), HZ) < 1e-12


@pytest.mark.parametrize("t60_s", [0.1, 0.3, 1.0])
def test_a_single_mode_has_its_own_decay(t60_s: float, close) -> None:
    close(decay_s(mode(FINE_HZ, 60.0, t60_s), np.ones(1), FINE_HZ), t60_s, rtol=0.03)


def test_the_search_grid_resolves_what_it_says(close) -> None:
    """A mode as wide as some points of the search's grid is within a fifth; one far narrower is underrated."""
    close(decay_s(mode(HZ, 40.0, 0.4), np.ones(1), HZ), 0.4, rtol=0.2)
    assert decay_s(mode(HZ, 100.0, 5.0), np.ones(1), HZ) < 2.0


def test_a_free_field_does_not_ring_and_delays_do_not_count(close) -> None:
    w = drive_weights(HZ, gain_db=[0.0], delay_s=[0.017], polarity=[-1])
    assert decay_s(w, np.ones(1), HZ) < 0.02
    ringing = mode(FINE_HZ, 50.0, 0.5)
    late = ringing * drive_weights(FINE_HZ, gain_db=[-3.0], delay_s=[0.02], polarity=[-1])
    close(decay_s(late, np.ones(1), FINE_HZ), decay_s(ringing, np.ones(1), FINE_HZ), rtol=1e-3)


def test_against_the_impulse_response(close) -> None:
    """The same duration in the time domain: an inverse transform, the centre and the spread of its energy."""
    hz = np.arange(0.0, 500.0, 0.05)
    p = mode(hz, 45.0, 0.6)[:, 0] + 0.7j * mode(hz, 80.0, 0.25)[:, 0]
    p *= np.exp(-(((hz - 60.0) / 40.0) ** 2))  # no hard ends, which would ring by themselves
    energy = np.abs(np.fft.ifft(p)) ** 2
    t = np.arange(len(p)) / (len(p) * 0.05)
    t = np.where(t > t[-1] / 2.0, t - t[-1] - t[1], t)
    centre = np.sum(t * energy) / np.sum(energy)
    spread = np.sqrt(np.sum((t - centre) ** 2 * energy) / np.sum(energy))
    close(decay_s(p[:, None], np.ones(1), hz), np.log(1e6) * spread, rtol=2e-3)


def test_the_loudest_mode_rules() -> None:
    long, short = mode(FINE_HZ, 40.0, 0.8), mode(FINE_HZ, 90.0, 0.2)
    values = [decay_s(gain * long + short, np.ones(1), FINE_HZ) for gain in (0.0, 0.1, 0.3, 1.0)]
    assert values == sorted(values)
    assert values[0] < 0.25
    assert values[-1] > 0.7


def test_a_rooms_loss_sets_it(close) -> None:
    """Rigid walls and a loss factor eta: every mode decays with T60 = ln(10^3) / (pi f eta) (from the model's own
    k = (omega / c)(1 - j eta / 2)). Below the second mode only the first counts, at 24.5 Hz."""
    hz = np.linspace(15.0, 34.0, 400)
    for eta in (0.02, 0.04):
        room = Room(length_m=7.0, width_m=3.0, height_m=2.4, loss_factor=eta)
        h = transfer_function(room, (), frequency_hz=hz, seat_m=[[6.5, 1.0, 1.0]], source_m=[[0.2, 0.3, 0.3]])
        f = room.air.speed_of_sound_m_s / 14.0
        close(decay_s(h[:, :, 0], np.ones(1), hz), np.log(1e3) / (np.pi * f * eta), rtol=0.15)


def test_silence_and_one_frequency() -> None:
    assert decay_s(np.zeros((5, 2), dtype=np.complex128), np.ones(2), HZ[:5]) == 0.0
    assert decay_s(np.ones((1, 2), dtype=np.complex128), np.ones(2), HZ[:1]) == 0.0
    assert smoothness_db(np.ones((1, 2)), np.ones(2), HZ[:1]) == 0.0


def test_without_weights_the_score_is_variation_and_subs() -> None:
    weights = AimWeightsTable()
    assert score_db(FIGURES, weights) == pytest.approx(2.0 + 2 * 0.3)
    level = -4.0 + 20.0 * np.log10(2.0)  # of two subs, whose output is -4 dB
    every = AimWeightsTable(output=0.1, smoothness=0.5, decay=2.0, subs=0.25)
    assert score_db(FIGURES, every) == pytest.approx(2.0 - 0.1 * level + 1.5 + 1.0 + 0.5)


def test_limits_come_before_the_score() -> None:
    level = -4.0 + 20.0 * np.log10(2.0)
    limits = AimLimitsTable(output_db=level - 0.5, smoothness_db=2.5, subs=2)
    assert excess(FIGURES, limits) == pytest.approx(0.5)
    assert broken_limits(FIGURES, limits) == ("smoothness 3 dB, at most 2.5 dB",)
    assert excess(FIGURES, AimLimitsTable(output_db=level + 1.0, decay_s=0.3, subs=1)) == pytest.approx(1.0 + 2.0 + 1.0)
    assert excess(FIGURES, AimLimitsTable(variation_db=2.0, output_db=-4.0, decay_s=0.5)) == 0.0
    keeps = Figures(variation_db=5.0, output_db=0.0, smoothness_db=1.0, decay_s=0.5, subs=2)
    assert rank(keeps, AimWeightsTable(), limits) < rank(FIGURES, AimWeightsTable(), limits)
    assert least([FIGURES, keeps, keeps], AimWeightsTable(), limits) == 1
    assert least([FIGURES, keeps], AimWeightsTable(), AimLimitsTable()) == 0


@settings(max_examples=40, deadline=None)
@given(st.floats(-60, 20), st.floats(0, 30), st.floats(0.0, 5.0))
def test_more_output_never_scores_worse(output: float, more: float, weight: float) -> None:
    weights = AimWeightsTable(output=weight)
    one = Figures(variation_db=1.0, output_db=output, smoothness_db=1.0, decay_s=0.1, subs=1)
    two = Figures(variation_db=1.0, output_db=output + more, smoothness_db=1.0, decay_s=0.1, subs=1)
    assert score_db(two, weights) <= score_db(one, weights)
