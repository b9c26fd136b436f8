"""A project's room as the model takes it: the box with blocks and slopes, what stands on them, zones and keep-outs."""

from collections.abc import Sequence
from dataclasses import replace

from roommodes.acoustics.air import Air
from roommodes.acoustics.room import Room, Surface, whole_face
from roommodes.places.boxes import Box
from roommodes.places.zones import Triple, Zone
from roommodes.project.constructions import Construction, LayerNames, law_of_layers
from roommodes.project.shape_tables import BlockTable, KeepOutTable, RowTable, SlopeTable
from roommodes.project.tables import RoomTable, ZoneTable
from roommodes.shapes.solids import BLOCK_FACES, Block, Slope
from roommodes.subwoofer.tables import SubwooferTable


def room_of(
    table: RoomTable,
    blocks: Sequence[BlockTable] = (),
    slopes: Sequence[SlopeTable] = (),
    *,
    inside_m: Triple | None = None,
) -> Room:
    """The tables as the model's room, to the micrometre; `inside_m` lies in the air that counts if blocks cut it."""
    return Room(
        blocks=tuple(map(block_of, blocks)),
        slopes=tuple(map(slope_of, slopes)),
        inside_m=inside_m if blocks else None,
        length_m=round(table.length_m, 6),
        width_m=round(table.width_m, 6),
        height_m=round(table.height_m, 6),
        air=Air(temperature_c=table.temperature_c),
        loss_factor=table.loss_factor,
    )


def block_of(table: BlockTable) -> Block:
    """The block with its corners sorted."""
    low, high = sorted_corners(_to_micrometre(table.from_m), _to_micrometre(table.to_m))
    return Block(name=table.name, low_m=low, high_m=high, carries=table.carries)


def slope_of(table: SlopeTable) -> Slope:
    """The slope."""
    (a, b), (c, d) = table.from_m, table.to_m
    return Slope(
        name=table.name,
        along=table.along,
        from_m=(round(a, 6), round(b, 6)),
        to_m=(round(c, 6), round(d, 6)),
    )


def _to_micrometre(point: Triple) -> Triple:
    x, y, z = (round(value, 6) for value in point)
    return (x, y, z)


def solid_faces(blocks: Sequence[BlockTable], slopes: Sequence[SlopeTable]) -> dict[str, LayerNames]:
    """Every face of blocks and slopes, whether air touches it or not, with its construction."""
    found = {f"{block.name}: {face}": block.construction_of(face) for block in blocks for face in BLOCK_FACES}
    for table in slopes:
        slope = slope_of(table)
        found |= {slope.name: table.construction, slope.step_name: table.construction}
    return found


def height_of(blocks: Sequence[BlockTable], name: str | None) -> float:
    """Height of what something stands on: the top of the block of this name, 0 for the floor [m]."""
    return next((max(block.from_m[2], block.to_m[2]) for block in blocks if block.name == name), 0.0)


def ears_of(rows: Sequence[RowTable], blocks: Sequence[BlockTable]) -> list[Triple]:
    """Where the ears of all seats are, row by row [m]."""
    return [(row.x_m, y, _above(row, blocks)) for row in rows for y in row.y_m]


def _above(row: RowTable, blocks: Sequence[BlockTable]) -> float:
    """Height of a row's ears above the room's floor [m]."""
    if row.on is None:
        return row.ear_height_m
    return round(row.ear_height_m + height_of(blocks, row.on), 9)


def sorted_corners(a: Triple, b: Triple) -> tuple[Triple, Triple]:
    """Low and high corner of the box between two opposite corners."""
    (ax, ay, az), (bx, by, bz) = a, b
    return (min(ax, bx), min(ay, by), min(az, bz)), (max(ax, bx), max(ay, by), max(az, bz))


def face_surface(room: Room, face: str, layers: Sequence[Construction], *, name: str) -> Surface:
    """All of a face of a block or slope that air touches; sides are its width and what gives its area.

    Parameters
    ----------
    room, face : whose face, and which one.
    layers : what it is made of, the inner one first; at least one.
    name : what it is called in messages.
    """
    surface = whole_face(room, face, law_of_layers(layers), name=name)
    return replace(surface, law=law_of_layers(layers, face_sides(room, surface)))


def face_sides(room: Room, surface: Surface) -> tuple[float, float]:
    """Width of all of a face of a block or slope, and what gives its area with it [m]."""
    width = surface.to_m[0] - surface.from_m[0]
    return width, sum(part.area_m2 for part in room.shape.face(surface.wall)) / width


def surface_of(
    layers: Sequence[Construction], wall: str, a: tuple[float, float], b: tuple[float, float], *, name: str
) -> Surface:
    """A surface between two opposite corners, to the micrometre, so that neighbours touch and never overlap.

    Parameters
    ----------
    layers : what it is made of, the inner one first; at least one.
    wall, a, b : where, [along, up] in m.
    name : what it is called in messages.
    """
    low = (round(min(a[0], b[0]), 6), round(min(a[1], b[1]), 6))
    high = (round(max(a[0], b[0]), 6), round(max(a[1], b[1]), 6))
    sides = (high[0] - low[0], high[1] - low[1])
    return Surface(wall=wall, from_m=low, to_m=high, law=law_of_layers(layers, sides), name=name)


def under_m(table: SubwooferTable) -> float | None:
    """From a cabinet's foot up to its acoustic centre; None where the cabinet is not known [m]."""
    return None if table.cabinet_m is None else table.cabinet_m[2] / 2.0 + table.acoustic_centre_m[2]


def zone_box(table: ZoneTable, floor_m: float = 0.0, under: float | None = None) -> Zone:
    """The zone with its corners sorted; its heights count from `floor_m`.

    One whose cabinets stand on the floor has the height of their acoustic centres, `under` above it [m].
    """
    (ax, ay, az), (bx, by, bz) = sorted_corners(table.from_m, table.to_m)
    if table.stands == "floor" and under is not None:
        az = bz = under
    low, high = (ax, ay, az + floor_m), (bx, by, bz + floor_m)
    return Zone(name=table.name, low=low, high=high, spacing_m=table.spacing_m)


def keep_out_box(table: KeepOutTable) -> Box:
    """The keep-out with its corners sorted."""
    low, high = sorted_corners(table.from_m, table.to_m)
    return Box(name=table.name, low=low, high=high)
