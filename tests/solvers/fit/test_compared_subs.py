"""Polarity, latency, level and roll-off of subs, told from own responses that are known."""

import numpy as np
import pytest

from cli.words.on_site.sources import WORTH_DB, WORTH_S
from roommodes.arrays import Complexes, Floats
from roommodes.responses.frequency_grid import log_grid
from solvers.fit.compared_subs import compared_subs

HZ = log_grid(20.0, 120.0, 24)
WORTH_MS = 1e3 * WORTH_S  # what is said as a fact must be right so far
NAMES = ("left", "right", "rear")


def closed(corner_hz: float, q: float = 0.7) -> Complexes:
    """A closed box, 12 dB an octave."""
    s = 1j * HZ / corner_hz
    return s**2 / (s**2 + s / q + 1.0)


def wavering(random: np.random.Generator, *, db: float) -> Complexes:
    """A slow error of level [dB rms] and phase, about three waves over the band, as a fit leaves it."""
    place = np.linspace(0.0, 1.0, 8)
    at = np.log(HZ / HZ[0]) / np.log(HZ[-1] / HZ[0])
    real, imaginary = (np.interp(at, place, random.standard_normal(8)) for _ in range(2))
    return np.exp(db / 8.69 * (real + 1j * imaginary))


def own(boxes: list[Complexes], *, gain_db: list[float], late_ms: list[float], polarity: list[int]) -> Complexes:
    turn = [np.exp(-2j * np.pi * HZ * 1e-3 * late) for late in late_ms]
    sized: list[Floats] = [
        np.asarray(10.0 ** (gain / 20.0) * sign) for gain, sign in zip(gain_db, polarity, strict=True)
    ]
    return np.stack([box * t * size for box, t, size in zip(boxes, turn, sized, strict=True)], axis=1)


@pytest.mark.parametrize("seed", range(12))
def test_alike_subs_tell_polarity_latency_and_level(seed: int) -> None:
    random = np.random.default_rng(seed)
    waver = np.stack([wavering(random, db=0.5) for _ in NAMES], axis=1)
    given = own([closed(32.0)] * 3, gain_db=[0.0, 5.5, 0.0], late_ms=[10.0, 10.0, 14.2], polarity=[1, 1, -1])
    left, right, rear = compared_subs(HZ, given * waver, NAMES)
    assert (left.polarity, right.polarity, rear.polarity) == (1, 1, -1)
    assert 1e3 * rear.late_s == pytest.approx(4.2, abs=WORTH_MS)
    assert max(abs(1e3 * left.late_s), abs(1e3 * right.late_s)) < WORTH_MS
    assert right.level_db == pytest.approx(5.5, abs=WORTH_DB)
    for one in (left, right, rear):
        assert one.falls_hz == pytest.approx(24.6, rel=0.12)  # |B| = 1/2 of a Butterworth 32 Hz: 32 / 3^(1/4) = 24.3 Hz
        assert one.slope_db in {0, 12}


@pytest.mark.parametrize("seed", range(40))
def test_unlike_boxes_never_tell_a_wrong_polarity(seed: int) -> None:
    """Closed and vented boxes of any corner, with other latencies: it is right, or it is not told."""
    random = np.random.default_rng(100 + seed)
    boxes = [
        closed(c) * (closed(1.05 * c, 0.9) if random.random() < 0.5 else 1.0) for c in random.uniform(17.0, 34.0, 3)
    ]
    signs = random.choice([1, -1], 3).tolist()
    given = own(boxes, gain_db=[0.0, 3.0, -3.0], late_ms=random.uniform(0.0, 15.0, 3).tolist(), polarity=signs)
    waver = np.stack([wavering(random, db=0.3) for _ in NAMES], axis=1)
    found = compared_subs(HZ, given * waver, NAMES)
    told = [(one.polarity, sign) for one, sign in zip(found, signs, strict=True) if one.polarity]
    assert len({polarity * sign for polarity, sign in told}) <= 1


def test_a_vented_box_is_named() -> None:
    given = own([closed(28.0) * closed(28.0)] * 2, gain_db=[0.0, 0.0], late_ms=[3.0, 3.0], polarity=[1, 1])
    for one in compared_subs(HZ, given, NAMES[:2]):
        assert (one.slope_db, one.polarity) == (24, 1)
        assert one.falls_hz == pytest.approx(28.0, rel=0.06)
