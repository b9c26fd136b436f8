"""What stands in the room, as the drawing needs it: cabinets as they are turned, parts of walls, keep-outs."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cli.plan_file import ChosenPlan
from cli.terminal import clean
from roommodes.laws import DoubleGlazing
from roommodes.project import Project, cabinet_of, the_wall
from roommodes.rooms import PLANE_AXES, Pane, Wall
from roommodes.zones import Cabinet, Triple

Floats = NDArray[np.float64]

TOWARD = {(0, 1): "rear", (0, -1): "front", (1, 1): "right", (1, -1): "left"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Stance:
    """A sub as it stands.

    Parameters
    ----------
    number : in its plan, from 1.
    centre_m : acoustic centre [m].
    low_m, high_m : corners of its cabinet; the centre where the cabinet is not known [m].
    clear_low_m, clear_high_m : the same with all the space that must stay free [m].
    before, behind : corners of the free space before driver or port, and of that for ventilation; None where there is
        none asked for [m].
    faces : wall toward which it is turned; empty where the cabinet is not known.
    axis : axis of the room along which it faces.
    """

    number: int
    centre_m: Triple
    low_m: Triple
    high_m: Triple
    clear_low_m: Triple
    clear_high_m: Triple
    faces: str
    axis: int
    before: tuple[Triple, Triple] | None = None
    behind: tuple[Triple, Triple] | None = None

    @property
    def has_cabinet(self) -> bool:
        """Whether the cabinet's size is known."""
        return bool(self.faces)


@dataclass(frozen=True, slots=True, kw_only=True)
class WallPart:
    """A part of a wall with its own construction.

    Parameters
    ----------
    key : letter on the sheet.
    wall : the wall it lies on.
    from_m, to_m : corners along the wall's two axes [m].
    name : its construction.
    glass : whether it is glass.
    """

    key: str
    wall: Wall
    from_m: tuple[float, float]
    to_m: tuple[float, float]
    name: str
    glass: bool

    def words(self) -> str:
        """What it is and where, in mm."""
        (a0, b0), (a1, b1) = self.from_m, self.to_m
        along = {"front": "left wall", "rear": "left wall"}.get(self.wall, "front wall")
        up = "left wall" if self.wall in {"floor", "ceiling"} else "floor"
        return (
            f"{self.name}, {the_wall(self.wall)}: {_mm(a0)} to {_mm(a1)} from {along}, {_mm(b0)} to {_mm(b1)} from {up}"
        )


def stances(plan: ChosenPlan) -> tuple[Stance, ...]:
    """Every sub of a plan with its cabinet turned as it fits, away from the nearest wall where it can."""
    project = plan.project
    cabinet = cabinet_of(project.subwoofer)
    return tuple(
        _stance(number, _triple(position), project, cabinet)
        for number, position in enumerate(plan.positions_m, start=1)
    )


def wall_parts(project: Project) -> tuple[WallPart, ...]:
    """The regions of a project in their order, with letters."""
    surfaces = project.surfaces()[-len(project.tables.regions) :] if project.tables.regions else ()
    return tuple(
        WallPart(
            key=_letter(index),
            wall=surface.wall,
            from_m=surface.from_m,
            to_m=surface.to_m,
            name=clean(region.construction, 40),
            glass=isinstance(surface.law, Pane | DoubleGlazing),
        )
        for index, (region, surface) in enumerate(zip(project.tables.regions, surfaces, strict=True))
    )


def box_of(part: WallPart, room_m: Triple, normal: int, side: int) -> tuple[Triple, Triple]:
    """A part of a wall as a flat box in the room."""
    first, second = PLANE_AXES[normal]
    low, high = [0.0, 0.0, 0.0], [0.0, 0.0, 0.0]
    low[normal] = high[normal] = side * room_m[normal]
    low[first], high[first] = part.from_m[0], part.to_m[0]
    low[second], high[second] = part.from_m[1], part.to_m[1]
    return _triple(low), _triple(high)


def _stance(number: int, centre: Triple, project: Project, cabinet: Cabinet | None) -> Stance:
    if cabinet is None:
        return Stance(
            number=number,
            centre_m=centre,
            low_m=centre,
            high_m=centre,
            clear_low_m=centre,
            clear_high_m=centre,
            faces="",
            axis=0,
        )
    room = project.room().size_m
    facing = cabinet.facing_at(centre, room, project.keep_outs)
    position = np.array([centre])
    low, high = cabinet.boxes(position.copy(), facing, clearance=False)
    clear_low, clear_high = cabinet.boxes(position.copy(), facing)
    return Stance(
        number=number,
        centre_m=centre,
        low_m=_triple(low[0]),
        high_m=_triple(high[0]),
        clear_low_m=_triple(clear_low[0]),
        clear_high_m=_triple(clear_high[0]),
        faces=TOWARD[facing],
        axis=facing[0],
        before=_beside(low[0], high[0], facing, cabinet.space_m("front")),
        behind=_beside(low[0], high[0], (facing[0], -facing[1]), cabinet.space_m("rear")),
    )


def _beside(low: Floats, high: Floats, toward: tuple[int, int], depth_m: float) -> tuple[Triple, Triple] | None:
    """Corners of a space as wide and high as a cabinet, on one side of it."""
    if depth_m <= 0.0:
        return None
    axis, direction = toward
    near, far = low.copy(), high.copy()
    if direction > 0:
        near[axis], far[axis] = high[axis], high[axis] + depth_m
    else:
        near[axis], far[axis] = low[axis] - depth_m, low[axis]
    return _triple(near), _triple(far)


def _triple(values: object) -> Triple:
    x, y, z = np.asarray(values, dtype=np.float64).tolist()
    return (x, y, z)


def _letter(index: int) -> str:
    return chr(ord("A") + index % 26) + ("" if index < 26 else str(index // 26))


def _mm(metres: float) -> str:
    return f"{1e3 * metres:.0f}"
