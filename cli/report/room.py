"""The report's sections on the room: pressure map, modes, what was assumed, what the model does not know, cautions."""

import base64
from typing import Any

import numpy as np
from matplotlib.figure import Figure

from cli.drawing.objects import wall_parts
from cli.figures.report import (
    FEW_SEATS,
    HIGHEST_DB,
    LOWEST_DB,
    STEP_DB,
    level_key,
    modes_built,
    pressure_map,
    ramp_colours,
)
from cli.report.blocks import PICTURE_IN, Bullets, LiveMap, Picture, Section, Table, Text, shown
from cli.words.parameters import parameter_words
from cli.words.plan import caution_lines, subs_word
from cli.words.room import lost_words, mode_kind, mode_name, mode_notes, shape_words, shift_words
from roommodes.acoustics.built_modes import strongest
from roommodes.acoustics.checks.surfaces import the_wall
from roommodes.acoustics.room import WALLS, Room
from roommodes.arrays import Floats
from roommodes.lengths import Lengths, lengths_of
from roommodes.plan.plan import Plan
from roommodes.project.constructions import layers_in
from roommodes.project.glass import glass_of
from roommodes.project.room import solid_faces
from roommodes.responses.metrics import normalised
from roommodes.shapes.outlines import solid_at
from roommodes.subwoofer.tables import SubwooferTable
from solvers.listening.before_after import BeforeAfter
from solvers.listening.room import RoomFindings

MOST_FRAMES = 64
QUANTUM_DB, FLOOR_DB = 0.01, -30.0  # how levels travel to the page: two bytes each
COMMON_LENGTH_M = 6.4
MARK_WIDTHS, MARK_HEIGHT, MARK_GAP = (
    (48, 70),
    27,
    4,
)  # of a seat's mark without and with a decimal, in hundredths of a metre
RAISED_M = 1.2
STILLS, STILLS_IN = 3, 7.2  # frequencies shown on paper, width of all [inch]
STILLS_OF_MANY = 2  # of many seats, so that their numbers can be read


def map_section(plan: Plan, compared: BeforeAfter) -> Section:
    """The pressure over the listening plane."""
    rival = compared.rival
    layouts = [("this plan", plan.level_at_limit_db, compared.plan_map_db, plan.positions_m)]
    if rival and compared.rival_map_db is not None:
        layouts.insert(0, ("usual layout", rival.level_db, compared.rival_map_db, rival.positions_m))
    weight = normalised(plan.seats.weight)
    hz = plan.frequency_hz
    seat_db = [levels - (levels @ weight)[:, None] for _, levels, _, _ in layouts]
    map_db = [maps - (levels @ weight)[:, None, None] for _, levels, maps, _ in layouts]
    stills = _telling(seat_db[0], hz, STILLS if len(weight) <= FEW_SEATS else STILLS_OF_MANY)
    several = len(plan.seats) > 1

    def draw(figure: Figure) -> None:
        grid = figure.add_gridspec(len(layouts) + 1, len(stills), height_ratios=[*[1.0] * len(layouts), 0.06])
        for row, (name, _, _, subs) in enumerate(layouts):
            for column, frame in enumerate(stills):
                pressure_map(
                    figure.add_subplot(grid[row, column]),
                    x_m=compared.plane.x_m,
                    y_m=compared.plane.y_m,
                    level_db=map_db[row][frame],
                    seat_m=plan.seats.position_m,
                    seat_db=seat_db[row][frame],
                    sub_m=subs,
                    title=f"{name}, {hz[frame]:.0f} Hz",
                    solid_m=_solid(plan, compared),
                )
        level_key(figure.add_subplot(grid[-1, :]))

    alt = "; ".join(
        f"at {hz[frame]:.0f} Hz "
        + ", ".join(
            f"{name}: seats from {seat_db[row][frame].min():+z.0f} to {seat_db[row][frame].max():+z.0f} dB"
            for row, (name, _, _, _) in enumerate(layouts)
        )
        for frame in stills
    )
    length_m, width_m, _ = plan.project.room.size_m
    height = lengths_of(plan.project).text(compared.plane.height_m)
    each = min(3.4, STILLS_IN / len(stills) * width_m / length_m)  # height of a map [inch]
    headers = ["Hz"] + [f"{shown(seat, 24)}, {name}" for name, _, _, _ in layouts for seat in plan.seats.name]
    rows = [
        (f"{hz[frame]:.1f}", *(f"{value:+z.1f}" for levels in seat_db for value in levels[frame]))
        for frame in range(len(hz))
    ]
    which = f" The usual layout is {subs_word(plan.subs)} {rival.name}, driven alike." if rival else ""
    return Section(
        key="map",
        heading="Where it is loud and quiet",
        blocks=(
            Text(
                text=f"Level over the room at ear height ({height}), about the mean of the "
                f"seats at each frequency: light is loud, dark is quiet, a line every {STEP_DB:g} dB.{which} In each "
                "seat stands its level at its own ear height; squares are subs."
                + (" What is hatched is no air at that height." if _solid(plan, compared) else "")
            ),
            LiveMap(data=_map_data(plan, compared, layouts, seat_db, map_db)),
            Picture(
                title="The frequencies at which the seats differ most." if several else "Some frequencies.",
                alt=f"Levels about the seats' mean: {alt}.",
                size_in=(STILLS_IN, len(layouts) * (each + 0.2) + 0.6),
                draw=draw,
                raster=True,
                still=True,
            ),
            Table(
                caption="Level at each seat about the seats' mean [dB], behind the map",
                headers=tuple(headers),
                rows=tuple(rows),
                right=tuple(range(len(headers))),
                folded=True,
                screen_only=True,
            ),
        ),
    )


