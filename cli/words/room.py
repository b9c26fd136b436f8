"""What a room does by itself, in words and as plain data: modes, seats, candidates."""

from collections.abc import Sequence
from typing import Any

import numpy as np

from cli.terminal.output import Page, counted, name
from roommodes.acoustics.built_modes import LEAST_SHARE, SHORTEST_S, BuiltMode
from roommodes.acoustics.room import Room
from roommodes.lengths import METRIC, ROUNDED, Lengths, lengths_of
from roommodes.places.sight import VIEWING_DEG, viewing_angle_deg
from roommodes.project.advice import REAR_WALL_M
from roommodes.project.placing.behind import behind
from roommodes.project.project import Project
from solvers.listening.room import RoomFindings

MODES_SHOWN = 20
UNMOVED_M = 0.005
KINDS = {0: "pressure", 1: "axial", 2: "tangential", 3: "oblique"}
LIKE = 0.75  # of a mode's mean square pressure: less is another shape than with rigid walls
LOST_SHOWN = 8
TOWARD = (("front", "rear"), ("left", "right"), ("floor", "ceiling"))


def print_room(page: Page, project: Project, found: RoomFindings) -> None:
    """The room, its modes, the seats and the candidates."""
    room, lengths = project.room, lengths_of(project)
    low_hz, high_hz = project.search.band_hz
    page.heading(f"{name(project.name)}: {lengths.sides(*room.size_m, metric='g')}")
    page.line(
        f"{room.volume_m3:.1f} m3, air {room.air.temperature_c:g} C, sound {room.air.speed_of_sound_m_s:.1f} m/s, "
        f"band {low_hz:g} to {high_hz:g} Hz"
    )
    if room.blocks or room.slopes:
        page.line(shape_words(room, lengths))
    page.line(
        f"Modes per hertz: {found.density_low_per_hz:.2f} at {low_hz:g} Hz, {found.density_high_per_hz:.2f} at "
        f"{high_hz:g} Hz. Above about {found.crossover_hz:.0f} Hz (decay time about {found.decay_time_s:.2f} s) they "
        "overlap too much to be told apart: there statistics hold, not single modes."
    )
    _print_modes(page, found.modes, found.rigid, high_hz, lengths)
    _print_seats(page, project)
    _print_zones(page, project)
    if lengths.feet:
        page.line(ROUNDED)


def shape_words(room: Room, lengths: Lengths = METRIC) -> str:
    """What of the box is not air: ``Not air: riser (2.00 x 4.40 x 0.35 m), roof (falls from 2.50 to 1.30 m).``"""
    words = [
        f"{name(block.name)} ({lengths.sides(*np.subtract(block.high_m, block.low_m).tolist())})"
        for block in room.blocks
    ]
    for slope in room.slopes:
        high, low = sorted((slope.from_m[1], slope.to_m[1]), reverse=True)
        words.append(f"what lies above {name(slope.name)} (falls from {_span(high, low, lengths)} along {slope.along})")
    box = room.length_m * room.width_m * room.height_m
    return f"Not air, of the {box:.1f} m3 of the box: {', '.join(words)}."


def _span(start_m: float, end_m: float, lengths: Lengths) -> str:
    """``2.50 to 1.30 m``, or both in feet and inches."""
    if lengths.feet:
        return f"{lengths.text(start_m)} to {lengths.text(end_m)}"
    return f"{start_m:.2f} to {lengths.text(end_m)}"


def _print_modes(
    page: Page, modes: Sequence[BuiltMode], rigid: Sequence[tuple[int, int, int]], high_hz: float, lengths: Lengths
) -> None:
    page.heading("Modes as built, and with rigid walls")
    lost = lost_words(modes, rigid, high_hz)
    if not modes:
        page.line(f"None up to {high_hz:g} Hz.")
        if lost:
            page.line(lost)
        return
    if len(modes[0].number) == 1:
        _print_modes_of_shape(page, modes)
        return
    rows = [
        [
            mode_name(mode),
            mode_kind(mode),
            f"{mode.rigid_hz:.1f}",
            f"{mode.frequency_hz:.1f}" + ("" if mode.settled else " ?"),
            f"{mode.decay_time_s:.2f}",
            f"{100.0 * mode.share:.0f} %",
            shift_words(mode, lengths),
        ]
        for mode in modes[:MODES_SHOWN]
    ]
    headers = ["mode", "kind", "rigid Hz", "built Hz", "decay s", "share", "null plane moved most"]
    page.table(headers, rows, right=(2, 3, 4, 5))
    _print_rest(page, modes)
    if lost:
        page.line(lost)


