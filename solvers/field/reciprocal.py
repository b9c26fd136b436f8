"""Sets measured by reciprocity, as the sub and the microphone stood: fields over the places where subs may stand."""

from dataclasses import replace

import numpy as np

from roommodes.measured.data import MeasuredSeats, MeasuredSet, MeasuredSubs
from roommodes.places.zones import Candidates


def candidate_names(candidates: Candidates) -> tuple[str, ...]:
    """Each zone's name and the candidate's number in it, from 1."""
    count = dict.fromkeys(candidates.zone, 0)
    names = []
    for zone in candidates.zone:
        count[zone] += 1
        names.append(f"{zone} {count[zone]}")
    return tuple(names)


def as_it_stood(measured: MeasuredSet) -> MeasuredSet:
    """A set measured by reciprocity with the sub at the seats again and the places of subs as the microphone's.

    Its field is one over the places of subs; `subs.exchanged` stays. Other sets come back as they are.
    """
    if not measured.subs.exchanged:
        return measured
    n_seat = len(measured.seats)
    return replace(
        measured,
        transfer=measured.transfer.transpose(0, 2, 1).copy(),
        further=None,
        noise=np.full((len(measured.frequency_hz), n_seat), np.nan),
        subs=MeasuredSubs(
            name=measured.seats.name,
            position_m=measured.seats.position_m.copy(),
            candidate=np.full(n_seat, -1, dtype=np.intp),
            exchanged=True,
        ),
        seats=MeasuredSeats(
            name=measured.subs.name,
            position_m=measured.subs.position_m.copy(),
            seat=np.full(len(measured.subs), -1, dtype=np.intp),
            known=np.ones(len(measured.subs), dtype=np.bool_),
        ),
    )
