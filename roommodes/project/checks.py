"""Faults between the tables of a project, each of them right by itself: geometry, names, counts.

Every check works on whatever parts of the project are valid by themselves, so that all faults come at once.
"""

from collections.abc import Iterator, Mapping, Sequence
from difflib import get_close_matches

from roommodes.acoustics.checks.surfaces import area_fault, corner_faults, the_wall, wall_fault
from roommodes.acoustics.plates.panes import Plate
from roommodes.acoustics.room import WALLS, Room, Surface, whole_face
from roommodes.acoustics.shaped_boundary import face_parts
from roommodes.acoustics.wall_laws import Rigid
from roommodes.project.constructions import (
    Construction,
    LayerNames,
    law_of_layers,
    layers_fault,
    layers_in,
    layers_words,
    library,
)
from roommodes.project.placement_checks import placement_faults
from roommodes.project.placing.mains_checks import search_with_mains_faults
from roommodes.project.processor import processor_of, wished_of
from roommodes.project.room import height_of, solid_faces, surface_of
from roommodes.project.shape_checks import row_faults, shaped_room, zone_faults
from roommodes.project.shape_tables import MAX_SEATS, KeepOutTable, RowTable
from roommodes.project.subwoofer_checks import amplifier_faults, kind_faults, subwoofer_faults
from roommodes.project.tables import MAX_CANDIDATES, SearchTable, ZoneTable
from roommodes.project.valid_parts import SLACK_M, Found, Parts
from roommodes.ranges import metres, plain
from roommodes.shapes.solids import BLOCK_FACES
from roommodes.subwoofer.tables import NamedAmplifierTable
from roommodes.toml.lines import Path
from roommodes.toml.values import shown

SMALLEST_SIDE_M = 0.01  # of a region


def geometry_faults(parts: Parts) -> list[Found]:
    """All faults between the tables."""
    found = [*_names(parts), *_construction_names(parts), *_seat_count(parts), *_layout_lengths(parts)]
    found += subwoofer_faults(parts)
    found += amplifier_faults(parts)
    found += kind_faults(parts)
    found += _processor(parts)
    found += _weighted_search(parts)
    found += search_with_mains_faults(parts)
    found += _tolerance_names(parts)
    room, shape_faults = shaped_room(parts)
    found += shape_faults
    if room is not None:
        found += [*row_faults(parts, room), *zone_faults(parts, room)]
        found += [*_rows(parts, room), *_screen(parts, room), *_regions(parts, room)]
        found += placement_faults(parts, room)
    if "zones" not in parts.given and "layout" not in parts.given:
        found.append(
            Found(("zones",), "there is nowhere for a subwoofer to stand; add [[zones]] to search, or a [layout].")
        )
    return found


def _names(parts: Parts) -> Iterator[Found]:
    tables: tuple[tuple[str, Mapping[int, RowTable | ZoneTable | KeepOutTable | NamedAmplifierTable]], ...] = (
        ("rows", parts.places.rows),
        ("zones", parts.places.zones),
        ("keep_outs", parts.places.keep_outs),
        ("amplifiers", parts.chain.amplifiers),
    )
    for key, entries in tables:
        first: dict[str, int] = {}
        for index, entry in entries.items():
            if entry.name in first:
                yield Found(
                    (key, index, "name"),
                    f"{key}[{first[entry.name]}] has the name {shown(entry.name)} too; give each a name of its own.",
                )
            first.setdefault(entry.name, index)


def _known_constructions(parts: Parts) -> dict[str, Construction]:
    own = {name: Construction(name=name, table=table) for name, table in parts.building.constructions.items()}
    return {**library(), **own}


def _construction_names(parts: Parts) -> Iterator[Found]:
    known = [*library(), *parts.building.named]
    for path, name in parts.building.used:
        if name not in known:
            match = get_close_matches(name.lower(), known, n=1, cutoff=0.5)
            near = f" Did you mean {shown(match[0])}?" if match else ""
            yield Found(
                path,
                f"there is no construction {shown(name)}.{near} Allowed: one of your own under [constructions], or "
                + ", ".join(shown(entry) for entry in library())
                + ".",
            )


