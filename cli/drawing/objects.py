"""What stands in the room, as the drawing needs it: cabinets as they are turned, parts of walls, keep-outs."""

from dataclasses import dataclass

import numpy as np

from cli.terminal.output import clean
from cli.words.wall_parts import triple
from roommodes.acoustics.room import AXIS_OF_WALL
from roommodes.arrays import Floats
from roommodes.places.zones import Triple, face_direction
from roommodes.plan.plan import Plan
from roommodes.project.project import Project, cabinet_of
from roommodes.subwoofer.tables import SubwooferTable

CLOSE_M = 0.3  # a box no further from a wall than this stands at it
VENTILATION = "v"  # key of a space for air
TOWARD = {(0, 1): "rear", (0, -1): "front", (1, 1): "right", (1, -1): "left"}


@dataclass(frozen=True, slots=True, kw_only=True)
class FreeSpace:
    """A space before a cabinet's face that must stay free, as wide and high as the face.

    Parameters
    ----------
    key : what needs it, for the sheet: d driver, p port, dp both, v ventilation (capitals stand for parts of walls).
    low_m, high_m : its corners [m].
    axis, direction : which way the face looks in the room; +1 or -1.
    """

    key: str
    low_m: Triple
    high_m: Triple
    axis: int
    direction: int

    @property
    def ventilation(self) -> bool:
        """Whether it is for air to an amplifier."""
        return self.key == VENTILATION


@dataclass(frozen=True, slots=True, kw_only=True)
class Stance:
    """A sub as it stands.

    Parameters
    ----------
    number : in its plan, from 1.
    centre_m : acoustic centre [m].
    low_m, high_m : corners of its cabinet; the centre where the cabinet is not known [m].
    clear_low_m, clear_high_m : the same with all the space that must stay free [m].
    faces : wall toward which it is turned; empty where the cabinet is not known.
    name : of its kind.
    spaces : what must stay free before its faces.
    """

    number: int
    centre_m: Triple
    low_m: Triple
    high_m: Triple
    clear_low_m: Triple
    clear_high_m: Triple
    faces: str
    name: str
    spaces: tuple[FreeSpace, ...] = ()

    @property
    def has_cabinet(self) -> bool:
        """Whether the cabinet's size is known."""
        return bool(self.faces)


def stances(plan: Plan) -> tuple[Stance, ...]:
    """Every sub of a plan with its cabinet turned as it fits, away from the nearest wall where it can."""
    return tuple(
        _stance(number, triple(position), plan.project, table)
        for number, (position, table) in enumerate(zip(plan.positions_m, plan.kinds, strict=True), start=1)
    )


def own_walls(low_m: Triple, high_m: Triple, room_m: Triple) -> tuple[str, ...]:
    """The upright walls that a box belongs to: the nearest one, and any other that it stands close to."""
    gaps = {
        wall: (room_m[axis] - high_m[axis]) if side else low_m[axis]
        for wall, (axis, side) in AXIS_OF_WALL.items()
        if axis < 2
    }
    near = max(min(gaps.values()) + 1e-6, CLOSE_M)
    return tuple(wall for wall, gap in gaps.items() if gap <= near)


def _stance(number: int, centre: Triple, project: Project, table: SubwooferTable) -> Stance:
    cabinet = cabinet_of(table)
    if cabinet is None:
        return Stance(
            number=number,
            centre_m=centre,
            low_m=centre,
            high_m=centre,
            clear_low_m=centre,
            clear_high_m=centre,
            faces="",
            name=clean(table.name, 40),
        )
    room = project.room.size_m
    facing = cabinet.facing_at(centre, room, project.obstacles, project.ground().shape)
    position = np.array([centre])
    low, high = cabinet.boxes(position.copy(), facing, clearance=False)
    clear_low, clear_high = cabinet.boxes(position.copy(), facing)
    return Stance(
        number=number,
        centre_m=centre,
        low_m=triple(low[0]),
        high_m=triple(high[0]),
        clear_low_m=triple(clear_low[0]),
        clear_high_m=triple(clear_high[0]),
        faces=TOWARD[facing],
        name=clean(table.name, 40),
        spaces=tuple(_before(low[0], high[0], facing, *wanted) for wanted in free_faces(table)),
    )


def free_faces(table: SubwooferTable) -> tuple[tuple[str, str, float], ...]:
    """Key, face and depth [m] of every space that must stay free before a cabinet."""
    port = table.port_face or (table.driver_face if table.port is not None else None)
    wanted = []
    if table.port_clearance_m > 0.0:
        keys = {table.driver_face: "d"}
        if port is not None:
            keys[port] = keys.get(port, "") + "p"
        wanted += [(key, face, table.port_clearance_m) for face, key in keys.items()]
    if table.ventilation_clearance_m > 0.0:
        wanted.append((VENTILATION, "rear", table.ventilation_clearance_m))
    return tuple(wanted)


def _before(low: Floats, high: Floats, facing: tuple[int, int], key: str, face: str, depth_m: float) -> FreeSpace:
    """The space before one face of a cabinet that is turned so."""
    outward = face_direction(face, facing)
    axis = int(np.argmax(np.abs(outward)))
    near, far = low.copy(), high.copy()
    if outward[axis] > 0:
        near[axis], far[axis] = high[axis], high[axis] + depth_m
    else:
        near[axis], far[axis] = low[axis] - depth_m, low[axis]
    return FreeSpace(
        key=key, low_m=triple(near), high_m=triple(far), axis=axis, direction=1 if outward[axis] > 0 else -1
    )
