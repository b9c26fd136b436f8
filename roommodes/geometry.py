"""What can be wrong with a project although each of its tables is right: geometry, names, counts.

Every check works on whatever parts of the project are valid by themselves, so that all faults come at once.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from math import ceil
from typing import Any

import numpy as np

from roommodes.constructions import Construction, library
from roommodes.project import cabinet_of, keep_out_box, room_of, surface_of, zone_box
from roommodes.project_tables import (
    MAX_CANDIDATES,
    MAX_SEATS,
    KeepOutTable,
    LayoutTable,
    RegionTable,
    RoomTable,
    RowTable,
    ScreenTable,
    SearchTable,
    SubwooferTable,
    WallsTable,
    ZoneTable,
)
from roommodes.quantities import number, shown
from roommodes.rooms import WALLS, Pane, Room, Surface
from roommodes.toml_lines import Path
from roommodes.zones import Box, Cabinet, Candidates, Zone, lay_out

EAR_DISTANCE_M = 0.1  # a sub's acoustic centre cannot be nearer to an ear than this
MOST_POSITIONS = 20000  # of all zones together, before anything is dropped; more is not even tried
SLACK_M = 1e-9


@dataclass(frozen=True, slots=True)
class Found:
    """A fault by its key path; `project_file` adds the line."""

    path: Path
    message: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Parts:
    """The valid parts of a project; None or missing where the file's part is not valid.

    Parameters
    ----------
    regions, rows, zones, keep_outs : valid entries by their index in the file.
    constructions : valid ones by name; `named` holds all names that the file gives, valid or not.
    used : every construction's name that a wall or region asks for, with its key path.
    whole : tables of which every entry is valid.
    given : tables that the file has.
    """

    room: RoomTable | None
    walls: WallsTable | None
    regions: Mapping[int, RegionTable]
    constructions: Mapping[str, Any]
    rows: Mapping[int, RowTable]
    screen: ScreenTable | None
    zones: Mapping[int, ZoneTable]
    keep_outs: Mapping[int, KeepOutTable]
    subwoofer: SubwooferTable | None
    search: SearchTable | None
    layout: LayoutTable | None
    named: frozenset[str]
    used: tuple[tuple[Path, str], ...]
    whole: frozenset[str]
    given: frozenset[str]

    @classmethod
    def of(cls, valid: Mapping[str, Any], tree: Mapping[str, Any]) -> "Parts":
        """From the valid parts by key (lists as dictionaries by index) and the file's tree."""
        whole = set()
        entries: dict[str, dict[Any, Any]] = {}
        for key in ("regions", "rows", "zones", "keep_outs", "constructions"):
            found = valid.get(key)
            entries[key] = found if isinstance(found, dict) else {}
            raw = tree.get(key, ())
            if isinstance(raw, list | tuple | dict) and len(raw) == len(entries[key]):
                whole.add(key)
        named = tree.get("constructions")
        return cls(
            room=valid.get("room"),
            walls=valid.get("walls"),
            regions=entries["regions"],
            constructions=entries["constructions"],
            rows=entries["rows"],
            screen=valid.get("screen"),
            zones=entries["zones"],
            keep_outs=entries["keep_outs"],
            subwoofer=valid.get("subwoofer"),
            search=valid.get("search"),
            layout=valid.get("layout"),
            named=frozenset(named if isinstance(named, dict) else ()),
            used=tuple(_used_constructions(tree)),
            whole=frozenset(whole),
            given=frozenset(tree),
        )


def _used_constructions(tree: Mapping[str, Any]) -> Iterator[tuple[Path, str]]:
    walls, regions = tree.get("walls"), tree.get("regions")
    if isinstance(walls, dict):
        for wall in WALLS:
            if isinstance(name := walls.get(wall), str):
                yield ("walls", wall), name
    for index, region in enumerate(regions if isinstance(regions, list) else ()):
        if isinstance(region, dict) and isinstance(name := region.get("construction"), str):
            yield ("regions", index, "construction"), name


def geometry_faults(parts: Parts) -> list[Found]:
    """All faults between the tables."""
    found = [*_names(parts), *_construction_names(parts), *_seat_count(parts), *_layout_lengths(parts)]
    if parts.room is not None:
        room = room_of(parts.room)
        found += [*_rows(parts, room), *_screen(parts, room), *_regions(parts, room), *_boxes(parts, room)]
        found += [*_layout(parts, room), *_zones(parts, room)]
    if "zones" not in parts.given and "layout" not in parts.given:
        found.append(
            Found(("zones",), "there is nowhere for a subwoofer to stand; add [[zones]] to search, or a [layout].")
        )
    return found


