"""Level over time: a mode's decay comes out as it went in, a click is as short as its band, a delay is where it is."""

import numpy as np
import pytest

from roommodes.responses.decay_view import (
    HEARD_HZ,
    HEARD_S,
    band_centres,
    decay_time_s,
    heard_from_s,
    shortest_decay_s,
    time_view,
)

HZ = np.arange(10.0, 180.0, 0.25)  # resolves 4 s


def mode(at_hz: float, t60_s: float) -> np.ndarray:
    """e^{-delta t} cos(w0 t), delta = ln(1000) / T60: its transfer function."""
    delta, w = np.log(1e3) / t60_s, 2j * np.pi * HZ
    return ((w + delta) / ((w + delta) ** 2 + (2 * np.pi * at_hz) ** 2))[:, None]


@pytest.mark.parametrize(("at_hz", "t60_s"), [(30.0, 0.9), (45.0, 0.5), (80.0, 0.35), (100.0, 1.2)])
def test_a_single_modes_decay_is_read_off(at_hz: float, t60_s: float) -> None:
    view = time_view(HZ, mode(at_hz, t60_s), np.ones(1), centre_hz=np.array([at_hz]), lasting_s=2.0)
    assert view.decay_s[0] == pytest.approx(t60_s, rel=0.03)
    assert view.shortest_s[0] < 0.5 * t60_s
    level = view.level_db()[0]
    at = np.searchsorted(view.time_s, [0.3, 0.6])  # the envelope falls by 60 dB in t60
    assert level[at[0]] - level[at[1]] == pytest.approx(60.0 * float(np.diff(view.time_s[at])[0]) / t60_s, rel=0.03)


def test_what_does_not_ring_shows_the_bands_own_decay() -> None:
    """A click: the theory of the bell, without `shortest_decay_s`'s own numbers: bells scale with frequency."""
    centres = np.array([30.0, 60.0, 120.0])
    view = time_view(HZ, np.ones((len(HZ), 1)), np.ones(1), centre_hz=centres, lasting_s=1.5)
    assert view.decay_s == pytest.approx(view.shortest_s, rel=0.08)
    assert view.shortest_s * centres == pytest.approx([view.shortest_s[0] * 30.0] * 3)
    wide = shortest_decay_s(centres, width_octaves=1.0)
    assert (wide < 0.5 * view.shortest_s).all()


def test_a_delay_is_where_it_is() -> None:
    late = np.exp(-2j * np.pi * HZ * 0.25)[:, None]
    view = time_view(HZ, late, np.ones(1), centre_hz=np.array([50.0, 100.0]), lasting_s=1.0)
    peaks = view.time_s[np.argmax(view.energy, axis=1)]
    assert peaks == pytest.approx([0.25, 0.25], abs=0.004)


def test_seats_count_by_their_weight() -> None:
    two = np.concatenate([mode(50.0, 0.4), 3.0 * mode(50.0, 0.4)], axis=1)
    one = time_view(HZ, two, np.array([1.0, 0.0]), centre_hz=np.array([50.0]), lasting_s=0.5)
    both = time_view(HZ, two, np.array([1.0, 1.0]), centre_hz=np.array([50.0]), lasting_s=0.5)
    assert (both.energy / one.energy) == pytest.approx(np.full(one.energy.shape, 5.0))


def test_a_fall_that_cannot_be_followed_has_no_time() -> None:
    time = np.linspace(0.0, 1.0, 200)
    assert np.isnan(decay_time_s(time, np.ones(200)))
    assert np.isnan(decay_time_s(time, np.zeros(200)))
    assert decay_time_s(time, 10 ** (-6.0 * time / 0.5)) == pytest.approx(0.5, rel=0.02)


def test_thresholds_and_bands() -> None:
    assert heard_from_s(np.array(HEARD_HZ)) == pytest.approx(HEARD_S)
    assert heard_from_s(np.array([20.0, 150.0])) == pytest.approx(HEARD_S)
    centres = band_centres(20.0, 120.0)
    assert (centres[0], centres[-1]) == pytest.approx((20.0, 120.0))
    assert np.allclose(np.diff(np.log(centres)), np.log(centres[1] / centres[0]))
