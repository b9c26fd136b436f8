"""Faults of blocks and slopes, and of what stands on them or does not lie in the air."""

from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from roommodes.acoustics.room import WALLS, Room
from roommodes.lengths import METRIC, Lengths
from roommodes.project.room import ears_of, room_of, slope_of
from roommodes.project.shape_tables import BlockTable, RowTable
from roommodes.project.tables import ZoneTable
from roommodes.project.valid_parts import SLACK_M, Found, Parts, outside
from roommodes.ranges import metres, number, plain
from roommodes.shapes.grid import SAME_M
from roommodes.shapes.shape import Shape
from roommodes.toml.values import shown

MOVE_STEP_M = 0.1  # places along a row's way that must lie in the air
STANDS_M = 1e-6


def shaped_room(parts: Parts) -> tuple[Room | None, list[Found]]:
    """The room with what is right of its blocks and slopes, and their faults; without them where they make no room."""
    if parts.building.room is None:
        return None, []
    found = [*_names(parts)]
    box = room_of(parts.building.room)
    for index, block in parts.building.blocks.items():
        for key in ("from_m", "to_m"):
            if text := outside(getattr(block, key), box):
                found.append(
                    Found(
                        ("blocks", index, key),
                        f"block {shown(block.name)} has a corner at {text}. Move the corner or enlarge the room.",
                    )
                )
    for index, slope in parts.building.slopes.items():
        axis, reach = "xy".index(slope.along), box.height_m
        for key in ("from_m", "to_m"):
            at, height = getattr(slope, key)
            for name, value, end in ((slope.along, at, box.size_m[axis]), ("z", height, reach)):
                if value > end + SLACK_M:
                    found.append(
                        Found(
                            ("slopes", index, key),
                            f"slope {shown(slope.name)} has an end at {name} = {metres(value)}; the room ends at "
                            f"{metres(end)}. Move the end or enlarge the room.",
                        )
                    )
        if abs(slope_of(slope).from_m[0] - slope_of(slope).to_m[0]) < SAME_M:
            found.append(
                Found(
                    ("slopes", index, "to_m"),
                    f"slope {shown(slope.name)} stands upright: both its ends are at {slope.along} = "
                    f"{metres(slope.from_m[0])}. Give ends apart, or use a block.",
                )
            )
    if found:
        return box, found
    blocks, slopes = list(parts.building.blocks.values()), list(parts.building.slopes.values())
    ears = ears_of(list(parts.places.rows.values()), blocks)
    room = room_of(parts.building.room, blocks, slopes, inside_m=ears[0] if ears else None)
    try:
        return (room if room.shape.volume_m3 > 0.0 else box), []
    except ValueError:
        key = "blocks" if blocks else "slopes"
        return box, [
            Found((key,), "blocks and slopes leave no air in the room. Make them smaller, or the room larger.")
        ]


def _names(parts: Parts) -> Iterator[Found]:
    """Names of blocks and slopes that are taken, or are no names for them."""
    first: dict[str, str] = {}
    for key, entries in (("blocks", parts.building.blocks), ("slopes", parts.building.slopes)):
        for index, entry in entries.items():
            path = (key, index, "name")
            if entry.name in WALLS:
                yield Found(path, f"{shown(entry.name)} is a wall's name; give it another.")
            elif ":" in entry.name:
                yield Found(
                    path, f"got {shown(entry.name)}; a colon stands between a block and its face. Leave it out."
                )
            elif entry.name in first:
                yield Found(
                    path, f"{first[entry.name]} has the name {shown(entry.name)} too; give each a name of its own."
                )
            first.setdefault(entry.name, f"{key}[{index}]")


def not_in_air(room: Room, point: Sequence[float]) -> str:
    """Why a point of the room's box is not in the air that counts: ``in the block "riser"``; empty if it is."""
    if room.is_box or room.shape.contains(np.array([point]))[0]:
        return ""
    for block in room.blocks:
        if all(
            low - STANDS_M <= at <= high + STANDS_M
            for low, at, high in zip(block.low_m, point, block.high_m, strict=True)
        ):
            return f"in the block {shown(block.name)}"
    for slope in room.slopes:
        low, high = slope.span_m
        if low <= point[slope.axis] <= high and point[2] > slope.height_m(point[slope.axis]):
            return f"above the slope {shown(slope.name)}"
    return "in a part of the room that blocks cut off from the first seat"


def row_faults(parts: Parts, room: Room) -> Iterator[Found]:
    """Rows that stand on no block, or are not in the air."""
    blocks = list(parts.building.blocks.values())
    for index, row in parts.places.rows.items():
        path = ("rows", index)
        if fault := _carried(parts.building.blocks, row, "row"):
            yield Found((*path, "on"), fault)
            continue
        ears = ears_of([row], blocks)
        if any(outside(ear, room) for ear in ears):
            continue
        for seat, ear in enumerate(ears, 1):
            if row.on is not None and not _over(parts.building.blocks, row.on, ear):
                yield Found(
                    (*path, "on"),
                    f"seat {seat} of row {shown(row.name)} at x = {metres(ear[0])}, y = {metres(ear[1])} is not over "
                    f"the block {shown(row.on)}. Move the row, or leave `on` out and count ear_height_m from the "
                    "floor.",
                )
            elif text := not_in_air(room, ear):
                yield Found(
                    path,
                    f"seat {seat} of row {shown(row.name)}, its ears at [{plain(ear)}], is {text}. Move the row, or "
                    "the block or slope.",
                )
        yield from _moved(index, row, ears, room)


