"""The tables of the project file that say what stands in the room's box: blocks, slopes, the picture."""

from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from roommodes.places.sight import Picture
from roommodes.project.constructions import LayerNames
from roommodes.project.tolerance_tables import Spread as Cloud
from roommodes.shapes.solids import BLOCK_FACES
from roommodes.toml.values import AnyLength, Name, Range, Table, several, shown, worded

MAX_SEATS = 200

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


class RowTable(Table):
    """A row of seats across the room."""

    name: Name = Field(description="What you call the row.", examples=["front"])
    x_m: Coordinate = Field(description="Distance of the ears from the front wall [m].", examples=[3.2])
    y_m: Annotated[tuple[Coordinate, ...], AnyLength] = Field(
        description="Distance of each seat from the left wall, one number per seat; with `seats` and `pitch_m` the "
        "first seat's alone [m].",
        examples=[[1.4, 2.2, 3.0]],
    )
    seats: Annotated[int, Range(low=1, high=MAX_SEATS, unit="seats")] | None = Field(
        default=None, description="How many seats the row has, where `pitch_m` says how far apart.", examples=[6]
    )
    pitch_m: Annotated[float, Range(low=0.3, high=5.0, unit="m")] | None = Field(
        default=None, description="From the middle of one seat to that of the next [m].", examples=[0.8]
    )
    ear_height_m: Coordinate = Field(
        description="Height of the ears above the floor [m]; with `on`, above the top of that block.", examples=[1.15]
    )
    on: Name | None = Field(
        default=None, description="The block that the row stands on; left out: the floor.", examples=["riser"]
    )
    weight: Annotated[float, Range(low=0.0, high=1000.0, above_low=True)] = Field(
        default=1.0, description="What each seat of the row counts in the search.", examples=[2.0]
    )
    move_m: Annotated[tuple[Coordinate, Coordinate], several(2, "[toward front, toward rear] in m")] | None = Field(
        default=None, description="How far the row may move, [toward front, toward rear] [m].", examples=[[0.2, 0.3]]
    )
    cloud_m: Cloud | None = Field(
        default=None,
        description="How far a head may be from there, plus or minus [x, y, z] [m]: each seat becomes a small cloud of "
        "points that share its weight.",
        examples=[[0.1, 0.15, 0.0]],
    )

    @model_validator(mode="before")
    @classmethod
    def _by_pitch(cls, given: Any) -> Any:
        """The places of all seats from the first one's, where a number of seats and their pitch are given."""
        if not isinstance(given, dict) or not given.keys() & {"seats", "pitch_m"}:
            return given
        first, seats, pitch_m = (given.get(key) for key in ("y_m", "seats", "pitch_m"))
        if isinstance(first, tuple) and len(first) == seats and pitch_m is not None:
            return given  # of a table that was read before
        if seats is None or pitch_m is None or not isinstance(first, list | tuple) or len(first) != 1:
            raise worded(
                f"got y_m = {shown(first)}, seats = {shown(seats)}, pitch_m = {shown(pitch_m)}; allowed: seats and "
                "pitch_m together, with the first seat's place alone in y_m, such as y_m = [1.2], seats = 4, "
                "pitch_m = 0.8; or y_m with one number for each seat."
            )
        numbers = all(isinstance(one, int | float) and not isinstance(one, bool) for one in (first[0], pitch_m))
        if not numbers or type(seats) is not int or not 1 <= seats <= MAX_SEATS:
            return given  # the fields say what is wrong
        return {**given, "y_m": [round(first[0] + place * pitch_m, 6) for place in range(seats)]}


class ScreenTable(Table):
    """The picture, centred between the side walls, at the front wall or on a false wall before it."""

    width_m: Annotated[float, Range(low=0.3, high=60.0, unit="m")] = Field(
        description="Width of the picture [m]; gives each row's viewing angle.", examples=[3.0]
    )
    distance_m: Coordinate = Field(
        default=0.0, description="From the front wall to the picture: a false wall [m].", examples=[0.6]
    )
    false_wall: bool = Field(
        default=False,
        description="true: at that distance a wall that lets sound through goes across the room; it is drawn, and the "
        "model takes it for nothing.",
    )
    height_m: Annotated[float, Range(low=0.1, high=40.0, unit="m")] | None = Field(
        default=None, description="Height of the picture [m]; else from its aspect.", examples=[1.25]
    )
    aspect: Annotated[float, Range(low=0.5, high=5.0)] | None = Field(
        default=None, description="Width of the picture over its height.", examples=[2.39]
    )
    foot_m: Coordinate | None = Field(
        default=None, description="Lower edge of the picture above the floor [m]; gives sight lines.", examples=[0.7]
    )

    @model_validator(mode="after")
    def _one_height(self) -> "ScreenTable":
        if self.height_m is not None and self.aspect is not None:
            raise worded("height_m and aspect are both given; allowed: one of them.")
        if self.false_wall and self.distance_m <= 0.0:
            raise worded("false_wall is true at no distance; allowed: with distance_m over 0.")
        return self

    @property
    def picture(self) -> Picture:
        """Where the picture is."""
        height = self.width_m / self.aspect if self.aspect else self.height_m
        top = None if self.foot_m is None or height is None else self.foot_m + height
        return Picture(
            at_m=self.distance_m, width_m=self.width_m, foot_m=self.foot_m, top_m=top, false_wall=self.false_wall
        )


class KeepOutTable(Table):
    """A box in which nothing may stand: a door's swing, equipment, a walkway."""

    name: Name = Field(description="What it is.", examples=["door"])
    from_m: Point = Field(description="One corner, [x, y, z] [m].", examples=[[4.8, 3.4, 0.0]])
    to_m: Point = Field(description="The opposite corner, [x, y, z] [m].", examples=[[5.8, 4.4, 2.1]])
