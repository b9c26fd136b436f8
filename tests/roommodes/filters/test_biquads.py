"""Filter sections against printed values, exact laws, and scipy's own frequency response."""

import numpy as np
import pytest
from scipy.signal import sosfreqz

from roommodes.errors import OutsideModel
from roommodes.filters.biquads import Biquad, high_pass, high_shelf, low_pass, low_shelf, peaking, response

RATE_HZ = 48000.0
PEAK = {"frequency_hz": 50.0, "q": 4.0, "gain_db": -6.0, "rate_hz": RATE_HZ}


def db(filters: list[Biquad], hz: float) -> float:
    return float(20 * np.log10(np.abs(response(filters, [hz], rate_hz=RATE_HZ)[0])))


def test_peaking_coefficients_as_computed_elsewhere(close) -> None:
    """Coefficients computed apart from this program from the formulas of the W3C Note (twelve decimals)."""
    one = peaking(**PEAK)
    close(
        [one.b0, one.b1, one.b2, one.a1, one.a2],
        [0.999424226706, -1.997648637961, 0.998267198481, -1.997648637961, 0.997691425187],
        1e-12,
    )


@pytest.mark.parametrize(
    ("hz", "level"),
    [(25, -0.1742), (40, -1.4593), (45, -3.4839), (50, -6.0), (55, -3.7619), (60, -1.9404), (100, -0.1742)],
)
def test_peaking_response_as_computed_elsewhere(hz: float, level: float) -> None:
    assert abs(db([peaking(**PEAK)], hz) - level) < 6e-5


def test_shelves_reach_half_their_step_at_their_frequency() -> None:
    """W3C Note: the shelf midpoint frequency has half the gain in dB."""
    low = low_shelf(frequency_hz=80.0, gain_db=6.0, rate_hz=RATE_HZ)
    high = high_shelf(frequency_hz=80.0, gain_db=6.0, rate_hz=RATE_HZ)
    assert db([low], 1e-3) == pytest.approx(6.0, abs=1e-6)
    assert db([low], 80.0) == pytest.approx(3.0, abs=1e-9)
    assert abs(db([low], 23000.0)) < 1e-5
    assert abs(db([high], 1e-3)) < 1e-6
    assert db([high], 80.0) == pytest.approx(3.0, abs=1e-9)
    assert db([high], 23000.0) == pytest.approx(6.0, abs=1e-5)
    for hz in (20.0, 60.0, 200.0):  # a low and a high shelf of the same step make a plain gain
        assert db([low, high], hz) == pytest.approx(6.0, abs=1e-9)


def test_two_sections_in_a_row_are_a_linkwitz_riley_crossover() -> None:
    """Linkwitz 1976: both halves -6.02 dB at the crossover, their sum 0 dB at every frequency."""
    hz = np.geomspace(10, 20000, 300)
    low = response([low_pass(frequency_hz=80.0, rate_hz=RATE_HZ)] * 2, hz, rate_hz=RATE_HZ)
    high = response([high_pass(frequency_hz=80.0, rate_hz=RATE_HZ)] * 2, hz, rate_hz=RATE_HZ)
    assert np.abs(20 * np.log10(np.abs(low + high))).max() < 1e-8
    at_80 = response([low_pass(frequency_hz=80.0, rate_hz=RATE_HZ)] * 2, [80.0], rate_hz=RATE_HZ)
    assert 20 * np.log10(abs(at_80[0])) == pytest.approx(-6.0206, abs=1e-4)
    assert db([low_pass(frequency_hz=80.0, rate_hz=RATE_HZ)] * 2, 40.0) == pytest.approx(-0.527, abs=1e-3)
    assert db([high_pass(frequency_hz=80.0, rate_hz=RATE_HZ)] * 2, 40.0) == pytest.approx(-24.609, abs=2e-3)


def test_response_agrees_with_scipy() -> None:
    filters = [peaking(**PEAK), low_shelf(frequency_hz=30.0, gain_db=-4.0, rate_hz=RATE_HZ, slope=0.7)]
    hz = np.geomspace(20, 20000, 100)
    sections = [[one.b0, one.b1, one.b2, 1.0, one.a1, one.a2] for one in filters]
    expected = sosfreqz(sections, hz, fs=RATE_HZ)[1]
    np.testing.assert_allclose(response(filters, hz, rate_hz=RATE_HZ), expected, rtol=1e-8)


def test_a_boost_undoes_a_cut() -> None:
    boost = peaking(**{**PEAK, "gain_db": 6.0})
    hz = np.geomspace(10, 20000, 50)
    np.testing.assert_allclose(response([peaking(**PEAK), boost], hz, rate_hz=RATE_HZ), 1.0, rtol=1e-9)
    assert peaking(**PEAK).stable
    assert not Biquad(b0=1.0, b1=0.0, b2=0.0, a1=0.0, a2=1.01).stable


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"frequency_hz": 24000.0}, "below 24000 Hz. Raise the sample rate"),
        ({"frequency_hz": 0.0}, "allowed: above 0"),
        ({"q": 0.0}, "Q = 0; allowed: above 0"),
    ],
)
def test_what_cannot_be_a_filter(change: dict[str, float], words: str) -> None:
    with pytest.raises(OutsideModel, match=words):
        peaking(**{**PEAK, **change})
    with pytest.raises(OutsideModel, match=r"slope 1\.5; allowed: above 0, up to 1"):
        low_shelf(frequency_hz=50.0, gain_db=3.0, rate_hz=RATE_HZ, slope=1.5)
