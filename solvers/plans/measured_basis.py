"""Measured responses as the basis of a search.

Candidates are the measured subs, seats the measured seats. Nothing asks the model: usual layouts and rows that move are
left out, and wishes for positions (zones, mirrored layouts, distances) do not bind subs that stand already. Of a set
measured by reciprocity candidates are places where subs may stand, and all wishes for them are kept.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from roommodes.arrays import Complexes, Floats, Integers
from roommodes.errors import Fault, ProjectInvalid
from roommodes.measured.data import NOT_COUNTED, MeasuredSet
from roommodes.places.positions import mirrored
from roommodes.places.seats import Seats
from roommodes.places.zones import Candidates
from roommodes.plan.measured import Estimated, MeasuredRecord
from roommodes.plan.plan import Results
from roommodes.project.mains import MainsTable
from roommodes.project.project import Project
from roommodes.responses.metrics import normalised
from roommodes.responses.wide_band import WideBand
from solvers.plans.basis import Basis
from solvers.search.from_project import drives_of, wishes_at
from solvers.search.problem import Problem, Wishes


def measured_basis(project: Project, measured: MeasuredSet, *, estimated: Estimated | None = None) -> Basis:
    """The subs and seats of a measured set that the search needs, as its basis.

    Parameters
    ----------
    project : what is asked.
    measured : the responses.
    estimated : how sure those are that were estimated, in the shape of `measured.transfer`; None where none was.

    Raises
    ------
    ProjectInvalid : responses cannot be added, no seat or sub was measured, a sub has no position.
    """
    project.require_one_kind("a plan on measured responses")
    if estimated is None:
        measured = measured.for_search()
    mains = (project.mains or MainsTable()).measured
    names = list(measured.subs.name)
    subs = [index for index, name in enumerate(names) if name not in mains]
    at_seat = np.flatnonzero(measured.seats.seat >= 0)
    if faults := _faults(measured, subs, mains, len(at_seat)):
        raise ProjectInvalid(measured.source, faults)
    known = project.seats
    seat = measured.seats.seat[at_seat]
    transfer = measured.transfer[:, at_seat, :]
    weight = known.weight[seat] / np.bincount(seat)[seat]  # microphones about one seat share its weight
    scale = 1.0
    if measured.level != "per metre":
        square = np.einsum("fsc,s->fc", np.abs(transfer[:, :, subs]) ** 2, normalised(weight))
        scale = float(1.0 / np.sqrt(np.mean(square)))
    played = [names.index(name) for name in mains]
    return _basis(
        project,
        measured.frequency_hz,
        scale * transfer[:, :, subs],
        seats=Seats(
            position_m=measured.seats.position_m[at_seat],
            name=_names(known.name, measured.seats.name, at_seat, seat),
            weight=weight,
            row=known.row[seat],
        ),
        candidates=Candidates(
            position_m=measured.subs.position_m[subs],
            zone=tuple(names[index] for index in subs),
            mirror_of=mirrored(measured.subs.position_m[subs], project.room.width_m)
            if measured.subs.exchanged
            else np.full(len(subs), -1, dtype=np.intp),
        ),
        record=MeasuredRecord(
            name=measured.name,
            manifest_toml=measured.manifest_text,
            notes=(*measured.notes, *_left_out(project, measured, seat)),
            level=measured.level,
            scale_db=float(20.0 * np.log10(scale)),
            files=tuple((file.path, file.sha256) for file in measured.files),
            main_name=tuple(names[index] for index in played),
            main_transfer=scale * transfer[:, :, played] if played else None,
            drive_v=_drive_v(measured, subs),
            exchanged=measured.subs.exchanged,
            estimated=None
            if estimated is None
            else replace(estimated, deviation=scale * estimated.deviation[:, at_seat][:, :, subs]),
            wide=_wide(measured, at_seat, [*subs, *played], scale),
        ),
    )


def _drive_v(measured: MeasuredSet, subs: Sequence[int]) -> tuple[float, ...]:
    """Voltage of each sub that may be driven; empty where nobody knows any."""
    known = [measured.scale.volts(sub) for sub in subs]
    return tuple(volts for volts in known if volts is not None)


def _wide(measured: MeasuredSet, seats: Integers, sources: Sequence[int], scale: float) -> WideBand | None:
    """Some of the responses over all that their files tell."""
    if measured.further is None:
        return None
    wide = measured.further.wide
    return replace(wide, transfer=scale * wide.transfer[:, seats][:, :, sources])


def _names(known: Sequence[str], measured: Sequence[str], at_seat: Integers, seat: Integers) -> tuple[str, ...]:
    """The seats' names, and those of further microphones about them."""
    first = {int(index): int(row) for row, index in zip(at_seat[::-1], seat[::-1], strict=True)}
    return tuple(
        known[index] if first[int(index)] == row else measured[row] for row, index in zip(at_seat, seat, strict=True)
    )


