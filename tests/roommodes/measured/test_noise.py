"""The noise that responses tell of themselves, in rooms by their modes: right, or not told."""

import numpy as np
import pytest

from roommodes.measured.noise import noise_rms
from roommodes.responses.frequency_grid import log_grid
from solvers.fit.verdict import KNOWN
from tests.roommodes.measured.test_far_rooms import box

HZ = log_grid(18.0, 130.0, 48)
AT = log_grid(20.0, 120.0, 48)


def over_true(seed: int, *, share: float, loss: tuple[float, float]) -> tuple[float, float]:
    """Told over true rms of the noise where it is told, at most in one stretch, and the share where it is."""
    rng = np.random.default_rng(seed)
    size = rng.uniform([3.5, 2.8, 2.2], [9.0, 7.0, 3.4])
    seats = rng.uniform([0.3, 0.3, 1.0], [0.9, 0.9, 1.3], (6, 3)) * [*size[:2], 1.0]
    value = box(size, np.array([0.4, 0.5, 0.3]), seats, HZ, rng.uniform(*loss))
    own = np.exp(-2j * np.pi * HZ * rng.uniform(0.0, 0.02)) / (1.0 + (rng.uniform(15.0, 35.0) * 1j / HZ)) ** 4
    value = value * (own / (1.0 + 1j * HZ / rng.uniform(70.0, 150.0)) ** 2)[:, None]
    rms = share * np.sqrt(np.mean(np.abs(value) ** 2))
    noise = rng.normal(size=value.shape) + 1j * rng.normal(size=value.shape)
    told = noise_rms(HZ, value + rms / np.sqrt(2.0) * noise, AT) / rms
    known = np.isfinite(told)
    return float(told[known].max(initial=0.0)), float(known.mean())


@pytest.mark.parametrize("share", [0.0025, 0.01, 0.03])
def test_noise_is_not_told_far_too_large_however_long_the_room_rings(share: float) -> None:
    found = [over_true(seed, share=share, loss=(0.01, 0.1)) for seed in range(20)]
    assert max(most for most, _ in found) * share < max(2.5 * share, 0.02)
    assert max((most for most, known in found if known >= KNOWN), default=0.0) < 2.0


def test_in_a_room_that_rings_as_furnished_rooms_do_it_is_told() -> None:
    found = [over_true(seed, share=0.01, loss=(0.08, 0.15)) for seed in range(8)]  # 0.4 s and less at 63 Hz
    assert min(known for _, known in found) > 0.5
    assert max(most for most, _ in found) < 1.3
