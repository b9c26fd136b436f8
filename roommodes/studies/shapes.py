"""What stands in the rooms of a build, in fractions of the room: blocks and falling ceilings, whatever its size."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from math import ceil
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import Field

from roommodes.acoustics.room import Room
from roommodes.arrays import Floats
from roommodes.project.constructions import LayerNames, as_written
from roommodes.project.room import block_of, slope_of
from roommodes.project.shape_tables import BlockFacesTable, BlockTable, SlopeTable
from roommodes.studies.strategies import FractionPoint
from roommodes.toml.values import Name, Range, Table, several

AxisFraction = Annotated[float, Range(low=0.0, high=1.0)]
LinePoint = Annotated[tuple[AxisFraction, AxisFraction], several(2, "[along, up] as fractions of the room")]
Size = tuple[float, float, float]


class BuildBlockTable(Table):
    """A solid box in every room of the build: a riser, a chimney breast, the corner that makes an L of a room."""

    name: Name = Field(description="What you call it.", examples=["chimney breast"])
    from_fraction: FractionPoint = Field(
        description="One corner, [along, across, up] of the room.", examples=[[0.3, 0, 0]]
    )
    to_fraction: FractionPoint = Field(description="The opposite corner.", examples=[[0.5, 0.1, 1]])
    construction: LayerNames = Field(
        default="rigid", description=BlockTable.model_fields["construction"].description, examples=["brick"]
    )
    faces: BlockFacesTable = Field(default=BlockFacesTable(), description=BlockTable.model_fields["faces"].description)
    carries: bool = Field(default=False, description="true: rows with this block's name under `on` stand on it.")

    def made_of(self) -> dict[str, LayerNames]:
        """The constructions by key: its own, and those of single faces."""
        return {"construction": self.construction, **self.faces.model_dump(exclude_none=True)}


class BuildSlopeTable(Table):
    """Where the ceiling of every room of the build falls: a straight line seen along one axis."""

    name: Name = Field(description="What you call it.", examples=["roof"])
    along: Literal["x", "y"] = Field(description="The axis that its line runs along.", examples=["y"])
    from_fraction: LinePoint = Field(description="One end, [along that axis, up].", examples=[[0.3, 1]])
    to_fraction: LinePoint = Field(description="The other end, [along that axis, up].", examples=[[1, 0.5]])
    construction: LayerNames = Field(
        default="rigid",
        description=SlopeTable.model_fields["construction"].description,
        examples=["plasterboard on studs, filled"],
    )


def scaled(fractions: tuple[float, ...], size_m: tuple[float, ...]) -> list[float]:
    """Fractions of some lengths, to 0.1 mm [m]."""
    return [round(part * size, 4) for part, size in zip(fractions, size_m, strict=True)]


def block_tree(block: BuildBlockTable, size_m: Size) -> dict[str, Any]:
    """The block in a room of this size, as a project file has it."""
    made = {key: as_written(each) for key, each in block.made_of().items()}
    construction = made.pop("construction")
    return {
        "name": block.name,
        "from_m": scaled(block.from_fraction, size_m),
        "to_m": scaled(block.to_fraction, size_m),
        "construction": construction,
        **({"faces": made} if made else {}),
        **({"carries": True} if block.carries else {}),
    }


def slope_tree(slope: BuildSlopeTable, size_m: Size) -> dict[str, Any]:
    """The slope in a room of this size, as a project file has it."""
    ends = (size_m["xy".index(slope.along)], size_m[2])
    return {
        "name": slope.name,
        "along": slope.along,
        "from_m": scaled(slope.from_fraction, ends),
        "to_m": scaled(slope.to_fraction, ends),
        "construction": as_written(slope.construction),
    }


def with_air(
    zones: Sequence[Mapping[str, Any]],
    blocks: Sequence[BuildBlockTable],
    slopes: Sequence[BuildSlopeTable],
    room: Room,
) -> list[Mapping[str, Any]]:
    """Those of some lines that lie in the air somewhere; all, where the shapes leave none: the room's checks say so."""
    if not blocks and not slopes:
        return list(zones)
    solid = [block_of(BlockTable(**block_tree(block, room.size_m))) for block in blocks]
    falling = [slope_of(SlopeTable(**slope_tree(slope, room.size_m))) for slope in slopes]
    try:
        shape = replace(room, blocks=tuple(solid), slopes=tuple(falling)).shape
        return [zone for zone in zones if shape.contains(_points_of(zone)).any()]
    except ValueError:
        return list(zones)


def _points_of(zone: Mapping[str, Any]) -> Floats:
    """Points of a line, both ends included, no further apart than its spacing: (n, 3) [m]."""
    low, high = np.array(zone["from_m"]), np.array(zone["to_m"])
    parts = max(1, ceil(np.abs(high - low).max() / zone["spacing_m"] - 1e-9))
    return np.asarray(low + np.linspace(0.0, 1.0, parts + 1)[:, None] * (high - low))