def stored_basis(results: Results) -> Basis:
    """What a stored search on measured responses rested on, from its results alone."""
    assert results.measured is not None, "on the model a project is enough"
    return _basis(
        results.project,
        results.frequency_hz,
        results.transfer,
        seats=results.seats,
        candidates=results.candidates,
        record=results.measured,
    )


def _basis(
    project: Project,
    frequency_hz: Floats,
    transfer: Complexes,
    *,
    seats: Seats,
    candidates: Candidates,
    record: MeasuredRecord,
) -> Basis:
    problem = Problem(
        frequency_hz=frequency_hz,
        transfer=transfer,
        seat_weight=seats.weight,
        drives=drives_of(project),
        mirror_of=_mirror(project, candidates) if record.exchanged and project.search.mirror else None,
        paired=project.search.shared_drives,
        wishes=wishes_at(project, candidates) if record.exchanged else Wishes(),
    )
    project = replace(project, drive=record.drive)
    return Basis(project=project, problem=problem, seats=seats, candidates=candidates, measured=record)


def _mirror(project: Project, candidates: Candidates) -> Integers:
    """Mirrored pairs among places that were measured or estimated; ProjectInvalid where there is none."""
    if (candidates.mirror_of < 0).all():
        message = (
            "none of the places has its mirror image among them, or lies on the middle of the room; measure alike left "
            "and right, estimate the zones, or leave mirror out."
        )
        raise ProjectInvalid(project.source, [Fault(where="search.mirror", message=message)])
    return candidates.mirror_of


def _faults(measured: MeasuredSet, subs: Sequence[int], mains: Sequence[str], n_seat: int) -> list[Fault]:
    faults = [
        Fault(
            where=f"reference.{key}",
            message=f"is false, and so responses of several subs cannot be added: {why}. Measure so that they can",
        )
        for key, kept, why in (
            ("common_level", measured.common.level, "their levels do not compare"),
            ("common_polarity", measured.common.polarity, "their signs do not compare"),
            ("common_time", measured.common.time, "their times do not compare"),
        )
        if not kept
    ]
    faults += [
        Fault(
            where="mains.measured",
            message=f"names {name!r}, which the manifest's [[subs]] have not; known: {', '.join(measured.subs.name)}",
        )
        for name in mains
        if name not in measured.subs.name
    ]
    if not n_seat:
        message = "no seat of the project was measured; name seats in the manifest's [[responses]]"
        faults.append(Fault(where="responses", message=message))
    if not subs:
        faults.append(Fault(where="subs", message="all that were measured are mains; measure the subwoofers too"))
    faults += [
        Fault(
            where=f"subs[{index}].position_m",
            message=f"sub {measured.subs.name[index]!r} has none; a plan says where subs stand: give [x, y, z] in m",
        )
        for index in subs
        if not np.isfinite(measured.subs.position_m[index]).all()
    ]
    untold = [index for index in subs if measured.scale.volts(index) is None]
    faults += [
        Fault(
            where=f"subs[{index}].drive_v",
            message=f"sub {measured.subs.name[index]!r} has none, and others have; give its rms voltage at the "
            "terminals, or one for all in [reference]",
        )
        for index in untold
        if len(untold) < len(subs)
    ]
    return faults


def _left_out(project: Project, measured: MeasuredSet, seat: np.ndarray) -> tuple[str, ...]:
    """Seats that were not measured, places that are none, and a budget for subs that are there, in sentences."""
    notes = []
    missing = [name for index, name in enumerate(project.seats.name) if index not in seat]
    if missing:
        notes.append(f"{NOT_COUNTED}: {', '.join(missing)}.")
    places = [name for name, index in zip(measured.seats.name, measured.seats.seat, strict=True) if index < 0]
    if places:
        notes.append(f"No seats and so not counted: {', '.join(places)}.")
    if project.search.budget is not None and not measured.subs.exchanged:
        notes.append("search.budget does not bind subs that are there already.")
    return tuple(notes)
