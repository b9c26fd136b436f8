"""The uncertain inputs between drawing and room: from points of a unit cube to built rooms.

Every uncertain number has one column of the unit cube and is spread evenly over its range, factors evenly over their
logarithm (the support of a pane: over the frequency of its resonances). Columns belong to groups, by which the
result says what matters most. What has no spread has no column.

How a built room differs: surfaces keep their place relative to their wall, so they grow with the room, and so do
blocks and slopes, whose faces and heights lie elsewhere by spreads of their own; cabinets keep their distances to the
nearer walls and to what they stand on, as a plan states them; ears stay where they are measured from the front, left
and what their seat stands on.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import log
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from roommodes.acoustics.curve import Curve
from roommodes.acoustics.room import AXIS_OF_WALL, WALLS, Room, Surface
from roommodes.acoustics.wall_laws import ALPHA_MAX
from roommodes.arrays import Floats
from roommodes.project.constructions import layers_in, reacts
from roommodes.project.project import Project
from roommodes.project.room import solid_faces
from roommodes.project.tables import ProjectTables, RegionTable
from roommodes.shapes.faces import PLANE_AXES
from solvers.tolerance.geometry import Geometry, Uncertain, geometry_of

CABINETS, EARS, ROOM = "cabinets' places", "ears' places", "size of the room"
TEMPERATURE, DRIVES = "temperature", "drive settings"
CONSTRUCTION = "construction: "  # before the name of one
# the uncertain properties of each kind of construction: field of its table -> key of [tolerance]
PROPERTIES: Mapping[str, Mapping[str, str]] = MappingProxyType(
    {
        "rigid": {},
        "admittance": {"beta_re": "absorption_factor", "beta_im": "absorption_factor"},
        "absorption": {"alpha": "absorption_factor"},
        "impedance": {
            "mass_kg_m2": "mass_factor",
            "stiffness_pa_m": "stiffness_factor",
            "resistance_pa_s_m": "resistance_factor",
        },
        "partition": {
            "inner_mass_kg_m2": "mass_factor",
            "outer_mass_kg_m2": "mass_factor",
            "cavity_m": "stiffness_factor",
            "stud_stiffness_pa_m": "stiffness_factor",
            "inner_resistance_pa_s_m": "resistance_factor",
            "outer_resistance_pa_s_m": "resistance_factor",
            "fill_flow_resistivity_pa_s_m2": "resistance_factor",
        },
        "pane": {"thickness_m": "thickness_factor", "youngs_modulus_pa": "support", "loss_factor": "loss_factor"},
        "double glazing": {
            "inner_mass_kg_m2": "thickness_factor",
            "outer_mass_kg_m2": "thickness_factor",
            "youngs_modulus_pa": "support",
            "loss_factor": "loss_factor",
            "gap_m": "stiffness_factor",
            "leaf_resistance_pa_s_m": "resistance_factor",
        },
        "door": {
            "density_kg_m3": "mass_factor",
            "youngs_modulus_pa": "stiffness_factor",
            "loss_factor": "loss_factor",
            "edge_gap_m": "gap_factor",
        },
        "porous": {"flow_resistivity_pa_s_m2": "resistance_factor"},
        "perforated": {
            "open_fraction": "stiffness_factor",
            "cavity_m": "stiffness_factor",
            "fill_flow_resistivity_pa_s_m2": "resistance_factor",
        },
        "opening": {},
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Property:
    """One uncertain property of one construction: its value is multiplied by a factor.

    Parameters
    ----------
    construction : its name.
    field : of its table.
    low, high : the factor's ends.
    by_root : even over the factor's square root, else over its logarithm.
    """

    construction: str
    field: str
    low: float
    high: float
    by_root: bool

    def factor(self, unit: Floats) -> Floats:
        """0 to 1 -> the factor, any shape."""
        if self.by_root:
            return np.asarray((self.low**0.5 + unit * (self.high**0.5 - self.low**0.5)) ** 2)
        return np.asarray(np.exp(log(self.low) + unit * (log(self.high) - log(self.low))))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Builds:
    """Built rooms.

    Parameters
    ----------
    size_m : (n, 3) length, width, height [m].
    plane_m : (n, n_plane) how far the planes of `Geometry.uncertain` lie elsewhere; no column in a plain box [m].
    temperature_c : (n,) [deg C].
    factor : (n, n_property), as `Inputs.properties`.
    ear_m, cabinet_m : (n, n_ear, 3), (n, n_cabinet, 3) [m].
    delay_s, gain_db : (n, n_slot) what is added to the drives of a plan's first, second, ... sub.
    """

    size_m: Floats
    plane_m: Floats
    temperature_c: Floats
    factor: Floats
    ear_m: Floats
    cabinet_m: Floats
    delay_s: Floats
    gain_db: Floats

    def __len__(self) -> int:
        return len(self.temperature_c)

    def part(self, index: slice | NDArray[np.intp]) -> "Builds":
        """Some of them."""
        return Builds(**{name: getattr(self, name)[index] for name in self.__slots__})

    def driven_as(self, others: "Builds") -> "Builds":
        """The same rooms with the drive settings of others."""
        return replace(self, delay_s=others.delay_s, gain_db=others.gain_db)

    def joined(self, others: "Builds") -> "Builds":
        """These, then others."""
        return Builds(**{name: np.concatenate([getattr(self, name), getattr(others, name)]) for name in self.__slots__})


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Inputs:
    """The uncertain inputs of a project, for some ears, cabinets and number of subs.

    Parameters
    ----------
    project : as drawn.
    ear_m, cabinet_m : (n_ear, 3), (n_cabinet, 3) as drawn [m].
    ear_seat : (n_ear,) whose ears they are; all points of one seat move together.
    n_slot : most subs of any plan.
    properties : of the constructions in use.
    geometry : what of a room that is no box may differ; None for a box.
    groups : name -> columns of the unit cube, in the order of the columns.
    """

    project: Project
    ear_m: Floats
    ear_seat: NDArray[np.intp]
    cabinet_m: Floats
    n_slot: int
    properties: tuple[Property, ...]
    geometry: Geometry | None
    groups: Mapping[str, slice]

    @property
    def size(self) -> int:
        """Columns of the unit cube."""
        return sum(part.stop - part.start for part in self.groups.values())

    @property
    def uncertain(self) -> tuple[Uncertain, ...]:
        """Planes of blocks and slopes that may lie elsewhere."""
        return () if self.geometry is None else self.geometry.uncertain

    def drawn(self) -> Builds:
        """The room as drawn, once."""
        room = self.project.room
        return Builds(
            size_m=np.array([room.size_m]),
            plane_m=np.zeros((1, len(self.uncertain))),
            temperature_c=np.array([room.air.temperature_c]),
            factor=np.ones((1, len(self.properties))),
            ear_m=self.ear_m[None],
            cabinet_m=self.cabinet_m[None],
            delay_s=np.zeros((1, self.n_slot)),
            gain_db=np.zeros((1, self.n_slot)),
        )

    def builds(self, unit: Floats) -> Builds:
        """Points of the unit cube as built rooms: (n, size) -> n of them."""
        table, room, count = self.project.tables.tolerance, self.project.room, len(unit)

        def swing(group: str, half: tuple[float, ...], n: int) -> Floats:
            """(n_draw, n, axis) even over plus or minus `half`; zero where nothing is spread."""
            value = np.zeros((count, n, len(half)))
            if group in self.groups:
                spread = [axis for axis, width in enumerate(half) if width > 0.0]
                columns = unit[:, self.groups[group]].reshape(count, n, len(spread))
                value[:, :, spread] = (2.0 * columns - 1.0) * np.array(half)[spread]
            return value

        drawn_size = np.array(room.size_m)
        size = drawn_size + swing(ROOM, table.room_m, 1)[:, 0]
        far = self.cabinet_m > 0.5 * drawn_size
        far[:, 2] = False  # heights are measured from the floor
        moved = self.cabinet_m[None] + far[None] * (size - drawn_size)[:, None]
        factor = np.ones((count, len(self.properties)))
        for index, one in enumerate(self.properties):
            fields = [other.field for other in self.properties if other.construction == one.construction]
            column = self.groups[CONSTRUCTION + one.construction].start + fields.index(one.field)
            factor[:, index] = one.factor(unit[:, column])
        planes = np.zeros((count, len(self.uncertain)))
        for index, plane in enumerate(self.uncertain):
            within = [other for other in self.uncertain if other.group == plane.group]
            column = self.groups[plane.group].start + within.index(plane)
            planes[:, index] = (2.0 * unit[:, column] - 1.0) * plane.reach_m
        steps = swing(DRIVES, (5e-4 * table.delay_step_ms, 0.5 * table.gain_step_db), self.n_slot)
        ears = self.ear_m[None] + swing(EARS, table.ears_m, int(self.ear_seat.max()) + 1)[:, self.ear_seat]
        cabinets = moved + swing(CABINETS, table.cabinet_m, len(self.cabinet_m))
        if self.geometry is not None:
            ears = self._in_air(ears, self.ear_m, size, planes)
            cabinets = self._in_air(cabinets, self.cabinet_m, size, planes)
        return Builds(
            size_m=size,
            plane_m=planes,
            temperature_c=room.air.temperature_c + swing(TEMPERATURE, (table.temperature_c,), 1)[:, 0, 0],
            factor=factor,
            ear_m=np.clip(ears, 0.0, size[:, None]),
            cabinet_m=np.clip(cabinets, 0.0, size[:, None]),
            delay_s=steps[:, :, 0],
            gain_db=steps[:, :, 1],
        )

    def _in_air(self, moved_m: Floats, drawn_m: Floats, size_m: Floats, plane_m: Floats) -> Floats:
        """Places in rooms that are no boxes, risen with what they stand on and out of what is solid."""
        assert self.geometry is not None
        grown = size_m / np.array(self.project.room.size_m)
        moved_m = np.clip(moved_m + 0.0, 0.0, size_m[:, None])
        moved_m[:, :, 2] += self.geometry.risen(drawn_m, grown, plane_m)
        for index, (by, planes) in enumerate(zip(grown, plane_m, strict=True)):
            home = self.geometry.as_built(drawn_m, by, planes)
            moved_m[index] = self.geometry.in_air(moved_m[index], home, by, planes)
        return moved_m

    def as_drawn(self, point_m: Floats, builds: Builds) -> Floats:
        """Places in built rooms, measured in the drawn one: (n, point, 3) -> (n, point, 3) [m]."""
        grown = builds.size_m / np.array(self.project.room.size_m)
        if self.geometry is None:
            return np.asarray(point_m / grown[:, None, :])
        return self.geometry.as_drawn(point_m, grown, builds.plane_m)

    def built(self, builds: Builds, index: int) -> tuple[Room, tuple[Surface, ...]]:
        """One built room for the full model, by a project with other numbers in its tables."""
        tables, drawn = self.project.tables, self.project.room
        size = builds.size_m[index]
        grown = size / np.array(drawn.size_m)
        known = self.project.constructions()
        changed: dict[str, Any] = {}
        for position, one in enumerate(self.properties):
            table = changed.get(one.construction, known[one.construction].table)
            value = scaled(getattr(table, one.field), float(builds.factor[index, position]))
            changed[one.construction] = table.model_copy(update={one.field: value})
        length, width, height = (float(value) for value in size)
        room = tables.room.model_copy(
            update={
                "length_m": length,
                "width_m": width,
                "height_m": height,
                "temperature_c": float(builds.temperature_c[index]),
            }
        )
        update: dict[str, Any] = {"room": room, "constructions": {**tables.constructions, **changed}}
        if self.geometry is None:
            update["regions"] = _grown_regions(tables, grown)
        else:
            update |= self.geometry.tables(tables, grown, builds.plane_m[index])
        built: ProjectTables = tables.model_copy(update=update)
        project = replace(self.project, tables=built)
        return project.room, project.surfaces()


def _grown_regions(tables: ProjectTables, grown: Floats) -> tuple[RegionTable, ...]:
    """A box's regions, as much longer as their walls."""
    regions = []
    for region in tables.regions:
        first, second = PLANE_AXES[AXIS_OF_WALL[region.wall][0]]
        by = (float(grown[first]), float(grown[second]))
        corners = {
            key: (getattr(region, key)[0] * by[0], getattr(region, key)[1] * by[1]) for key in ("from_m", "to_m")
        }
        regions.append(region.model_copy(update=corners))
    return tuple(regions)


