"""Faults of main loudspeakers: woofers or cabinets where they cannot be; warnings for seats, picture and subs."""

from collections.abc import Callable, Iterator, Sequence

import numpy as np

from roommodes.acoustics.room import Room
from roommodes.lengths import lengths_of
from roommodes.places.boxes import Box, TurnedBox
from roommodes.project.project import Project
from roommodes.project.room import keep_out_box
from roommodes.project.shape_checks import not_in_air
from roommodes.project.valid_parts import SLACK_M, Found, Parts, outside
from roommodes.ranges import metres
from roommodes.shapes.shape import Shape
from roommodes.toml.lines import Path
from roommodes.toml.values import shown

MEETING_OCTAVES = 0.25  # least part of the band on each side of the crossover, in which subs and mains are made to meet
EAR_DISTANCE_M = 0.1  # an acoustic centre cannot be nearer to an ear than this
SEAT_M = 0.3  # about a head, for the body: half the width of a seat (common practice, no source)
CROWN_M = 0.15  # above the ears
WALLS = (("front wall", "rear wall"), ("left wall", "right wall"), ("floor", "ceiling"))


def mains_faults(parts: Parts, room: Room, near_ear: Callable[[Parts, Sequence[float]], str]) -> Iterator[Found]:
    """Where main loudspeakers cannot be.

    Parameters
    ----------
    parts, room : of the project.
    near_ear : says how near a point is to an ear where that is too near; else empty.
    """
    if parts.chain.mains is None:
        return
    for index, point in enumerate(parts.chain.mains.positions_m):
        path: Path = ("mains", "positions_m", index)
        if text := outside(point, room):
            yield Found(path, f"the main loudspeaker is at {text}. Move it or enlarge the room.")
        elif text := not_in_air(room, point):
            yield Found(path, f"the main loudspeaker is {text}. Move it into the air.")
        elif text := near_ear(parts, point):
            yield Found(path, f"the main loudspeaker is {text}; at least {metres(EAR_DISTANCE_M)} are needed. Move it.")
        else:
            yield from _body(parts, room, index)


def _body(parts: Parts, room: Room, index: int) -> Iterator[Found]:
    """What the cabinet of one main loudspeaker reaches into."""
    bodies = () if parts.chain.mains is None else parts.chain.mains.bodies
    if not bodies:
        return
    body, path = bodies[index], ("mains", "positions_m", index)
    for axis, walls in enumerate(WALLS):
        for beyond, wall in zip((-body.low[axis], body.high[axis] - room.size_m[axis]), walls, strict=True):
            if beyond > SLACK_M:
                yield Found(
                    path,
                    f"its cabinet reaches {metres(beyond)} through the {wall}. Move it, turn it or change its size.",
                )
                return
    low, high = np.array([body.low]), np.array([body.high])
    solid = [block for block in room.blocks if body.cuts(np.array([block.low_m]), np.array([block.high_m]))[0]]
    for block in solid:
        yield Found(path, f"its cabinet reaches into the block {shown(block.name)}. Move it or turn it.")
    if room.slopes and not solid and not Shape(size_m=room.size_m, slopes=room.slopes).clear(low, high)[0]:
        yield Found(path, "its cabinet reaches through a slope. Move it or take a lower one.")
    boxes = [keep_out_box(table) for table in parts.places.keep_outs.values()]
    for name in _met(body, boxes):
        yield Found(path, f"its cabinet reaches into the keep-out {shown(name)}. Move one of the two.")
    for other in bodies[:index]:
        if body.meets(other):
            yield Found(path, f"its cabinet and that of {other.name} overlap. Move one of the two.")


def _met(body: TurnedBox, boxes: Sequence[Box]) -> list[str]:
    return [box.name for box in boxes if body.cuts(np.array([box.low]), np.array([box.high]))[0]]


def search_with_mains_faults(parts: Parts) -> Iterator[Found]:
    """A search that hears the mains needs some, and a band that reaches across their crossover."""
    if parts.search is None or not parts.search.with_mains:
        return
    mains = parts.chain.mains
    path: Path = ("search", "with_mains")
    if "mains" not in parts.given or (mains is not None and not (mains.positions_m or mains.measured)):
        yield Found(path, "there are no main loudspeakers; give [mains] with positions_m (measured plans: measured).")
    if mains is None:
        return
    (low, high), part = parts.search.band_hz, 2.0**MEETING_OCTAVES
    if low * part > mains.frequency_hz or mains.frequency_hz * part > high:
        yield Found(
            path,
            f"the band of the search, {low:g} to {high:g} Hz, must reach a quarter of an octave beyond the crossover "
            f"at {mains.frequency_hz:g} Hz on both sides. Widen band_hz, or leave the key out.",
        )


def mains_warnings(project: Project) -> Iterator[str]:
    """Cabinets of the mains among seats, before or in the picture, and in the subs of the project's layout."""
    lengths = lengths_of(project)
    for body in project.mains_bodies:
        for name, ear in zip(project.seats.name, project.seats.position_m, strict=True):
            low, high = ear - SEAT_M, ear + SEAT_M
            low[2], high[2] = 0.0, ear[2] + CROWN_M
            if body.cuts(low[None], high[None])[0]:
                yield f"{body.name}: its cabinet reaches into the place of seat {name}. Move one of the two."
        yield from _before_picture(project, body)
    if (layout := project.layout) is None:
        return
    for number, (at, kind) in enumerate(zip(layout.positions_m, layout.kind, strict=True), start=1):
        ground = project.ground(kind)
        if (cabinet := ground.cabinet) is None:
            continue
        facing = cabinet.facing_at(at, ground.room_m, ground.keep_outs, ground.shape)
        low, high = cabinet.boxes(np.array([at]), facing, clearance=False)
        for body in project.mains_bodies:
            if body.cuts(low, high)[0]:
                yield (
                    f"layout: sub {number} at {lengths.sides(*at)} and the cabinet of {body.name} overlap; one of the "
                    "two must go elsewhere."
                )


def _before_picture(project: Project, body: TurnedBox) -> Iterator[str]:
    screen = project.screen
    if screen is None:
        return
    picture, middle = screen.picture, project.room.width_m / 2.0
    foot = 0.0 if picture.foot_m is None else picture.foot_m
    top = project.room.height_m if picture.top_m is None else picture.top_m
    half = picture.width_m / 2.0
    window = (np.array([[picture.at_m, middle - half, foot]]), np.array([[project.room.length_m, middle + half, top]]))
    if picture.foot_m is None or not body.cuts(*window)[0]:
        return
    where = "reaches through" if body.low[0] < picture.at_m - SLACK_M else "stands before"
    yield (
        f"{body.name}: its cabinet {where} the picture, from {lengths_of(project).text(foot)} to "
        f"{lengths_of(project).text(top)} above the floor. Put it behind a screen that lets sound through, beside the "
        "picture or under it."
    )
