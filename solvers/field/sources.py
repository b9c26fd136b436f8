"""What a sub's field in a box may be made of: its image sources by the number of reflections, and standing waves.

Each is a group of functions of place that obey the Helmholtz equation in the room (standing waves those of rigid walls,
near their own frequencies). The process gives every function of a group an amplitude and phase of its own at each
frequency, so that neither the walls' reflections nor their losses need to be known.
"""

from itertools import product
from math import ceil, pi

import numpy as np

from roommodes.arrays import Complexes, Floats

REFLECTIONS = ((1,), (2,), (3,), (4, 5), (6, 7, 8))  # numbers of reflections that share one strength
STANDING_LOSS = (0.05, 0.2)  # loss factors that say how far beside its own frequency a standing wave plays
HIGHEST = 1.4  # times the wavenumber up to which standing waves are taken
MOST_STANDING = 2000


def image_places(source_m: Floats, size_m: Floats, orders: tuple[int, ...]) -> Floats:
    """Places of the images of a source in a box with so many reflections: (n_image, 3) [m].

    Parameters
    ----------
    source_m : (3,) [m].
    size_m : (3,) the box [m].
    orders : numbers of reflections.
    """
    most = max(orders)
    axes = []
    for axis in range(3):
        number = np.arange(-most, most + 1)
        straight, turned = 2.0 * number * size_m[axis] + source_m[axis], 2.0 * number * size_m[axis] - source_m[axis]
        axes.append((np.concatenate([straight, turned]), np.concatenate([2 * np.abs(number), np.abs(2 * number - 1)])))
    place = np.stack(np.meshgrid(*(at for at, _ in axes), indexing="ij"), axis=-1).reshape(-1, 3)
    count = np.sum(np.meshgrid(*(times for _, times in axes), indexing="ij"), axis=0).reshape(-1)
    return np.asarray(place[np.isin(count, orders)])


def spherical(wavenumber: Floats, place_m: Floats, source_m: Floats) -> Complexes:
    """e^{-jkr} / r of sources (m, 3) at places (n, 3): (n_freq, n, m)."""
    distance = np.linalg.norm(place_m[:, None] - source_m[None], axis=2)
    distance = np.maximum(distance, 0.05)  # a microphone stands outside the cabinet
    return np.asarray(np.exp(-1j * wavenumber[:, None, None] * distance) / distance)


def standing_waves(wavenumber: Floats, place_m: Floats, size_m: Floats, loss: float) -> Floats:
    """Modes of the rigid box at places (n, 3), each as strong as a damped one of that wavenumber: (n_freq, n, m)."""
    highest = HIGHEST * float(wavenumber[-1])
    counts = [range(ceil(highest * size / pi) + 1) for size in size_m]
    number = np.array(list(product(*counts)), dtype=np.float64)
    own = ((number * pi / size_m) ** 2).sum(axis=1)
    order = np.argsort(own)[: min(MOST_STANDING, int((own <= highest**2).sum()))]
    number, own = number[order], own[order]
    shape = np.sqrt(2.0) ** (number > 0).sum(axis=1) * np.cos(number[None] * pi * place_m[:, None] / size_m).prod(
        axis=2
    )
    square = wavenumber[:, None] ** 2
    strength = square / np.abs(own[None] - square * (1.0 - 1j * loss))
    return np.asarray(shape[None] * strength[:, None])
