"""What the model, interpolation and a field estimate are worth where all was measured, from a plan's own responses."""

import numpy as np

from roommodes.errors import OutsideModel
from roommodes.measured.data import Common, Manifest, MeasuredSeats, MeasuredSet, MeasuredSubs, Scale
from roommodes.plan.plan import Results
from roommodes.storage.left_out import LeftOutTable
from solvers.field.estimate import FEWEST_PLACES, estimate
from solvers.field.reciprocal import as_it_stood

MOST_NUMBERS = 24_000  # places squared, times subs and frequencies: some second
FEWEST_HZ = 12


def worth_at_seats(results: Results) -> LeftOutTable | None:
    """Each measured place of a plan predicted from the others; of many frequencies some.

    Parameters
    ----------
    results : on measured responses; by reciprocity the places are those of subs.

    Returns
    -------
    The errors; None where some responses are estimated, for fewer than four places, so many that it would take long,
    and rooms whose model is not that of a box.
    """
    record = results.measured
    if record is None or record.estimated is not None or not results.project.room.is_box:
        return None
    measured = _measured(results)
    _, n, n_sub = measured.transfer.shape
    if n < FEWEST_PLACES or n * n * n_sub * FEWEST_HZ > MOST_NUMBERS:
        return None
    try:
        return estimate(results.project, measured, (), np.empty((0, 3))).left_out.table()
    except OutsideModel:
        return None


def _measured(results: Results) -> MeasuredSet:
    """A plan's responses as a set, one microphone at each place, at some frequencies."""
    record, seats, candidates = results.measured, results.seats, results.candidates
    assert record is not None
    _, first = np.unique(seats.position_m, axis=0, return_index=True)
    own, place_m = np.sort(first), candidates.position_m
    sides = (len(place_m), len(own)) if record.exchanged else (len(own), len(place_m))
    most = int(np.clip(MOST_NUMBERS // (sides[0] ** 2 * sides[1]), FEWEST_HZ, len(results.frequency_hz)))
    some = np.unique(np.linspace(0, len(results.frequency_hz) - 1, most).round().astype(np.intp))
    return as_it_stood(
        MeasuredSet(
            name=record.name,
            frequency_hz=results.frequency_hz[some],
            transfer=results.transfer[some][:, own],
            noise=np.full((len(some), len(place_m)), np.nan),
            subs=MeasuredSubs(
                name=candidates.zone,
                position_m=place_m.copy(),
                candidate=np.full(len(place_m), -1, dtype=np.intp),
                exchanged=record.exchanged,
            ),
            seats=MeasuredSeats(
                name=tuple(seats.name[at] for at in own),
                position_m=seats.position_m[own],
                seat=own,
                known=np.ones(len(own), dtype=np.bool_),
            ),
            scale=Scale(level="relative"),
            common=Common(level=True, polarity=True, time=True),
            notes=(),
            files=(),
            manifest=Manifest(text="", source=record.name),
        )
    )