def _tolerance_names(parts: Parts) -> Iterator[Found]:
    known = [*library(), *parts.building.named]
    for name in parts.tolerance.constructions if parts.tolerance else ():
        if name not in known:
            match = get_close_matches(name.lower(), known, n=1, cutoff=0.5)
            near = f" Did you mean {shown(match[0])}?" if match else ""
            yield Found(
                ("tolerance", "constructions", name),
                f"there is no construction {shown(name)}.{near} Name one of the library or of [constructions].",
            )
    solids = {
        "blocks": [one.name for one in parts.building.blocks.values()],
        "slopes": [one.name for one in parts.building.slopes.values()],
    }
    for key, names in solids.items():
        for name in getattr(parts.tolerance, key) if parts.tolerance else ():
            if name not in names:
                allowed = f"Allowed: {', '.join(map(shown, names))}." if names else f"The room has no [[{key}]]."
                yield Found(("tolerance", key, name), f"there is no {key[:-1]} {shown(name)}. {allowed}")


def _seat_count(parts: Parts) -> Iterator[Found]:
    for index, row in parts.places.rows.items():
        if not row.y_m:
            yield Found(
                ("rows", index, "y_m"),
                f"row {shown(row.name)} has no seat; give one distance from the left wall for each, or delete the row.",
            )
    if "rows" in parts.given and "rows" in parts.whole and not parts.places.rows:
        yield Found(("rows",), "there is no row of seats; add at least one [[rows]].")
    seats = sum(len(row.y_m) for row in parts.places.rows.values())
    if seats > MAX_SEATS:
        yield Found(("rows",), f"there are {seats} seats; at most {MAX_SEATS} can be handled. Take every second seat.")


def _layout_lengths(parts: Parts) -> Iterator[Found]:
    if parts.layout is None:
        return
    count = len(parts.layout.positions_m)
    subwoofers = "1 subwoofer" if count == 1 else f"{count} subwoofers"
    if count == 0:
        yield Found(("layout", "positions_m"), "the layout has no subwoofer; give one [x, y, z] for each.")
    if count > MAX_CANDIDATES:
        yield Found(
            ("layout", "positions_m"), f"the layout has {count:,} subwoofers; at most {MAX_CANDIDATES} can be handled."
        )
    for key in ("gain_db", "delay_ms", "polarity", "kinds"):
        values = getattr(parts.layout, key)
        if values is not None and len(values) != count:
            yield Found(
                ("layout", key),
                f"the list holds {len(values)}, positions_m has {subwoofers}; give one for each, or leave the key out.",
            )


def _processor(parts: Parts) -> Iterator[Found]:
    search = parts.search or (None if "search" in parts.given else SearchTable())
    if parts.chain.processor is None or search is None:
        return
    if parts.chain.processor.delay_step_ms is not None and search.delay_step_samples:
        yield Found(
            ("processor", "delay_step_ms"),
            f"[search] has delay_step_samples = {search.delay_step_samples} as well; give one of them.",
        )
        return
    takes = processor_of(parts.chain.processor, wished_of(search, parts.chain.processor))
    for key, (low, high), wished in (
        ("gain_db", takes.gain_db, plain(search.gain_db)),
        ("delay_ms", takes.delay_s, plain(search.delay_ms)),
    ):
        if low > high:
            yield Found(
                ("processor", key) if getattr(parts.chain.processor, key) is not None else ("processor",),
                f"no value that the processor takes lies in {key} = [{wished}] of [search]; widen one of them.",
            )


def _weighted_search(parts: Parts) -> Iterator[Found]:
    """A search that a crossover weights needs one."""
    if parts.search is None or not parts.search.weighted_by_crossover:
        return
    if "mains" not in parts.given:
        message = "there is no [mains] with a crossover; give its frequency_hz and order."
        yield Found(("search", "weighted_by_crossover"), message)


