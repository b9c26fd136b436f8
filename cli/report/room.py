"""The report's sections on the room: pressure map, modes, what was assumed, what the model does not know, cautions."""

from matplotlib.figure import Figure

from cli.figures.report import STEP_DB, modes_built
from cli.report.blocks import PICTURE_IN, Bullets, LiveMap, Picture, Section, Table, Text, shown
from cli.report.level_maps import map_data, mapped_layouts, solid_m, stills
from cli.words.basis import cautions_heading, subs_stand, weighting_words
from cli.words.parameters import parameter_words
from cli.words.plan import cautions_of, subs_word
from cli.words.room import lost_words, mode_kind, mode_name, mode_notes, shape_words, shift_words
from cli.words.wall_parts import wall_parts
from roommodes.acoustics.built_modes import strongest
from roommodes.acoustics.checks.surfaces import the_wall
from roommodes.acoustics.room import WALLS, Room
from roommodes.lengths import Lengths, lengths_of
from roommodes.plan.plan import Plan
from roommodes.project.constructions import layers_in
from roommodes.project.project import Project
from roommodes.project.room import solid_faces
from roommodes.subwoofer.kinds import responses_known
from roommodes.subwoofer.tables import SubwooferTable
from solvers.listening.before_after import BeforeAfter
from solvers.listening.room import RoomFindings


