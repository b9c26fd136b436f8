"""Impulse responses by exact laws: the free field's delay and loss, Parseval's energy, causality."""

import numpy as np
import pytest

from roommodes.errors import OutsideModel
from roommodes.responses.impulse_response import causal, impulse_grid, impulse_response, latency_s, left_at_end_db

RATE_HZ, LENGTH_S, LEAD_S = 8000.0, 1.0, 0.3
C = 343.2


def free_field(distance_m: float) -> np.ndarray:
    hz, weight = impulse_grid(band_hz=(40.0, 200.0), duration_s=LENGTH_S, lowest_hz=5.0, highest_hz=400.0)
    transfer = np.exp(-2j * np.pi * hz * distance_m / C) / distance_m
    return impulse_response(hz, transfer * weight, rate_hz=RATE_HZ, duration_s=LENGTH_S, lead_s=LEAD_S)


@pytest.mark.parametrize("distance_m", [1.0, 3.432, 10.0])
def test_sound_comes_after_the_way_it_goes(distance_m: float) -> None:
    """The peak lies r / c after time zero, to a sample, and falls as 1 / r."""
    impulse = free_field(distance_m)
    assert abs(np.argmax(impulse) / RATE_HZ - LEAD_S - distance_m / C) <= 1.0 / RATE_HZ
    assert impulse.max() * distance_m == pytest.approx(free_field(1.0).max(), rel=0.02)


def test_energy_is_that_of_the_band(close) -> None:
    """Parseval: sum of squares = (2 / N) sum of |H W|^2 over the positive frequencies."""
    _, weight = impulse_grid(band_hz=(40.0, 200.0), duration_s=LENGTH_S, lowest_hz=5.0, highest_hz=400.0)
    close(np.sum(free_field(2.0) ** 2), 2.0 / (RATE_HZ * LENGTH_S) * np.sum((weight / 2.0) ** 2), 1e-10)


def test_inside_the_band_the_response_is_kept_whole() -> None:
    """Fourier transform back: H itself, apart from the lead."""
    hz, weight = impulse_grid(band_hz=(40.0, 200.0), duration_s=LENGTH_S, lowest_hz=5.0, highest_hz=400.0)
    spectrum = np.fft.rfft(free_field(2.0))
    inside = (hz >= 40.0) & (hz <= 200.0)
    assert np.all(weight[inside] > 1.0 - 1e-12)
    assert np.all((weight >= 0.0) & (weight <= 1.0))
    expected = np.exp(-2j * np.pi * hz * (2.0 / C + LEAD_S)) / 2.0
    np.testing.assert_allclose(spectrum[hz.astype(int)][inside], expected[inside], rtol=1e-9)


def test_little_sounds_before_it_can() -> None:
    """The fades ring before time zero: below -50 dB a quarter of a second ahead."""
    impulse = free_field(1.0)
    early = impulse[: int(0.05 * RATE_HZ)]
    assert np.mean(early**2) < 1e-5 * np.mean(impulse**2)


def test_channels_are_kept_apart() -> None:
    hz, weight = impulse_grid(band_hz=(40.0, 200.0), duration_s=LENGTH_S, lowest_hz=5.0, highest_hz=400.0)
    way = np.array([[1.0, 2.0], [3.0, 4.0]])
    transfer = np.exp(-2j * np.pi * hz[:, None, None] * way / C) / way
    wanted = {"rate_hz": RATE_HZ, "duration_s": LENGTH_S, "lead_s": LEAD_S}
    impulse = impulse_response(hz, transfer * weight[:, None, None], **wanted)
    assert impulse.shape == (8000, 2, 2)
    np.testing.assert_allclose(impulse[:, 1, 0], free_field(3.0), atol=1e-15)


def test_what_still_rings_is_noticed() -> None:
    """An exponential decay by 60 dB in `t60`: at the end of one second it is down by 60 / t60 dB."""
    time = np.arange(8000) / RATE_HZ
    for t60 in (0.5, 2.0):
        impulse = np.exp(-6.9078 * time / t60) * np.sin(2 * np.pi * 50 * time)
        mean_db = 10 * np.log10(np.mean(impulse**2) * 2)
        expected = -60.0 * 0.975 / t60 - mean_db
        assert left_at_end_db(impulse[:, None]) == pytest.approx(expected, abs=1.0)


def test_faults() -> None:
    hz = np.array([50.0, 51.0])
    one = np.ones(2, dtype=np.complex128)
    with pytest.raises(OutsideModel, match="allowed: a whole number"):
        impulse_response(hz, one, rate_hz=8000.5, duration_s=1.0, lead_s=0.0)
    with pytest.raises(OutsideModel, match="not whole multiples"):
        impulse_response(hz + 0.3, one, rate_hz=8000.0, duration_s=1.0, lead_s=0.0)
    with pytest.raises(OutsideModel, match="allowed: above 102 Hz"):
        impulse_response(hz, one, rate_hz=100.0, duration_s=1.0, lead_s=0.0)


def test_the_causal_fades_keep_the_amplitude_and_sound_after_time_zero_alone() -> None:
    """A transform puts the energy before time zero into the second half; of fades without phase it is half of all."""
    hz, weight = impulse_grid(band_hz=(20.0, 120.0), duration_s=2.0, lowest_hz=5.0, highest_hz=400.0)
    filtered = causal(hz, weight)
    np.testing.assert_allclose(np.abs(filtered), weight, atol=1e-12)
    plain, late = (
        impulse_response(hz, one[:, None].astype(complex), rate_hz=RATE_HZ, duration_s=2.0)[:, 0] ** 2
        for one in (weight, filtered)
    )
    half = len(late) // 2
    assert plain[half:].sum() > 0.3 * plain.sum()
    assert late[half:].sum() < 5e-5 * late.sum()
    told = latency_s(hz, filtered, band_hz=(20.0, 120.0))
    middle = np.searchsorted(np.cumsum(late), 0.5 * late.sum()) / RATE_HZ
    assert told == pytest.approx(middle, abs=0.006)  # half of the energy has come by then


def test_a_causal_filter_delays_what_it_filters_and_changes_no_level() -> None:
    hz, weight = impulse_grid(band_hz=(20.0, 120.0), duration_s=2.0, lowest_hz=5.0, highest_hz=400.0)
    inside = (hz >= 20.0) & (hz <= 120.0)
    assert np.abs(20 * np.log10(np.abs(causal(hz, weight)[inside]))).max() < 1e-6
