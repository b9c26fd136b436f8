"""Parts of a fit by themselves: the trust region, the noise, the latency; and a pane far from its drawing found."""

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.stats import chi2

from roommodes.acoustics.transfer import transfer_function
from roommodes.measured.loading import load_manifest
from solvers.fit.estimate import Estimate
from solvers.fit.outcome import rival_remarks, spread
from solvers.fit.parameters import Space
from solvers.fit.run import Settings, fit
from solvers.fit.source import SourceModel
from solvers.fit.steps import two_parts, within
from solvers.fit.verdict import Verdict
from tests.measuring import ROOM, SUBS, Measured, modelled, room_project, write_set

GLAZED = (
    ROOM
    + """
[[regions]]
wall = "left"
from_m = [1.0, 0.3]
to_m = [3.2, 2.1]
construction = "glass pane 6 mm"
"""
)


def parabola() -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(7)
    columns = rng.normal(size=(12, 6)) * np.geomspace(0.1, 30.0, 6)
    return columns.T @ columns + np.eye(6), rng.normal(size=6) * np.geomspace(1.0, 40.0, 6)


def test_a_step_within_reach_is_the_whole_one() -> None:
    curvature, gradient = parabola()
    whole = np.linalg.solve(curvature, gradient)
    np.testing.assert_allclose(within(curvature, gradient, 1.01 * np.abs(whole).max()), whole, rtol=1e-9)


def test_a_longer_step_is_the_lowest_point_of_its_own_length() -> None:
    curvature, gradient = parabola()
    reach = 0.3 * float(np.abs(np.linalg.solve(curvature, gradient)).max())
    move = within(curvature, gradient, reach)
    assert np.abs(move).max() == pytest.approx(reach, rel=1e-6)
    radius = np.linalg.norm(move)
    found = minimize(
        lambda m: 0.5 * m @ curvature @ m - gradient @ m,
        np.zeros(6),
        jac=lambda m: curvature @ m - gradient,
        constraints={"type": "ineq", "fun": lambda m: radius**2 - m @ m, "jac": lambda m: -2.0 * m},
        method="SLSQP",
        options={"ftol": 1e-14, "maxiter": 500},
    )
    np.testing.assert_allclose(move, found.x, atol=2e-4 * radius)


def test_noise_and_faults_of_the_model_are_told_apart() -> None:
    rng = np.random.default_rng(3)
    level = 10.0 ** rng.uniform(-2.0, 1.0, 400)
    true = 0.02 + 0.003 * level
    power = true * chi2.rvs(24, size=400, random_state=rng) / 24.0
    found = two_parts(power, level)
    assert np.abs(found / true - 1.0).max() < 0.1
    only = two_parts(0.5 * chi2.rvs(24, size=400, random_state=rng) / 24.0, level)
    assert np.abs(only / 0.5 - 1.0).max() < 0.1


@pytest.mark.parametrize("latency_s", [0.0, 0.0075, 0.18, 0.6])
def test_the_latency_of_a_sub_is_found_with_a_model_that_is_wrong(latency_s: float) -> None:
    hz = np.geomspace(20.0, 100.0, 40)
    drawn = modelled(room_project(), hz, SUBS).transfer
    built = modelled(room_project(ROOM.replace("length_m = 5.2", "length_m = 5.35")), hz, SUBS).transfer
    data = late_by(0.8 * built, hz, latency_s)
    weight = np.ones((len(hz), len(SUBS)))
    source = SourceModel(frequency_hz=hz, own="each", terms=4, gains=False, delays=False)
    found = source.latency_s(data, drawn, weight)
    # S takes up some milliseconds itself; phase slopes against the wrong model would be off by a tenth of a second
    assert np.abs(found - latency_s).max() < 0.012
    np.testing.assert_allclose(
        found - source.latency_s(late_by(data, hz, -latency_s), drawn, weight), latency_s, atol=6e-4
    )
    last = source.solve(data, drawn, weight, source.shape(data, drawn, weight, found))
    left = data - last.factor(hz) * drawn
    assert np.linalg.norm(left) < 0.5 * np.linalg.norm(data)


