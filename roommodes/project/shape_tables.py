"""The tables of the project file that say what of the room's box is not air: blocks and slopes."""

from typing import Annotated, Literal

from pydantic import Field

from roommodes.project.constructions import LayerNames
from roommodes.shapes.solids import BLOCK_FACES
from roommodes.toml.values import Name, Range, Table, several

Coordinate = Annotated[float, Range(low=0.0, high=60.0, unit="m")]
Point = Annotated[tuple[Coordinate, Coordinate, Coordinate], several(3, "[x, y, z] in m")]
WallPoint = Annotated[tuple[Coordinate, Coordinate], several(2, "[along, up] in m")]


class BlockFacesTable(Table):
    """What single faces of a block are made of, where they differ from its construction; layers as on a wall."""

    front: LayerNames | None = Field(default=None, description="The face toward the front wall.", examples=["brick"])
    rear: LayerNames | None = Field(default=None, description="The face toward the rear wall.", examples=["brick"])
    left: LayerNames | None = Field(default=None, description="The face toward the left wall.", examples=["brick"])
    right: LayerNames | None = Field(default=None, description="The face toward the right wall.", examples=["brick"])
    bottom: LayerNames | None = Field(default=None, description="The face toward the floor.", examples=["brick"])
    top: LayerNames | None = Field(default=None, description="The face toward the ceiling.", examples=["timber floor"])


class BlockTable(Table):
    """A solid box in the room: a riser, a stage, a column, a chimney breast, a soffit, a wall. It holds no air.

    Blocks may touch each other and the walls. An L-shaped room is a box with a block in its corner.
    """

    name: Name = Field(description="What you call it.", examples=["riser"])
    from_m: Point = Field(description="One corner, [x, y, z] [m].", examples=[[4.6, 0.0, 0.0]])
    to_m: Point = Field(description="The opposite corner, [x, y, z] [m].", examples=[[6.6, 4.4, 0.35]])
    construction: LayerNames = Field(
        default="rigid", description="What its faces are made of; left out: rigid.", examples=["timber floor"]
    )
    faces: BlockFacesTable = Field(default=BlockFacesTable(), description="Single faces that differ from that.")
    carries: bool = Field(default=False, description="true: rows and subwoofers may stand on it.")

    def construction_of(self, face: str) -> LayerNames:
        """The construction of one of `solids.BLOCK_FACES`."""
        assert face in BLOCK_FACES, "a face of a block"
        own: LayerNames | None = getattr(self.faces, face)
        return own or self.construction


class SlopeTable(Table):
    """Where the ceiling falls: a straight line seen along one axis, level along the other. Above it is no air.

    Beyond its ends the ceiling is flat; where several lie over one another the lowest counts. Where it ends below the
    ceiling there is an upright face of the same construction.
    """

    name: Name = Field(description="What you call it.", examples=["roof"])
    along: Literal["x", "y"] = Field(description="The axis that its line runs along.", examples=["y"])
    from_m: WallPoint = Field(description="One end, [x or y, z] [m].", examples=[[1.4, 2.5]])
    to_m: WallPoint = Field(description="The other end, [x or y, z] [m].", examples=[[4.2, 1.3]])
    construction: LayerNames = Field(
        default="rigid",
        description="What it is made of; left out: rigid.",
        examples=["plasterboard on studs, filled"],
    )
