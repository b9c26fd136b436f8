"""Crossovers against printed values, analogue polynomials, scipy's own filters, and what their halves must add to."""

import numpy as np
import pytest
from scipy.signal import butter, freqs_zpk, freqz_sos

from roommodes.errors import OutsideModel
from roommodes.filters.biquads import Biquad, all_pass, low_shelf, peaking, response
from roommodes.filters.crossovers import ORDERS, Crossover, butterworth_q

RATE_HZ = 48000.0
HZ = np.geomspace(5.0, 2000.0, 400)
EVEN = [2, 4, 6, 8]
ALL = range(ORDERS[0], ORDERS[1] + 1)


def rows(sections: tuple[Biquad, ...]) -> list[list[float]]:
    return [[one.b0, one.b1, one.b2, 1.0, one.a1, one.a2] for one in sections]


def halves(crossover: Crossover, hz: np.ndarray = HZ) -> tuple[np.ndarray, np.ndarray]:
    low = response(crossover.low_pass(RATE_HZ), hz, rate_hz=RATE_HZ)
    return low, response(crossover.high_pass(RATE_HZ), hz, rate_hz=RATE_HZ)


def db(value: np.ndarray) -> np.ndarray:
    return 20 * np.log10(np.abs(value))


def test_fourth_order_linkwitz_riley_as_printed(published) -> None:
    table = published("filters", "linkwitz_riley_4")
    low, high = halves(Crossover(frequency_hz=80.0), 80.0 * np.array(table["ratio"]))
    step = 10.0 ** -table["digits_after_point"]
    assert np.abs(db(low) - table["low_db"]).max() < step
    assert np.abs(db(high) - table["high_db"]).max() < step


@pytest.mark.parametrize("order", ALL)
def test_butterworth_q_as_tabulated(published, order: int) -> None:
    table = published("filters", "butterworth_q")
    assert np.abs(np.array(butterworth_q(order)) - table[f"order_{order}"]).max() < 6e-5


def test_peaking_and_shelf_as_printed_and_as_scipy_computes_them(published, close) -> None:
    table = published("filters", "peaking")
    one = peaking(frequency_hz=50.0, q=4.0, gain_db=-6.0, rate_hz=table["rate_hz"])
    close([one.b0, one.b1, one.b2], table["b"], 1e-12)
    close([one.a1, one.a2], table["a"], 1e-12)
    level = db(freqz_sos(rows((one,)), table["hz"], fs=RATE_HZ)[1])
    assert np.abs(level - table["level_db"]).max() < 6e-5
    shelf = published("filters", "low_shelf")
    one = low_shelf(frequency_hz=80.0, gain_db=6.0, rate_hz=RATE_HZ)
    assert np.abs(db(freqz_sos(rows((one,)), shelf["hz"], fs=RATE_HZ)[1]) - shelf["level_db"]).max() < 1e-6


@pytest.mark.parametrize("order", EVEN)
def test_linkwitz_riley_halves_add_to_one_at_every_frequency(order: int) -> None:
    crossover = Crossover(order=order)
    low, high = halves(crossover)
    sign = -1.0 if crossover.sums_inverted else 1.0
    assert np.abs(db(low + sign * high)).max() < 1e-7
    at = halves(crossover, np.array([80.0]))
    assert np.abs(db(np.array(at)) + 20 * np.log10(2.0)).max() < 1e-8
    assert abs(np.angle(at[0] / (sign * at[1]))[0]) < 1e-7  # in step there, so the other polarity leaves a hole
    assert db(at[0] - sign * at[1])[0] < -140.0


@pytest.mark.parametrize("order", ALL)
def test_butterworth_powers_add_to_one_and_odd_orders_sum_flat(order: int) -> None:
    crossover = Crossover(kind="butterworth", order=order)
    low, high = halves(crossover)
    assert np.abs(np.abs(low) ** 2 + np.abs(high) ** 2 - 1.0).max() < 1e-8
    sums = [np.abs(db(low + sign * high)).max() for sign in (1.0, -1.0)]
    if order % 2:
        assert max(sums) < 1e-6
    else:
        at = halves(crossover, np.array([80.0]))
        right, wrong = (at[0] - at[1], at[0] + at[1]) if crossover.sums_inverted else (at[0] + at[1], at[0] - at[1])
        assert db(right)[0] == pytest.approx(20 * np.log10(2.0) - 10 * np.log10(2.0), abs=1e-6)
        assert db(wrong)[0] < -120.0


@pytest.mark.parametrize("order", ALL)
def test_the_polarity_that_turns_the_phase_least_is_named(order: int) -> None:
    """For odd orders both polarities are flat; the one named has the smaller delay through the crossover."""
    crossover = Crossover(kind="butterworth", order=order)
    low, high = halves(crossover)
    sign = -1.0 if crossover.sums_inverted else 1.0
    turns = [abs(np.unwrap(np.angle(low + s * high))[-1] - np.angle(low + s * high)[0]) for s in (sign, -sign)]
    if order % 2:
        assert turns[0] < turns[1] - 1.0


@pytest.mark.parametrize("order", ALL)
def test_sections_are_scipys_butterworth_filter(order: int, close) -> None:
    low, high = halves(Crossover(kind="butterworth", order=order, frequency_hz=63.0))
    for kind, own in (("low", low), ("high", high)):
        reference = freqz_sos(butter(order, 63.0, kind, fs=RATE_HZ, output="sos"), HZ, fs=RATE_HZ)[1]
        close(own, reference, 1e-6, scale=float(np.abs(reference).max()))
        zpk = butter(order, 2 * np.pi * 63.0, kind, analog=True, output="zpk")
        analogue = freqs_zpk(*zpk, worN=2 * np.pi * HZ[HZ < 400])[1]
        close(own[HZ < 400], analogue, 2e-3, scale=0.99)  # by then the bilinear transform has moved it a little


def test_an_all_pass_turns_the_phase_and_leaves_the_level(close) -> None:
    one = all_pass(frequency_hz=45.0, q=1.5, rate_hz=RATE_HZ)
    answer = response([one], HZ, rate_hz=RATE_HZ)
    close(np.abs(answer), np.ones(len(HZ)), 1e-8)
    assert one.stable
    assert response([one], [45.0], rate_hz=RATE_HZ)[0] == pytest.approx(-1.0, abs=1e-7)
    s = 1j * HZ / 45.0  # the analogue all-pass of the W3C Note
    analogue = (s**2 - s / 1.5 + 1.0) / (s**2 + s / 1.5 + 1.0)
    close(answer[HZ < 400], analogue[HZ < 400], 2e-3)
    close(answer, freqz_sos(rows((one,)), HZ, fs=RATE_HZ)[1], 1e-8)


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ({"order": 3}, "Linkwitz-Riley crossover of order 3; allowed: 2, 4, 6, 8"),
        ({"kind": "butterworth", "order": 9}, "order 9; allowed: 2 to 8"),
        ({"kind": "butterworth", "order": 1}, "order 1; allowed: 2 to 8"),
        ({"frequency_hz": 0.0}, "at 0 Hz; allowed: above 0"),
    ],
)
def test_what_is_no_crossover(settings: dict, words: str) -> None:
    with pytest.raises(OutsideModel, match=words):
        Crossover(**settings)
    assert Crossover(order=8).words == "Linkwitz-Riley, 48 dB per octave, 80 Hz"