def metres(value: float) -> str:
    """A length with two decimals, three where they say more: ``6.10 m``."""
    text = f"{value:.3f}"
    return (text[:-1] if text.endswith("0") else text) + " m"


def _names(parts: Parts) -> Iterator[Found]:
    tables: tuple[tuple[str, Mapping[int, RowTable | ZoneTable | KeepOutTable]], ...] = (
        ("rows", parts.rows),
        ("zones", parts.zones),
        ("keep_outs", parts.keep_outs),
    )
    for key, entries in tables:
        first: dict[str, int] = {}
        for index, entry in entries.items():
            if entry.name in first:
                yield Found(
                    (key, index, "name"),
                    f"the name {shown(entry.name)} is taken by {key}[{first[entry.name]}]; give each a name of its own.",
                )
            first.setdefault(entry.name, index)


def _known_constructions(parts: Parts) -> dict[str, Construction]:
    own = {name: Construction(name=name, table=table) for name, table in parts.constructions.items()}
    return {**library(), **own}


def _construction_names(parts: Parts) -> Iterator[Found]:
    known = [*library(), *parts.named]
    for path, name in parts.used:
        if name not in known:
            match = get_close_matches(name.lower(), known, n=1, cutoff=0.5)
            near = f" Did you mean {shown(match[0])}?" if match else ""
            yield Found(
                path,
                f"there is no construction {shown(name)}.{near} Allowed: one of your own under [constructions], or "
                + ", ".join(shown(entry) for entry in library())
                + ".",
            )


def _seat_count(parts: Parts) -> Iterator[Found]:
    for index, row in parts.rows.items():
        if not row.y_m:
            yield Found(
                ("rows", index, "y_m"),
                f"row {shown(row.name)} has no seat; give one distance from the left wall for each, or delete the row.",
            )
    if "rows" in parts.given and "rows" in parts.whole and not parts.rows:
        yield Found(("rows",), "there is no row of seats; add at least one [[rows]].")
    seats = sum(len(row.y_m) for row in parts.rows.values())
    if seats > MAX_SEATS:
        yield Found(("rows",), f"there are {seats} seats; at most {MAX_SEATS} can be handled. Take every second seat.")


def _layout_lengths(parts: Parts) -> Iterator[Found]:
    if parts.layout is None:
        return
    count = len(parts.layout.positions_m)
    if count == 0:
        yield Found(("layout", "positions_m"), "the layout has no subwoofer; give one [x, y, z] for each.")
    for key in ("gain_db", "delay_ms", "polarity"):
        values = getattr(parts.layout, key)
        if values is not None and len(values) != count:
            yield Found(
                ("layout", key),
                f"got {len(values)} numbers for {count} subwoofers in positions_m; give one for each, or leave it out.",
            )


def _rows(parts: Parts, room: Room) -> Iterator[Found]:
    for index, row in parts.rows.items():
        name = shown(row.name)
        if row.x_m > room.length_m + SLACK_M:
            yield Found(
                ("rows", index, "x_m"),
                f"seats of row {name} are at x = {metres(row.x_m)}; the room ends at {metres(room.length_m)}. "
                "Move the row or lengthen the room.",
            )
        elif row.move_m is not None:
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
        if row.ear_height_m > room.height_m + SLACK_M:
            yield Found(
                ("rows", index, "ear_height_m"),
                f"ears of row {name} are at z = {metres(row.ear_height_m)}; the ceiling is at {metres(room.height_m)}. "
                "Lower the row or raise the ceiling.",
            )


def _screen(parts: Parts, room: Room) -> Iterator[Found]:
    if parts.screen is not None and parts.screen.width_m > room.width_m + SLACK_M:
        yield Found(
            ("screen", "width_m"),
            f"the screen is {metres(parts.screen.width_m)} wide; the room is {metres(room.width_m)} wide. "
            "Take a narrower screen or widen the room.",
        )


