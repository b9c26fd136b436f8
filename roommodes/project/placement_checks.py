"""Faults of zones, keep-outs, cabinets and layouts: where a subwoofer cannot be."""

from collections.abc import Iterator, Mapping, Sequence
from math import ceil

import numpy as np

from roommodes.acoustics.room import Room
from roommodes.places.boxes import Box
from roommodes.places.kinds import different_places, lay_out_kinds
from roommodes.places.zones import Cabinet, Candidates, Ears, Ground, Zone, ZoneYield
from roommodes.project.placing.mains_checks import mains_faults
from roommodes.project.project import cabinet_of
from roommodes.project.room import ears_of, height_of, keep_out_box, under_m, zone_box
from roommodes.project.shape_checks import cut_off_positions, not_in_air
from roommodes.project.tables import MAX_CANDIDATES, ZoneTable
from roommodes.project.valid_parts import SLACK_M, Found, KindPart, Parts, outside
from roommodes.ranges import metres, plain
from roommodes.toml.lines import Path
from roommodes.toml.values import shown

EAR_DISTANCE_M = 0.1  # a sub's acoustic centre cannot be nearer to an ear than this
NO_STEP = "it holds no place in whole steps of search.round_m. Widen the zone or take smaller steps."
MOST_POSITIONS = 20000  # of all zones together, before anything is dropped; more is not even tried


def placement_faults(parts: Parts, room: Room) -> list[Found]:
    """All faults of where subwoofers stand or may stand."""
    return [
        *_boxes(parts, room),
        *_layout(parts, room),
        *mains_faults(parts, room, _near_ear),
        *_electrical(parts, room),
        *_zones(parts, room),
    ]


def _boxes(parts: Parts, room: Room) -> Iterator[Found]:
    for key, word, entries in (
        ("zones", "zone", parts.places.zones),
        ("keep_outs", "keep-out", parts.places.keep_outs),
    ):
        for index, entry in entries.items():
            above = height_of(list(parts.building.blocks.values()), entry.on) if isinstance(entry, ZoneTable) else 0.0
            for end in ("from_m", "to_m"):
                x, y, z = getattr(entry, end)
                if isinstance(entry, ZoneTable) and entry.stands == "floor":
                    z = 0.0
                if text := outside((x, y, z + above), room):
                    yield Found(
                        (key, index, end),
                        f"{word} {shown(entry.name)} has a corner at {text}. Move the corner or enlarge the room.",
                    )


def _cabinet(one: KindPart, room: Room) -> tuple[Cabinet | None, list[Found]]:
    """The cabinet of a kind and, if it cannot stand anywhere in the room, the fault."""
    cabinet = cabinet_of(one.table)
    if cabinet is None:
        return None, []
    if cabinet.fits(np.array([room.size_m]) / 2.0, room.size_m, clearance=False)[0]:
        return cabinet, []
    size = " x ".join(metres(side) for side in (cabinet.depth_m, cabinet.width_m, cabinet.height_m))
    text = f"the cabinet of {size} is larger than the room of {' x '.join(metres(side) for side in room.size_m)}."
    return None, [Found((*one.path, "cabinet_m"), f"{text} Give [depth, width, height] in m.")]


def _ears(parts: Parts) -> list[tuple[str, tuple[float, float, float]]]:
    blocks = list(parts.building.blocks.values())
    return [
        (f"{row.name} {seat}", ear)
        for row in parts.places.rows.values()
        for seat, ear in enumerate(ears_of([row], blocks), start=1)
    ]


def _near_ear(parts: Parts, point: Sequence[float]) -> str:
    """``0.05 m from the ear at seat "front 1"`` if a point is too near one; else empty."""
    for name, ear in _ears(parts):
        distance = float(np.linalg.norm(np.array(ear) - np.array(point)))
        if distance < EAR_DISTANCE_M - SLACK_M:
            return f"{metres(distance)} from the ear at seat {shown(name)}"
    return ""


def _electrical(parts: Parts, room: Room) -> Iterator[Found]:
    """Where amplifiers and the supply are; a cupboard may well be in a block."""
    chain = parts.chain
    places: list[tuple[Path, Sequence[float] | None]] = []
    for one in chain.subs:
        if one.table.amplifier is not None:
            places.append(((*one.path, "amplifier", "at_m"), one.table.amplifier.at_m))
    places += [(("amplifiers", index, "at_m"), one.at_m) for index, one in chain.amplifiers.items()]
    if chain.electrical is not None:
        places.append((("electrical", "board_m"), chain.electrical.board_m))
    for path, point in places:
        if point is not None and (text := outside(point, room)):
            yield Found(path, f"it is at {text}. Move it or enlarge the room.")


