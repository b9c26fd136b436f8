"""Seats: where the ears are."""

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
