"""A plan on measured responses with seats that were not measured, from a field file.

The plan keeps its subs and settings. Its results then hold the measured seats and the estimated ones, each with its
deviation, and this plan alone: the others were not judged at these seats.
"""

from dataclasses import replace

import numpy as np
from scipy.interpolate import CubicSpline

from roommodes.arrays import Complexes, Floats
from roommodes.errors import Fault, ProjectInvalid
from roommodes.estimates.field_file import FieldFile
from roommodes.measured.data import NOT_COUNTED, without_kept
from roommodes.places.seats import Seats
from roommodes.plan.measured import Estimated, MeasuredRecord
from roommodes.plan.plan import Plan
from solvers.field.filled import ESTIMATED

SAME_M = 0.05  # a place so near to a seat is that seat
APART_M = 0.5  # a place of a seat's name so far from it is another
ALIKE = 0.1  # of the rms: by how much the responses of plan and field may differ where both were measured
SOUND_M_S = 343.0
COARSE = 0.1  # of the rms: the largest error of interpolation between the field's frequencies


def with_field(plan: Plan, field: FieldFile, *, source: str = "field") -> Plan:
    """The plan over its seats and those that the field holds beside them.

    Parameters
    ----------
    plan : on measured responses.
    field : of the same measurements, its places at seats of the project that were not measured.
    source : what to call the field in faults.

    Raises
    ------
    ProjectInvalid : the two do not belong together, or the field holds no further seat.
    """
    record = require_same(plan, field, source=source)
    results, hz, known = plan.results, plan.frequency_hz, plan.project.seats
    seat, place = _further_seats(plan, field, source)
    names = [known.name[at] for at in seat]
    scale = 10.0 ** (record.scale_db / 20.0)
    pressure, deviation = (scale * values[:, place] for values in field_at(field, hz, source=source))
    own, mains = columns(field, results.candidates.zone), columns(field, record.main_name)
    order = _order(plan, seat)

    def joined(first: np.ndarray, second: np.ndarray, axis: int = 0) -> np.ndarray:
        return np.take(np.concatenate([first, second], axis=axis), order, axis=axis)

    before = np.zeros(results.transfer.shape) if record.deviation is None else record.deviation
    main = record.main_transfer
    whole = joined(results.transfer, pressure[:, :, own], axis=1)
    unsure = joined(before, deviation[:, :, own], axis=1)
    share = np.sqrt(np.mean(deviation[:, :, own] ** 2 / _power(results.transfer), axis=(0, 2)))
    told = ", ".join(f"{name} {one:.0%}" for name, one in zip(names, share, strict=True))
    notes = [note for note in without_kept(record.notes) if not note.startswith(NOT_COUNTED)]
    if missing := [name for name in known.name if name not in (*plan.seats.name, *names)]:
        notes.append(f"{NOT_COUNTED}: {', '.join(missing)}.")
    notes.append(f"{ESTIMATED} and not measured, with one deviation over the rms at the seats: {told}.")
    grown = replace(
        results,
        transfer=whole,
        seats=Seats(
            position_m=joined(plan.seats.position_m, known.position_m[seat]),
            name=tuple(joined(np.array(plan.seats.name, dtype=object), np.array(names, dtype=object))),
            weight=joined(plan.seats.weight, known.weight[seat]),
            row=joined(plan.seats.row, known.row[seat]),
        ),
        measured=replace(
            record,
            notes=tuple(notes),
            estimated=Estimated(deviation=unsure, left_out=field.left_out),
            wide=None,
            main_transfer=None if main is None else joined(main, pressure[:, :, mains], axis=1),
        ),
    )
    judged = grown.judged(plan.candidate_index, plan.drives, stop="judged again with estimated seats")
    crossover = plan.crossover and replace(plan.crossover, rank=0)
    return replace(judged, crossover=crossover)


def require_same(plan: Plan, field: FieldFile, *, source: str) -> MeasuredRecord:
    """The plan's measurements; ProjectInvalid unless the field was estimated from the same ones."""
    record = plan.measured
    if record is None:
        raise _fault(source, "the plan rests on the model; a field goes with plans of optimise --measured")
    missing = [name for name in (*plan.results.candidates.zone, *record.main_name) if name not in field.subs.name]
    if missing:
        raise _fault(source, f"it holds nothing of {', '.join(missing[:5])}; make it from the plan's own manifest")
    scale = 10.0 ** (record.scale_db / 20.0)
    delay = _delay(field.microphones.position_m, field.subs.position_m)
    measured = scale * _at(field.frequency_hz, field.measured, plan.frequency_hz, delay, source)
    own = measured[:, :, columns(field, plan.results.candidates.zone)]
    gap = np.linalg.norm(plan.seats.position_m[:, None] - field.microphones.position_m, axis=2)
    pairs = [
        (row, field.microphones.name.index(name) if name in field.microphones.name else int(gap[row].argmin()))
        for row, name in enumerate(plan.seats.name)
        if name in field.microphones.name or gap[row].min() < 0.01
    ]
    rows, microphones = np.array(pairs, dtype=np.intp).reshape(-1, 2).T
    there = plan.results.transfer[:, rows]
    if field.level != record.level or not len(rows):
        raise _fault(source, "it was estimated from other measurements; make it from the plan's own manifest")
    off = float(np.sqrt(np.mean(np.abs(own[:, microphones] - there) ** 2 / _power(there))))
    if off > ALIKE:
        message = f"its measured responses differ from the plan's by {off:.0%}; make it from the plan's own manifest"
        raise _fault(source, message)
    return record


