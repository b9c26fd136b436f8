"""A measured set with what was not measured estimated: further seats, or every candidate of the project's zones."""

from dataclasses import dataclass, replace

import numpy as np

from roommodes.arrays import Complexes, Floats
from roommodes.errors import Fault, ProjectInvalid
from roommodes.estimates.fitted import was_fitted
from roommodes.measured.data import MeasuredSeats, MeasuredSet, MeasuredSubs, without_kept
from roommodes.plan.measured import Estimated
from roommodes.project.project import Project
from roommodes.running import Running
from solvers.field.errors import LeftOut
from solvers.field.estimate import FIELD, estimate
from solvers.field.reciprocal import as_it_stood, candidate_names

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
    return (_candidates if measured.subs.exchanged else _seats)(project, measured, running)


def _seats(project: Project, measured: MeasuredSet, running: Running) -> Filled:
    """All seats of the project, in its order behind those measured."""
    known = project.seats
    missing = np.array([at for at in range(len(known.name)) if at not in measured.seats.seat], dtype=np.intp)
    if not len(missing):
        return Filled(measured=measured, estimated=None)
    names = tuple(known.name[at] for at in missing)
    placed = measured.at_known_places()
    found = estimate(project, placed, names, known.position_m[missing], running=running)
    share = _shares(found.deviation, placed.transfer).mean(axis=1)
    told = ", ".join(f"{name} {one:.0%}" for name, one in zip(names, share, strict=True))
    seats = MeasuredSeats(
        name=(*measured.seats.name, *names),
        position_m=np.concatenate([measured.seats.position_m, known.position_m[missing]]),
        seat=np.concatenate([measured.seats.seat, missing]),
        known=np.concatenate([measured.seats.known, np.ones(len(missing), dtype=np.bool_)]),
    )
    order = np.argsort(np.where(seats.seat < 0, len(known.name) + np.arange(len(seats)), seats.seat))
    worth = _worth(project, found.left_out)
    note = f"{ESTIMATED} and not measured, with one deviation over the rms at the places: {told}. {worth}"
    whole = replace(
        measured,
        transfer=np.concatenate([measured.transfer, found.pressure], axis=1)[:, order],
        seats=seats.of(order),
        further=None,
        notes=(*without_kept(measured.notes), note),
    )
    deviation = np.concatenate([np.zeros(measured.transfer.shape), found.deviation], axis=1)[:, order]
    return Filled(measured=whole, estimated=Estimated(deviation=deviation, left_out=found.left_out.table()))


def _candidates(project: Project, measured: MeasuredSet, running: Running) -> Filled:
    """The candidates of the zones as subs; those known too badly are left out."""
    candidates = project.candidates
    turned = as_it_stood(measured)
    names = candidate_names(candidates)
    found = estimate(project, turned, names, candidates.position_m, running=running)
    share = _shares(found.deviation, turned.transfer).mean(axis=1)
    kept = np.flatnonzero(share <= MOST_DEVIATION)
    if not len(kept):
        message = (
            f"no candidate of the zones is known to within {MOST_DEVIATION:.0%} of the responses' rms; measure along "
            "the zones, a quarter of the shortest wavelength apart."
        )
        raise ProjectInvalid(measured.source, [Fault(where="zones", message=message)])
    lost = len(names) - len(kept)
    note = (
        f"{ESTIMATED} by reciprocity: {len(kept)} candidates of the zones, one deviation {np.median(share[kept]):.0%} "
        f"of the responses' rms (largest {share[kept].max():.0%}). Plans whose variations differ by less than some "
        f"{LEVEL_DB * np.median(share[kept]):.1f} dB are alike. {_worth(project, found.left_out)}"
    )
    if lost:
        note += f" {lost} further candidates are known worse than {MOST_DEVIATION:.0%} and were left out."
    whole = replace(
        measured,
        transfer=found.pressure[:, kept].transpose(0, 2, 1).copy(),
        noise=np.full((len(measured.frequency_hz), len(kept)), np.nan),
        subs=MeasuredSubs(
            name=tuple(names[at] for at in kept),
            position_m=candidates.position_m[kept].copy(),
            candidate=kept.astype(np.intp),
            together=(False,) * len(kept),
            exchanged=True,
        ),
        further=None,
        notes=(*without_kept(measured.notes), note),
    )
    deviation = found.deviation[:, kept].transpose(0, 2, 1).copy()
    return Filled(measured=whole, estimated=Estimated(deviation=deviation, left_out=found.left_out.table()))


def _shares(deviation: Floats, transfer: Complexes) -> Floats:
    """(n_place, n_sub) deviations over the rms of the responses at each frequency, rms over frequency."""
    power = np.mean(np.abs(transfer) ** 2, axis=1)
    return np.asarray(np.sqrt(np.mean(deviation**2 / power[:, None, :], axis=0)))


def _worth(project: Project, checked: LeftOut) -> str:
    left = checked.worth(FIELD).left
    but = "; less than elsewhere, since the room was fitted to measurements" if was_fitted(project) else ""
    return f"Each measured place predicted from the others leaves {left:.0%}{but}."