def modes_section(plan: Plan, found: RoomFindings) -> Section:
    """The room's modes as built."""
    high_hz = plan.project.search.band_hz[1]
    rows = tuple(
        (
            mode_name(mode),
            mode_kind(mode),
            f"{mode.rigid_hz:.1f}",
            f"{mode.frequency_hz:.1f}" + ("" if mode.settled else " ?"),
            f"{mode.decay_time_s:.2f}",
            f"{100.0 * mode.share:.0f} %",
            shift_words(mode, lengths_of(plan.project)) or "none",
        )
        for mode in found.modes
    )
    blocks: list[Text | Picture | Table | Bullets] = [
        Text(
            text=f"Up to {high_hz:g} Hz the response shows {len(found.modes)} modes. Above about "
            f"{found.crossover_hz:.0f} Hz they overlap too much to be told apart; there statistics hold. Mode numbers "
            "count half waves along length, width and height"
            + ("." if plan.project.room.is_box else " of the box that encloses the room.")
        )
    ]
    if found.modes:
        named = [mode for mode in strongest(found.modes).values() if any(mode.number)]
        moved = max(named, key=lambda mode: mode.share * abs(mode.frequency_hz - mode.rigid_hz), default=None)
        longest = max(found.modes, key=lambda mode: mode.decay_time_s)
        alt = (
            f"Decay time of each mode over its frequency. The longest is {longest.decay_time_s:.2f} s at "
            f"{longest.frequency_hz:.1f} Hz."
        )
        if moved:
            alt += (
                f" The walls move the mode {mode_name(moved)} most, from {moved.rigid_hz:.1f} to "
                f"{moved.frequency_hz:.1f} Hz."
            )
        blocks.append(
            Picture(
                title="Modes as built: decay time over frequency; grey lines begin where rigid walls put them.",
                alt=alt,
                size_in=(PICTURE_IN, 3.2),
                draw=lambda figure: _draw_modes(figure, found),
            )
        )
        blocks.append(
            Table(
                caption="Modes as built, and with rigid walls",
                headers=(
                    "mode",
                    "kind",
                    "rigid [Hz]",
                    "as built [Hz]",
                    "decay T60 [s]",
                    "share",
                    "null plane moved most",
                ),
                rows=rows,
                right=(2, 3, 4, 5),
                folded=True,
            )
        )
        blocks.append(Text(text=" ".join(mode_notes(found.modes))))
    if lost := lost_words(found.modes, found.rigid, high_hz):
        blocks.append(Text(text=lost))
    if found.warnings:
        blocks.append(Bullets(items=tuple(_with_letters(shown(warning, 1000), plan) for warning in found.warnings)))
    return Section(key="modes", heading="The room's modes", blocks=tuple(blocks))


def _limits_words(sub: SubwooferTable) -> str:
    """What the levels of the report rest on."""
    said = []
    if sub.max_level_1m_db is not None:
        curve = sub.max_level_1m_db
        points = (f"{value:g} dB at {hz:g} Hz" for hz, value in zip(curve.hz, curve.value, strict=True))
        said.append(f"highest clean level at 1 m in free field {', '.join(points)}")
    if sub.bursts is not None:
        said.append("highest clean level from measured bursts")
    if sub.driver is not None:
        box = "sealed box" if sub.port is None else "vented box"
        said.append(f"{box} of {sub.driver.box_m3 * 1000:.3g} l, limits from its driver's displacement and power")
    said = said or ["level limit not given; levels count from one sub at 1 m"]
    return f"{shown(sub.name, 60)}: {'; '.join(said)}."