def _layout(parts: Parts, room: Room) -> Iterator[Found]:
    if parts.layout is None:
        return
    cabinets = {one.table.name: _cabinet(one, room)[0] for one in parts.chain.subs}
    kinds = parts.layout.kinds or ()
    for index, point in enumerate(parts.layout.positions_m):
        path: Path = ("layout", "positions_m", index)
        named = cabinets.get(kinds[index]) if index < len(kinds) else None
        cabinet = named if kinds else next(iter(cabinets.values()), None)
        if text := outside(point, room):
            yield Found(path, f"the subwoofer is at {text}. Move it or enlarge the room.")
            continue
        if text := not_in_air(room, point):
            yield Found(path, f"the subwoofer is {text}. Move it into the air.")
            continue
        if text := _near_ear(parts, point):
            yield Found(path, f"the subwoofer is {text}; at least {metres(EAR_DISTANCE_M)} are needed. Move it.")
        if (
            cabinet is not None
            and not cabinet.fits(
                np.array([point]), room.size_m, clearance=False, shape=None if room.is_box else room.shape
            )[0]
        ):
            what = "a wall, the floor or the ceiling" if room.is_box else "a wall, the floor, the ceiling or a block"
            yield Found(
                path,
                f"the cabinet, centred on [{plain(point)}], reaches through {what}. {_cabinet_advice(cabinet)}",
            )


def _cabinet_advice(cabinet: Cabinet) -> str:
    side = min(cabinet.depth_m, cabinet.width_m) / 2.0
    return (
        f"Keep the position at least {metres(side)} off the walls and {metres(cabinet.height_m / 2.0)} off floor and "
        "ceiling."
    )


def _zones(parts: Parts, room: Room) -> Iterator[Found]:
    cabinets = [(one, *_cabinet(one, room)) for one in parts.chain.subs]
    misfits = [fault for _, _, misfit in cabinets for fault in misfit]
    yield from misfits
    yield from _unknown_height(parts)
    zones = _zone_boxes(parts, under_m(parts.chain.subs[0].table) if parts.chain.subs else None)
    inside = {i: zone for i, zone in zones.items() if not outside(zone.high, room)}
    total = sum(zone.size for zone in inside.values())
    if total > MOST_POSITIONS:
        yield _too_many(inside, total)
        return
    if misfits or not cabinets or "keep_outs" not in parts.whole:
        return
    boxes = _obstacles(parts)
    grounds = [_ground(parts, room, cabinet, boxes) for _, cabinet, _ in cabinets]
    allowed = [_allowed(parts, one, inside) for one, _, _ in cabinets]
    own_zones = [_zone_boxes(parts, under_m(one.table)) for one, _, _ in cabinets]
    candidates, several = lay_out_kinds(
        [[boxes_of[index] for index in own] for boxes_of, own in zip(own_zones, allowed, strict=True)],
        grounds,
        [one.table.name for one, _, _ in cabinets],
    )
    came = list(zip([index for own in allowed for index in own], several, strict=True))
    yields = {index: [one for at, one in came if at == index] for index in inside}
    for index, zone in inside.items():
        if cut_off := cut_off_positions(room, zone.positions()):
            yield Found(
                ("zones", index),
                f"zone {shown(zone.name)} has {cut_off} of its {zone.size} positions in air that blocks cut off from "
                "the seats. Leave a gap between the blocks if there is one, or move the zone.",
            )
    yield from _fixed(parts, yields, inside)
    by_name = {one.table.name: cabinet for one, cabinet, _ in cabinets}
    for index, outcomes in yields.items():
        if outcomes and all(one.kept == 0 and not one.repeated for one in outcomes):
            yield _no_candidate(index, outcomes, by_name, _names_of(inside[index], boxes))
    if len(candidates) > MAX_CANDIDATES:
        yield _too_many(inside, len(candidates))
        return
    yield from _candidates_near_ears(parts, inside, candidates)
    complete = "zones" in parts.whole and len(inside) == len(zones) and zones
    if complete and parts.search is not None and len(candidates) > 0:
        most, places = max(parts.search.counts), len(different_places(candidates.position_m)[0])
        if most > places:
            given = "search.counts asks" if "search" in parts.given else "the search asks by default"
            yield Found(
                ("search", "counts"),
                f"{given} for {most} subwoofers; the zones give {places} candidates. Ask for fewer, add zones "
                "or take a smaller spacing_m.",
            )


