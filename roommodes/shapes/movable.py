"""What of a shape may stand a little elsewhere than drawn: the planes of blocks' faces, the heights of slopes' ends.

All faces that lie in one plane move together, and so does the end of a slope at that height: blocks that touch go on to
touch. A moved shape has the drawn one's cells, each a little longer or shorter; a point of the drawn room keeps its
share of its cell.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from roommodes.arrays import Floats
from roommodes.shapes.grid import SAME_M, Grid
from roommodes.shapes.shape import Shape
from roommodes.shapes.solids import BLOCK_FACES, Block, Slope

Planes = tuple[Floats, Floats, Floats]
UNSTRETCHED = (1.0, 1.0, 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Movable:
    """A plane square to an axis that may lie elsewhere.

    Parameters
    ----------
    axis : 0, 1 or 2.
    at_m : where it is drawn [m].
    faces : what lies in it: ``riser: top``, ``roof: to``.
    """

    axis: int
    at_m: float
    faces: tuple[str, ...]

    @property
    def name(self) -> str:
        """Its first face."""
        return self.faces[0]


def movable_planes(shape: Shape) -> tuple[Movable, ...]:
    """The planes of blocks' faces and of slopes' ends that are on no wall of the box and touch air."""
    found: dict[tuple[int, float], list[str]] = {}

    def add(axis: int, at_m: float, name: str) -> None:
        if min(at_m, shape.size_m[axis] - at_m) <= SAME_M:
            return
        near = [key for key in found if key[0] == axis and abs(key[1] - at_m) <= SAME_M]
        found.setdefault(near[0] if near else (axis, at_m), []).append(name)

    for block in shape.blocks:
        for index, face in enumerate(BLOCK_FACES):
            axis, side = divmod(index, 2)
            if shape.face(name := f"{block.name}: {face}"):
                add(axis, (block.low_m, block.high_m)[side][axis], name)
    for slope in shape.slopes:
        if shape.face(slope.name):
            add(2, slope.from_m[1], f"{slope.name}: from")
            add(2, slope.to_m[1], f"{slope.name}: to")
    return tuple(Movable(axis=axis, at_m=at, faces=tuple(names)) for (axis, at), names in found.items())


def moved_shape(
    shape: Shape, *, moves: Mapping[Movable, float], grown: Sequence[float] = UNSTRETCHED, same_cells: bool = True
) -> Shape:
    """The shape stretched along x, y and z, then with some planes moved [m].

    With `same_cells` it has the cells of the drawn one.

    Raises
    ------
    ValueError : a plane was moved past another one, so that cells came or went.
    """

    def moved(axis: int, drawn_m: float) -> float:
        by = [m for p, m in moves.items() if p.axis == axis and abs(p.at_m - drawn_m) <= SAME_M]
        return drawn_m * grown[axis] + sum(by)

    def corner(point: Sequence[float]) -> tuple[float, float, float]:
        return (moved(0, point[0]), moved(1, point[1]), moved(2, point[2]))

    blocks = tuple(
        Block(name=b.name, low_m=corner(b.low_m), high_m=corner(b.high_m), carries=b.carries) for b in shape.blocks
    )
    slopes = tuple(
        Slope(
            name=s.name,
            along=s.along,
            from_m=(moved(s.axis, s.from_m[0]), moved(2, s.from_m[1])),
            to_m=(moved(s.axis, s.to_m[0]), moved(2, s.to_m[1])),
        )
        for s in shape.slopes
    )
    x, y, z = (side * by for side, by in zip(shape.size_m, grown, strict=True))
    inside = None if shape.inside_m is None else corner(shape.inside_m)
    seams = tuple((axis, at * grown[axis]) for axis, at in shape.seams)
    result = Shape(size_m=(x, y, z), blocks=blocks, slopes=slopes, inside_m=inside, seams=seams)
    if same_cells and not alike(shape.grid(), result.grid()):
        raise ValueError("a plane was moved onto or past another one")
    return result


def planes_either_way(shape: Shape, plane: Movable, step_m: float) -> tuple[Planes, Planes]:
    """The planes of its cells with one plane a step on, and a step back [m]. Raises as `moved_shape` does."""
    on, back = (moved_shape(shape, moves={plane: step}).grid().planes for step in (step_m, -step_m))
    return on, back


def alike(grid: Grid, other: Grid) -> bool:
    """Whether two rooms have the same cells, longer or shorter."""
    return (
        grid.air.shape == other.air.shape
        and bool((grid.air == other.air).all())
        and all(bool((a == b).all()) for a, b in zip(grid.lean, other.lean, strict=True))
    )


def placed(point_m: Floats, drawn: Planes, built: Planes) -> Floats:
    """Points of a room of some planes in one whose planes are others: (..., 3) -> (..., 3) [m]."""
    parts = [np.interp(point_m[..., axis], drawn[axis], built[axis]) for axis in range(3)]
    return np.stack(parts, axis=-1)