def assumed_section(plan: Plan) -> Section:
    """What went in."""
    project, room = plan.project, plan.project.room
    known = project.constructions()
    places: dict[str, list[str]] = {}
    for wall in WALLS:
        for name in layers_in(getattr(project.tables.walls, wall)):
            places.setdefault(name, []).append(the_wall(wall))
    for face, name in solid_faces(project.tables.blocks, project.tables.slopes).items():
        if room.shape.face(face):
            places.setdefault(name, []).append(the_wall(face))
    for region in project.tables.regions:
        (a0, b0), (a1, b1) = region.from_m, region.to_m
        size = lengths_of(project).sides(abs(a1 - a0), abs(b1 - b0))
        for name in layers_in(region.construction):
            places.setdefault(name, []).append(f"{size} of the {the_wall(region.wall)}")
    rows = tuple(
        (
            shown(name, 60),
            ", ".join(where),
            known[name].kind,
            parameter_words(known[name].parameters, lengths_of(project)),
            shown(known[name].source, 300) or "not given",
        )
        for name, where in places.items()
    )
    wishes, sub = project.search, project.subwoofer
    return Section(
        key="assumed",
        heading="What was assumed",
        blocks=(
            Bullets(
                items=(
                    f"{_room_words(room, lengths_of(project))}; air at {room.air.temperature_c:g} °C, sound at "
                    f"{room.air.speed_of_sound_m_s:.1f} m/s; loss factor of air and furnishings {room.loss_factor:g}.",
                    _limits_words(sub),
                    f"Search: {wishes.band_hz[0]:g} to {wishes.band_hz[1]:g} Hz, {wishes.points_per_octave} "
                    f"frequencies an octave; delays {wishes.delay_ms[0]:g} to {wishes.delay_ms[1]:g} ms, gains "
                    f"{wishes.gain_db[0]:g} to {wishes.gain_db[1]:g} dB, polarity "
                    f"{'free' if wishes.polarity else 'fixed'}; {plan.results.candidates.n_first} candidates.",
                )
            ),
            Table(
                caption="Constructions and their sources",
                headers=("construction", "where", "kind", "parameters", "source"),
                rows=rows,
                stacked=True,
            ),
        ),
    )


def unknown_section(found: RoomFindings) -> Section:
    """Where the prediction ends."""
    return Section(
        key="unknown",
        heading="What the model does not know",
        blocks=(
            Bullets(
                items=(
                    "Furniture, people and cabinets as bodies in the room; risers, niches and slopes that the project "
                    "does not give; doors that stand open when they were given as shut.",
                    "How the walls were really built. Constructions are typical ones unless measured: peaks and nulls "
                    "may lie some hertz aside, decay times may differ by a third (common practice, no source).",
                    f"Single peaks and nulls above about {found.crossover_hz:.0f} Hz, where modes overlap.",
                    "The subs' own response, phase and directivity: each is a point source of flat response at its "
                    "acoustic centre. Use equal subs.",
                    "What rattles, and what neighbours hear.",
                )
            ),
            Text(text="So measure at every seat when it stands, and correct the starting values by what you find."),
        ),
    )


def caution_section(plan: Plan) -> Section:
    """What can hurt."""
    raised = bool((plan.positions_m[:, 2] > RAISED_M).any())
    lines = caution_lines(glass=bool(glass_of(plan.project)), raised=raised)
    return Section(key="cautions", heading="Before it is built and switched on", blocks=(Bullets(items=tuple(lines)),))


def _solid(plan: Plan, compared: BeforeAfter) -> tuple[tuple[float, float, float, float], ...]:
    """Rectangles of the listening plane that are not air [m]."""
    room = plan.project.room
    return () if room.is_box else solid_at(room.shape, compared.plane.height_m)


def _room_words(room: Room, lengths: Lengths) -> str:
    long, wide, high = (lengths.text(side, "g") for side in room.size_m)
    size = f"{long} long, {wide} wide, {high} high"
    if room.is_box:
        return f"A rectangular room, {size}"
    return f"A room of {room.volume_m3:.1f} m3 in a box {size}. {shape_words(room, lengths).removesuffix('.')}"


