"""How much of the field the page takes along: as much as fits into its size."""

from dataclasses import dataclass, replace

import numpy as np

from cli.explore.packing import USUAL, Rates, expected_bytes, rates_of
from roommodes.places.lattice import STEP_M
from roommodes.plan.plan import Results
from roommodes.running import Running
from solvers.listening.anywhere import (
    LARGE_ZONES,
    Anywhere,
    anywhere,
    at_candidates,
    listening_of,
    longest_step_m,
    page_lattice,
    row_terms,
)
from solvers.listening.plane import node_counts

MOST_BYTES = 5_000_000  # of the page
PAGE_BYTES, PLACE_BYTES = 180_000, 260  # of it without the field and the project's text; for each place
DOUBT = 1.3  # a page may be so much smaller or larger than expected
STEPS_M = (STEP_M, 0.15, 0.2, 0.3)  # between places, the first that fits
MEASURED = (
    "Measured responses: subs stand where they were measured, rows as drawn, and there is no map. What was not "
    "measured is not guessed."
)
SHAPED = (
    "The room is no plain box: subs stand at the plan's candidates, rows as drawn, and there is no map. Near inward "
    "edges what lies beside a place does not tell its field."
)
ROWS_LEFT_OUT = "Rows stay where they are drawn: with their shifts the page would pass {most:.0f} MB."
MAP_LEFT_OUT = "There is no map of the room: with it the page would pass {most:.0f} MB."
PLACES_LEFT_OUT = (
    "Subs stand at the plan's candidates only, rows as drawn, and there is no map: with what lies between the page "
    "would pass {most:.0f} MB."
)
LARGE_ALL_THE_SAME = (
    "The page is about {size:.0f} MB all the same: {ears} points of seats, {places} candidates and {n_freq} "
    "frequencies are all in it, none left out. It may be slow to open and to answer."
)
STEP_WIDENED = "Places stand up to {step:.2f} m apart; what lies between is worked out from them, to 0.01 dB."


@dataclass(frozen=True, slots=True, kw_only=True)
class Extent:
    """What the page takes along.

    Parameters
    ----------
    step_m : between places [m].
    rows, plane : whether rows may move, and whether there is a map.
    between : whether subs may stand between candidates; without it neither rows nor map.
    """

    step_m: float
    rows: bool = True
    plane: bool = True
    between: bool = True


def page_field(results: Results, running: Running = Running(), rates: Rates = USUAL) -> Anywhere:
    """The field for the page of some plans: as much as fits, weighed where what is expected is near the page's size.

    Parameters
    ----------
    results : of a search.
    running : progress, cancelling, threads.
    rates : expected of a field until it is weighed.

    Raises
    ------
    Interrupted : when cancelled.
    OutsideModel : the model cannot take this project.
    """
    if results.measured is not None:
        return at_candidates(results, [MEASURED, *_too_large(results)])
    if not results.project.room.is_box:
        return at_candidates(results, [SHAPED, *_too_large(results)])
    found = None
    for extent in _extents_from(results, extent_of(results, rates=rates)):
        if not extent.between:
            break
        found = _asked(results, extent, found, running)
        if not found.step_m:  # at candidates, as the model is another than the file's
            return found
        if expected(results, extent, rates) * DOUBT <= MOST_BYTES:
            return found
        rates = rates_of(found)
        if expected(results, extent, rates) <= MOST_BYTES:
            return found
    return at_candidates(results, [PLACES_LEFT_OUT.format(most=MOST_BYTES / 1e6), *_too_large(results)])


def extents(results: Results) -> list[Extent]:
    """What the page may take along, the most first: longer steps, then no rows, no map, nothing between candidates."""
    longest = longest_step_m(results.project, float(results.frequency_hz[-1]))
    steps = [step for step in STEPS_M if step <= longest] or [STEP_M]
    found = [Extent(step_m=step) for step in steps]
    found += [Extent(step_m=steps[-1], rows=False), Extent(step_m=steps[-1], rows=False, plane=False)]
    return [*found, Extent(step_m=steps[-1], rows=False, plane=False, between=False)]


def extent_of(results: Results, most_bytes: float | None = None, rates: Rates = USUAL) -> Extent:
    """What to ask the model for: the most that is expected to fit; all, in the longest steps, where that may fit."""
    most = MOST_BYTES if most_bytes is None else most_bytes
    tried = extents(results)
    fits = next((one for one in tried if expected(results, one, rates) <= most), tried[-1])
    whole = [one for one in tried if one.rows][-1]
    return whole if not fits.rows and expected(results, whole, rates) <= DOUBT * most else fits


def expected(results: Results, extent: Extent, rates: Rates = USUAL) -> float:
    """About how large the page will be [bytes]."""
    project, hz = results.project, results.frequency_hz
    listening, places = listening_of(results), results.candidates.position_m
    if extent.between:
        places = page_lattice(project, hz, extent.step_m).position_m
    row = project.seats.row[listening.seat]
    terms = row_terms(project, float(hz[-1])) if extent.rows else {}
    nodes = node_counts(project.room, float(hz[-1])) if extent.plane else (0, 0)
    return (
        PAGE_BYTES
        + PLACE_BYTES * len(places)
        + len(project.toml_text)
        + expected_bytes(
            n_freq=len(hz),
            n_ear=len(row),
            n_place=len(places),
            n_series=sum((count - 1) * int(np.sum(row == number)) for number, count in terms.items()),
            n_node=nodes[0] * nodes[1],
            rates=rates,
        )
    )


def _extents_from(results: Results, first: Extent) -> list[Extent]:
    """This one, and those after it."""
    tried = extents(results)
    return tried[tried.index(first) :]


def _asked(results: Results, extent: Extent, found: Anywhere | None, running: Running) -> Anywhere:
    """The field of an extent; what was asked for before is not asked for again where only parts are left out."""
    if found is None or found.step_m != page_lattice(results.project, results.frequency_hz, extent.step_m).step_m:
        return anywhere(results, step_m=extent.step_m, rows=extent.rows, plane=extent.plane, running=running)
    return replace(
        found,
        shifts=found.shifts if extent.rows else (),
        plane=found.plane if extent.plane else None,
    )


def _too_large(results: Results) -> list[str]:
    """What a page of candidates alone says where even that passes the size."""
    size = expected(results, Extent(step_m=STEP_M, rows=False, plane=False, between=False))
    if size <= MOST_BYTES:
        return []
    counts = {"ears": len(listening_of(results).seat), "places": len(results.candidates)}
    return [LARGE_ALL_THE_SAME.format(size=size / 1e6, n_freq=len(results.frequency_hz), **counts)]


def left_out(results: Results, found: Anywhere) -> tuple[str, ...]:
    """What the page's size does not allow, in sentences."""
    if results.measured is not None or not (found.grids or LARGE_ZONES in found.remarks):
        return found.remarks  # of candidates alone, which say why
    most = MOST_BYTES / 1e6
    may_move = bool(row_terms(results.project, float(results.frequency_hz[-1])))
    said = list(found.remarks)
    if found.grids and found.step_m > STEP_M:
        said.append(STEP_WIDENED.format(step=found.step_m))
    if may_move and not found.shifts:
        said.append(ROWS_LEFT_OUT.format(most=most))
    if found.plane is None:
        said.append(MAP_LEFT_OUT.format(most=most))
    return tuple(said)
