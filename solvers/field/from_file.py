"""A field file held against the measurements that it is used with, and brought to their places and frequencies."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from roommodes.arrays import Complexes, Floats
from roommodes.errors import Fault, ProjectInvalid
from roommodes.estimates.field_file import FieldFile, Placed

SAME_M = 0.05  # a place so near to a seat or candidate is that one
APART_M = 0.5  # a place of a seat's name so far from it is another
ALIKE = 0.1  # of the rms: by how much the responses of plan and field may differ where both were measured
SOUND_M_S = 343.0
COARSE = 0.1  # of the rms: the largest error of interpolation between the field's frequencies


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Given:
    """The measurements that a field is used with.

    Parameters
    ----------
    whose : what holds them.
    subs : (n_sub,) names.
    seats : n_seat places where they were measured.
    frequency_hz : (n_freq,) [Hz].
    transfer : (n_freq, n_seat, n_sub) in their own scale.
    level : what that scale is.
    """

    whose: Literal["plan", "manifest"]
    subs: tuple[str, ...]
    seats: Placed
    frequency_hz: Floats
    transfer: Complexes
    level: str

    @property
    def again(self) -> str:
        """What a field of other measurements should be made from."""
        return "make it from the plan's own manifest" if self.whose == "plan" else "make it from this manifest"


def require_from(field: FieldFile, given: Given, *, source: str) -> None:
    """ProjectInvalid unless the field was estimated from these measurements."""
    missing = [name for name in given.subs if name not in field.subs.name]
    if missing:
        raise field_fault(source, f"it holds nothing of {', '.join(missing[:5])}; {given.again}")
    delay = _delay(field.microphones.position_m, field.subs.position_m)
    measured = _at(field.frequency_hz, field.measured, given.frequency_hz, delay, source)
    own = measured[:, :, columns(field, given.subs)]
    gap = np.linalg.norm(given.seats.position_m[:, None] - field.microphones.position_m, axis=2)
    known = field.microphones.name
    pairs = [
        (row, known.index(name) if name in known else int(gap[row].argmin()))
        for row, name in enumerate(given.seats.name)
        if name in known or gap[row].min() < 0.01
    ]
    rows, microphones = np.array(pairs, dtype=np.intp).reshape(-1, 2).T
    there = given.transfer[:, rows]
    if field.level != given.level or not len(rows):
        raise field_fault(source, f"it was estimated from other measurements; {given.again}")
    off = float(np.sqrt(np.mean(np.abs(own[:, microphones] - there) ** 2 / power(there))))
    if off > ALIKE:
        message = f"its measured responses differ from the {given.whose}'s by {off:.0%}; {given.again}"
        raise field_fault(source, message)


def seats_in(
    field: FieldFile, names: Sequence[str], position_m: Floats, *, whose: Literal["plan", "manifest"], source: str
) -> dict[int, int]:
    """Seats that plan or manifest lacks -> the field's places that are theirs, by name or place.

    Raises
    ------
    ProjectInvalid : there is none, or one of a seat's name stands elsewhere.
    """
    found = places_at(field, position_m)
    for at, name in enumerate(names):
        if name in field.places.name:
            place = field.places.name.index(name)
            gap = float(np.linalg.norm(field.places.position_m[place] - position_m[at]))
            if gap > APART_M:
                raise field_fault(source, f"place {name} stands {gap:.2f} m off the seat of that name; rename it")
            found[at] = place
    if not found:
        raise field_fault(
            source,
            f"none of its places is a seat that the {whose} lacks ({', '.join(names)}); name places as those seats"
            if len(names)
            else f"the {whose} lacks no seat of the project; the field adds none",
        )
    return dict(sorted(found.items()))


def places_at(field: FieldFile, position_m: Floats) -> dict[int, int]:
    """Which of some places (n, 3) [m] the field holds -> its own that stand there."""
    gap = np.linalg.norm(field.places.position_m[None] - position_m.reshape(-1, 1, 3), axis=2)
    return {at: int(row.argmin()) for at, row in enumerate(gap) if row.min() <= SAME_M}


def columns(field: FieldFile, names: Sequence[str]) -> list[int]:
    """Where subs stand in a field."""
    return [field.subs.name.index(name) for name in names]


def field_at(field: FieldFile, hz: Floats, *, source: str = "field") -> tuple[Complexes, Floats]:
    """The field and its deviation at other frequencies (n,), (n, n_place, n_sub) each.

    Raises
    ------
    ProjectInvalid : it does not reach so far, or its own frequencies are too coarse.
    """
    delay = _delay(field.places.position_m, field.subs.position_m)
    value = _at(field.frequency_hz, field.pressure, hz, delay, source)
    if _same(field.frequency_hz, hz):
        return value, field.deviation
    low = np.clip(np.searchsorted(field.frequency_hz, hz) - 1, 0, len(field.frequency_hz) - 2)
    return value, np.maximum(field.deviation[low], field.deviation[low + 1])


def power(transfer: Complexes) -> Floats:
    """(n_freq, 1, n_sub) mean square over the places."""
    return np.asarray(np.mean(np.abs(transfer) ** 2, axis=1, keepdims=True))


def field_fault(source: str, message: str) -> ProjectInvalid:
    """A fault of the field file as a whole."""
    return ProjectInvalid(source, [Fault(where="", message=f"{message}.")])


def _at(own_hz: Floats, value: Complexes, hz: Floats, delay_s: Floats, source: str) -> Complexes:
    """(n_own, p, n_sub) at frequencies (n,); between its own by splines of what is left without the direct delay."""
    from scipy.interpolate import CubicSpline  # noqa: PLC0415 (half a second that other uses need not pay)

    if _same(own_hz, hz):
        return value
    if hz[0] < own_hz[0] * (1.0 - 1e-6) or hz[-1] > own_hz[-1] * (1.0 + 1e-6):
        raise field_fault(
            source,
            f"it reaches from {own_hz[0]:.4g} to {own_hz[-1]:.4g} Hz, the search from {hz[0]:.4g} to {hz[-1]:.4g} Hz; "
            "give band_hz in the manifest's [grid]",
        )

    def turned(at: Floats) -> Complexes:
        return np.asarray(np.exp(2j * np.pi * at[:, None, None] * delay_s[None]))

    smooth = value * turned(own_hz)
    each = CubicSpline(own_hz[::2], smooth[::2])(own_hz[1:-1:2])
    rest = np.mean(np.abs(each - smooth[1:-1:2]) ** 2) / np.mean(np.abs(smooth) ** 2)
    error = float(np.sqrt(rest)) / 8.0  # of every second one; all of them err by a sixteenth, h to the fourth
    if error > COARSE:
        raise field_fault(
            source,
            f"its {len(own_hz)} frequencies are too far apart to tell what lies between; leave points_per_octave out "
            "of the manifest's [grid], or raise it",
        )
    return np.asarray(CubicSpline(own_hz, smooth)(hz) / turned(hz))


def _same(own_hz: Floats, hz: Floats) -> bool:
    return len(own_hz) == len(hz) and bool(np.allclose(own_hz, hz, rtol=1e-6))


def _delay(place_m: Floats, sub_m: Floats) -> Floats:
    """Direct sound from every sub to every place, near enough to smooth with: (n_place, n_sub) [s]."""
    return np.asarray(np.linalg.norm(place_m[:, None] - sub_m[None], axis=2) / SOUND_M_S)
