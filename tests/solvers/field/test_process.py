"""The process against a second, plain implementation, and its kernels against the laws of waves."""

import numpy as np
import pytest

from roommodes.arrays import Complexes, Floats
from roommodes.project.reading import parse_project
from roommodes.running import Running
from solvers.field.errors import LeftOut, expected_level_db
from solvers.field.process import chosen_weights, left_out, predicted, solved
from solvers.field.sources import image_places, spherical, standing_waves
from solvers.field.waves import NOISE, Waves, around
from tests.measuring import ROOM

HZ = np.array([30.0, 55.0, 80.0])
PLACE = np.array([[1.0, 1.0, 1.2], [2.1, 1.4, 0.9], [3.3, 2.9, 1.4], [4.4, 1.1, 1.1], [2.9, 2.2, 1.0]])
SUB = np.array([0.4, 0.5, 0.3])


@pytest.fixture(scope="module")
def waves() -> Waves:
    project = parse_project(ROOM, source="room.toml")
    return Waves(around(project, HZ, SUB), PLACE)


@pytest.fixture(scope="module")
def data() -> Complexes:
    rng = np.random.default_rng(4)
    return rng.normal(size=(3, 5)) + 1j * rng.normal(size=(3, 5))


def test_kernels_are_covariances_of_unit_power(waves: Waves) -> None:
    for name, term in zip(waves.names, waves.terms(), strict=True):
        assert np.allclose(term, term.conj().transpose(0, 2, 1), atol=1e-12), name
        assert np.linalg.eigvalsh(term).min() > -1e-9, name
        assert np.allclose(np.einsum("fnn->f", term) / len(PLACE), 1.0), name


def test_every_kernel_but_the_noise_obeys_the_helmholtz_equation(waves: Waves) -> None:
    """Seven-point stencil about a place: the Laplacian is -k^2 times the value; standing waves have their own k."""
    step, n = 0.02, len(waves.names)
    away = np.concatenate([np.zeros((1, 3)), step * np.eye(3), -step * np.eye(3)])
    for index, name in enumerate(waves.names):
        if name == NOISE or name.startswith("standing"):
            continue
        value, _ = waves.cross(np.eye(n)[index], np.array([2.5, 1.7, 1.15]) + away)
        laplacian = (value[:, 1:].sum(axis=1) - 6.0 * value[:, 0]) / step**2
        wanted = -(waves.sub.wavenumber[:, None] ** 2) * value[:, 0]
        assert np.abs(laplacian - wanted).max() < 2e-3 * np.abs(wanted).max(), name


def test_image_places_are_those_of_an_independent_list() -> None:
    size = np.array([5.2, 3.9, 2.4])
    for order in (1, 2, 3):
        found = image_places(SUB, size, (order,))
        assert len(found) == 4 * order**2 + 2
        wanted = mirrored(size, order)
        assert np.allclose(np.array(sorted(map(tuple, found.round(9).tolist()))), wanted)


def mirrored(size: Floats, order: int) -> Floats:
    """Images with so many reflections, by mirroring those of one less in all six walls; none of them is met before."""
    met, last = {tuple(SUB)}, {tuple(SUB)}
    for _ in range(order):
        new = set()
        for place in last:
            for axis in range(3):
                for wall in (0.0, float(size[axis])):
                    image = list(place)
                    image[axis] = round(2.0 * wall - image[axis], 9)
                    new.add(tuple(image))
        last = new - met
        met |= last
    return np.array(sorted(last))


def test_reciprocity_of_what_the_room_adds() -> None:
    """Sub and microphone exchanged hear the same from the images of each number of reflections, all alike."""
    size, k = np.array([5.2, 3.9, 2.4]), 2.0 * np.pi * HZ / 343.2
    for order in (1, 2, 3, 4):
        there = spherical(k, PLACE[:1], image_places(SUB, size, (order,))).sum(axis=2)
        back = spherical(k, SUB[None], image_places(PLACE[0], size, (order,))).sum(axis=2)
        assert np.allclose(there, back, rtol=1e-9)


