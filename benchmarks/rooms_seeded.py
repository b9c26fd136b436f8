"""Seeded rooms for tests and benchmarks of the search: transfer functions of plausible rooms, quick to make.

A rigid room with a loss that grows with frequency, as a plain modal sum: what the search must cope with, not what
a user should build by. The full model is `roommodes.acoustics.transfer`.
"""

import numpy as np

from roommodes.arrays import Complexes, Floats
from roommodes.responses.frequency_grid import log_grid
from solvers.search.problem import DriveRange, Problem

MODES_UP_TO_HZ = 500.0
SPEED_OF_SOUND_M_S = 343.2


def modal_transfer(
    size_m: tuple[float, float, float], frequency_hz: Floats, seat_m: Floats, source_m: Floats, loss_factor: float
) -> Complexes:
    """Plain sum over rigid modes: (n_freq, n_seat, n_source) [1/m]."""
    length = np.asarray(size_m)
    counts = np.floor(2.0 * MODES_UP_TO_HZ * length / SPEED_OF_SOUND_M_S).astype(int) + 1
    n = np.stack(np.meshgrid(*(np.arange(c) for c in counts), indexing="ij"), axis=-1).reshape(-1, 3)
    k_squared = ((n * np.pi / length) ** 2).sum(axis=1)
    keep = k_squared < (2.0 * np.pi * MODES_UP_TO_HZ / SPEED_OF_SOUND_M_S) ** 2
    n, k_squared = n[keep], k_squared[keep]

    def shape(point_m: Floats) -> Floats:
        cosines = np.cos(n[None] * np.pi * point_m[:, None, :] / length)
        return np.asarray(np.prod(np.where(n > 0, np.sqrt(2.0), 1.0) * cosines, axis=2))

    k = 2.0 * np.pi * frequency_hz / SPEED_OF_SOUND_M_S * (1.0 - 0.5j * loss_factor)
    resonance = 4.0 * np.pi / (length.prod() * (k_squared - k[:, None] ** 2))
    return np.einsum("sn,fn,cn->fsc", shape(seat_m), resonance, shape(source_m), optimize=True)


def seeded_room(
    seed: int,
    *,
    n_candidate: int,
    n_seat: int = 7,
    band_hz: tuple[float, float] = (20.0, 120.0),
    points_per_octave: float = 24.0,
    drives: DriveRange | None = None,
    mirrored: bool = False,
) -> Problem:
    """A room with seats in two rows and candidates along the walls, on the floor.

    Parameters
    ----------
    seed : of the room's size, losses and jitter.
    n_candidate, n_seat : how many.
    band_hz, points_per_octave : the frequency grid.
    drives : what may be adjusted.
    mirrored : make seats and candidates left-right symmetric, with mirror_of (n_candidate even).
    """
    random = np.random.default_rng(seed)
    size = np.array([random.uniform(4.5, 8.5), random.uniform(3.6, 6.0), random.uniform(2.3, 3.1)])
    loss = random.uniform(0.06, 0.14)
    hz = log_grid(*band_hz, points_per_octave)
    seats = []
    front = (n_seat + 1) // 2
    for row, (count, depth) in enumerate(((front, 0.55), (n_seat - front, 0.78))):
        for i in range(count):
            across = (i + 0.5) / count if mirrored else (i + random.uniform(0.3, 0.7)) / count
            seats.append([size[0] * depth, size[1] * (0.1 + 0.8 * across), 1.1 + 0.25 * row])
    n_made = n_candidate // 2 if mirrored else n_candidate
    along = (np.arange(n_made) + random.uniform(0.0, 1.0, n_made)) / n_made
    sources = np.array([_on_perimeter(t / 2.0 if mirrored else t, size) for t in along])
    mirror = None
    if mirrored:
        other = sources * [1.0, -1.0, 1.0] + [0.0, size[1], 0.0]
        sources = np.concatenate([sources, other])
        mirror = np.roll(np.arange(n_candidate), n_made)
    transfer = modal_transfer((size[0], size[1], size[2]), hz, np.array(seats), sources, loss)
    return Problem(
        frequency_hz=hz,
        transfer=transfer,
        seat_weight=np.ones(n_seat),
        drives=drives or DriveRange(),
        mirror_of=mirror,
    )


def _on_perimeter(t: float, size: Floats) -> list[float]:
    """A point 0.25 m inside the walls; t from 0 to 1 from the front's middle over the left, rear and right walls."""
    x, y = size[0] - 0.5, size[1] - 0.5
    way = t * 2.0 * (x + y)
    legs = ((y / 2.0, (0.0, -1.0)), (x, (1.0, 0.0)), (y, (0.0, 1.0)), (x, (-1.0, 0.0)), (y / 2.0, (0.0, -1.0)))
    point = np.array([0.0, y / 2.0])
    for leg, direction in legs:
        step = min(way, leg)
        point = point + step * np.asarray(direction)
        way -= step
        if way <= 0.0:
            break
    return [float(point[0]) + 0.25, float(point[1]) + 0.25, 0.2]