def _moved(index: int, row: RowTable, ears: Sequence[Sequence[float]], room: Room) -> Iterator[Found]:
    """A row that would move into a block, or a cloud that reaches into one."""
    if room.is_box or any(not_in_air(room, ear) for ear in ears):
        return
    places: list[tuple[str, Sequence[float]]] = []
    front, rear = row.move_m or (0.0, 0.0)
    for by in np.arange(-front, rear + 1e-9, MOVE_STEP_M).tolist() + ([rear] if row.move_m else []):
        places += [("move_m", (x + by, y, z)) for x, y, z in ears if 0.0 <= x + by <= room.length_m]
    for axis, half in enumerate(row.cloud_m or ()):
        for ear in ears:
            for sign in (-1.0, 1.0):
                moved = list(ear)
                moved[axis] += sign * half
                if all(0.0 <= value <= end for value, end in zip(moved, room.size_m, strict=True)):
                    places.append(("cloud_m", moved))
    for key, place in places:
        if text := not_in_air(room, place):
            yield Found(
                ("rows", index, key),
                f"heads of row {shown(row.name)} would be at [{plain(place)}], {text}. Give less.",
            )
            return


def zone_faults(parts: Parts, room: Room) -> Iterator[Found]:
    """Zones that stand on no block, or reach into air that is cut off."""
    for index, zone in parts.places.zones.items():
        if fault := _carried(parts.building.blocks, zone, "zone"):
            yield Found(("zones", index, "on"), fault)
        elif zone.on is not None:
            block = next(block for block in parts.building.blocks.values() if block.name == zone.on)
            apart = [
                max(zone.from_m[a], zone.to_m[a]) < min(block.from_m[a], block.to_m[a]) - STANDS_M
                or min(zone.from_m[a], zone.to_m[a]) > max(block.from_m[a], block.to_m[a]) + STANDS_M
                for a in (0, 1)
            ]
            if any(apart):
                yield Found(
                    ("zones", index, "on"),
                    f"zone {shown(zone.name)} is not over the block {shown(zone.on)}. Move the zone, or leave `on` out "
                    "and count its heights from the floor.",
                )


def cut_off_positions(room: Room, position_m: np.ndarray) -> int:
    """How many positions lie in air that is cut off from the first seat."""
    if room.is_box or len(room.shape.parts_m3) == 1:
        return 0
    part = room.shape.part_of(position_m)
    return int(((part >= 0) & ~room.shape.contains(position_m)).sum())


def _carried(blocks: Mapping[int, BlockTable], entry: RowTable | ZoneTable, word: str) -> str:
    """What is wrong with what a row or zone stands on; empty if nothing is."""
    if entry.on is None:
        return ""
    names = [block.name for block in blocks.values()]
    if entry.on not in names:
        allowed = ", ".join(shown(block.name) for block in blocks.values() if block.carries) or "none in this file"
        return (
            f"{word} {shown(entry.name)} is on {shown(entry.on)}; there is no such block. Blocks that carry: {allowed}."
        )
    block = next(block for block in blocks.values() if block.name == entry.on)
    if not block.carries:
        return (
            f"{word} {shown(entry.name)} is on {shown(entry.on)}, which carries nothing. Give that block carries = "
            "true, if it does."
        )
    return ""


def _over(blocks: Mapping[int, BlockTable], name: str, point: Sequence[float]) -> bool:
    """Whether a point is over the block of a name."""
    block = next(block for block in blocks.values() if block.name == name)
    return all(
        min(block.from_m[a], block.to_m[a]) - STANDS_M <= point[a] <= max(block.from_m[a], block.to_m[a]) + STANDS_M
        for a in (0, 1)
    )


def shape_warnings(shape: Shape, lengths: Lengths = METRIC) -> Iterator[str]:
    """What a person should know of a room's shape."""
    for low, high, volume in shape.cut_off:
        where = (
            f"[{', '.join(map(lengths.text, low))}] to [{', '.join(map(lengths.text, high))}]"
            if lengths.feet
            else f"[{plain(low)}] to [{plain(high)}] m"
        )
        yield (
            f"{number(round(volume, 2))} m3 of air from {where} are cut off by blocks and "
            "left out: no sound goes there. Leave a gap if there is one."
        )
    for block in shape.blocks:
        if any(high - low < SAME_M for low, high in zip(block.low_m, block.high_m, strict=True)):
            yield f'block "{block.name}" has no volume; it takes nothing from the air.'
