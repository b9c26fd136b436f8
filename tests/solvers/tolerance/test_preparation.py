"""What the reduced field is made of: the basis, bands with boundary modes of their own, the part kept between runs."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from roommodes.acoustics.ports import Ports
from roommodes.acoustics.room_boundary import boundary_of
from roommodes.acoustics.transfer import bulk_k2
from roommodes.running import Running
from roommodes.storage.kept import Kept
from solvers.tolerance.bands import bands_of
from solvers.tolerance.basis import LEAST, Reaction, leading_of
from solvers.tolerance.field import Field
from solvers.tolerance.inputs import CABINETS, EARS, Inputs, inputs_of
from solvers.tolerance.reduction import PRECISION, reduced_field
from solvers.tolerance.rest import K2_STEP, Rest
from tests.solvers.tolerance.built_rooms import drawn_project

HZ = np.array([30.0, 50.0, 78.0])


@pytest.fixture(scope="module")
def inputs() -> Inputs:
    project = drawn_project()
    return inputs_of(
        project, ear_m=project.seats.position_m, cabinet_m=np.array([[0.3, 0.3, 0.3], [3.8, 2.9, 0.3]]), n_slot=1
    )


@pytest.fixture(scope="module")
def field(inputs: Inputs) -> Field:
    return reduced_field(inputs, frequency_hz=HZ, seed=1)


def test_what_the_basis_leaves_out_is_the_first_singular_value_left_out() -> None:
    """A symmetric system, answers of steeply falling strength: the pressure between all points asked for is kept."""
    rng = np.random.default_rng(5)
    size, count = 40, 30
    strength = (rng.uniform(0.01, 0.02, size) * (1.0 + 0.3j)).astype(np.complex128)
    z = rng.normal(size=(size, size)) + 1j * rng.normal(size=(size, size))
    drawn = Reaction(strengths=[strength[:25], np.diag(strength[25:])], boundary=z + z.T)
    left, right = rng.normal(size=(size, count)), np.linalg.qr(rng.normal(size=(count, count)))[0]
    answers = (left * 10.0 ** -np.linspace(0.0, 5.0, count)) @ right + 0j
    system = np.diag(1.0 / strength) + z + z.T
    np.testing.assert_allclose(drawn.times(answers), system @ answers, rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(drawn.answers(answers), np.linalg.solve(system, answers), rtol=1e-9, atol=1e-12)
    seen = answers.T @ system @ answers
    asked = system @ answers
    singular = np.linalg.svd(seen, compute_uv=False)
    heard = 1e-2 * float(singular[0])
    basis = leading_of(answers, drawn, heard)
    for r in (basis.shape[1], basis.shape[1] // 2):
        some = basis[:, :r]
        kept = asked.T @ some @ np.linalg.solve(some.T @ system @ some, some.T @ asked)
        left_out = np.linalg.norm(seen - kept, 2)
        assert 0.5 * singular[r] < left_out < 2.0 * singular[r]
        assert r < basis.shape[1] or left_out < 2.0 * LEAST * heard
    assert 2 < basis.shape[1] < count


def test_modes_above_the_cut_from_real_wavenumbers_are_those_from_complex_ones(inputs: Inputs) -> None:
    """Value and slope over k^2, with a bulk loss three times the drawn room's, against the port matrices themselves."""
    room, hz = replace(inputs.project.room, loss_factor=3.0 * inputs.project.room.loss_factor), HZ[-1:]
    points = {"seat_m": inputs.ear_m, "source_m": inputs.cabinet_m}
    boundary = boundary_of(room, inputs.project.surfaces(), frequency_hz=hz, precision=PRECISION, **points)
    k2 = complex(bulk_k2(room, (2.0 * np.pi * hz).astype(np.complex128))[0])
    ports = Ports(room, boundary.families, max_wavenumber=1.1 * abs(k2) ** 0.5, precision=PRECISION, **points)
    below = ports.k2_modes < (1.6 * abs(k2) ** 0.5 + 0.6) ** 2
    step = k2 * K2_STEP
    plain = ports.at(np.array([k2, k2 + step]), without=below)
    rest = Rest.of(ports, k2, below)
    for name in ("seat_source", "seat_boundary", "source_boundary", "boundary"):
        smooth, (here, there) = getattr(rest, name), getattr(plain, name)
        scale = np.abs(here).max()
        assert np.abs(smooth.value - here).max() < 3e-4 * scale < 0.1 * np.abs(smooth.here - here).max()
        assert np.abs(smooth.slope * step - (there - here)).max() < 0.1 * np.abs(there - here).max()


def test_lower_bands_have_fewer_boundary_modes_and_every_frequency_has_one(field: Field) -> None:
    np.testing.assert_array_equal(field.frequency_hz, HZ)
    sizes = [band.walls.boundary.size for band in field.bands if band.walls]
    assert len(sizes) == 3
    assert sizes == sorted(sizes)
    assert sizes[0] < 0.8 * sizes[-1] == 0.8 * field.boundary_size
    assert [len(band) for band in bands_of(HZ, one=True)] == [3], "a shape is solved once"


def test_what_drives_give_is_the_transfer_functions_times_them(field: Field, inputs: Inputs) -> None:
    """Solved once from the cabinets' side for several settings and places; against one by one, from the ears' side."""
    rng = np.random.default_rng(6)
    unit = rng.random((20, inputs.size))  # more than are worked out together
    rooms, variants = inputs.builds(unit), []
    for group in (None, CABINETS, EARS):
        moved = unit.copy()
        if group:
            moved[:, inputs.groups[group]] = rng.random((20, *unit[:, inputs.groups[group]].shape[1:]))
        drives = rng.normal(size=(20, 3, 2, 3)) + 1j * rng.normal(size=(20, 3, 2, 3))
        variants.append((inputs.builds(moved), drives))
    for found, (builds, drives) in zip(field.pressure(rooms, *variants), variants, strict=True):
        plain = np.einsum("nfsc,nfcp->nfsp", field.transfer(builds), drives)
        assert np.abs(found - plain).max() < 1e-10 * np.abs(plain).max()
    apart = field.transfer(variants[1][0]) - field.transfer(rooms)
    assert np.abs(apart).max() > 1e-3 * np.abs(field.transfer(rooms)).max(), "or the places differ in nothing"


def test_the_preparation_is_kept_between_runs(
    field: Field, inputs: Inputs, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    running = Running(threads=1, kept=Kept(folder=tmp_path, software=lambda: "here", least_s=0.0))
    builds = inputs.builds(np.random.default_rng(8).random((2, inputs.size)))
    first = reduced_field(inputs, frequency_hz=HZ, seed=1, running=running).transfer(builds)
    np.testing.assert_array_equal(first, field.transfer(builds))
    monkeypatch.setattr("solvers.tolerance.reduction._learner", lambda *_, **__: pytest.fail("worked out again"))
    again = reduced_field(inputs, frequency_hz=HZ, seed=1, running=running).transfer(builds)
    np.testing.assert_array_equal(again, first)
    with pytest.raises(pytest.fail.Exception):
        reduced_field(inputs, frequency_hz=HZ, seed=2, running=running)
    other = drawn_project(tolerance="[tolerance]\nroom_m = [0.01, 0.03, 0.02]\n")
    changed = inputs_of(other, ear_m=inputs.ear_m, cabinet_m=inputs.cabinet_m, n_slot=1)
    with pytest.raises(pytest.fail.Exception):
        reduced_field(changed, frequency_hz=HZ, seed=1, running=running)
