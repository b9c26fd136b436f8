"""A set of measured responses as frozen data, and the fault that a set can have."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from roommodes.arrays import Complexes, Floats
from roommodes.errors import Fault, ProjectInvalid
from roommodes.responses.wide_band import WideBand

GRID_NOTE = "Grid: "
KEPT_NOTE = "; the plan file keeps"  # how a note goes on that holds for responses all of which were measured
NOT_COUNTED = "Not measured and so not counted"  # how the note begins on seats without responses


class MeasurementsInvalid(ProjectInvalid):
    """A manifest or its files are wrong; carries every fault. Exit code 5 where files could only not be read."""

    def __init__(self, source: str, faults: Sequence[Fault], *, unreadable: bool = False) -> None:
        super().__init__(source, faults)
        self.exit_code = 5 if unreadable else 3


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceSound:
    """What one sub does against the others.

    Parameters
    ----------
    name : of the sub.
    polarity : 1 or -1 against most others; 0 where its first sound does not tell.
    late_s : against the middle of all, of two against the other; 0 where that is not told [s].
    level_db : likewise [dB].
    """

    name: str
    polarity: int
    late_s: float
    level_db: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RollOff:
    """A sub that falls off earlier than the others.

    Parameters
    ----------
    name : of the sub.
    below_hz : where its level lies 6 dB below theirs, against the middle of the band [Hz].
    steeper_db : by how much more it falls below [dB per octave]; 0 where too little of it is in the band.
    """

    name: str
    below_hz: float
    steeper_db: float


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredSubs:
    """The subs that were measured.

    Parameters
    ----------
    name : (n_sub,).
    position_m : (n_sub, 3), NaN where the manifest gives none [m].
    candidate : (n_sub,) the project's candidate within 5 cm, -1 where there is none.
    sounds : what the first sounds of the subs tell, main loudspeakers left out; empty where nothing could be told.
    roll_offs : subs that fall off earlier than the others toward low frequencies; likewise.
    together : (n_sub,) whether it is all subs of a plan at once; empty for none.
    exchanged : the sub stood at the seats, the microphone where these may stand; told here the usual way round.
    """

    name: tuple[str, ...]
    position_m: Floats
    candidate: NDArray[np.intp]
    sounds: tuple[SourceSound, ...] = ()
    roll_offs: tuple[RollOff, ...] = ()
    together: tuple[bool, ...] = ()
    exchanged: bool = False

    def __len__(self) -> int:
        return len(self.name)


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredSeats:
    """Where the microphones stood: seats of the project in its order, then places that are no seats.

    Several microphones about one seat follow each other, the first with the seat's own name.

    Parameters
    ----------
    name : (n_seat,).
    position_m : (n_seat, 3) that of the seat where nobody knows how far off a further microphone stood [m].
    seat : (n_seat,) index among the project's seats, -1 for a place that is none.
    known : (n_seat,) whether the position is known.
    """

    name: tuple[str, ...]
    position_m: Floats
    seat: NDArray[np.intp]
    known: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.name)

    def of(self, index: NDArray[np.intp]) -> "MeasuredSeats":
        """Some of them, in this order: (n_kept,)."""
        return MeasuredSeats(
            name=tuple(self.name[at] for at in index),
            position_m=self.position_m[index],
            seat=self.seat[index],
            known=self.known[index],
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredFile:
    """A file that was read: its path as the manifest gives it, and its SHA-256."""

    path: str
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Manifest:
    """A manifest as it was read: its text, and its path as given."""

    text: str
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Common:
    """Whether levels, signs and times of the responses of a set compare."""

    level: bool
    polarity: bool
    time: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """What levels refer to.

    Parameters
    ----------
    level : ``relative``, ``pascal`` or ``per metre``.
    drive_v : (n_sub,) for ``pascal`` the rms voltage at each sub's terminals at a gain of 0 dB; None where it is not
        known of that one; (1,) where all have one, empty where nobody knows any [V].
    """

    level: Literal["relative", "pascal", "per metre"]
    drive_v: tuple[float | None, ...] = ()

    def volts(self, sub: int) -> float | None:
        """That of one sub, from 0; None where it is not known [V]."""
        return None if not self.drive_v else self.drive_v[sub if len(self.drive_v) > 1 else 0]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Further:
    """The same responses on other grids than the manifest's.

    Parameters
    ----------
    search_hz : (n_search,) the grid of the project's search, as far as the manifest's band reaches [Hz].
    search_transfer : (n_search, n_seat, n_sub) on it.
    wide : over all that the files tell.
    """

    search_hz: Floats
    search_transfer: Complexes
    wide: WideBand

    def arranged(self, change: Callable[[Complexes], Complexes]) -> "Further":
        """The same with seats and subs changed, by what does that to (n_freq, n_seat, n_sub)."""
        wide = replace(self.wide, transfer=change(self.wide.transfer))
        return replace(self, search_transfer=change(self.search_transfer), wide=wide)


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredSet:
    """All measured responses on one grid.

    Parameters
    ----------
    name : what its owner calls the set.
    frequency_hz : (n_freq,) logarithmic [Hz].
    transfer : (n_freq, n_seat, n_sub) complex128; relative, Pa or 1/m, see `level`.
    noise : (n_freq, n_sub) rms of the noise in each response of a sub, as the data tell or the manifest says; NaN where
        neither does.
    subs, seats : what was measured, and where.
    scale : what their levels refer to.
    common : what of the responses compares.
    notes : what was done, in sentences.
    files : what was read.
    manifest : as it was read.
    further : the same on other grids; None where there are none, as of what was estimated.
    """

    name: str
    frequency_hz: Floats
    transfer: Complexes
    noise: Floats
    subs: MeasuredSubs
    seats: MeasuredSeats
    scale: Scale
    common: Common
    notes: tuple[str, ...]
    files: tuple[MeasuredFile, ...]
    manifest: Manifest
    further: Further | None = None

    def __post_init__(self) -> None:
        for array in (self.frequency_hz, self.transfer, self.noise, self.subs.position_m, self.seats.position_m):
            array.setflags(write=False)

    @property
    def manifest_text(self) -> str:
        """The manifest as it was read."""
        return self.manifest.text

    @property
    def source(self) -> str:
        """The manifest's path as given."""
        return self.manifest.source

    @property
    def level(self) -> Literal["relative", "pascal", "per metre"]:
        """What levels refer to."""
        return self.scale.level

    @property
    def paths(self) -> tuple[Path, ...]:
        """The manifest and all files that were read for it."""
        manifest = Path(self.source)
        return (manifest, *(manifest.parent / file.path for file in self.files))

    def at_known_places(self) -> "MeasuredSet":
        """The same without microphones of which nobody knows where they stood."""
        if self.seats.known.all():
            return self
        known = np.flatnonzero(self.seats.known)
        further = None if self.further is None else self.further.arranged(lambda transfer: transfer[:, known].copy())
        return replace(self, transfer=self.transfer[:, known].copy(), seats=self.seats.of(known), further=further)

    def for_search(self) -> "MeasuredSet":
        """The same on the grid of the project's search, which the manifest's does not replace."""
        if self.further is None or self.frequency_hz is self.further.search_hz:
            return self
        hz, wide = self.further.search_hz, self.further.wide.frequency_hz
        noise = np.stack([np.interp(hz, self.frequency_hz, own) for own in self.noise.T], axis=1)
        kept = f"{KEPT_NOTE} the files' {wide[0]:.4g} to {wide[-1]:.4g} Hz for other bands and decays"
        note = f"Searched on the project's {len(hz)} frequencies from {hz[0]:g} to {hz[-1]:g} Hz{kept}."
        return replace(
            self,
            frequency_hz=hz,
            transfer=self.further.search_transfer,
            noise=noise,
            notes=(note, *(one for one in self.notes if not one.startswith(GRID_NOTE))),
        )

    @property
    def comparable(self) -> bool:
        """Whether responses may be added: level, polarity and time are common to all."""
        return self.common.level and self.common.polarity and self.common.time


def without_kept(notes: Sequence[str]) -> tuple[str, ...]:
    """The notes once some responses are estimated: nothing beyond the band of the search is kept then."""
    return tuple(f"{note.split(KEPT_NOTE)[0]}." if KEPT_NOTE in note else note for note in notes)