def _print_modes_of_shape(page: Page, modes: Sequence[BuiltMode]) -> None:
    rows = [
        [
            mode_name(mode),
            f"{mode.rigid_hz:.1f}",
            f"{mode.frequency_hz:.1f}" + ("" if mode.settled else " ?"),
            f"{mode.decay_time_s:.2f}",
            f"{100.0 * mode.share:.0f} %",
        ]
        for mode in modes[:MODES_SHOWN]
    ]
    page.table(["mode", "rigid Hz", "built Hz", "decay s", "share"], rows, right=(1, 2, 3, 4))
    _print_rest(page, modes)


def _print_rest(page: Page, modes: Sequence[BuiltMode]) -> None:
    if len(modes) > MODES_SHOWN:
        rest = modes[MODES_SHOWN:]
        page.line(
            f"{len(rest)} more from {rest[0].frequency_hz:.0f} to {rest[-1].frequency_hz:.0f} Hz: --json lists all."
        )
    for line in mode_notes(modes):
        page.line(line)


def mode_name(mode: BuiltMode) -> str:
    """The numbers of the textbook mode that it is most like; marked where it is not very like it.

    In a room that is no box those of the box's mode that it looks like, else "of this shape".
    """
    if len(mode.number) == 1:
        return "of this shape" if mode.textbook is None else "{} {} {}".format(*mode.textbook)
    return "{} {} {}".format(*mode.number) + ("" if mode.likeness >= LIKE else " ~")


def mode_kind(mode: BuiltMode) -> str:
    """Along how many axes the mode of a box that it is like has half waves, in words; empty where it is like none."""
    return "" if mode.textbook is None else KINDS[sum(number > 0 for number in mode.textbook)]


def mode_notes(modes: Sequence[BuiltMode]) -> list[str]:
    """What stands in a table of modes, and what its marks mean."""
    notes = [
        f"Listed is what the response shows: what rings for {SHORTEST_S:g} s or longer and makes up "
        f"{100.0 * LEAST_SHARE:.0f} % or more of the response at its frequency (share, over all places in the room).",
        "decay: T60, the time in which the mode falls by 60 dB once the sound stops.",
    ]
    if modes and len(modes[0].number) == 1:
        notes.append(
            "The room is no box: a mode has the numbers of the box that encloses the room where it looks like that "
            f"box's mode ({100.0 * LIKE:.0f} % of its pressure), else it belongs to this shape alone."
        )
    names = [mode.number for mode in modes]
    if len(set(names)) < len(names):
        notes.append(
            "A mode that stands there twice has become two: beside a resonance of a wall or a pane both ring, each at "
            "its own frequency."
        )
    if any(mode.likeness < LIKE and len(mode.number) == 3 for mode in modes):
        notes.append(f"~: less than {100.0 * LIKE:.0f} % of its pressure has the textbook mode's shape.")
    if not all(mode.settled for mode in modes):
        notes.append("?: this mode was found, but not confirmed by the full equations; take it as rough.")
    return notes


def lost_words(modes: Sequence[BuiltMode], rigid: Sequence[tuple[int, int, int]], high_hz: float) -> str:
    """Which textbook modes have nothing in the list; empty where all have."""
    names = {mode.number for mode in modes}
    lost = ["{} {} {}".format(*number) for number in rigid if number not in names]
    if not lost:
        return ""
    more = f" and {len(lost) - LOST_SHOWN} more" if len(lost) > LOST_SHOWN else ""
    return (
        f"Textbook modes up to {high_hz:g} Hz with none as built up to there: {', '.join(lost[:LOST_SHOWN])}{more}. "
        "The walls damp them too much to stand out, or move them higher."
    )


def shift_words(mode: BuiltMode, lengths: Lengths = METRIC) -> str:
    """Where the null plane that moved most has gone to."""
    shifts = [(plane.built_m - plane.rigid_m, plane) for plane in mode.null_planes if plane.built_m is not None]
    gone = len(mode.null_planes) - len(shifts)
    words = []
    if shifts:
        shift, plane = max(shifts, key=lambda pair: abs(pair[0]))
        if abs(shift) >= UNMOVED_M:
            side = TOWARD[plane.axis][1 if shift > 0 else 0]
            words.append(
                f"{lengths.text(abs(shift))} toward {side}, from {_span(plane.rigid_m, plane.built_m or 0.0, lengths)}"
            )
        elif not gone:
            words.append(f"under {lengths.text(UNMOVED_M, 'g')}")
    if gone:
        words.append(f"{gone} washed out")
    return "; ".join(words)