def test_standing_waves_have_no_slope_at_the_walls() -> None:
    size, k = np.array([5.2, 3.9, 2.4]), 2.0 * np.pi * HZ / 343.2
    near = standing_waves(
        k, np.array([[0.0, 1.0, 1.0], [1e-4, 1.0, 1.0], [5.2, 1.0, 1.0], [5.2 - 1e-4, 1.0, 1.0]]), size, 0.1
    )
    assert np.allclose(near[:, 0], near[:, 1], rtol=1e-5)
    assert np.allclose(near[:, 2], near[:, 3], rtol=1e-5)


def test_leaving_out_in_closed_form_is_leaving_out(waves: Waves, data: Complexes) -> None:
    """Against predicting each place from a process of the four others."""
    terms = waves.terms()
    weight = np.linspace(0.2, 1.5, len(terms))
    process = solved(weight, terms, data)
    value, deviation = left_out(process, data)
    whole = np.einsum("j,jbmn->bmn", weight, terms)
    for place in range(5):
        others = np.delete(np.arange(5), place)
        for batch in range(3):
            k = whole[batch]
            pull = k[place, others] @ np.linalg.inv(k[np.ix_(others, others)])
            assert np.isclose(pull @ data[batch, others], value[batch, place])
            given = data[batch, others]
            scale = (given.conj() @ np.linalg.inv(k[np.ix_(others, others)]) @ given).real / 4
            variance = (k[place, place] - pull @ k[others, place]).real * scale
            assert np.isclose(np.sqrt(variance), deviation[batch, place])


def test_at_a_measured_place_the_field_is_what_was_measured(waves: Waves, data: Complexes) -> None:
    weight = np.ones(len(waves.names))
    weight[0] = 1e-8
    value, deviation = predicted(solved(weight, waves.terms(), data), *waves.cross(weight, PLACE))
    assert np.abs(value - data).max() < 1e-4
    assert deviation.max() < 1e-2


def test_weights_tell_noise_from_waves() -> None:
    """Plane waves with 10 % noise: the marginal likelihood finds both to within a third."""
    project = parse_project(ROOM, source="room.toml")
    hz = np.linspace(60.0, 100.0, 24)
    place = np.random.default_rng(1).uniform([0.5, 0.5, 0.5], [4.7, 3.4, 1.9], size=(14, 3))
    kernels = Waves(around(project, hz, SUB), place)
    terms = kernels.terms()[:2]
    rng = np.random.default_rng(7)
    root = np.linalg.cholesky(terms[1] + 0.01 * terms[0])
    drawn = (rng.normal(size=(24, 14)) + 1j * rng.normal(size=(24, 14))) / np.sqrt(2.0)
    found = chosen_weights(terms, np.einsum("fmn,fn->fm", root, drawn), running=Running()).value
    assert 0.1 / 1.35 < np.sqrt(found[0] / found[1]) < 0.1 * 1.35


def test_what_is_left_is_counted_at_each_frequency_alike() -> None:
    """A loud frequency that is right does not hide a soft one that is half wrong."""
    data = np.ones((2, 4, 1), dtype=np.complex128) * np.array([100.0, 1.0])[:, None, None]
    found = data * np.array([1.0, 0.5])[:, None, None]
    checked = LeftOut(
        frequency_hz=np.array([40.0, 63.0]), data=data, found={"field": found}, deviation=1e-3 * np.abs(data)
    )
    worth = checked.worth("field")
    assert worth.left == pytest.approx(np.sqrt(0.125))
    assert worth.rms_db == pytest.approx(6.0206 / np.sqrt(2.0), abs=1e-3)
    assert expected_level_db(data[:1], 1e-3 * np.abs(data[:1])) == pytest.approx(40.0 * np.ones((1, 4, 1)), abs=1e-3)
    assert [hz for hz, _ in checked.by_third_octave("field")] == [40.0, 63.0]


def test_the_mean_level_of_an_uncertain_value() -> None:
    """Against drawing it: mean 1, deviation 0.2 to 3."""
    rng = np.random.default_rng(6)
    for deviation in (0.2, 1.0, 3.0):
        drawn = 1.0 + deviation * (rng.normal(size=200_000) + 1j * rng.normal(size=200_000)) / np.sqrt(2.0)
        found = expected_level_db(np.array([1.0 + 0.0j]), np.array([deviation]))
        assert found[0] == pytest.approx(np.mean(20.0 * np.log10(np.abs(drawn))), abs=0.05)
