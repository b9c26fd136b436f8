"""Seats: where the ears are, and the clouds of points in which heads may be."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Seats:
    """All seats, row by row in the order of the project file.

    Parameters
    ----------
    position_m : (n_seat, 3) float64, x, y, z of the ears [m].
    name : (n_seat,) the row's name and the seat's number in it, from 1.
    weight : (n_seat,) float64, what the seat counts; not normalised.
    row : (n_seat,) index of the seat's row.
    """

    position_m: NDArray[np.float64]
    name: tuple[str, ...]
    weight: NDArray[np.float64]
    row: NDArray[np.intp]

    def __post_init__(self) -> None:
        for array in (self.position_m, self.weight, self.row):
            array.setflags(write=False)

    def __len__(self) -> int:
        return len(self.name)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Listening:
    """Every point that is listened at: all seats first, then the further points of those that are clouds.

    Parameters
    ----------
    position_m : (n_ear, 3) [m].
    weight : (n_ear,) a seat's own weight, shared alike by its points; not normalised.
    seat : (n_ear,) index of the seat; the first n_seat are the seats themselves.
    """

    position_m: NDArray[np.float64]
    weight: NDArray[np.float64]
    seat: NDArray[np.intp]

    @property
    def n_seat(self) -> int:
        """How many seats."""
        return int(self.seat.max()) + 1


def listening_at(seats: Seats, cloud_m: Sequence[tuple[float, float, float] | None]) -> Listening:
    """The points of all seats.

    Parameters
    ----------
    seats : where the ears are.
    cloud_m : per row how far a head may be from there along x, y, z; None for a row of single points [m].
    """
    position, seat = list(seats.position_m), list(range(len(seats)))
    for index in range(len(seats)):
        half = cloud_m[seats.row[index]]
        for axis, reach in enumerate(half or ()):
            for sign in (-1.0, 1.0) if reach > 0.0 else ():
                position.append(seats.position_m[index] + sign * reach * np.eye(3)[axis])
                seat.append(index)
    owner = np.array(seat, dtype=np.intp)
    share = seats.weight / np.bincount(owner)
    return Listening(position_m=np.array(position), weight=share[owner], seat=owner)