def _print_seats(page: Page, project: Project) -> None:
    room, screen, lengths = project.room, project.screen, lengths_of(project)
    page.heading("Seats")
    behind_word = "to rear wall" if room.is_box else "free behind"
    headers = ["row", "seats", "from front wall", behind_word, "ears above floor", "weight"]
    headers += ["viewing angle"] if screen else []
    rows = []
    for row in project.rows:
        found = behind(project, row)
        gap = lengths.text(found.least_m) if found.even else _span(found.least_m, found.most_m, lengths)
        rows.append([name(row.name), str(len(row.y_m)), lengths.text(row.x_m), gap])
        rows[-1] += [lengths.text(project.row_height_m(row)), f"{row.weight:g}"]
        if screen:
            rows[-1].append(_angle_words(screen.width_m, row.x_m - screen.distance_m))
    page.table(headers, rows, right=(1, 2, 3, 4, 5, 6))
    if screen:
        page.line(
            f"viewing angle: horizontal, of a picture {lengths.text(screen.width_m, 'g')} wide, seen from its axis; "
            f"{VIEWING_DEG[0]:g} to {VIEWING_DEG[1]:g} deg from the last row to the first. Heads about "
            f"{lengths.text(REAR_WALL_M, 'g')} or more off the rear wall. Both common practice, no source."
        )


def _angle_words(screen_width_m: float, distance_m: float) -> str:
    if distance_m <= 0.0:
        return "-"
    return f"{viewing_angle_deg(screen_width_m=screen_width_m, distance_m=distance_m):.0f} deg"


def _print_zones(page: Page, project: Project) -> None:
    page.heading(f"Where a sub may stand: {counted(len(project.candidates), 'candidate')}")
    yields = project.zone_yields()
    solid, several = not project.room.is_box, len(project.kinds) > 1
    if not yields:
        page.line("No zones yet: add [[zones]] before optimise.")
        return
    rows = [
        [
            name(zone.name),
            *((name(zone.kind),) if several else ()),
            *map(str, (zone.kept, zone.positions, zone.in_keep_out)),
            *((str(zone.no_air),) if solid else ()),
            *map(str, (zone.no_fit, zone.near_seat, zone.repeated)),
        ]
        for zone in yields
    ]
    headers = ["zone", *(("kind",) if several else ()), "candidates", "positions", "in a keep-out"]
    headers += ["not in the air"] if solid else []
    headers += ["no room for cabinet", "near a seat", "repeated"]
    page.table(headers, rows, right=range(1 + several, len(headers)))


def room_json(project: Project, found: RoomFindings) -> dict[str, Any]:
    """What `check --json` prints of a valid project."""
    room, screen = project.room, project.screen
    low_hz, high_hz = project.search.band_hz
    return {
        "name": project.name,
        "warnings": list(found.warnings),
        "room": {
            "length_m": room.length_m,
            "width_m": room.width_m,
            "height_m": room.height_m,
            "volume_m3": room.volume_m3,
            "blocks": [
                {"name": b.name, "from_m": list(b.low_m), "to_m": list(b.high_m), "carries": b.carries}
                for b in room.blocks
            ],
            "slopes": [
                {"name": s.name, "along": s.along, "from_m": list(s.from_m), "to_m": list(s.to_m)} for s in room.slopes
            ],
        },
        "modal_density_per_hz": {"low": found.density_low_per_hz, "high": found.density_high_per_hz},
        "band_hz": [low_hz, high_hz],
        "crossover_hz": found.crossover_hz,
        "decay_time_s": found.decay_time_s,
        "modes": [_mode_json(mode) for mode in found.modes],
        "rows": [
            {
                "name": row.name,
                "seats": len(row.y_m),
                "x_m": row.x_m,
                "to_rear_wall_m": behind(project, row).least_m,
                "viewing_angle_deg": viewing_angle_deg(
                    screen_width_m=screen.width_m, distance_m=row.x_m - screen.distance_m
                )
                if screen and row.x_m > screen.distance_m
                else None,
            }
            for row in project.rows
        ],
        "zones": [
            {
                "name": zone.name,
                **({"kind": zone.kind} if zone.kind else {}),
                "candidates": zone.kept,
                "positions": zone.positions,
                "in_keep_out": zone.in_keep_out,
                "no_air": zone.no_air,
                "no_fit": zone.no_fit,
                "near_seat": zone.near_seat,
                "repeated": zone.repeated,
            }
            for zone in project.zone_yields()
        ],
        "candidates": len(project.candidates),
        "seats": int(np.sum([len(row.y_m) for row in project.rows])),
    }


def _mode_json(mode: BuiltMode) -> dict[str, Any]:
    """One mode as built."""
    return {
        "number": list(mode.number),
        "textbook": None if mode.textbook is None else list(mode.textbook),
        "rigid_hz": mode.rigid_hz,
        "built_hz": mode.frequency_hz,
        "decay_time_s": mode.decay_time_s,
        "quality_factor": mode.quality_factor,
        "share": mode.share,
        "likeness": mode.likeness,
        "settled": mode.settled,
        "null_planes": [
            {"axis": "xyz"[plane.axis], "rigid_m": plane.rigid_m, "built_m": plane.built_m}
            for plane in mode.null_planes
        ],
    }
