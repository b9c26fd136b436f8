"""A measured set with what was not measured estimated: further seats, or every candidate of the project's zones."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from roommodes.arrays import Complexes, Floats, Integers
from roommodes.errors import Fault, ProjectInvalid
from roommodes.estimates.field_file import FieldFile, Placed
from roommodes.estimates.fitted import CORRECTED, was_fitted
from roommodes.measured.data import Further, MeasuredSeats, MeasuredSet, MeasuredSubs, without_kept
from roommodes.plan.measured import Estimated
from roommodes.project.project import Project
from roommodes.responses.wide_band import WideBand
from roommodes.running import Running
from roommodes.storage.left_out import LeftOutTable
from solvers.field.estimate import estimate
from solvers.field.from_file import Given, columns, field_at, field_fault, places_at, require_from, seats_in
from solvers.field.over_files import Reach, over_files
from solvers.field.reciprocal import as_it_stood, candidate_names

OWN_BAND = "Crossover and decay are taken from the band of the search: nothing is estimated beyond it."
ESTIMATED = "Estimated"  # how the note begins that says so
LEVEL_DB = 20.0 / np.log(10.0) / np.sqrt(2.0)  # of a level, by a complex deviation of the whole response
MOST_DEVIATION = 0.5  # of the rms at the seats: candidates that are known worse are no candidates


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Filled:
    """A measured set with what was estimated.

    Parameters
    ----------
    measured : the set.
    estimated : how sure what was not measured is, in the shape of its `transfer`; None where all was measured.
    """

    measured: MeasuredSet
    estimated: Estimated | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Known:
    """What an estimate says of some of the places that were asked for.

    Parameters
    ----------
    which : (n,) of them, in their order.
    pressure, deviation : (n_freq, n, n_sub) in the measurements' own scale.
    left_out : what it is worth; None where a file does not say it.
    fitted : its room was fitted to measurements.
    over : some of `which`, by their numbers in it, over what the files tell; None where no more is told.
    """

    which: Integers
    pressure: Complexes
    deviation: Floats
    left_out: LeftOutTable | None
    fitted: bool
    over: Callable[[Integers], Reach | None]


_Ask = Callable[[MeasuredSet, tuple[str, ...], Floats], _Known]  # measured as it stood, names and places (n, 3) [m]


def filled(project: Project, measured: MeasuredSet, *, running: Running = Running()) -> Filled:
    """The set with seats that were not measured; of one measured by reciprocity, with every candidate along the zones.

    Parameters
    ----------
    project : room, seats and zones.
    measured : responses at four places at least, or by reciprocity from four places of a sub.
    running : progress, cancelling, threads.

    Raises
    ------
    ProjectInvalid : too little was measured, or no candidate is known well enough.
    OutsideModel : the model cannot take the room.
    Interrupted : when cancelled.
    """

    def ask(turned: MeasuredSet, names: tuple[str, ...], place_m: Floats) -> _Known:
        found = estimate(project, turned, names, place_m, running=running.part(0.0, 0.6))
        wide = _wide(measured if measured.subs.exchanged else turned)
        return _Known(
            which=np.arange(len(names)),
            pressure=found.pressure,
            deviation=found.deviation,
            left_out=found.left_out.table(),
            fitted=was_fitted(project),
            over=lambda which: None if wide is None else over_files(found, wide, which, running=running.part(0.6, 1.0)),
        )

    return (_candidates if measured.subs.exchanged else _seats)(project, measured, ask)


def filled_from(project: Project, measured: MeasuredSet, field: FieldFile, *, source: str = "field") -> Filled:
    """The same from a field file of these measurements, without seats and candidates that it does not hold.

    Parameters
    ----------
    project, measured : see `filled`, the set on the frequencies of the search.
    field : its places at seats of the project, or by reciprocity at candidates along the zones.
    source : what to call the field in faults.

    Raises
    ------
    ProjectInvalid : the field was made from other measurements, holds none of the places, or no candidate well enough.
    """

    def ask(turned: MeasuredSet, names: tuple[str, ...], place_m: Floats) -> _Known:
        given = Given(
            whose="manifest",
            subs=turned.subs.name,
            seats=Placed(name=turned.seats.name, position_m=turned.seats.position_m),
            frequency_hz=turned.frequency_hz,
            transfer=turned.transfer,
            level=turned.level,
        )
        require_from(field, given, source=source)
        if measured.subs.exchanged:
            found = places_at(field, place_m)
            if not found:
                message = "none of its places is a candidate of the zones; make it of this manifest without --places"
                raise field_fault(source, message)
        else:
            found = seats_in(field, names, place_m, whose="manifest", source=source)
        own, place = columns(field, turned.subs.name), list(found.values())
        pressure, deviation = field_at(field, turned.frequency_hz, source=source)
        return _Known(
            which=np.array(list(found), dtype=np.intp),
            pressure=pressure[:, place][:, :, own],
            deviation=deviation[:, place][:, :, own],
            left_out=field.left_out,
            fitted=CORRECTED in field.texts.project_toml,
            over=lambda _: None,
        )

    if not measured.subs.exchanged and not len(_lacking(project, measured)):
        seats_in(field, (), np.empty((0, 3)), whose="manifest", source=source)
    return (_candidates if measured.subs.exchanged else _seats)(project, measured, ask)


def _lacking(project: Project, measured: MeasuredSet) -> Integers:
    """Seats of the project that were not measured."""
    known = range(len(project.seats.name))
    return np.array([at for at in known if at not in measured.seats.seat], dtype=np.intp)


def _seats(project: Project, measured: MeasuredSet, ask: _Ask) -> Filled:
    """All seats of the project that are known, in its order behind those measured."""
    known, missing = project.seats, _lacking(project, measured)
    if not len(missing):
        return Filled(measured=measured, estimated=None)
    placed = measured.at_known_places()
    found = ask(placed, tuple(known.name[at] for at in missing), known.position_m[missing])
    missing = missing[found.which]
    names = tuple(known.name[at] for at in missing)
    share = _shares(found.deviation, placed.transfer).mean(axis=1)
    told = ", ".join(f"{name} {one:.0%}" for name, one in zip(names, share, strict=True))
    seats = MeasuredSeats(
        name=(*measured.seats.name, *names),
        position_m=np.concatenate([measured.seats.position_m, known.position_m[missing]]),
        seat=np.concatenate([measured.seats.seat, missing]),
        known=np.concatenate([measured.seats.known, np.ones(len(missing), dtype=np.bool_)]),
    )
    order = np.argsort(np.where(seats.seat < 0, len(known.name) + np.arange(len(seats)), seats.seat))
    note = f"{ESTIMATED} and not measured, with one deviation over the rms at the places: {told}.{_worth(found)}"
    transfer = np.concatenate([measured.transfer, found.pressure], axis=1)[:, order]
    own, reach = _wide(measured), found.over(np.arange(len(missing)))
    wide = None if own is None or reach is None else reach.beside(own, order)
    whole = replace(
        measured,
        transfer=transfer,
        seats=seats.of(order),
        further=_further(measured.frequency_hz, transfer, wide),
        notes=(*without_kept(measured.notes), f"{note} {reach.words if reach else OWN_BAND}"),
    )
    deviation = np.concatenate([np.zeros(measured.transfer.shape), found.deviation], axis=1)[:, order]
    return Filled(measured=whole, estimated=Estimated(deviation=deviation, left_out=found.left_out))


def _candidates(project: Project, measured: MeasuredSet, ask: _Ask) -> Filled:
    """The candidates of the zones as subs; those known too badly, or not at all, are left out."""
    candidates = project.candidates
    turned = as_it_stood(measured)
    names = candidate_names(candidates)
    found = ask(turned, names, candidates.position_m)
    share = _shares(found.deviation, turned.transfer).mean(axis=1)
    sure = np.flatnonzero(share <= MOST_DEVIATION)
    if not len(sure):
        message = (
            f"no candidate of the zones is known to within {MOST_DEVIATION:.0%} of the responses' rms; measure along "
            "the zones, a quarter of the shortest wavelength apart."
        )
        raise ProjectInvalid(measured.source, [Fault(where="zones", message=message)])
    kept, share = found.which[sure], share[sure]
    lost, unknown = len(found.which) - len(kept), len(names) - len(found.which)
    note = (
        f"{ESTIMATED} by reciprocity: {len(kept)} candidates of the zones, one deviation {np.median(share):.0%} "
        f"of the responses' rms (largest {share.max():.0%}). Plans whose variations differ by less than some "
        f"{LEVEL_DB * np.median(share):.1f} dB are alike.{_worth(found)}"
    )
    if unknown:
        note += f" {unknown} further candidates are not in the field file and were left out."
    if lost:
        note += f" {lost} further candidates are known worse than {MOST_DEVIATION:.0%} and were left out."
    transfer = found.pressure[:, sure].transpose(0, 2, 1).copy()
    own, reach = _wide(measured), found.over(sure)
    wide = None if own is None or reach is None else reach.exchanged(own)
    whole = replace(
        measured,
        transfer=transfer,
        noise=np.full((len(measured.frequency_hz), len(kept)), np.nan),
        subs=MeasuredSubs(
            name=tuple(names[at] for at in kept),
            position_m=candidates.position_m[kept].copy(),
            candidate=kept.astype(np.intp),
            together=(False,) * len(kept),
            exchanged=True,
        ),
        further=_further(measured.frequency_hz, transfer, wide),
        notes=(*without_kept(measured.notes), f"{note} {reach.words if reach else OWN_BAND}"),
    )
    deviation = found.deviation[:, sure].transpose(0, 2, 1).copy()
    return Filled(measured=whole, estimated=Estimated(deviation=deviation, left_out=found.left_out))


def _wide(measured: MeasuredSet) -> WideBand | None:
    """What the files tell, at places by subs as they stood; None where that is not known."""
    if measured.further is None:
        return None
    if not measured.subs.exchanged:
        return measured.further.wide
    return measured.further.arranged(lambda one: one.transpose(0, 2, 1)).wide


def _further(hz: Floats, transfer: Complexes, wide: WideBand | None) -> Further | None:
    """The set as it is, searched on its own grid, and over the files' band."""
    return None if wide is None else Further(search_hz=hz, search_transfer=transfer, wide=wide)


def _shares(deviation: Floats, transfer: Complexes) -> Floats:
    """(n_place, n_sub) deviations over the rms of the responses at each frequency, rms over frequency."""
    power = np.mean(np.abs(transfer) ** 2, axis=1)
    return np.asarray(np.sqrt(np.mean(deviation**2 / power[:, None, :], axis=0)))


def _worth(found: _Known) -> str:
    """The sentence on places left out, with a space before it; empty where nothing is known of them."""
    if found.left_out is None:
        return ""
    but = "; less than elsewhere, since the room was fitted to measurements" if found.fitted else ""
    return f" Each measured place predicted from the others leaves {found.left_out.left[-1, 0]:.0%}{but}."