def _regions(parts: Parts, room: Room) -> Iterator[Found]:
    known = _known_constructions(parts)
    laid: list[tuple[Path, Surface]] = []  # what is on the walls so far
    if parts.walls is not None:
        for wall in WALLS:
            if (name := getattr(parts.walls, wall)) in known:
                whole = surface_of(known[name], wall, (0.0, 0.0), room.wall_size_m(wall), name=name)
                laid.append((("walls", wall), whole))
    for index, region in parts.regions.items():
        size = room.wall_size_m(region.wall)
        axes = {"front": "yz", "rear": "yz", "left": "xz", "right": "xz"}.get(region.wall, "xy")
        outside = False
        for key, corner in (("from_m", region.from_m), ("to_m", region.to_m)):
            for axis, value, end in zip(axes, corner, size, strict=True):
                if value > end + SLACK_M:
                    outside = True
                    yield Found(
                        ("regions", index, key),
                        f"a corner of the {shown(region.construction)} is at {axis} = {metres(value)}; the {region.wall} "
                        f"wall ends at {metres(end)}. Move the corner or enlarge the room.",
                    )
        if any(abs(a - b) <= SLACK_M for a, b in zip(region.from_m, region.to_m, strict=True)):
            yield Found(
                ("regions", index, "to_m"),
                f"the {shown(region.construction)} has no area: it goes from [{_plain(region.from_m)}] to "
                f"[{_plain(region.to_m)}]. Give two opposite corners.",
            )
        elif not outside and region.construction in known:
            name = region.construction
            new = surface_of(known[name], region.wall, region.from_m, region.to_m, name=name)
            yield from _cut_panes(laid, new, index)
            laid = [entry for entry in laid if not _covers(new, entry[1])]
            laid.append((("regions", index), new))


def _cut_panes(laid: Sequence[tuple[Path, Surface]], new: Surface, index: int) -> Iterator[Found]:
    for path, old in laid:
        if not isinstance(old.law, Pane) or not _overlap(new, old) or _covers(new, old):
            continue
        where = f"regions[{path[1]}]" if path[0] == "regions" else f"the whole {old.wall} wall"
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


def _plain(values: Sequence[float]) -> str:
    return ", ".join(number(value) for value in values)


def _outside(point: Sequence[float], room: Room) -> str:
    """Where a point leaves the room: ``x = 7.00 m; the room ends at 6.10 m``; empty if it is inside."""
    for axis, value, end in zip("xyz", point, room.size_m, strict=True):
        if value > end + SLACK_M:
            return f"{axis} = {metres(value)}; the room ends at {metres(end)}"
    return ""


def _boxes(parts: Parts, room: Room) -> Iterator[Found]:
    for key, word, entries in (("zones", "zone", parts.zones), ("keep_outs", "keep-out", parts.keep_outs)):
        for index, entry in entries.items():
            for end in ("from_m", "to_m"):
                if text := _outside(getattr(entry, end), room):
                    yield Found(
                        (key, index, end),
                        f"{word} {shown(entry.name)} has a corner at {text}. Move the corner or enlarge the room.",
                    )


def _cabinet(parts: Parts, room: Room) -> tuple[Cabinet | None, list[Found]]:
    """The cabinet and, if it cannot stand anywhere in the room, the fault."""
    cabinet = None if parts.subwoofer is None else cabinet_of(parts.subwoofer)
    if cabinet is None:
        return None, []
    if cabinet.fits(np.array([room.size_m]) / 2.0, room.size_m, clearance=False)[0]:
        return cabinet, []
    size = " x ".join(metres(side) for side in (cabinet.depth_m, cabinet.width_m, cabinet.height_m))
    text = f"the cabinet of {size} is larger than the room of {' x '.join(metres(side) for side in room.size_m)}."
    return None, [Found(("subwoofer", "cabinet_m"), f"{text} Give [depth, width, height] in m.")]


def _ears(parts: Parts) -> list[tuple[str, tuple[float, float, float]]]:
    return [
        (f"{row.name} {seat + 1}", (row.x_m, y, row.ear_height_m))
        for row in parts.rows.values()
        for seat, y in enumerate(row.y_m)
    ]


def _near_ear(parts: Parts, point: Sequence[float]) -> str:
    """``0.05 m from the ear at seat "front 1"`` if a point is too near one; else empty."""
    for name, ear in _ears(parts):
        distance = float(np.linalg.norm(np.array(ear) - np.array(point)))
        if distance < EAR_DISTANCE_M - SLACK_M:
            return f"{metres(distance)} from the ear at seat {shown(name)}"
    return ""


def _layout(parts: Parts, room: Room) -> Iterator[Found]:
    if parts.layout is None:
        return
    cabinet, _ = _cabinet(parts, room)
    for index, point in enumerate(parts.layout.positions_m):
        path: Path = ("layout", "positions_m", index)
        if text := _outside(point, room):
            yield Found(path, f"the subwoofer is at {text}. Move it or enlarge the room.")
            continue
        if text := _near_ear(parts, point):
            yield Found(path, f"the subwoofer is {text}; at least {metres(EAR_DISTANCE_M)} are needed. Move it.")
        if cabinet is not None and not cabinet.fits(np.array([point]), room.size_m, clearance=False)[0]:
            yield Found(
                path,
                f"the cabinet, centred on [{_plain(point)}], reaches through a wall, the floor or the ceiling. "
                f"{_cabinet_advice(cabinet)}",
            )


