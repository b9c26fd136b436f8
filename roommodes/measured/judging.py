"""Whether the files of a set belong together: what tells it for each sub, and what a person has checked already.

Impulse responses tell by their first milliseconds (`first_sound`), whatever the room is. Transfer functions are held
against a rough model where that explains most of them, else neighbours against each other (`doubts`).
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from roommodes.arrays import Complexes, Floats
from roommodes.measured.data import MeasuredSeats, MeasuredSubs
from roommodes.measured.doubts import (
    FEWEST_SEATS,
    Doubt,
    Judged,
    explains,
    model_doubts,
    neighbour_doubts,
    peak_of,
    scale_doubts,
    start_doubts,
)
from roommodes.measured.files import Impulse, Spectrum
from roommodes.measured.first_sound import first_sound_doubts
from roommodes.measured.manifest import ManifestTables
from roommodes.project.project import Project

BY_HAND = (
    "Check by hand, with a polarity tester or by which way the cones move first, and say "
    'checked = ["polarity"] at the sub.'
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Judging:
    """A set's files, to be judged.

    Parameters
    ----------
    tables, project : the manifest, and what it belongs to.
    raw : (seat, sub) -> what its file holds.
    frequency_hz : (n_freq,) the common grid [Hz].
    transfer : (n_freq, n_seat, n_sub) complex128, the chain not yet divided out.
    expected : likewise by a rough model [1/m], NaN for subs whose place is not known or on a microphone.
    seats, subs : what was measured, and where.
    """

    tables: ManifestTables
    project: Project
    raw: Mapping[tuple[int, int], Spectrum | Impulse]
    frequency_hz: Floats
    transfer: Complexes
    expected: Complexes
    seats: MeasuredSeats
    subs: MeasuredSubs

    def outcome(self) -> tuple[list[Doubt], list[str]]:
        """What was lost between the files, and sentences on what nothing could tell."""
        speed = self.project.room.air.speed_of_sound_m_s
        peaks = np.full(self.transfer.shape[1:], np.nan)
        starts = peaks.copy()
        wanted = [self._judged(sub) for sub in range(len(self.subs))]
        for (seat, sub), found in self.raw.items():
            if wanted[sub].level:
                peaks[seat, sub] = peak_of(found)
            if wanted[sub].time and isinstance(found, Impulse):
                starts[seat, sub] = found.start_s
        doubts = scale_doubts(peaks)
        doubts += start_doubts(starts, self.seats.position_m, self.subs.position_m, speed_m_s=speed)
        untold: list[str] = []
        blamed = {doubt.sub for doubt in doubts}
        for sub, whole in enumerate(wanted):
            judged = replace(whole, level=False, time=False) if sub in blamed else whole  # one fault tells it
            found_here, told = self._of_sub(sub, judged)
            doubts += [Doubt(sub=sub, seat=one.seat, message=one.message) for one in found_here]
            if judged.polarity and not told and len(self.seats) >= FEWEST_SEATS:
                untold.append(self.subs.name[sub])
        return doubts, _notes(untold)

    def _judged(self, sub: int) -> Judged:
        reference = self.tables.reference
        checked = self.tables.checked(sub)
        return Judged(
            polarity=reference.common_polarity and "polarity" not in checked,
            level=reference.common_level and "level" not in checked,
            time=reference.common_time and "time" not in checked,
        )

    def _of_sub(self, sub: int, judged: Judged) -> tuple[list[Doubt], bool]:
        """Doubts about one sub's responses, and whether their polarity could be told."""
        if not (judged.polarity or judged.level or judged.time):
            return [], True
        place = self.subs.position_m[sub]
        away = np.sqrt(((self.seats.position_m - place) ** 2).sum(axis=1))
        found = [self.raw[seat, sub] for seat in range(len(self.seats))]
        impulses = [one for one in found if isinstance(one, Impulse)]
        speed = self.project.room.air.speed_of_sound_m_s
        if len(impulses) == len(found):
            known = self.tables.reference.common_time and bool(np.isfinite(away).all())
            if not known:
                judged = replace(judged, level=False, time=False)
            away_s = away / speed if known else np.full(len(found), np.nan)
            return first_sound_doubts(impulses, away_s, judged=judged), True
        transfer = self.transfer[:, :, sub]
        expected = self.expected[:, :, sub]
        if (judged.polarity or judged.time) and np.isfinite(expected).all():
            doubts = model_doubts(self.frequency_hz, transfer, expected, judged=judged)
            if doubts or explains(transfer, expected):
                return doubts, True
        if not judged.polarity:
            return [], True
        near = neighbour_doubts(self.frequency_hz, transfer, self.seats.position_m, self.seats.name, speed_m_s=speed)
        return near, bool(near) or not np.isfinite(place).all()


def _notes(untold: list[str]) -> list[str]:
    if not untold:
        return []
    return [
        f"Nothing tells whether the polarity of {', '.join(untold)} is the same in all files: the drawn room is too "
        f"far from the measured one to judge. Impulse responses (.wav, .sofa) would tell. {BY_HAND}"
    ]