def _rows(parts: Parts, room: Room) -> Iterator[Found]:
    clouds = [row.name for row in parts.places.rows.values() if row.cloud_m is not None]
    moving = [index for index, row in parts.places.rows.items() if row.move_m is not None]
    if clouds and moving:
        yield Found(
            ("rows", moving[0], "move_m"),
            f"row {shown(clouds[0])} has cloud_m; where rows should be is searched for single points only. Leave out "
            "cloud_m or move_m, in all rows.",
        )
    for index, row in parts.places.rows.items():
        name = shown(row.name)
        if row.x_m > room.length_m + SLACK_M:
            yield Found(
                ("rows", index, "x_m"),
                f"seats of row {name} are at x = {metres(row.x_m)}; the room ends at {metres(room.length_m)}. "
                "Move the row or lengthen the room.",
            )
        if row.cloud_m is not None:
            yield from _cloud(index, row, room, height_of(list(parts.building.blocks.values()), row.on))
        if row.move_m is not None and row.x_m <= room.length_m + SLACK_M:
            front, rear = row.move_m
            if row.x_m - front < -SLACK_M or row.x_m + rear > room.length_m + SLACK_M:
                yield Found(
                    ("rows", index, "move_m"),
                    f"row {name} at x = {metres(row.x_m)} could move to {metres(row.x_m - front)} and "
                    f"{metres(row.x_m + rear)}; the room goes from 0.00 m to {metres(room.length_m)}. Allow less.",
                )
        for seat, y in enumerate(row.y_m):
            if y > room.width_m + SLACK_M:
                yield Found(
                    ("rows", index, "y_m"),
                    f"seat {seat + 1} of row {name} is at y = {metres(y)}; the room ends at {metres(room.width_m)}. "
                    "Move the seat or widen the room.",
                )
        height = row.ear_height_m + height_of(list(parts.building.blocks.values()), row.on)
        if height > room.height_m + SLACK_M:
            yield Found(
                ("rows", index, "ear_height_m"),
                f"ears of row {name} are at z = {metres(height)}; the ceiling is at {metres(room.height_m)}. "
                "Lower the row or raise the ceiling.",
            )


def _cloud(index: int, row: RowTable, room: Room, floor_m: float) -> Iterator[Found]:
    """A cloud that leaves the room, or a row that is to move with one."""
    assert row.cloud_m is not None, "asked of rows with a cloud"
    where = (("x", (row.x_m,)), ("y", row.y_m), ("z", (row.ear_height_m + floor_m,)))
    for half, (axis, values), end in zip(row.cloud_m, where, room.size_m, strict=True):
        if values and (min(values) - half < -SLACK_M or max(values) + half > end + SLACK_M):
            yield Found(
                ("rows", index, "cloud_m"),
                f"heads of row {shown(row.name)} would be at {axis} = {metres(min(values) - half)} to "
                f"{metres(max(values) + half)}; the room goes from 0.00 m to {metres(end)}. Give less.",
            )


def _screen(parts: Parts, room: Room) -> Iterator[Found]:
    """A picture that is wider, further off or higher than the room."""
    screen = parts.places.screen
    if screen is None:
        return
    if screen.width_m > room.width_m + SLACK_M:
        yield Found(
            ("screen", "width_m"),
            f"the screen is {metres(screen.width_m)} wide; the room is {metres(room.width_m)} wide. "
            "Take a narrower screen or widen the room.",
        )
    if screen.distance_m > room.length_m + SLACK_M:
        yield Found(
            ("screen", "distance_m"),
            f"the screen is at {metres(screen.distance_m)}; the room ends at {metres(room.length_m)}. Move it.",
        )
    top = screen.picture.top_m if screen.picture.top_m is not None else screen.foot_m
    if top is not None and top > room.height_m + SLACK_M:
        yield Found(
            ("screen", "foot_m"),
            f"the picture ends {metres(top)} above the floor; the room is {metres(room.height_m)} high. Lower it or "
            "make it smaller.",
        )


def _regions(parts: Parts, room: Room) -> Iterator[Found]:
    known = _known_constructions(parts)
    solids = solid_faces(list(parts.building.blocks.values()), list(parts.building.slopes.values()))
    faces = [*WALLS, *solids]
    laid: list[tuple[Path, Surface]] = []  # what is on the walls so far
    if parts.building.walls is not None:
        for wall in WALLS:
            layers = layers_in(construction := getattr(parts.building.walls, wall))
            if not set(layers) <= set(known):
                continue
            if fault := layers_fault(known, construction):
                yield Found(("walls", wall), fault)
                continue
            name, size = layers_words(construction), room.wall_size_m(wall)
            whole = surface_of([known[one] for one in layers], wall, (0.0, 0.0), size, name=name)
            laid.append((("walls", wall), whole))
            yield from _touched(room, ("walls", wall), whole)
    yield from _layers_of_solids(parts, known)
    for face, whole in _panes_of_solids(room, solids, known) if not room.is_box else ():
        owner = (*_owner_of(parts, face), "construction")
        laid.append((owner, whole))
        yield from _touched(room, owner, whole)
    for index, region in parts.building.regions.items():
        if text := wall_fault(region.wall, faces):
            yield Found(("regions", index, "wall"), f"got {shown(region.wall)}; {text}")
            continue
        layers, name = layers_in(region.construction), layers_words(region.construction)
        bare = Surface(wall=region.wall, from_m=region.from_m, to_m=region.to_m, law=Rigid())
        outside = [
            Found(("regions", index, key), text) for key, text in corner_faults(room, bare, shown_name=shown(name))
        ]
        yield from outside
        if text := area_fault(bare, shown_name=shown(name), smallest_m=SMALLEST_SIDE_M):
            yield Found(("regions", index, "to_m"), text)
        elif not outside and set(layers) <= set(known):
            if fault := layers_fault(known, region.construction):
                yield Found(("regions", index, "construction"), fault)
                continue
            new = surface_of([known[one] for one in layers], region.wall, region.from_m, region.to_m, name=name)
            yield from _cut_panes(laid, new, index)
            yield from _touched(room, ("regions", index), new)
            laid = [entry for entry in laid if not _covers(new, entry[1])]
            laid.append((("regions", index), new))