def map_section(plan: Plan, compared: BeforeAfter) -> Section:
    """The pressure over the listening plane."""
    rival = compared.rival
    hz, layouts = plan.frequency_hz, mapped_layouts(plan, compared)
    height = lengths_of(plan.project).text(compared.plane.height_m)
    headers = ["Hz"] + [f"{shown(seat, 24)}, {one.name}" for one in layouts for seat in plan.seats.name]
    rows = [
        (f"{hz[frame]:.1f}", *(f"{value:+z.1f}" for one in layouts for value in one.seat_db[frame]))
        for frame in range(len(hz))
    ]
    which = f" The usual layout is {subs_word(plan.subs)} {rival.name}, with identical settings." if rival else ""
    return Section(
        key="map",
        heading="Where it is loud and quiet",
        blocks=(
            Text(
                text=f"Level over the room at ear height ({height}), about the average over the "
                f"seats at each frequency: light is loud, dark is quiet, a line every {STEP_DB:g} dB.{which} In each "
                f"seat stands its {'measured ' if plan.measured is not None else ''}level at its own ear height; "
                "squares are subs." + (" What is hatched is no air at that height." if solid_m(plan, compared) else "")
            ),
            LiveMap(data=map_data(plan, compared, layouts)),
            stills(plan, compared, layouts),
            Table(
                caption="Level at each seat relative to the average over the seats [dB], behind the map",
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
    headers = ("mode", "kind", "rigid [Hz]", "as built [Hz]", "decay T60 [s]", "share", "null plane moved most")
    columns = len(headers) - all(row[-1] == "none" for row in rows)
    blocks: list[Text | Picture | Table | Bullets] = [
        Text(
            text=f"Up to {high_hz:g} Hz the response shows {len(found.modes)} modes. Above about "
            f"{found.crossover_hz:.0f} Hz they overlap too much to be told apart; there statistics hold. Mode numbers "
            "count half waves along length, width and height"
            + ("." if plan.project.room.is_box else " of the box that encloses the room.")
        )
    ]
    if found.modes:
        blocks.append(_modes_picture(found))
        blocks.append(
            Table(
                caption="Modes as built, and with rigid walls",
                headers=headers[:columns],
                rows=tuple(row[:columns] for row in rows),
                right=(2, 3, 4, 5),
                folded=True,
            )
        )
        blocks.append(Text(text=" ".join(mode_notes(found.modes))))
    if lost := lost_words(found.modes, found.rigid, high_hz):
        blocks.append(Text(text=lost))
    return Section(key="modes", heading="The room's modes", blocks=tuple(blocks))


def checks_section(plan: Plan, found: RoomFindings) -> Section | None:
    """What the project warns of: rows, panes, doors, the end of the band; None where there is nothing."""
    if not found.warnings:
        return None
    items = tuple(_with_letters(shown(warning, 1000), plan) for warning in found.warnings)
    items = tuple(item[:1].upper() + item[1:] for item in items)
    return Section(key="checks", heading="To check before it is built", blocks=(Bullets(items=items),))


def _modes_picture(found: RoomFindings) -> Picture:
    """Decay time of each mode over its frequency."""
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
    return Picture(
        title="Modes as built: decay time over frequency; grey lines begin where rigid walls put them.",
        alt=alt,
        size_in=(PICTURE_IN, 3.2),
        draw=lambda figure: _draw_modes(figure, found),
    )


def _limits_words(sub: SubwooferTable, zero: str) -> str:
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
    said = said or [f"level limit not given; levels count from {zero}"]
    return f"{shown(sub.name, 60)}: {'; '.join(said)}."


def _kinds_words(project: Project, zero: str) -> list[str]:
    """The same of every kind, and how several stand side by side."""
    lines = [_limits_words(kind, zero) for kind in project.kinds]
    if len(lines) > 1:
        lines.append(
            "Kinds of subwoofer stand side by side as driven by the same voltage, each with the response of its driver "
            "in its box."
            if responses_known(project.kinds)
            else "Not every kind of subwoofer gives its driver: they count as set to the same level at 1 m, with the "
            "same phase. Match them so by measurement before the settings are dialled in."
        )
    return lines


def assumed_section(plan: Plan) -> Section:
    """The room, its walls, and the search, as the project gives them."""
    project, room = plan.project, plan.project.room
    known, own = project.constructions(), project.tables.constructions
    places: dict[str, list[str]] = {}
    for wall in WALLS:
        for name in layers_in(getattr(project.tables.walls, wall)):
            places.setdefault(name, []).append(the_wall(wall))
    for face, made in solid_faces(project.tables.blocks, project.tables.slopes).items():
        for name in layers_in(made) if room.shape.face(face) else ():
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
            shown(own[name].source, 300) if name in own else "",
        )
        for name, where in places.items()
    )
    wishes = project.search
    headers = ("construction", "where", "kind", "figures", "source")
    columns = len(headers) - (not any(row[-1] for row in rows))
    return Section(
        key="assumed",
        heading="What was assumed",
        blocks=(
            Bullets(
                items=(
                    f"{_room_words(room, lengths_of(project))}; air at {room.air.temperature_c:g} °C, sound at "
                    f"{room.air.speed_of_sound_m_s:.1f} m/s; loss factor of air and furnishings {room.loss_factor:g}.",
                    *_kinds_words(project, "one sub at 1 m" if plan.results.absolute else "one measured sub"),
                    f"Search: {wishes.band_hz[0]:g} to {wishes.band_hz[1]:g} Hz, {wishes.points_per_octave} "
                    f"frequencies an octave; delays {wishes.delay_ms[0]:g} to {wishes.delay_ms[1]:g} ms, gains "
                    f"{wishes.gain_db[0]:g} to {wishes.gain_db[1]:g} dB, polarity "
                    f"{'free' if wishes.polarity else 'fixed'}; {plan.results.candidates.n_first} "
                    + ("measured subs." if subs_stand(plan.results) else "candidates."),
                    *filter(None, [weighting_words(plan.results)]),
                )
            ),
            Table(
                caption="Constructions",
                headers=headers[:columns],
                rows=tuple(row[:columns] for row in rows),
                stacked=True,
            ),
        ),
    )


def unknown_section(plan: Plan, found: RoomFindings) -> Section:
    """Limits of the prediction."""
    kinds, stand = plan.project.kinds, subs_stand(plan.results)
    if stand:
        own = "How the subs' own response and directivity shape the pressure map: there each is a point source."
    elif len(kinds) == 1:
        own = (
            "The subs' own response, phase and directivity: each is a point source of flat response at its acoustic "
            "centre. Use equal subs."
        )
    elif responses_known(kinds):
        own = (
            "The subs' directivity, and how far a cabinet differs from the data of its driver and box: each is a point "
            "source at its acoustic centre. Use equal subs of each kind."
        )
    else:
        own = (
            "The subs' own response, phase and directivity, nor how these differ between the kinds: each is a point "
            "source of flat response at its acoustic centre. Use equal subs of each kind."
        )
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
                    own,
                    "What rattles, and what neighbours hear.",
                )
            ),
            Text(
                text="So measure at every seat once the starting values are dialled in, and correct them by what you "
                "find."
                if stand
                else "So measure at every seat when it stands, and correct the starting values by what you find."
            ),
        ),
    )


def caution_section(plan: Plan) -> Section:
    """Cautions: hearing, weight, glass, mains."""
    lines = tuple(cautions_of(plan))
    return Section(key="cautions", heading=cautions_heading(plan.results), blocks=(Bullets(items=lines),))


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
