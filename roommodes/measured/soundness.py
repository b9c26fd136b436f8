"""All that is doubtful in a set of measurements, in the order in which a person mends it.

A fault of all files alike comes alone: what follows from it would send people the wrong way. Then single files that
cannot be what they should be. What is lost between files is looked for among the others.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from roommodes.acoustics.precision import Precision
from roommodes.acoustics.transfer import CLOSEST_M, transfer_function
from roommodes.arrays import Complexes, Floats
from roommodes.measured.across_seats.field_judging import FieldJudging
from roommodes.measured.across_seats.smooth_field import change_doubt
from roommodes.measured.data import MeasuredSeats, MeasuredSubs
from roommodes.measured.doubts import Doubt
from roommodes.measured.exchanged import FEWEST_SEATS, exchange_question, exchanged_seats, field_exchange_doubts
from roommodes.measured.files import Impulse, Spectrum
from roommodes.measured.judging import Judging
from roommodes.measured.manifest import ManifestTables, ResponseTable
from roommodes.measured.plausibility import file_doubts, late_doubts, reading_of, set_doubt
from roommodes.project.project import Project

Key = tuple[int, int]  # (seat, sub)
# a sign or some milliseconds need no more
ROUGH = Precision(cut=2.0, extra_order=3, edge_wavenumber=30.0, plane_wavenumber=100.0, near_error=0.1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspicions:
    """What is wrong with all files alike (empty: nothing), else with single ones; sentences on what nothing told.

    `expected` are the responses by a rough model: (n_freq, n_seat, n_sub) [1/m], NaN for subs whose place is not known.
    """

    of_all: str
    of_files: tuple[Doubt, ...] = ()
    untold: tuple[str, ...] = ()
    expected: Complexes


def suspicions(
    raw: Mapping[Key, Spectrum | Impulse],
    table: Mapping[Key, ResponseTable],
    transfer: Complexes,
    *,
    tables: ManifestTables,
    project: Project,
    hz: Floats,
    seats: MeasuredSeats,
    subs: MeasuredSubs,
) -> Suspicions:
    """What is doubtful in a set.

    Parameters
    ----------
    raw, table : what each file holds and how the manifest names it, by (seat, sub).
    transfer : (n_freq, n_seat, n_sub) complex128, on the grid, the chain not yet divided out.
    tables, project : the manifest and the project.
    hz : (n_freq,) the grid [Hz].
    seats, subs : where they stood.
    """
    reference = tables.reference
    exchange = len(seats) >= FEWEST_SEATS and "seats" not in reference.checked
    tables_there = not all(isinstance(one, Impulse) for one in raw.values())
    model = exchange or len(subs) > 1 or reference.level == "per metre" or tables_there
    expected = _expected(project, hz, seats, subs, wanted=model)
    reading = reading_of(raw, table, tables, float(hz[0]), float(hz[-1]))
    if text := set_doubt(reading, tables, expected_db=_mean_db(expected)):
        return Suspicions(of_all=text, expected=expected)
    odd = file_doubts(reading, tables)
    field = FieldJudging(
        tables=tables,
        raw=raw,
        frequency_hz=hz,
        transfer=transfer,
        expected=expected,
        seats=seats,
        speed_m_s=project.room.air.speed_of_sound_m_s,
        left_out=frozenset(doubt.sub for doubt in odd),
    )
    changed, asked = field.changed(), []
    if not odd and exchange:
        two = field.exchange(changed)
        certain = two is not None and two.certain
        found = field_exchange_doubts(two, seats.name, subs.name) if two is not None and certain else []
        if not found and not changed:
            found = exchanged_seats(hz, transfer, expected, seats.name, subs.name)
        if found:
            return Suspicions(of_all="", of_files=tuple(found), expected=expected)
        asked = [exchange_question(two, seats.name, subs.name)] if two is not None else []
    odd += [change_doubt(one, sub=sub) for sub, own in changed.items() for one in own]
    blamed = {doubt.sub for doubt in odd}
    between, untold = Judging(
        tables=tables,
        project=project,
        raw=raw,
        frequency_hz=hz,
        transfer=transfer,
        expected=expected,
        seats=seats,
        subs=subs,
    ).outcome()
    doubts = [*odd, *(doubt for doubt in between if doubt.sub not in blamed)]
    across_s = float(np.sqrt(np.sum(np.square(project.room.size_m)))) / project.room.air.speed_of_sound_m_s
    for sub in range(len(subs)):
        if sub not in {doubt.sub for doubt in doubts} and reference.common_time:
            doubts += late_doubts(reading, sub, list(range(len(seats))), across_s=across_s)
    return Suspicions(of_all="", of_files=tuple(doubts), untold=(*untold, *asked), expected=expected)


def _expected(project: Project, hz: Floats, seats: MeasuredSeats, subs: MeasuredSubs, *, wanted: bool) -> Complexes:
    """The responses by a rough model: (n_freq, n_seat, n_sub) [1/m], nan for subs whose place is unknown."""
    expected = np.full((len(hz), len(seats), len(subs)), np.nan, dtype=np.complex128)
    away = np.sqrt(((seats.position_m[:, None] - subs.position_m[None]) ** 2).sum(axis=-1)).min(axis=0)
    known = np.flatnonzero(np.isfinite(subs.position_m).all(axis=1) & (away >= CLOSEST_M))
    if wanted and len(known):
        expected[:, :, known] = transfer_function(
            project.room,
            project.surfaces(),
            frequency_hz=hz,
            seat_m=seats.position_m,
            source_m=subs.position_m[known],
            precision=ROUGH,
        )
    return expected


def _mean_db(expected: Complexes) -> float:
    """Mean level of the responses that the model gives, nan where it gives none [dB re 1/m]."""
    power = np.mean(np.abs(expected) ** 2, axis=(0, 1))
    power = power[np.isfinite(power)]
    return float(10.0 * np.log10(power.mean())) if len(power) else float("nan")