def _layers_of_solids(parts: Parts, known: Mapping[str, Construction]) -> Iterator[Found]:
    """Layers of blocks and slopes that cannot lie so, each where the file gives them."""
    given: list[tuple[Path, LayerNames | None]] = []
    for index, block in parts.building.blocks.items():
        given.append((("blocks", index, "construction"), block.construction))
        given += [(("blocks", index, "faces", face), getattr(block.faces, face)) for face in BLOCK_FACES]
    given += [(("slopes", index, "construction"), slope.construction) for index, slope in parts.building.slopes.items()]
    for path, made in given:
        if made and set(layers_in(made)) <= set(known) and (fault := layers_fault(known, made)):
            yield Found(path, fault)


def _panes_of_solids(
    room: Room, solids: Mapping[str, LayerNames], known: Mapping[str, Construction]
) -> Iterator[tuple[str, Surface]]:
    """The faces of blocks and slopes that vibrate as panes."""
    for face, made in solids.items():
        layers = layers_in(made)
        if set(layers) <= set(known) and not layers_fault(known, made):
            law = law_of_layers([known[name] for name in layers])
            if isinstance(law, Plate):
                yield face, whole_face(room, face, law, name=layers_words(made))


def _owner_of(parts: Parts, face: str) -> Path:
    """The key path of the block or slope that a face belongs to."""
    owner = face.partition(": ")[0]
    for key, entries in (("blocks", parts.building.blocks), ("slopes", parts.building.slopes)):
        for index, entry in entries.items():
            if entry.name == owner:
                return (key, index)
    return ()


def _touched(room: Room, path: Path, surface: Surface) -> Iterator[Found]:
    """A surface that no air touches, or a pane of which air touches only a part."""
    if room.is_box:
        return
    try:
        touched = face_parts(room, surface)
    except ValueError:
        yield Found(
            path,
            f"air touches only a part of the pane {shown(surface.name)} on the {the_wall(surface.wall)}; half a plate "
            "cannot be kept. Make it a region that lies clear of blocks and slopes.",
        )
        return
    if not touched and path[0] == "regions":
        yield Found(
            path,
            f"no air touches the {shown(surface.name)} on the {the_wall(surface.wall)}: blocks or slopes cover it. "
            "Move it or take it out.",
        )


def _cut_panes(laid: Sequence[tuple[Path, Surface]], new: Surface, index: int) -> Iterator[Found]:
    for path, old in laid:
        if not isinstance(old.law, Plate) or old.law.divides or not _overlap(new, old) or _covers(new, old):
            continue
        where = f"regions[{path[1]}]" if path[0] == "regions" else f"the whole {the_wall(old.wall)}"
        yield Found(
            ("regions", index),
            f"the {shown(new.name)} covers part of the pane {shown(old.name)} ({where}); half a plate cannot be kept. "
            "Cover all of the pane or none of it.",
        )


def _overlap(a: Surface, b: Surface) -> bool:
    return a.wall == b.wall and all(min(a.to_m[i], b.to_m[i]) - max(a.from_m[i], b.from_m[i]) > SLACK_M for i in (0, 1))


def _covers(a: Surface, b: Surface) -> bool:
    return a.wall == b.wall and all(
        a.from_m[i] <= b.from_m[i] + SLACK_M and a.to_m[i] >= b.to_m[i] - SLACK_M for i in (0, 1)
    )