def _with_letters(warning: str, plan: Plan) -> str:
    """Parts of walls by their letter on the drawing, in place of their number in the file."""
    for index, part in enumerate(wall_parts(plan.project)):
        warning = warning.replace(f"(regions[{index}])", f"(part {part.key} on the drawing)")
    return warning


def _draw_modes(figure: Figure, found: RoomFindings) -> None:
    modes_built(figure.subplots(), modes=found.modes)


def _telling(seat_db: Floats, hz: Floats, count: int) -> list[int]:
    """Frames at which the seats of the first layout differ most, at least a third of an octave apart, rising."""
    spread = seat_db.max(axis=1) - seat_db.min(axis=1)
    chosen: list[int] = []
    order = np.argsort(-spread, kind="stable")
    if not spread.any():  # one seat: from the middle of the band outward
        order = np.argsort(np.abs(np.arange(len(hz)) - len(hz) // 2), kind="stable")
    for frame in order:
        if all(abs(np.log2(hz[frame] / hz[other])) >= 1.0 / 3.0 for other in chosen):
            chosen.append(int(frame))
        if len(chosen) == count:
            break
    return sorted(chosen)


def _map_data(
    plan: Plan,
    compared: BeforeAfter,
    layouts: list[tuple[str, Floats, Floats, Floats]],
    seat_db: list[Floats],
    map_db: list[Floats],
) -> dict[str, Any]:
    """What the page's script draws from; levels as 16-bit numbers, row by row from the left wall, in base64."""
    hz, plane = plan.frequency_hz, compared.plane
    frames = np.unique(np.linspace(0, len(hz) - 1, min(MOST_FRAMES, len(hz))).round().astype(int))
    room = plan.project.room
    edges = np.arange(LOWEST_DB, HIGHEST_DB, STEP_DB)
    first = _telling(seat_db[0], hz, 1)[0]
    mark, decimals = seat_marks(plan.seats.position_m, room.length_m)
    return {
        "hz": [round(float(hz[frame]), 1) for frame in frames],
        "start": int(np.argmin(np.abs(frames - first))),
        "nx": len(plane.x_m),
        "ny": len(plane.y_m),
        "quantum": QUANTUM_DB,
        "floor": FLOOR_DB,
        "lowest": LOWEST_DB,
        "step": STEP_DB,
        "colours": [[round(255 * part) for part in colour] for colour in ramp_colours(len(edges))],
        "mark": round(mark, 3),
        "mark_width": MARK_WIDTHS[decimals],
        "decimals": decimals,
        "solid": [[round(value, 3) for value in box] for box in _solid(plan, compared)],
        "length": room.length_m,
        "width": room.width_m,
        "seats": [
            {"name": shown(name, 40), "x": round(x, 3), "y": round(y, 3)}
            for name, (x, y, _) in zip(plan.seats.name, plan.seats.position_m.tolist(), strict=True)
        ],
        "layouts": [
            {
                "name": name,
                "subs": [[round(x, 3), round(y, 3)] for x, y, _ in subs.tolist()],
                "seats": [[round(float(value), 1) + 0.0 for value in levels[frame]] for frame in frames],
                "levels": _packed(maps[frames]),
            }
            for (name, _, _, subs), levels, maps in zip(layouts, seat_db, map_db, strict=True)
        ],
    }


def seat_marks(seat_m: Floats, length_m: float) -> tuple[float, int]:
    """Size of the seats' marks over that in a room of common length, and decimals, so that none covers another."""
    wanted = length_m / COMMON_LENGTH_M
    first, second = np.triu_indices(len(seat_m), 1)
    apart = 100.0 * np.abs(seat_m[first, :2] - seat_m[second, :2])  # in the map's units

    def most(width: float) -> float:
        return float(np.max(apart / (width + MARK_GAP, MARK_HEIGHT + MARK_GAP), axis=1).min(initial=wanted))

    with_decimals = most(MARK_WIDTHS[1])
    return (with_decimals, 1) if with_decimals > 0.85 * wanted else (most(MARK_WIDTHS[0]), 0)


def _packed(level_db: Floats) -> str:
    """(n_frame, n_x, n_y) as little-endian 16-bit numbers in the order frame, y, x."""
    steps = np.clip(np.round((level_db - FLOOR_DB) / QUANTUM_DB), 0, 4500).astype("<u2")
    return base64.b64encode(np.ascontiguousarray(steps.transpose(0, 2, 1)).tobytes()).decode("ascii")
