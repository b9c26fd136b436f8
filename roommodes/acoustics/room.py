"""The room, a box with blocks and slopes in it, and the surfaces on its faces.

Axes: origin at the front (screen) wall, left wall, floor corner; x runs from front to rear (length), y from
left to right as seen by a person facing the screen (width), z up (height).

```
            rear  x = length
        +----------------+
        |                |
  left  |      seats     |  right        z: floor = 0, ceiling = height
  y = 0 |                |  y = width
        +----------------+
            front x = 0 (screen)
```
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Literal

from roommodes.acoustics.air import Air
from roommodes.acoustics.layering.layers import WallLaw
from roommodes.acoustics.plates.panes import Plate
from roommodes.ranges import Allowed, require
from roommodes.shapes.faces import PLANE_AXES
from roommodes.shapes.shape import Shape
from roommodes.shapes.solids import Block, Slope, Triple

LOSS_FACTOR = Allowed(low=0.0, high=1.0)  # of the bulk; files allow less
_SIDE = Allowed(low=0.0, high=10_000.0, unit="m", above_low=True)
Wall = Literal["front", "rear", "left", "right", "floor", "ceiling"]
WALLS: tuple[Wall, ...] = ("front", "rear", "left", "right", "floor", "ceiling")
# wall -> (normal axis, 0 at the origin side or 1 at the far side)
AXIS_OF_WALL: Mapping[str, tuple[int, int]] = MappingProxyType(
    {
        "front": (0, 0),
        "rear": (0, 1),
        "left": (1, 0),
        "right": (1, 1),
        "floor": (2, 0),
        "ceiling": (2, 1),
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Room:
    """A room filled with air: a box, less its blocks and what lies above its slopes.

    Parameters
    ----------
    length_m, width_m, height_m : inner dimensions of the box along x, y, z [m].
    air : the air in it.
    loss_factor : eta of the bulk, k = (omega / c)(1 - j eta / 2) [-].
    blocks, slopes : what of the box is not air.
    inside_m : a point in the part of the air that counts, where blocks cut it; None for the largest part [m].

    Raises
    ------
    OutsideModel : a side is not above 0, or the loss factor is not from 0 to 1.
    """

    length_m: float
    width_m: float
    height_m: float
    air: Air = field(default_factory=Air)
    loss_factor: float = 0.004
    blocks: tuple[Block, ...] = ()
    slopes: tuple[Slope, ...] = ()
    inside_m: Triple | None = None

    def __post_init__(self) -> None:
        sides = {name: (getattr(self, name), _SIDE) for name in ("length_m", "width_m", "height_m")}
        require("Room", {**sides, "loss_factor": (self.loss_factor, LOSS_FACTOR)})

    @property
    def size_m(self) -> tuple[float, float, float]:
        """(length, width, height) of the box [m]."""
        return (self.length_m, self.width_m, self.height_m)

    @property
    def shape(self) -> Shape:
        """What of it is air.

        Raises
        ------
        ValueError : nothing is, or a slope leaves the box.
        """
        return Shape(size_m=self.size_m, blocks=self.blocks, slopes=self.slopes, inside_m=self.inside_m)

    @property
    def is_box(self) -> bool:
        """Whether the air fills the whole box."""
        return not (self.blocks or self.slopes) or self.shape.is_box

    @property
    def volume_m3(self) -> float:
        """Volume of the air [m3]."""
        return self.length_m * self.width_m * self.height_m if self.is_box else self.shape.volume_m3

    @property
    def wall_area_m2(self) -> float:
        """Area of all faces [m2]."""
        if not self.is_box:
            return self.shape.surface_m2
        x, y, z = self.size_m
        return 2.0 * (x * y + y * z + z * x)

    @property
    def edge_length_m(self) -> float:
        """Sum of the edges, each as long as a square one that counts as much among the modes [m]."""
        return 4.0 * sum(self.size_m) if self.is_box else self.shape.square_edge_length_m

    def wall_size_m(self, wall: str) -> tuple[float, float]:
        """Extent of a wall of the box along its two axes, in the order x, y, z [m]."""
        along, up = PLANE_AXES[AXIS_OF_WALL[wall][0]]
        return (self.size_m[along], self.size_m[up])


@dataclass(frozen=True, slots=True, kw_only=True)
class Surface:
    """A rectangle of a face and what it is made of. A later surface replaces what lies under it.

    Parameters
    ----------
    wall : which wall, or which face of a block or slope, as `shapes.solids` names them.
    from_m, to_m : opposite corners along the wall's two axes in the order x, y, z, given in any order and kept with
        the lower numbers first [m]
        (front, rear: (y, z); left, right: (x, z); floor, ceiling: (x, y)); on a slope as in `shapes.faces`.
    law : a locally reacting law, or one that vibrates as a plate.
    name : what a person calls it.
    """

    wall: str
    from_m: tuple[float, float]
    to_m: tuple[float, float]
    law: WallLaw | Plate
    name: str = ""

    def __post_init__(self) -> None:
        (a, b), (c, d) = self.from_m, self.to_m
        if a > c or b > d:
            object.__setattr__(self, "from_m", (min(a, c), min(b, d)))
            object.__setattr__(self, "to_m", (max(a, c), max(b, d)))


def whole_face(room: Room, face: str, law: WallLaw | Plate, *, name: str = "") -> Surface:
    """A surface over all of a wall, or of a face of a block or slope, as far as air touches it.

    Parameters
    ----------
    room : the room.
    face : a wall ("left"), a face of a block ("riser: top") or a slope ("roof").
    law : what it is made of.
    name : what a person calls it; left out, the face's.
    """
    if face in AXIS_OF_WALL:
        return Surface(wall=face, from_m=(0.0, 0.0), to_m=room.wall_size_m(face), law=law, name=name or face)
    bounds = [part.bounds_m for part in room.shape.face(face)] or [(0.0, 0.0, 0.0, 0.0)]
    low = (min(b[0] for b in bounds), min(b[2] for b in bounds))
    high = (max(b[1] for b in bounds), max(b[3] for b in bounds))
    return Surface(wall=face, from_m=low, to_m=high, law=law, name=name or face)
