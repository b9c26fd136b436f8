"""Surfaces against the room that they lie in: corners on their face, walls that make no sound.

Files are checked by the same sentences (`project.checks`).
"""

from collections.abc import Iterator, Sequence
from difflib import get_close_matches
from math import isfinite, pi

import numpy as np

from roommodes.acoustics.air import Air
from roommodes.acoustics.layering.layers import WallLaw
from roommodes.acoustics.plates.panes import Plate
from roommodes.acoustics.room import WALLS, Room, Surface, whole_face
from roommodes.acoustics.visible_surfaces import visible
from roommodes.acoustics.wall_laws import Rigid
from roommodes.errors import OutsideModel
from roommodes.ranges import metres, number, plain
from roommodes.shapes.faces import PLANE_AXES

ON_FACE_M = 1e-6  # projects keep their corners to the micrometre
NARROWEST_M = 1e-9
LOOKED_AT_HZ = np.geomspace(5.0, 400.0, 24)
ROUNDING = 1e-9  # of a real part of beta that is zero


def the_wall(face: str) -> str:
    """What a person calls a face: "left wall", "floor", "top of the riser", "roof"."""
    if face in {"front", "rear", "left", "right"}:
        return f"{face} wall"
    owner, _, side = face.rpartition(": ")
    return f"{side} of the {owner}" if owner else face


def wall_fault(wall: str, faces: Sequence[str]) -> str:
    """What is wrong with a face's name; empty if there is such a face."""
    if wall in faces:
        return ""
    near = get_close_matches(wall, faces, n=1, cutoff=0.6)
    mean = f" Did you mean {near[0]}?" if near else ""
    return f"allowed: {', '.join(faces)}.{mean}"


def corner_faults(room: Room, surface: Surface, *, shown_name: str) -> Iterator[tuple[str, str]]:
    """Corners beyond the end of a surface's wall, or of its block's or slope's face: (field, sentence) each.

    Parameters
    ----------
    room : the room.
    surface : on a face that the room has, corners in any order.
    shown_name : what the sentences call it.
    """
    wall = surface.wall
    if wall in WALLS:
        low, ends = (0.0, 0.0), room.wall_size_m(wall)
        axes = {"front": "yz", "rear": "yz", "left": "xz", "right": "xz"}.get(wall, "xy")
        advice = "Move the corner or enlarge the room."
    else:
        touched = room.shape.face(wall)
        if not touched:
            yield "wall", f"no air touches the {the_wall(wall)}, so that nothing can lie on it. Take another face."
            return
        whole = whole_face(room, wall, Rigid())
        low, ends = whole.from_m, whole.to_m
        normal = np.abs(touched[0].plane.normal)
        names = ["xyz"[axis] for axis in PLANE_AXES[int(normal.argmax())]]
        axes = "".join(names) if normal.max() > 1.0 - 1e-9 else ("yd" if touched[0].plane.along[1] else "xd")
        advice = "Move the corner."
    for key, corner in (("from_m", surface.from_m), ("to_m", surface.to_m)):
        for axis, value, start, end in zip(axes, corner, low, ends, strict=True):
            what = "the distance down the slope" if axis == "d" else axis
            if not start - ON_FACE_M <= value <= end + ON_FACE_M:
                side = f"begins at {metres(start)}" if value < start else f"ends at {metres(end)}"
                yield (
                    key,
                    f"a corner of the {shown_name} is at {what} = {metres(value)}; "
                    f"the {the_wall(wall)} {side}. {advice}",
                )


def area_fault(surface: Surface, *, shown_name: str, smallest_m: float) -> str:
    """Says that a surface is narrower than `smallest_m` [m]; empty if it is not."""
    if all(abs(a - b) >= smallest_m for a, b in zip(surface.from_m, surface.to_m, strict=True)):
        return ""
    return (
        f"the {shown_name} has no area: it goes from [{plain(surface.from_m)}] to "
        f"[{plain(surface.to_m)}]. Give opposite corners, at least {metres(smallest_m)} apart each way."
    )


def law_fault(law: WallLaw | Plate, air: Air) -> str:
    """What is wrong with a law in the model's band; empty if the wall takes sound, or nothing."""
    if isinstance(law, Plate):
        return ""
    beta = np.asarray(law.admittance((2.0 * pi * LOOKED_AT_HZ).astype(np.complex128), air))
    if beta.shape != LOOKED_AT_HZ.shape:
        return f"admittance gives shape {beta.shape} for {LOOKED_AT_HZ.shape} frequencies; give one value for each."
    lowest = int(np.argmin(np.where(np.isfinite(beta), beta.real, -np.inf)))
    value = complex(beta[lowest])
    if isfinite(value.real) and isfinite(value.imag) and value.real >= -ROUNDING * max(1.0, abs(value)):
        return ""
    return (
        f"the real part of beta is {number(value.real)} at {number(float(LOOKED_AT_HZ[lowest]))} Hz; "
        "0 or more, or the wall would make sound."
    )


def require_surfaces(room: Room, surfaces: Sequence[Surface]) -> None:
    """OutsideModel with a line for everything that is wrong with the surfaces of a room."""
    solids = [face for block in room.blocks for face in block.face_names]
    solids += [face for slope in room.slopes for face in (slope.name, slope.step_name)]
    faults: list[str] = []
    laws: dict[int, str] = {}
    for index, surface in enumerate(surfaces):
        where, name = f"surfaces[{index}]", f'"{surface.name or surface.wall}"'
        if text := wall_fault(surface.wall, [*WALLS, *solids]):
            faults.append(f'{where}.wall: got "{surface.wall}"; {text}')
            continue
        if surface.wall in WALLS or room.shape.face(surface.wall):  # one that no air touches counts for nothing
            faults += [f"{where}.{key}: {text}" for key, text in corner_faults(room, surface, shown_name=name)]
            if text := area_fault(surface, shown_name=name, smallest_m=NARROWEST_M):
                faults.append(f"{where}.to_m: {text}")
        if id(surface.law) not in laws:
            laws[id(surface.law)] = law_fault(surface.law, room.air)
            if laws[id(surface.law)]:
                faults.append(f"{where}.law: {laws[id(surface.law)]}")
    if not faults:
        try:
            visible(surfaces)
        except ValueError as fault:
            faults.append(f"surfaces: {fault}")
    if faults:
        raise OutsideModel("\n".join(faults))
