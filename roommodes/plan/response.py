"""Complex pressure of a plan at every seat."""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from roommodes.arrays import Complexes, Floats
from roommodes.places.seats import Seats
from roommodes.responses.labelled import dataset
from roommodes.responses.metrics import level_db, normalised, variation_db

if TYPE_CHECKING:
    import xarray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Response:
    """Complex pressure at every seat, as driven.

    Parameters
    ----------
    frequency_hz : (n_freq,) [Hz].
    seats : where the listeners are.
    everywhere : (n_freq, n_ear) complex128 at all points that count, the seats first [1/m].
    weight : (n_ear,) what each of them counts.
    """

    frequency_hz: Floats
    seats: Seats
    everywhere: Complexes
    weight: Floats

    @property
    def pressure(self) -> Complexes:
        """(n_freq, n_seat) complex128, p / (j omega rho q / 4 pi) with the drives in it [1/m]."""
        return self.everywhere[:, : len(self.seats)]

    @property
    def shape(self) -> tuple[int, ...]:
        """(n_freq, n_seat)."""
        return self.pressure.shape

    def __array__(self, dtype: Any = None, copy: bool | None = None) -> Any:
        return np.array(self.pressure, dtype=dtype, copy=copy)

    def level_db(self) -> Floats:
        """(n_freq, n_seat) level as driven [dB re 1/m]."""
        return level_db(self.pressure)

    def mean_db(self) -> Floats:
        """(n_freq,) weighted mean level over the seats [dB re 1/m]."""
        return np.asarray(level_db(self.everywhere) @ normalised(self.weight))

    def variation_db(self) -> float:
        """Seat-to-seat variation: rms over frequency of the standard deviation over the seats [dB]."""
        return variation_db(level_db(self.everywhere), self.weight)

    def to_xarray(self) -> "xarray.Dataset":
        """Pressure and level with their axes named; PackageMissing without xarray."""
        axes = ("frequency", "seat")
        return dataset(
            {
                "pressure": (axes, self.pressure, {"units": "1/m"}),
                "level_db": (axes, self.level_db(), {"units": "dB", "reference": "1/m, as driven"}),
            },
            {
                "frequency": (("frequency",), self.frequency_hz, {"units": "Hz"}),
                "seat": (("seat",), list(self.seats.name), {}),
                "weight": (("seat",), self.seats.weight, {}),
            },
            {"variation_db": self.variation_db()},
        )
