"""Where subs are usually put: corners and the middles of walls, identical settings. Plans are compared with them.

Which layouts these are: common practice; corners and wall middles of a rectangular room are the layouts that
T. Welti, AES preprint 5602 (2002), compares (from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from roommodes.project.project import Project, cabinet_of

POINT_SUB_M = 0.25  # from wall to acoustic centre where the project gives no cabinet
CLEAR_OF_SEATS_M = 0.1

FRONT_LEFT, FRONT_RIGHT, REAR_LEFT, REAR_RIGHT = "front left", "front right", "rear left", "rear right"
FRONT, REAR, LEFT, RIGHT = "front middle", "rear middle", "left middle", "right middle"
CORNERS = (FRONT_LEFT, FRONT_RIGHT, REAR_LEFT, REAR_RIGHT)
MIDDLES = (FRONT, REAR, LEFT, RIGHT)
USUAL: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("in the front left corner", (FRONT_LEFT,)),
    ("in the front right corner", (FRONT_RIGHT,)),
    ("at the middle of the front wall", (FRONT,)),
    ("in the front corners", (FRONT_LEFT, FRONT_RIGHT)),
    ("at the middles of front and rear wall", (FRONT, REAR)),
    ("at the middles of left and right wall", (LEFT, RIGHT)),
    ("in the front corners and at the middle of the rear wall", (FRONT_LEFT, FRONT_RIGHT, REAR)),
    ("in the four corners", CORNERS),
    ("at the middles of the four walls", MIDDLES),
    ("in the four corners and at the middle of the front wall", (*CORNERS, FRONT)),
    ("in the four corners and at the middles of front and rear wall", (*CORNERS, FRONT, REAR)),
    ("in the four corners and at the middles of left and right wall", (*CORNERS, LEFT, RIGHT)),
    ("in the four corners and at the middles of front, left and right wall", (*CORNERS, FRONT, LEFT, RIGHT)),
    ("in the four corners and at the middles of the four walls", (*CORNERS, *MIDDLES)),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class UsualLayout:
    """A layout that a room gets when nobody computes one.

    Parameters
    ----------
    name : as in "four subs <name>".
    positions_m : (n_sub) of acoustic centres (x, y, z) [m].
    stands_free : whether every cabinet stands there clear of the keep-outs.
    """

    name: str
    positions_m: tuple[tuple[float, float, float], ...]
    stands_free: bool


def usual_layouts(project: Project, count: int, seat_m: Sequence[Sequence[float]]) -> tuple[UsualLayout, ...]:
    """The usual layouts with so many subs; those with a sub in a listener's lap or in a block are not.

    None where there are several kinds of subwoofer: a usual layout says nothing of kinds.

    Parameters
    ----------
    project : for room, cabinet and keep-outs.
    count : number of subs.
    seat_m : (n_seat, 3) [m].
    """
    if len(project.kinds) > 1:
        return ()
    places = _places(project)
    cabinet = cabinet_of(project.subwoofer)
    seats = np.asarray(seat_m, dtype=np.float64)
    found = []
    for name, chosen in USUAL:
        if len(chosen) != count:
            continue
        positions = tuple(places[place] for place in chosen)
        gap = np.linalg.norm(np.array(positions)[:, None] - seats[None], axis=-1)
        if gap.min() < CLEAR_OF_SEATS_M:
            continue
        if not project.room.is_box and not project.room.shape.contains(np.array(positions)).all():
            continue
        free = True
        if cabinet is not None:
            fits = cabinet.fits(
                np.array(positions),
                project.room.size_m,
                project.obstacles,
                clearance=False,
                shape=project.ground().shape,
            )
            free = bool(fits.all())
        found.append(UsualLayout(name=name, positions_m=positions, stands_free=free))
    return tuple(found)


def _places(project: Project) -> dict[str, tuple[float, float, float]]:
    """Acoustic centres of cabinets on what carries them, as near to walls as the air they need behind them allows."""
    length, width, height = project.room.size_m
    size = project.subwoofer.cabinet_m
    cabinet = cabinet_of(project.subwoofer)
    air = 0.0 if cabinet is None else cabinet.space_m("rear")
    under = 0.0 if cabinet is None else cabinet.space_m("bottom")
    forward, _, upward = project.subwoofer.acoustic_centre_m
    depth, across, up = (2.0 * POINT_SUB_M,) * 3 if size is None else size
    behind = max(0.0, depth / 2.0 + air + forward)
    front = min(behind, length / 2.0)
    rear = length - front
    floor = min(max(0.0, up / 2.0 + under + upward), height / 2.0)

    def on_what_carries(x: float, y: float) -> tuple[float, float, float]:
        under_m = 0.0 if project.room.is_box else project.room.shape.stands_on_m((x, y, height / 2.0))
        return (x, y, floor + under_m)

    def corner(x: float, *, right: bool) -> tuple[float, float, float]:
        inset = min(across, width) / 2.0
        return on_what_carries(x, width - inset if right else inset)

    side = min(behind, width / 2.0)  # a cabinet at a side wall faces across the room
    return {
        FRONT_LEFT: corner(front, right=False),
        FRONT_RIGHT: corner(front, right=True),
        REAR_LEFT: corner(rear, right=False),
        REAR_RIGHT: corner(rear, right=True),
        FRONT: on_what_carries(front, width / 2.0),
        REAR: on_what_carries(rear, width / 2.0),
        LEFT: on_what_carries(length / 2.0, side),
        RIGHT: on_what_carries(length / 2.0, width - side),
    }