def _ground(parts: Parts, room: Room, cabinet: Cabinet | None, boxes: Sequence[Box]) -> Ground:
    """What decides where subs with a cabinet may stand."""
    search = parts.search
    ears = np.array([ear for _, ear in _ears(parts)]).reshape(-1, 3)
    return Ground(
        keep_outs=boxes,
        room_m=room.size_m,
        cabinet=cabinet,
        ears=Ears(position_m=ears, distance_m=0.0 if search is None else search.seat_distance_m),
        shape=None if room.is_box else room.shape,
        round_m=0.0 if search is None else search.round_m,
        mirror=search is not None and search.mirror,
    )


def _allowed(parts: Parts, one: KindPart, inside: Mapping[int, Zone]) -> list[int]:
    """The zones, by their index, in which a kind may stand."""
    named = ((index, parts.places.zones[index].kinds) for index in inside)
    return [index for index, kinds in named if kinds is None or one.table.name in kinds]


def _no_candidate(
    index: int, outcomes: Sequence[ZoneYield], cabinets: Mapping[str, Cabinet | None], keep_outs: str
) -> Found:
    """A zone in which no sub can stand, of whatever kind."""
    said = []
    for one in outcomes:
        cabinet = cabinets[one.kind] if one.kind else next(iter(cabinets.values()))
        advice = f" {_cabinet_advice(cabinet)}" if cabinet is not None and one.no_fit else ""
        if one.in_keep_out:
            advice += f" Keep-outs: {keep_outs}."
        of = f" for {shown(one.kind)}" if one.kind else ""
        why = f"{_emptied(one)}.{advice}" if one.positions else NO_STEP
        said.append(f"gives no candidate{of}: {why}")
    return Found(("zones", index), f"zone {shown(outcomes[0].name)} {' It '.join(said)}")


def _obstacles(parts: Parts) -> list[Box]:
    """Where nothing may stand: keep-outs and the mains' cabinets."""
    bodies = () if parts.chain.mains is None else parts.chain.mains.bodies
    return [*(keep_out_box(table) for table in parts.places.keep_outs.values()), *bodies]


def _zone_boxes(parts: Parts, under: float | None) -> dict[int, Zone]:
    """The zones by their index, for a kind whose acoustic centre is so far above its foot [m]."""
    blocks = list(parts.building.blocks.values())
    return {index: zone_box(table, height_of(blocks, table.on), under) for index, table in parts.places.zones.items()}


def _unknown_height(parts: Parts) -> Iterator[Found]:
    unknown = [one.table.name for one in parts.chain.subs if under_m(one.table) is None]
    for index, table in parts.places.zones.items():
        if table.stands == "floor" and any(table.kinds is None or name in table.kinds for name in unknown):
            yield Found(
                ("zones", index, "stands"),
                f"zone {shown(table.name)} stands on the floor; how high the acoustic centres are follows from "
                "cabinet_m in [subwoofer], which is missing. Give [depth, width, height] in m.",
            )


def _fixed(parts: Parts, yields: Mapping[int, Sequence[ZoneYield]], inside: Mapping[int, Zone]) -> Iterator[Found]:
    """Faults of zones in which a subwoofer must stand."""
    fixed = [index for index in inside if parts.places.zones[index].fixed]
    for index, outcomes in yields.items():
        outcome = outcomes[0] if outcomes else None
        if index in fixed and outcome is not None and outcome.positions > 1:
            yield Found(
                ("zones", index, "fixed"),
                f"zone {shown(outcome.name)} has {outcome.positions} positions; a subwoofer can be fixed only in a "
                "zone of one. Give it from_m and to_m alike.",
            )
    if parts.search is not None and fixed and (least := min(parts.search.counts)) < len(fixed):
        yield Found(
            ("search", "counts"),
            f"asks for {least}, but {len(fixed)} zones are fixed, so every layout has at least {len(fixed)} subwoofers."
            " Ask for more or fix fewer.",
        )


def _emptied(outcome: ZoneYield) -> str:
    one = outcome.positions == 1
    reasons = [
        (outcome.in_keep_out, "lies in a keep-out" if one else "in keep-outs"),
        (outcome.no_air, "lies in a block or above a slope" if one else "in blocks or above slopes"),
        (
            outcome.no_fit,
            "leaves no space for the cabinet and its clearance" if one else "without space for the cabinet",
        ),
        (outcome.near_seat, "is nearer to a seat than search.seat_distance_m" if one else "too near to a seat"),
    ]
    told = " and ".join(reason if one else f"{count} {reason}" for count, reason in reasons if count)
    return f"its only position {told}" if one else f"of its {outcome.positions} positions {told}"


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
                f"zone {shown(name)} has a candidate at [{plain(point)}], {text}; at least {metres(EAR_DISTANCE_M)} "
                "are needed. Move the zone or put a keep-out around the seats.",
            )