def _cabinet_advice(cabinet: Cabinet) -> str:
    side = min(cabinet.depth_m, cabinet.width_m) / 2.0
    return (
        f"Keep the position at least {metres(side)} off the walls and {metres(cabinet.height_m / 2.0)} off floor and "
        "ceiling."
    )


def _zones(parts: Parts, room: Room) -> Iterator[Found]:
    cabinet, misfit = _cabinet(parts, room)
    yield from misfit
    zones = {index: zone_box(table) for index, table in parts.zones.items()}
    inside = {i: zone for i, zone in zones.items() if not _outside(zone.high, room)}
    total = sum(zone.size for zone in inside.values())
    if total > MOST_POSITIONS:
        yield _too_many(inside, total)
        return
    if misfit or parts.subwoofer is None or "keep_outs" not in parts.whole:
        return
    boxes = [keep_out_box(table) for table in parts.keep_outs.values()]
    candidates, yields = lay_out(list(inside.values()), boxes, room_m=room.size_m, cabinet=cabinet)
    for index, outcome in zip(inside, yields, strict=True):
        if outcome.kept == 0:
            message = _emptied(outcome.positions, outcome.in_keep_out, outcome.no_fit, outcome.repeated)
            advice = f" {_cabinet_advice(cabinet)}" if cabinet is not None and outcome.no_fit else ""
            if outcome.in_keep_out:
                advice += f" Keep-outs: {_names_of(inside[index], boxes)}."
            yield Found(("zones", index), f"zone {shown(outcome.name)} gives no candidate: {message}.{advice}")
    if len(candidates) > MAX_CANDIDATES:
        yield _too_many(inside, len(candidates))
        return
    yield from _candidates_near_ears(parts, inside, candidates)
    complete = "zones" in parts.whole and len(inside) == len(zones) and zones
    if complete and parts.search is not None and len(candidates) > 0:
        most = max(parts.search.counts)
        if most > len(candidates):
            given = "search.counts asks" if "search" in parts.given else "the search asks by default"
            yield Found(
                ("search", "counts"),
                f"{given} for {most} subwoofers; the zones give {len(candidates)} candidates. Ask for fewer, add zones "
                "or take a smaller spacing_m.",
            )


def _emptied(positions: int, in_keep_out: int, no_fit: int, repeated: int) -> str:
    reasons = [
        (in_keep_out, "lie in keep-outs"),
        (no_fit, "leave no room for the cabinet and its clearance"),
        (repeated, "are already in another zone"),
    ]
    told = " and ".join(f"{count} {reason}" for count, reason in reasons if count)
    return f"of its {positions} positions {told}"


def _names_of(zone: Zone, boxes: Sequence[Box]) -> str:
    touching = [
        shown(box.name)
        for box in boxes
        if all(a <= d and c <= b for a, b, c, d in zip(zone.low, zone.high, box.low, box.high, strict=True))
    ]
    return ", ".join(touching)


def _too_many(zones: Mapping[int, Zone], total: int) -> Found:
    index, zone = max(zones.items(), key=lambda item: item[1].size)
    extended = max(1, sum(count > 1 for count in zone.counts))
    wider = zone.spacing_m * (total / MAX_CANDIDATES) ** (1.0 / extended)
    return Found(
        ("zones", index, "spacing_m"),
        f"the zones give {total} candidates; at most {MAX_CANDIDATES} can be searched. Take a larger spacing_m, here "
        f"about {metres(ceil(wider * 100.0 + 1e-9) / 100.0)} in place of {metres(zone.spacing_m)}.",
    )


def _candidates_near_ears(parts: Parts, zones: Mapping[int, Zone], candidates: Candidates) -> Iterator[Found]:
    told: set[str] = set()
    for name, point in zip(candidates.zone, candidates.position_m, strict=True):
        if name not in told and (text := _near_ear(parts, point)):
            told.add(name)
            index = next(i for i, zone in zones.items() if zone.name == name)
            yield Found(
                ("zones", index),
                f"zone {shown(name)} has a candidate at [{_plain(point)}], {text}; at least {metres(EAR_DISTANCE_M)} "
                "are needed. Move the zone or put a keep-out around the seats.",
            )
