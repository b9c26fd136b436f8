"""The singular part of a sub's field: the pole and kink of the sub and of its images behind the walls.

The field of a sub is e^{-jkr} / r and what the walls make of it. Of the former, cos(kr) / r has a pole and a kink at
the sub, while sin(kr) / r is smooth; behind near walls stand images, whose 1 / r is not smooth near the walls. Taken
off a field, these leave a rest that polynomials follow, both over places of the ear and over places of the sub.
"""

from itertools import product

import numpy as np

from roommodes.acoustics.room import Room
from roommodes.arrays import Floats

APART_M = 0.05  # a point nearer to a sub than this is taken at this distance: there the level has no end


def images_of(room: Room) -> Floats:
    """The images of a sub behind the walls, edges and corners: (n_image, 3 axes, 2), a sign and a shift [m].

    A sub at x has an image at sign * x + shift, along each axis.
    """
    along = [((-1.0, 0.0), (1.0, 0.0), (-1.0, 2.0 * size)) for size in room.size_m]
    places = [tuple(along[axis][one[axis]] for axis in range(3)) for one in product(range(3), repeat=3)]
    itself = ((1.0, 0.0),) * 3
    return np.array([place for place in places if place != itself])


def rough(point_m: Floats, sub_m: Floats, room: Room, frequency_hz: Floats) -> Floats:
    """The singular part of the field of every sub: (n_freq, n_point, n_sub) [1/m].

    1 / r of its images, and cos(k r) / r of the sub itself, which stands between the points: of its e^{-jkr} / r all
    odd powers of r, as the even ones are smooth there.

    Parameters
    ----------
    point_m, sub_m : (n_point, 3), (n_sub, 3) [m].
    room : where they are.
    frequency_hz : (n_freq,) [Hz].
    """
    wavenumber = 2.0 * np.pi * frequency_hz / room.air.speed_of_sound_m_s
    images = np.zeros((len(point_m), len(sub_m)))
    for image in images_of(room):
        images += 1.0 / _apart(point_m, sub_m * image[:, 0] + image[:, 1])
    apart = _apart(point_m, sub_m)
    return np.asarray(images + np.cos(wavenumber[:, None, None] * apart) / apart)


def _apart(point_m: Floats, other_m: Floats) -> Floats:
    """Distances, `APART_M` where they are less: (n_point, n_other) [m]."""
    return np.asarray(np.maximum(np.sqrt(((point_m[:, None] - other_m[None]) ** 2).sum(axis=2)), APART_M))