def test_a_pane_twice_as_soft_and_a_room_that_is_longer_lie_inside_the_joint_region(
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    project = room_project(GLAZED)
    seats, sub_m = project.seats, np.array(list(SUBS.values()))
    space = Space(
        project,
        sub_name=tuple(SUBS),
        sub_m=sub_m,
        seat_name=seats.name,
        seat_m=seats.position_m,
        hold=("subs", "microphones"),
    )
    drawn = {
        "glass pane 6 mm.youngs_modulus_pa": -1.4,
        "glass pane 6 mm.loss_factor": 0.7,
        "lining.mass_kg_m2": 0.8,
        "length_m": 1.5,
        "height_m": -0.9,
        "loss_factor": -0.6,
    }
    true = np.array([drawn.get(p.name, 0.0) for p in space.free])
    situation = space.situation(true)
    hz = np.geomspace(20.0, 100.0, 4 * 28 + 1)
    clean = modelled_in(space, true, hz)
    rng = np.random.default_rng(12)
    size = 0.01 * np.sqrt(np.mean(np.abs(clean) ** 2) / 2.0)
    noisy = clean + size * (rng.normal(size=clean.shape) + 1j * rng.normal(size=clean.shape))
    stated = "[reference]\nnoise_percent = 1.0"
    manifest = write_set(tmp_path_factory.mktemp("pane"), Measured(hz=hz, transfer=noisy), extra=stated)
    found = fit(project, load_manifest(manifest, project), Settings(hold=("subs", "microphones"), terms=6))

    assert found.verdict is Verdict.NOISE
    index = [number for number, one in enumerate(found.estimates) if one.told]
    told = [found.estimates[number] for number in index]
    assert {"glass pane 6 mm.youngs_modulus_pa", "length_m", "height_m"} <= {one.parameter.name for one in told}
    off = np.array([(one.moved - true[space.free.index(one.parameter)]) / one.known for one in told])
    assert off @ np.linalg.solve(found.correlation[np.ix_(index, index)], off) < chi2.ppf(0.99, len(told))
    values = {one.parameter.name: one for one in found.estimates}
    # and the uncertainties are small enough to mean something
    assert values["length_m"].deviation < 0.004
    assert abs(values["length_m"].value - situation.room.length_m) < 0.01
    assert values["glass pane 6 mm.youngs_modulus_pa"].known < 0.1


def test_two_points_as_likely_spread_as_draws_from_both_do() -> None:
    rng = np.random.default_rng(5)
    covariance = np.array([[0.04, 0.01], [0.01, 0.09]])
    best, other, excess = np.array([0.2, -0.1]), np.array([1.1, 0.4]), 1.5
    likely = 1.0 / (1.0 + np.exp(-0.5 * excess))
    draws = rng.multivariate_normal(np.zeros(2), covariance, size=200_000)
    draws += np.where(rng.uniform(size=(200_000, 1)) < likely, best, other) - best
    np.testing.assert_allclose(spread(covariance, best, [(other, excess)]), draws.T @ draws / 200_000, atol=5e-3)
    np.testing.assert_array_equal(spread(covariance, best, []), covariance)
    np.testing.assert_allclose(spread(covariance, best, [(other, 80.0)]), covariance, atol=1e-12)


def test_a_second_stiffness_that_explains_the_data_is_told_with_its_value() -> None:
    project = room_project(GLAZED)
    seats, sub_m = project.seats, np.array(list(SUBS.values()))
    space = Space(
        project, sub_name=tuple(SUBS), sub_m=sub_m, seat_name=seats.name, seat_m=seats.position_m, hold=("subs",)
    )
    estimates = tuple(
        Estimate(parameter=p, value=p.value(0.0), deviation=p.deviation(0.0, 0.1), moved=0.0, known=0.1)
        for p in space.free
    )
    place = next(number for number, p in enumerate(space.free) if p.key == "youngs_modulus_pa")
    other = 0.5 * np.eye(len(space.free))[place]
    (remark,) = rival_remarks(estimates, [other])
    # 70 GPa (EN 572-1, from memory) times e to half a deviation of 0.7
    assert "glass pane 6 mm.youngs_modulus_pa may also be 9.93e+10 Pa" in remark
    assert rival_remarks(estimates, [0.2 * other]) == ()


def modelled_in(space: Space, u: np.ndarray, hz: np.ndarray) -> np.ndarray:
    situation = space.situation(u)
    return transfer_function(
        situation.room,
        space.surfaces(situation)[0],
        frequency_hz=hz,
        seat_m=situation.seat_m,
        source_m=situation.sub_m,
    )


def late_by(value: np.ndarray, hz: np.ndarray, time_s: float) -> np.ndarray:
    return np.asarray(value * np.exp(-2j * np.pi * hz * time_s)[:, None, None])
