"""A plan on measured responses with seats that were not measured, from a field file.

The plan keeps its subs and settings. Its results then hold the measured seats and the estimated ones, each with its
deviation, and this plan alone: the others were not judged at these seats.
"""

from dataclasses import replace

import numpy as np

from roommodes.estimates.field_file import FieldFile, Placed
from roommodes.measured.data import NOT_COUNTED, without_kept
from roommodes.places.seats import Seats
from roommodes.plan.measured import Estimated, MeasuredRecord
from roommodes.plan.plan import Plan
from solvers.field.filled import ESTIMATED
from solvers.field.from_file import Given, columns, field_at, field_fault, power, require_from, seats_in


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
    share = np.sqrt(np.mean(deviation[:, :, own] ** 2 / power(results.transfer), axis=(0, 2)))
    told = ", ".join(f"{name} {one:.0%}" for name, one in zip(names, share, strict=True))
    notes = [note for note in without_kept(record.notes) if not note.startswith(NOT_COUNTED)]
    if missing := [name for name in known.name if name not in (*plan.seats.name, *names)]:
        notes.append(f"{NOT_COUNTED}: {', '.join(missing)}.")
    band = "Crossover and decay are taken from the plan's own band: a field file tells of no other."
    notes.append(f"{ESTIMATED} and not measured, with one deviation over the rms at the seats: {told}. {band}")
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
    record, results = plan.measured, plan.results
    if record is None:
        raise field_fault(source, "the plan rests on the model; a field goes with plans of optimise --measured")
    scale = 10.0 ** (record.scale_db / 20.0)
    mains = np.empty((*results.transfer.shape[:2], 0)) if record.main_transfer is None else record.main_transfer
    given = Given(
        whose="plan",
        subs=(*results.candidates.zone, *record.main_name),
        seats=Placed(name=plan.seats.name, position_m=plan.seats.position_m),
        frequency_hz=plan.frequency_hz,
        transfer=np.concatenate([results.transfer, mains], axis=2) / scale,
        level=record.level,
    )
    require_from(field, given, source=source)
    return record


def _further_seats(plan: Plan, field: FieldFile, source: str) -> tuple[list[int], list[int]]:
    """Seats of the project that the plan has not, and the field's places that are theirs."""
    known = plan.project.seats
    lacking = [at for at, name in enumerate(known.name) if name not in plan.seats.name]
    names = [known.name[at] for at in lacking]
    found = seats_in(field, names, known.position_m[lacking], whose="plan", source=source)
    return [lacking[at] for at in found], list(found.values())


def _order(plan: Plan, further: list[int]) -> list[int]:
    """Plan's seats and further ones in the project's order; microphones about a seat stay behind it."""
    known = plan.project.seats.name
    keys: list[float] = []
    for name in plan.seats.name:
        keys.append(float(known.index(name)) if name in known else (keys[-1] if keys else 0.0))
    keys += [float(at) for at in further]
    return sorted(range(len(keys)), key=lambda at: keys[at])