def columns(field: FieldFile, names: tuple[str, ...]) -> list[int]:
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


def _at(own_hz: Floats, value: Complexes, hz: Floats, delay_s: Floats, source: str) -> Complexes:
    """(n_own, p, n_sub) at frequencies (n,); between its own by splines of what is left without the direct delay."""
    if _same(own_hz, hz):
        return value
    if hz[0] < own_hz[0] * (1.0 - 1e-6) or hz[-1] > own_hz[-1] * (1.0 + 1e-6):
        raise _fault(
            source,
            f"it reaches from {own_hz[0]:.4g} to {own_hz[-1]:.4g} Hz, the plan from {hz[0]:.4g} to {hz[-1]:.4g} Hz; "
            "give band_hz in the manifest's [grid]",
        )

    def turned(at: Floats) -> Complexes:
        return np.asarray(np.exp(2j * np.pi * at[:, None, None] * delay_s[None]))

    smooth = value * turned(own_hz)
    each = CubicSpline(own_hz[::2], smooth[::2])(own_hz[1:-1:2])
    rest = np.mean(np.abs(each - smooth[1:-1:2]) ** 2) / np.mean(np.abs(smooth) ** 2)
    error = float(np.sqrt(rest)) / 8.0  # of every second one; all of them err by a sixteenth, h to the fourth
    if error > COARSE:
        raise _fault(
            source,
            f"its {len(own_hz)} frequencies are too far apart for the plan's; leave points_per_octave out of the "
            "manifest's [grid], or raise it",
        )
    return np.asarray(CubicSpline(own_hz, smooth)(hz) / turned(hz))


def _same(own_hz: Floats, hz: Floats) -> bool:
    return len(own_hz) == len(hz) and bool(np.allclose(own_hz, hz, rtol=1e-6))


def _delay(place_m: Floats, sub_m: Floats) -> Floats:
    """Direct sound from every sub to every place, near enough to smooth with: (n_place, n_sub) [s]."""
    return np.asarray(np.linalg.norm(place_m[:, None] - sub_m[None], axis=2) / SOUND_M_S)


def _power(transfer: Complexes) -> Floats:
    """(n_freq, 1, n_sub) mean square over the places."""
    return np.asarray(np.mean(np.abs(transfer) ** 2, axis=1, keepdims=True))


def _further_seats(plan: Plan, field: FieldFile, source: str) -> tuple[list[int], list[int]]:
    """Seats of the project that the plan has not, and the field's places that are theirs."""
    known, names = plan.project.seats, field.places.name
    found: dict[int, int] = {}
    for at, (name, where) in enumerate(zip(known.name, known.position_m, strict=True)):
        if name in plan.seats.name:
            continue
        gap = np.linalg.norm(field.places.position_m - where, axis=1)
        if name in names:
            place = names.index(name)
            if gap[place] > APART_M:
                raise _fault(source, f"place {name} stands {gap[place]:.2f} m off the seat of that name; rename it")
            found[at] = place
        elif gap.min() <= SAME_M:
            found[at] = int(gap.argmin())
    if not found:
        lacking = [name for name in known.name if name not in plan.seats.name]
        raise _fault(
            source,
            f"none of its places is a seat that the plan lacks ({', '.join(lacking)}); name places as those seats"
            if lacking
            else "the plan lacks no seat of the project; the field adds none",
        )
    return list(found), list(found.values())


def _order(plan: Plan, further: list[int]) -> list[int]:
    """Plan's seats and further ones in the project's order; microphones about a seat stay behind it."""
    known = plan.project.seats.name
    keys: list[float] = []
    for name in plan.seats.name:
        keys.append(float(known.index(name)) if name in known else (keys[-1] if keys else 0.0))
    keys += [float(at) for at in further]
    return sorted(range(len(keys)), key=lambda at: keys[at])


def _fault(source: str, message: str) -> ProjectInvalid:
    return ProjectInvalid(source, [Fault(where="", message=f"{message}.")])
