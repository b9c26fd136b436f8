"""What is taken out of the box that encloses a room: blocks and slopes.

```
      z                      from_m                         z
      |________________________.                            |______________________
      |                         `-.   slope                 |                      |
      |                            `-.                      |              ________|
      |                               `. to_m               |             |  block |
      |________________________________|___ y or x          |_____________|________|___ x
```
"""

from dataclasses import dataclass
from typing import Literal

Pair = tuple[float, float]
Triple = tuple[float, float, float]

BLOCK_FACES = ("front", "rear", "left", "right", "bottom", "top")  # in the order of axes, low side first
LEAST_FALL_M = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """A solid box with its sides along the axes: a riser, a stage, a column, a soffit, a wall.

    Parameters
    ----------
    name : what a person calls it.
    low_m, high_m : its corners nearest to and furthest from the origin [m].
    carries : cabinets and seats may stand on it.
    """

    name: str
    low_m: Triple
    high_m: Triple
    carries: bool = False

    def face_name(self, axis: int, side: int) -> str:
        """Its face whose normal is an axis, on the low (0) or high (1) side: ``riser: top``."""
        return f"{self.name}: {BLOCK_FACES[2 * axis + side]}"

    @property
    def face_names(self) -> tuple[str, ...]:
        """All six, whether air touches them or not."""
        return tuple(f"{self.name}: {face}" for face in BLOCK_FACES)


@dataclass(frozen=True, slots=True, kw_only=True)
class Slope:
    """Where the ceiling falls: a straight line seen along one axis; there is no air above it.

    Parameters
    ----------
    name : what a person calls it.
    along : the axis that the line runs along; it is level along the other one.
    from_m, to_m : its ends, [along, z] [m]. Beyond them the ceiling is flat.
    """

    name: str
    along: Literal["x", "y"]
    from_m: Pair
    to_m: Pair

    @property
    def axis(self) -> int:
        """0 for a line along x, 1 for one along y."""
        return "xy".index(self.along)

    @property
    def span_m(self) -> Pair:
        """Where it begins and ends along its axis, the lower first [m]."""
        a, b = self.from_m[0], self.to_m[0]
        return (min(a, b), max(a, b))

    @property
    def length_m(self) -> float:
        """Length of the line [m]."""
        run, fall = self.to_m[0] - self.from_m[0], self.to_m[1] - self.from_m[1]
        return float((run * run + fall * fall) ** 0.5)

    def height_m(self, at_m: float) -> float:
        """Height of its line at a place along its axis, which may lie beyond its ends [m]."""
        (h0, z0), (h1, z1) = self.from_m, self.to_m
        return z0 + (z1 - z0) * (at_m - h0) / (h1 - h0)

    def below_m(self, height_m: float) -> Pair | None:
        """Where along its axis it lies below a height, the lower end first; None where it nowhere does [m]."""
        low, high = self.span_m
        ends = self.height_m(low), self.height_m(high)
        if min(ends) >= height_m:
            return None
        if max(ends) <= height_m:
            return low, high
        crossing = low + (high - low) * (height_m - ends[0]) / (ends[1] - ends[0])
        return (low, crossing) if ends[0] < ends[1] else (crossing, high)

    @property
    def step_name(self) -> str:
        """Its upright faces, where it ends below the flat ceiling: ``roof: end``."""
        return f"{self.name}: end"
