"""The pressure of a mode anywhere in the room."""

import numpy as np
import pytest

import roommodes as rm
from roommodes.acoustics.wall_laws import ConstantAdmittance

SIZE = (6.1, 4.3, 2.6)
ROOM = rm.Room(length_m=SIZE[0], width_m=SIZE[1], height_m=SIZE[2], loss_factor=0.02)
RANDOM = np.random.default_rng(3)
POINTS = RANDOM.uniform(0.0, 1.0, (50, 3)) * SIZE


def test_a_rigid_box_has_products_of_cosines() -> None:
    modes = rm.modes(ROOM, max_hz=75.0)
    assert [mode.number for mode in modes][:3] == [(1, 0, 0), (0, 1, 0), (1, 1, 0)]
    for mode in modes:
        wanted = np.prod([np.cos(n * np.pi * POINTS[:, k] / SIZE[k]) for k, n in enumerate(mode.number)], axis=0)
        wanted *= np.sqrt(2.0) ** np.count_nonzero(mode.number)
        assert np.allclose(mode.pressure(POINTS), wanted, atol=1e-6)
        assert np.allclose(mode.rigid_pressure(POINTS), wanted, atol=1e-12)


def test_grids_keep_their_axes_and_the_mean_square_is_one() -> None:
    surface = rm.whole_face(ROOM, "left", ConstantAdmittance(beta_re=0.05, beta_im=-0.1))
    (mode, *_) = rm.modes(ROOM, surfaces=[surface], max_hz=40.0)
    ends = [(np.arange(40) + 0.5) / 40.0 * side for side in SIZE]
    grid = np.stack(np.meshgrid(*ends, indexing="ij"), axis=-1)
    pressure = mode.pressure(grid)
    assert pressure.shape == (40, 40, 40)
    assert np.mean(np.abs(pressure) ** 2) == pytest.approx(1.0, abs=2e-3)
    assert np.allclose(pressure[3, 4, 5], mode.pressure(grid[3, 4, 5]))


def test_at_a_resonance_the_room_looks_like_its_mode() -> None:
    """The response to a source at the frequency of a mode that stands alone, over the source's places, is the mode."""
    law = ConstantAdmittance(beta_re=0.002, beta_im=-0.15)
    room = rm.Room(length_m=SIZE[0], width_m=SIZE[1], height_m=SIZE[2], loss_factor=0.0005)
    surfaces = [rm.whole_face(room, "rear", law)]
    mode = rm.modes(room, surfaces=surfaces, max_hz=35.0)[0]
    inside = 0.5 + RANDOM.uniform(0.0, 1.0, (30, 3)) * (np.array(SIZE) - 1.0)
    source = [[0.01, 0.01, 0.01]]
    asked = {"frequency_hz": [mode.frequency_hz], "seat_m": inside, "source_m": source}
    heard = rm.transfer(room, surfaces=surfaces, **asked)[0, :, 0]
    shape, rigid = mode.pressure(inside), mode.rigid_pressure(inside)

    def unlike(one: np.ndarray) -> float:
        factor = np.vdot(one, heard) / np.vdot(one, one)
        return float(np.linalg.norm(heard - factor * one) / np.linalg.norm(heard))

    assert unlike(shape) < 0.03
    assert unlike(rigid) > 2.0 * unlike(shape)  # the mass on the rear wall moved the null plane


def test_a_room_with_a_block() -> None:
    block = rm.Block(name="column", low_m=(2.0, 1.0, 0.0), high_m=(2.6, 1.6, 2.6))
    room = rm.Room(length_m=SIZE[0], width_m=SIZE[1], height_m=SIZE[2], loss_factor=0.02, blocks=(block,))
    mode = rm.modes(room, max_hz=40.0)[0]
    ends = [(np.arange(24) + 0.5) / 24.0 * side for side in SIZE]
    grid = np.stack(np.meshgrid(*ends, indexing="ij"), axis=-1).reshape(-1, 3)
    grid = grid[room.shape.contains(grid)]
    assert np.mean(np.abs(mode.pressure(grid)) ** 2) == pytest.approx(1.0, abs=0.02)
    with pytest.raises(rm.OutsideModel, match="outside the room's air"):
        mode.pressure([2.3, 1.3, 1.0])


def test_a_point_outside_is_refused() -> None:
    mode = rm.modes(ROOM, max_hz=30.0)[0]
    with pytest.raises(rm.OutsideModel, match=r"point 1 is at \(7, 1, 1\) m, outside"):
        mode.pressure([[1.0, 1.0, 1.0], [7.0, 1.0, 1.0]])
