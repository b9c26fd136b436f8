"""A field estimate in words and as JSON."""

from typing import Any

import numpy as np

from cli.terminal.output import Page, counted, name
from cli.words.on_site.left_out import left_out_json, print_left_out
from roommodes.estimates.fitted import was_fitted
from roommodes.measured.data import MeasuredSet
from roommodes.project.project import Project
from solvers.field.errors import LeftOut
from solvers.field.estimate import FIELD, INTERPOLATION, MODEL_ALONE, Estimate
from solvers.field.next_place import CABINET_M, HIGH_M, LOW_M, WALL_M, NextPlaces
from solvers.field.waves import MODEL

PLACES_SHOWN = 20
KNOWN_HEADERS = ("place", "x [m]", "y [m]", "z [m]", "deviation", "level +- [dB]")
KNOWN_LEGEND = (
    "deviation: one standard deviation of the complex response over its rms, median over frequencies and subs. level "
    "+-: the same in dB."
)
BY_RECIPROCITY = (
    "Measured by reciprocity: the sub stood at the seats, and the places, measured and estimated, are those of subs."
)
NEXT_HEADERS = ("further place", "x [m]", "y [m]", "z [m]", "seat", "left")
SHARES_SHOWN = 0.03
HARDLY = 0.5  # share of the rms from which an estimate says little
PER_DEVIATION = 20.0 / np.log(10.0)  # dB per relative deviation, small ones


def print_field(page: Page, project: Project, measured: MeasuredSet, found: Estimate) -> None:
    """What the estimate is worth, and how far it is known where it was wanted."""
    page.line(
        f"{name(project.name)}: {name(measured.name)}, {counted(len(measured.subs), 'sub')} measured at "
        f"{counted(len(measured.seats), 'place')}, estimated at {counted(len(found.place_name), 'place')}."
    )
    if measured.subs.exchanged:
        page.line(BY_RECIPROCITY, mark="- ")
    for note in measured.notes:
        page.line(note, mark="- ")
    print_left_out(page, found.left_out.table())
    if found.left_out.worth(FIELD).left > HARDLY:
        page.line("More than half is left: measure at more places before you rest a decision on this.", mark="! ")
    if fitted := flattered(project):
        page.line(fitted, mark="! ")
    for one in poor_bands(found.left_out):
        page.line(one, mark="! ")
    page.heading("What it is made of")
    shares = sorted(found.share.items(), key=lambda item: -item[1])
    page.line(", ".join(f"{kind} {share:.0%}" for kind, share in shares if share >= SHARES_SHOWN) + " of the power.")
    if MODEL not in found.share:
        page.line("The project's model is not in it: the places left out are known as well without it.", mark="- ")
    if found.wider_m:
        page.line(f"Images stand as in a room {100.0 * found.wider_m:.0f} cm wider in plan.", mark="- ")
    if found.widened > 1.0:
        page.line(
            f"Deviations are widened {found.widened:.2f} times, so that they hold at the places left out.", mark="- "
        )
    page.heading("How far it is known")
    page.table(list(KNOWN_HEADERS), known_cells(found)[:PLACES_SHOWN], right=(1, 2, 3, 4, 5))
    if (more := len(found.place_name) - PLACES_SHOWN) > 0:
        shares, levels = np.array([row[2:] for row in known_rows(found)]).T
        page.line(
            f"And {counted(more, 'place')} more. Over all places the deviation is {np.median(shares):.0%} in the "
            f"middle and {shares.max():.0%} at most, that of the level {np.median(levels):.1f} dB and "
            f"{levels.max():.1f} dB."
        )
    page.line(KNOWN_LEGEND)


def print_next(page: Page, following: NextPlaces | None) -> None:
    """Where further measurements lower the deviation at the seats most."""
    page.heading("Where to measure next")
    if following is None:
        page.line("No place is left within reach.")
        return
    page.table(list(NEXT_HEADERS), next_cells(following), right=(1, 2, 3, 5))
    page.line(next_words(following))


def next_words(following: NextPlaces) -> str:
    """What the table of further places shows."""
    return (
        f"left: one deviation over the rms of the responses, at {_wanted(following)}, with this place and those above "
        f"measured. One place taken at random leaves {following.at_random:.1%}, the median of "
        f"{counted(following.reachable, 'place')} {_reach(following)}."
    )


