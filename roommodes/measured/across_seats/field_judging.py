"""Which files of a set the smooth field is asked about, and what it says of them (`smooth_field`)."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from roommodes.arrays import Complexes, Floats, Integers
from roommodes.measured.across_seats.smooth_field import (
    FEWEST_POINTS,
    Change,
    Exchange,
    SmoothField,
    changed_files,
    exchange_of,
)
from roommodes.measured.data import MeasuredSeats
from roommodes.measured.doubts import Judged
from roommodes.measured.files import Impulse, Spectrum
from roommodes.measured.manifest import ManifestTables


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FieldJudging:
    """A set's files, to be held against the field at the seats.

    Parameters
    ----------
    tables : the manifest.
    raw : (seat, sub) -> what its file holds.
    frequency_hz : (n_freq,) the common grid [Hz].
    transfer : (n_freq, n_seat, n_sub) complex128, the chain not yet divided out.
    expected : likewise by a rough model [1/m], NaN for subs whose place is not known.
    seats : where the microphones stood; those whose places are not known are left out.
    speed_m_s : of sound.
    left_out : subs of which something else was said already.
    """

    tables: ManifestTables
    raw: Mapping[tuple[int, int], Spectrum | Impulse]
    frequency_hz: Floats
    transfer: Complexes
    expected: Complexes
    seats: MeasuredSeats
    speed_m_s: float
    left_out: frozenset[int]

    def changed(self) -> dict[int, list[Change]]:
        """Sub -> its files that were turned, moved or reversed. Impulse responses tell that by their first sounds."""
        found: dict[int, list[Change]] = {}
        known = np.flatnonzero(self.seats.known)
        for sub in range(self.transfer.shape[2]) if self._comparable else ():
            checked = self.tables.checked(sub)
            judged = Judged(polarity="polarity" not in checked, level=False, time="time" not in checked)
            impulses = any(isinstance(self.raw[seat, sub], Impulse) for seat in range(len(self.seats)))
            if sub in self.left_out or impulses:
                continue
            changes = changed_files(
                self.frequency_hz,
                self.transfer[:, known, sub],
                self.seats.position_m[known],
                judged=judged,
                sign="phase sign" not in checked,
                speed_m_s=self.speed_m_s,
            )
            if changes:
                found[sub] = [replace(one, seat=int(known[one.seat])) for one in changes]
        return found

    def exchange(self, changed: Mapping[int, list[Change]]) -> Exchange | None:
        """Two seats whose files were exchanged, where that explains more than what was changed."""
        known = np.flatnonzero(self.seats.known)
        if not self._comparable or not len(known):
            return None
        fields = [self._field(known, sub) for sub in range(self.transfer.shape[2])]
        if len(fields[0].hz) < FEWEST_POINTS or (two := exchange_of(fields, self.transfer[:, known])) is None:
            return None
        rival = max((own[0].gain for sub, own in changed.items() if sub in two.subs), default=0.0)
        one, other = (int(known[seat]) for seat in two.seats)
        may_be = None if two.rival is None else (int(known[two.rival[0]]), int(known[two.rival[1]]))
        return replace(two, seats=(one, other), rival=may_be) if two.gain > rival else None

    def _field(self, known: Integers, sub: int) -> SmoothField:
        """The field of one sub at the seats whose places are known, with the drawn room where its place is."""
        expected = self.expected[:, known, sub]
        return SmoothField(
            self.frequency_hz,
            self.seats.position_m[known],
            speed_m_s=self.speed_m_s,
            expected=expected if np.isfinite(expected).all() else None,
        )

    @property
    def _comparable(self) -> bool:
        reference = self.tables.reference
        return reference.common_level and reference.common_polarity and reference.common_time
