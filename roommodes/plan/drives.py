"""How the subs of a plan are driven: gain, delay and polarity of each."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roommodes.arrays import Complexes, Floats, Integers
from roommodes.errors import Fault, ProjectInvalid
from roommodes.places.layout import Layout
from roommodes.responses.metrics import drive_weights


class DriveColumns(Protocol):
    """A table with the drives of several plans: (n_row, n_sub) each."""

    @property
    def gain_db(self) -> Floats: ...

    @property
    def delay_s(self) -> Floats: ...

    @property
    def polarity(self) -> NDArray[np.integer]: ...


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Drives:
    """Gain, delay and polarity of every sub; lists will do, and become arrays.

    Parameters
    ----------
    gain_db : (n_sub,) float64 [dB].
    delay_s : (n_sub,) float64, at least 0; a delay multiplies by e^{-j omega delay} [s].
    polarity : (n_sub,) int64, +1 or -1.

    Raises
    ------
    ProjectInvalid : not one of each for every sub, or a value that no processor has.
    """

    gain_db: Floats
    delay_s: Floats
    polarity: Integers

    def __post_init__(self) -> None:
        arrays = {
            "gain_db": np.array(self.gain_db, dtype=np.float64),
            "delay_s": np.array(self.delay_s, dtype=np.float64),
            "polarity": np.array(self.polarity, dtype=np.float64),
        }
        if faults := _faults(arrays):
            raise ProjectInvalid("drives", faults)
        arrays["polarity"] = arrays["polarity"].astype(np.int64)
        for name, array in arrays.items():
            array.setflags(write=False)
            object.__setattr__(self, name, array)

    @classmethod
    def alike(cls, count: int) -> Drives:
        """All subs with identical settings: 0 dB, no delay, normal."""
        return cls(gain_db=np.zeros(count), delay_s=np.zeros(count), polarity=np.ones(count, dtype=np.int64))

    @classmethod
    def of_row(cls, table: DriveColumns, row: int) -> Drives:
        """The drives of one plan of a table, `row` from 0."""
        polarity = np.asarray(table.polarity[row], dtype=np.int64)
        return cls(gain_db=table.gain_db[row], delay_s=table.delay_s[row], polarity=polarity)

    @classmethod
    def of_layout(cls, layout: Layout) -> Drives:
        """The drives of a project's own layout."""
        return cls(
            gain_db=np.array(layout.gain_db),
            delay_s=1e-3 * np.array(layout.delay_ms),
            polarity=np.array(layout.polarity, dtype=np.int64),
        )

    def __len__(self) -> int:
        return len(self.gain_db)

    def weights(self, frequency_hz: ArrayLike) -> Complexes:
        """polarity * 10^(gain/20) * e^{-j omega delay}: (n_freq,) [Hz] -> (n_freq, n_sub) complex128."""
        hz = np.atleast_1d(np.asarray(frequency_hz, dtype=np.float64))
        return drive_weights(hz, gain_db=self.gain_db, delay_s=self.delay_s, polarity=self.polarity)

    @property
    def to_limit_db(self) -> float:
        """Gain that brings the loudest sub to 0 dB [dB]."""
        return -float(self.gain_db.max())

    def at_limit(self) -> Drives:
        """The same with the loudest sub at 0 dB."""
        return Drives(gain_db=self.gain_db + self.to_limit_db, delay_s=self.delay_s, polarity=self.polarity)

    def from_earliest(self) -> Drives:
        """The same with the delays counted from the earliest sub's."""
        return Drives(gain_db=self.gain_db, delay_s=self.delay_s - self.delay_s.min(), polarity=self.polarity)


def _faults(arrays: dict[str, NDArray[np.float64]]) -> list[Fault]:
    shapes = {array.shape for array in arrays.values()}
    if len(shapes) > 1 or arrays["gain_db"].ndim != 1 or not len(arrays["gain_db"]):
        got = ", ".join(f"{name} {array.shape}" for name, array in arrays.items())
        return [Fault(where="", message=f"got {got}; allowed: one gain, one delay and one polarity for every sub")]
    faults = []
    for name, array in arrays.items():
        if not np.isfinite(array).all():
            faults.append(Fault(where=name, message=f"got {array.tolist()}; allowed: finite numbers"))
    if (arrays["delay_s"] < 0.0).any():
        message = f"got {float(arrays['delay_s'].min()):g} s; allowed: at least 0; delay all other subs instead"
        faults.append(Fault(where="delay_s", message=message))
    if not np.isin(arrays["polarity"], (-1.0, 1.0)).all():
        faults.append(Fault(where="polarity", message=f"got {arrays['polarity'].tolist()}; allowed: 1 or -1 for each"))
    return faults