def _reach(following: NextPlaces) -> str:
    if following.of_candidates:
        return "of the zones where no microphone stood, the sub at the seats as before"
    return (
        f"within reach: {LOW_M:g} to {HIGH_M:g} m above the floor, {WALL_M:g} m off walls and {CABINET_M:g} m off "
        "loudspeakers, in the air"
    )


def next_cells(following: NextPlaces) -> list[list[str]]:
    """Under `NEXT_HEADERS`: as measured, then each further place."""
    rows = [["none", "", "", "", "", f"{following.deviation:.1%}"]]
    return rows + [
        [str(number), *(f"{x:.2f}" for x in one.position_m), name(one.seat) if one.seat else "", f"{one.deviation:.1%}"]
        for number, one in enumerate(following.places, start=1)
    ]


def known_cells(found: Estimate) -> list[list[str]]:
    """Under `KNOWN_HEADERS`: how far each place is known."""
    return [
        [name(place), *(f"{x:.2f}" for x in position), f"{share:.0%}", f"{level:.1f}"]
        for place, position, share, level in known_rows(found)
    ]


def _wanted(following: NextPlaces) -> str:
    count = len(following.wanted)
    if following.of_seats:
        return "the seat that was not measured" if count == 1 else f"the {count} seats that were not measured"
    if following.of_candidates:
        return f"{counted(count, 'place')} of the zones"
    return f"{counted(count, 'place')} of the table, since every seat was measured"


def flattered(project: Project) -> str:
    """That errors at places left out are too small where the room was fitted to them; empty where it was not."""
    if not was_fitted(project):
        return ""
    return (
        "The project's room was fitted to measurements. If these places were among them, the model knows them even "
        "where they are left out here: model and field look better than they are elsewhere. Go by what fit said is "
        "left at places left out of it, or keep a place or two out of both and compare."
    )


def poor_bands(checked: LeftOut) -> list[str]:
    """Where the model or interpolation alone would do better than the field, in sentences."""
    found = []
    field = checked.worth(FIELD).left
    for way in (MODEL_ALONE, INTERPOLATION):
        other = checked.worth(way).left
        if field > other + 0.02:
            found.append(
                f"{way.capitalize()} leaves less, {other:.0%}: take that, or correct the project with fit first."
            )
    return found


def known_rows(found: Estimate) -> list[tuple[str, list[float], float, float]]:
    """Place, position, median deviation over the response's rms, and the same in dB."""
    rms = np.sqrt(np.mean(np.abs(found.pressure) ** 2, axis=1, keepdims=True))
    rows = []
    for at, place in enumerate(found.place_name):
        share = float(np.median(found.deviation[:, at] / rms[:, 0]))
        own = np.median(found.deviation[:, at] / np.maximum(np.abs(found.pressure[:, at]), 1e-30))
        rows.append((place, found.place_m[at].tolist(), share, float(PER_DEVIATION * own / np.sqrt(2.0))))
    return rows


def field_json(
    project: Project, measured: MeasuredSet, found: Estimate, following: NextPlaces | None
) -> dict[str, Any]:
    """What `field --json` prints."""
    return {
        "name": project.name,
        "measured": measured.name,
        "subs": list(measured.subs.name),
        "measured_places": list(measured.seats.name),
        "frequency_hz": found.frequency_hz.tolist(),
        "level": measured.level,
        "left_out": left_out_json(found.left_out),
        "room_was_fitted": was_fitted(project),
        "shares": dict(found.share),
        "wider_m": found.wider_m,
        "deviations_widened": found.widened,
        "places": [
            {"name": place, "position_m": position, "deviation": share, "level_deviation_db": level}
            for place, position, share, level in known_rows(found)
        ],
        "next": None if following is None else next_json(following),
    }


def next_json(following: NextPlaces) -> dict[str, Any]:
    """Where to measure next."""
    return {
        "wanted": list(following.wanted),
        "deviation": following.deviation,
        "of_candidates": following.of_candidates,
        "deviation_at_random": following.at_random,
        "reachable": following.reachable,
        "places": [
            {"position_m": list(one.position_m), "seat": one.seat or None, "deviation": one.deviation}
            for one in following.places
        ],
    }
