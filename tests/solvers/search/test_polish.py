"""The polish: its gradient against differences, its optima against scipy's L-BFGS-B."""

import numpy as np
import pytest
from scipy.optimize import minimize

from benchmarks.rooms_seeded import seeded_room
from roommodes.arrays import Floats
from roommodes.responses.metrics import drive_weights
from solvers.search.columns import columns_of
from solvers.search.polish import polisher_of, value_and_slope
from solvers.search.problem import DriveRange
from solvers.search.state import placed, random_drives

PROBLEM = seeded_room(4, n_candidate=8, points_per_octave=12)
COLUMNS = columns_of(PROBLEM)


def _value(x: Floats, polarity: Floats, columns: list[int], reward: float = 0.0) -> tuple[float, Floats, Floats]:
    return value_and_slope(
        COLUMNS.transfer[:, :, columns], PROBLEM.frequency_hz, COLUMNS.seat_weight, polarity, x, reward=reward
    )


def _start(seed: int, n: int = 3) -> tuple[Floats, Floats]:
    state = random_drives(np.arange(n), PROBLEM.drives, np.random.default_rng(seed))
    return np.concatenate([state.gain_db, 1e3 * state.delay_s]), state.polarity


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("reward", [0.0, 0.5])
def test_gradient_against_central_differences(seed: int, reward: float) -> None:
    x, polarity = _start(seed)
    _, slope, _ = _value(x, polarity, [1, 4, 6], reward)
    step = 1e-5
    for i in range(len(x)):
        ahead, behind = x.copy(), x.copy()
        ahead[i] += step
        behind[i] -= step
        by_differences = (
            _value(ahead, polarity, [1, 4, 6], reward)[0] - _value(behind, polarity, [1, 4, 6], reward)[0]
        ) / (2.0 * step)
        assert slope[i] == pytest.approx(by_differences, rel=1e-5, abs=1e-6)


@pytest.mark.parametrize("seed", range(3))
def test_gradient_against_the_complex_step(seed: int) -> None:
    """Real and imaginary part of p apart are analytic in x: an imaginary step gives the derivative to rounding."""
    x, polarity = _start(seed)
    _, slope, _ = _value(x, polarity, [0, 3, 5])
    transfer = COLUMNS.transfer[:, :, [0, 3, 5]]
    omega = 2e-3 * np.pi * PROBLEM.frequency_hz
    for i in range(6):
        z = x.astype(np.complex128)
        z[i] += 1e-30j
        amplitude = polarity * 10.0 ** (z[:3] / 20.0)
        cosine, sine = np.cos(np.outer(omega, z[3:])), np.sin(np.outer(omega, z[3:]))
        real = np.einsum("fsc,fc->fs", transfer.real, amplitude * cosine)
        real += np.einsum("fsc,fc->fs", transfer.imag, amplitude * sine)
        imaginary = np.einsum("fsc,fc->fs", transfer.imag, amplitude * cosine)
        imaginary -= np.einsum("fsc,fc->fs", transfer.real, amplitude * sine)
        level = 10.0 / np.log(10.0) * np.log(real**2 + imaginary**2)
        mean = level @ COLUMNS.seat_weight
        value = (((level - mean[:, None]) ** 2) @ COLUMNS.seat_weight).mean()
        assert slope[i] == pytest.approx(float(value.imag) / 1e-30, rel=1e-9, abs=1e-9)


@pytest.mark.parametrize("seed", range(5))
def test_polish_ends_no_higher_than_l_bfgs_b(seed: int) -> None:
    polisher = polisher_of(PROBLEM, COLUMNS, reward=0.0)
    start = placed(random_drives(np.array([1, 2, 6]), PROBLEM.drives, np.random.default_rng(seed)), PROBLEM.drives)
    polished, value = polisher.polish(start)
    x = np.concatenate([polished.gain_db, 1e3 * polished.delay_s])
    other = minimize(
        lambda at: _value(at, polished.polarity, [1, 2, 6])[:2],
        x,
        jac=True,
        method="L-BFGS-B",
        bounds=[(-12.0, 0.0)] * 3 + [(0.0, 20.0)] * 3,
    )
    # Started where the polish ended, the other method finds nothing better
    assert value <= other.fun * (1.0 + 1e-5)
    assert value <= _value(np.concatenate([start.gain_db, 1e3 * start.delay_s]), start.polarity, [1, 2, 6])[0]


def test_polish_keeps_the_limits() -> None:
    narrow = DriveRange(delay_s=(0.001, 0.002), gain_db=(-6.0, -3.0), polarity=False)
    problem = seeded_room(4, n_candidate=8, points_per_octave=12, drives=narrow)
    polisher = polisher_of(problem, columns_of(problem), reward=0.0)
    state, _ = polisher.polish(random_drives(np.array([0, 2, 5]), narrow, np.random.default_rng(0)))
    assert state.delay_s.min() == pytest.approx(0.001)
    assert state.delay_s.max() <= 0.002 + 1e-12
    assert state.gain_db.max() == pytest.approx(-3.0)
    assert state.gain_db.min() >= -6.0 - 1e-12


def test_value_is_the_variation_of_the_metrics() -> None:
    x, polarity = _start(7)
    weights = drive_weights(PROBLEM.frequency_hz, gain_db=x[:3], delay_s=1e-3 * x[3:], polarity=polarity)
    pressure = np.einsum("fsc,fc->fs", PROBLEM.transfer[:, :, [0, 3, 5]], weights)
    level = 20.0 * np.log10(np.abs(pressure))
    spread = level.std(axis=1)  # equal seat weights
    assert _value(x, polarity, [0, 3, 5])[0] == pytest.approx(float(np.mean(spread**2)), rel=1e-12)
