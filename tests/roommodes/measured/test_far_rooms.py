"""Transfer functions of rooms that are far from the drawn one: the drawn one must not blame them.

The rooms are rigid boxes with losses by their modes, written out here; the drawn ones differ in every size.
"""

from pathlib import Path

import numpy as np
import pytest

from roommodes.arrays import Complexes, Floats
from roommodes.measured.doubts import Judged, explains, model_doubts
from roommodes.measured.loading import load_manifest
from roommodes.responses.frequency_grid import log_grid
from tests.measuring import SUBS, TABLE_HZ, Measured, room_project, write_set

HZ = log_grid(20.0, 110.0, 24)
BOTH = Judged(polarity=True, level=False, time=True)


def box(size_m: Floats, sub_m: Floats, seat_m: Floats, hz: Floats, loss: float) -> Complexes:
    """H = 4 pi sum phi(sub) phi(seat) / (k_n^2 - k^2) up to 260 Hz: (n_freq, n_seat)."""
    number = np.stack(np.meshgrid(*[np.arange(int(520.0 / 343.2 * side) + 2) for side in size_m]), -1).reshape(-1, 3)
    k = np.pi * number / size_m
    near = (k**2).sum(axis=1) < (2.0 * np.pi * 260.0 / 343.2) ** 2
    k, even = k[near], np.where(number[near] > 0, 2.0, 1.0).prod(axis=1) / np.prod(size_m)
    sub, seat = np.cos(k * sub_m).prod(axis=1) * even, np.cos(k[None] * seat_m[:, None]).prod(axis=2)
    bulk = (2.0 * np.pi * hz / 343.2) ** 2 * (1.0 - 1j * loss)
    return np.asarray(4.0 * np.pi * (sub / ((k**2).sum(axis=1) - bulk[:, None])) @ seat.T)


def seeded(seed: int, *, apart: float) -> tuple[Complexes, Complexes]:
    """What was measured, and what a drawing expects whose sizes differ by up to the share `apart`."""
    rng = np.random.default_rng(seed)
    size = rng.uniform([3.5, 2.8, 2.2], [11.0, 8.0, 3.6])
    sub = np.array([rng.uniform(0.2, 1.0), rng.uniform(0.2, size[1] - 0.2), rng.uniform(0.15, 0.5)])
    across = rng.uniform(0.4, size[1] - 0.4, rng.integers(3, 8))
    seat = np.array([[rng.uniform(0.35, 0.9) * size[0], y, rng.uniform(1.0, 1.3)] for y in across])
    measured = box(size, sub, seat, HZ, rng.uniform(0.01, 0.05))
    noise = 0.01 * np.sqrt(np.mean(np.abs(measured) ** 2))
    measured = measured + noise * (rng.normal(size=measured.shape) + 1j * rng.normal(size=measured.shape))
    own = np.exp(-2j * np.pi * HZ * rng.uniform(0.0, 0.02)) / (1.0 + 25j / HZ) ** 2
    scale = 1.0 + apart * rng.uniform(-1.0, 1.0, 3)
    return measured * own[:, None], box(size * scale, sub * scale, seat * scale, HZ, rng.uniform(0.01, 0.06))


@pytest.mark.parametrize(("apart", "least"), [(0.05, 0.9), (0.2, 0.4), (0.4, 0.2)])
def test_no_sound_response_is_blamed_however_far_the_drawing_is(apart: float, least: float) -> None:
    found, rooms = 0, 150
    for seed in range(1000, 1000 + rooms):
        measured, expected = seeded(seed, apart=apart)
        assert not model_doubts(HZ, measured, expected, judged=BOTH), seed
        turned = measured * np.where(np.arange(measured.shape[1]) == 1, -1.0, 1.0)
        doubts = model_doubts(HZ, turned, expected, judged=BOTH)
        assert all(doubt.seat == 1 for doubt in doubts), seed
        found += bool(doubts)
        assert explains(measured, expected) or apart > 0.05, seed
    assert found >= least * rooms


def test_where_nothing_tells_the_polarity_the_set_says_so(tmp_path: Path) -> None:
    project = room_project()
    seats = project.seats.position_m
    far = np.array([8.3, 6.1, 3.3])
    transfer = np.stack([box(far, np.array(sub), seats, TABLE_HZ, 0.01) for sub in SUBS.values()], axis=2)
    path = write_set(tmp_path, Measured(hz=TABLE_HZ, transfer=transfer))
    (note,) = [note for note in load_manifest(path, project).notes if "polarity" in note]
    assert "Nothing tells whether the polarity of" in note
    assert 'checked = ["polarity"]' in note
    path = write_set(tmp_path, Measured(hz=TABLE_HZ, transfer=transfer), extra='[reference]\nchecked = ["polarity"]')
    assert not [note for note in load_manifest(path, project).notes if "polarity" in note]