def scaled(value: Any, factor: float) -> Any:
    """A property's value times a factor; an absorption stays below what a real impedance can take up."""
    if isinstance(value, Curve):
        return Curve(value.hz, tuple(min(one * factor, ALPHA_MAX) for one in value.value))
    return value * factor


def construction_names(project: Project) -> tuple[tuple[str, ...], ...]:
    """The constructions of every surface of `Project.surfaces`, in its order; of layers the inner one first."""
    known, walls = project.constructions(), project.tables.walls
    whole = [layers_in(made) for wall in WALLS if reacts(known, made := getattr(walls, wall))]
    for face, made in solid_faces(project.tables.blocks, project.tables.slopes).items():
        if reacts(known, made) and project.room.shape.face(face):
            whole.append(layers_in(made))
    return (*whole, *(layers_in(region.construction) for region in project.tables.regions))


def inputs_of(
    project: Project, *, ear_m: Floats, cabinet_m: Floats, n_slot: int, ear_seat: NDArray[np.intp] | None = None
) -> Inputs:
    """The uncertain inputs of a project by its [tolerance] table.

    Parameters
    ----------
    project : as drawn.
    ear_m, cabinet_m : (n_ear, 3), (n_cabinet, 3) [m].
    n_slot : most subs of any plan.
    ear_seat : (n_ear,) whose ears they are; left out, every seat has one point.
    """
    seat = np.arange(len(ear_m)) if ear_seat is None else ear_seat
    table, known = project.tables.tolerance, project.constructions()
    properties = []
    for name in dict.fromkeys(name for layers in construction_names(project) for name in layers):
        for field, key in PROPERTIES[known[name].kind].items():
            value = getattr(known[name].table, field)
            spread = table.of(name, key, known[name].table.spread.get(field))
            low, high = spread if isinstance(spread, tuple) else (1.0 / spread, spread)
            if (low, high) != (1.0, 1.0) and value != 0.0:
                one = Property(construction=name, field=field, low=low, high=high, by_root=key == "support")
                properties.append(one)

    def axes(half: tuple[float, ...]) -> int:
        return sum(width > 0.0 for width in half)

    columns = {
        CABINETS: axes(table.cabinet_m) * len(cabinet_m),
        EARS: axes(table.ears_m) * (int(seat.max()) + 1),
        ROOM: axes(table.room_m),
        TEMPERATURE: axes((table.temperature_c,)),
        DRIVES: axes((table.delay_step_ms, table.gain_step_db)) * n_slot,
    }
    geometry = geometry_of(project)
    for plane in () if geometry is None else geometry.uncertain:
        columns[plane.group] = columns.get(plane.group, 0) + 1
    for one in properties:
        name = CONSTRUCTION + one.construction
        columns[name] = columns.get(name, 0) + 1
    groups, start = {}, 0
    for name, count in columns.items():
        if count:
            groups[name] = slice(start, start + count)
            start += count
    return Inputs(
        project=project,
        ear_m=ear_m,
        ear_seat=seat,
        cabinet_m=cabinet_m,
        n_slot=n_slot,
        properties=tuple(properties),
        geometry=geometry,
        groups=MappingProxyType(groups),
    )
