"""From a study to its rooms: every room is an ordinary project, drawn by a design that the seed decides."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from itertools import product
from math import ceil, log2, nan
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from roommodes.acoustics.room import WALLS, Room
from roommodes.errors import Fault, ProjectInvalid
from roommodes.project.constructions import as_written, layers_in
from roommodes.project.glass import glass_area_m2
from roommodes.project.project import Project
from roommodes.project.reading import parse_project
from roommodes.studies.properties import property_units
from roommodes.studies.reading import Study
from roommodes.studies.room_table import NUMBER_COLUMNS, PLAIN_BUILD, TableRow
from roommodes.studies.shapes import block_tree, scaled, slope_tree, with_air
from roommodes.studies.spread import constructions_of, plain_parameter, spread_by, todays_keys
from roommodes.studies.strategies import ALONG_ALL_WALLS
from roommodes.studies.tables import MAX_ROOMS, BuildTable, SeatingTable
from roommodes.toml.text import toml_text

ROOM_NAME = "a room of a study"
FEWEST_FAULTS_SHOWN = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyRoom:
    """One room of a study.

    Parameters
    ----------
    number : from 1.
    label : what the table of rooms calls it; empty for drawn ones.
    build, seating : names.
    project_toml : the room as a project file; it says nothing of what stands above and below.
    replicate : number of the design it was drawn by, from 1; 0 where there is only one.
    properties : what else was drawn or is known of it, by name, in the order of `property_units`; NaN for unknown.
    words : its words in the owner's columns of a table, by name.
    size_m, volume_m3 : length, width, height, and volume of its air [m], [m3].
    """

    number: int
    label: str
    build: str
    seating: str
    project_toml: str
    replicate: int = 0
    properties: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    words: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    size_m: tuple[float, float, float] = (nan, nan, nan)
    volume_m3: float = nan

    @property
    def title(self) -> str:
        """What messages call it."""
        return f"room {self.number}" + (f" ({self.label})" if self.label else "")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Draw:
    """What the design decides for one room."""

    numbers: Mapping[str, float]
    build: str
    seating: str
    factors: Mapping[tuple[str, str], float]
    replicate: int = 0
    row: TableRow | None = None


def study_rooms(study: Study) -> tuple[StudyRoom, ...]:
    """All rooms of a study, in order.

    Raises
    ------
    ProjectInvalid : a room cannot be built as it is drawn: too many rooms, ears above the ceiling, a pane cut in two.
    """
    rooms: list[StudyRoom] = []
    faults: list[Fault] = []
    for index, draw in enumerate(_draws(study)):
        tree = _project_tree(study, draw)
        room = StudyRoom(
            number=index + 1,
            label=draw.row.names["room"] if draw.row else "",
            build=draw.build,
            seating=draw.seating,
            project_toml=toml_text(tree),
            replicate=draw.replicate,
            words=draw.row.own_words if draw.row else {},
        )
        try:
            project = room_project(room)
            known = _properties(study, draw, _used(study, draw), glass_area_m2(project))
            model = project.room
            room = replace(room, properties=known, size_m=model.size_m, volume_m3=model.volume_m3)
        except ProjectInvalid as invalid:
            size = " x ".join(f"{draw.numbers[key]:g}" for key in NUMBER_COLUMNS[:3])
            where = f"{room.title}, {size} m, build {draw.build!r}"
            faults += [Fault(where=where, message=f"{fault.where}: {fault.message}") for fault in invalid.faults]
        rooms.append(room)
        if len(faults) >= FEWEST_FAULTS_SHOWN:
            faults.append(Fault(where="", message=f"rooms after {room.title} were not looked at"))
            break
    if faults:
        raise ProjectInvalid(study.source, faults)
    return tuple(rooms)


def room_project(room: StudyRoom) -> Project:
    """A room of a study as a project."""
    return parse_project(room.project_toml, source=room.title)


def _draws(study: Study) -> Iterator[_Draw]:
    """What is decided for each room."""
    rooms = study.tables.rooms
    builds, seatings = study.build_names, tuple(seating.name for seating in study.tables.seatings)
    spreads = [(name, key) for name, factors in study.tables.spread.items() for key in factors]
    if rooms.design == "table":
        parts, _ = _points(study, len(study.rows), len(spreads))
        defaults = {key: getattr(rooms, key).at(0.0) for key in ("temperature_c", "loss_factor")}
        for row, part in zip(study.rows, parts, strict=True):
            yield _Draw(
                numbers={**defaults, **row.numbers},
                build=row.names["build"],
                seating=row.names["seating"],
                factors=_factors(study, spreads, part),
                row=row,
            )
        return
    quantities = {key: getattr(rooms, key) for key in NUMBER_COLUMNS}
    if rooms.design == "every combination":
        axes = [quantity.values for quantity in quantities.values()]
        count = int(np.prod([float(len(axis)) for axis in (*axes, builds, seatings)]))
        if count > MAX_ROOMS:
            text = f"every combination gives {count} rooms; at most {MAX_ROOMS} can be studied. Shorten the lists."
            raise ProjectInvalid(study.source, [Fault(where="rooms", message=text)])
        for *values, build, seating in product(*axes, builds, seatings):
            numbers = dict(zip(quantities, values, strict=True))
            yield _Draw(numbers=numbers, build=build, seating=seating, factors={})
        return
    varying = [key for key, quantity in quantities.items() if quantity.varies]
    assert rooms.count is not None, "checked with the file"
    points, replicates = _points(study, rooms.count, len(varying) + 2 + len(spreads))
    for point, replicate in zip(points, replicates, strict=True):
        at = dict(zip(varying, point, strict=False))
        build_part, seating_part, *rest = point[len(varying) :]
        yield _Draw(
            numbers={key: quantity.at(float(at.get(key, 0.0))) for key, quantity in quantities.items()},
            build=builds[min(int(build_part * len(builds)), len(builds) - 1)],
            seating=seatings[min(int(seating_part * len(seatings)), len(seatings) - 1)],
            factors=_factors(study, spreads, np.array(rest)),
            replicate=replicate,
        )


def _points(study: Study, count: int, dimensions: int) -> tuple[NDArray[np.float64], list[int]]:
    """Points of the design in the unit cube: (count, dimensions), and which of its replicates each is of.

    Replicates take turns, so that neither Sobol points nor their replicates change when count grows.
    """
    rooms = study.tables.rooms
    if rooms.replicates == 1 or rooms.design == "table":
        return _drawn(study, count, dimensions, study.tables.seed), [0] * count
    parts = [
        _drawn(study, count // rooms.replicates, dimensions, np.random.default_rng([study.tables.seed, number]))
        for number in range(rooms.replicates)
    ]
    return np.stack(parts, axis=1).reshape(count, dimensions), [1 + k % rooms.replicates for k in range(count)]


def _drawn(study: Study, count: int, dimensions: int, rng: int | np.random.Generator) -> NDArray[np.float64]:
    """One design: (count, dimensions)."""
    from scipy.stats import qmc  # noqa: PLC0415 (half a second, and only the design needs it)

    if dimensions == 0:
        return np.zeros((count, 0))
    if study.tables.rooms.design == "latin hypercube":
        return np.asarray(qmc.LatinHypercube(d=dimensions, rng=rng).random(count))
    sequence = qmc.Sobol(d=dimensions, scramble=True, rng=rng)
    return np.asarray(sequence.random_base2(ceil(log2(count)) if count > 1 else 0)[:count])


def _factors(study: Study, spreads: list[tuple[str, str]], part: NDArray[np.float64]) -> dict[tuple[str, str], float]:
    """Factor of each spread parameter: from 1/F to F, evenly on a logarithmic scale."""
    tables = study.tables
    return {
        (name, key): float(tables.spread[name][key] ** (2.0 * value - 1.0))
        for (name, key), value in zip(spreads, part, strict=True)
    }


def _project_tree(study: Study, draw: _Draw) -> dict[str, Any]:
    """The room as the tree of a project file. Lengths are rounded to 0.1 mm, so that the text is one and the same."""
    tables = study.tables
    build = _build(study, draw)
    seating = next(seating for seating in tables.seatings if seating.name == draw.seating)
    length, width, height = (draw.numbers[key] for key in NUMBER_COLUMNS[:3])
    room = Room(length_m=length, width_m=width, height_m=height)
    places, search = tables.places, tables.search
    used = _used(study, draw)
    known = constructions_of(tables)
    tree: dict[str, Any] = {
        "format": 1,
        "name": ROOM_NAME,
        "room": {key: draw.numbers[key] for key in NUMBER_COLUMNS},
        "walls": {wall: as_written(getattr(build, wall)) for wall in WALLS},
        "regions": [
            {
                "wall": region.wall,
                "from_m": scaled(region.from_fraction, room.wall_size_m(region.wall)),
                "to_m": scaled(region.to_fraction, room.wall_size_m(region.wall)),
                "construction": as_written(region.construction),
            }
            for region in build.regions
        ],
        "constructions": {
            name: spread_by(known[name], {k: f for (owner, k), f in draw.factors.items() if owner == name})
            for name in sorted(used)
            if name in tables.constructions or name in tables.spread
        },
        "blocks": [block_tree(block, room.size_m) for block in build.blocks],
        "slopes": [slope_tree(slope, room.size_m) for slope in build.slopes],
        "rows": _rows(seating, build, length, width),
        "zones": with_air(
            _zones(length, width, places.inset_m, places.height_m, places.spacing_m), build.blocks, build.slopes, room
        ),
        "search": {
            "counts": sorted({strategy.subs for strategy in tables.strategies}),
            "band_hz": list(search.band_hz),
            "points_per_octave": search.points_per_octave,
            "delay_ms": list(search.delay_ms),
            "gain_db": list(search.gain_db),
            "seed": tables.seed,
        },
    }
    return {key: value for key, value in tree.items() if value not in ([], {})}


def _build(study: Study, draw: _Draw) -> BuildTable:
    return next((build for build in study.tables.builds if build.name == draw.build), BuildTable(name=PLAIN_BUILD))


def _used(study: Study, draw: _Draw) -> set[str]:
    """Names of the constructions in the room."""
    build = _build(study, draw)
    made = [*(getattr(build, wall) for wall in WALLS), *(region.construction for region in build.regions)]
    made += [each for block in build.blocks for each in block.made_of().values()]
    made += [slope.construction for slope in build.slopes]
    return {name for each in made for name in layers_in(each)}


def _properties(study: Study, draw: _Draw, used: set[str], glass_m2: float) -> dict[str, float]:
    """The values for one room; parameters of constructions that it does not have are NaN."""
    found = {"glass_m2": glass_m2, **draw.numbers, **(draw.row.own_numbers if draw.row else {})}
    known = constructions_of(study.tables)
    for (name, key), factor in draw.factors.items():
        if name in used:
            found[f"{name} {key} factor"] = factor
            if isinstance(value := known[name].parameters.get(todays_keys(known[name], key)[0]), int | float):
                found[f"{name} {key}"] = plain_parameter(value, factor)
    return {name: found.get(name, nan) for name in property_units(study.tables, study.rows)}


def _rows(seating: SeatingTable, build: BuildTable, length: float, width: float) -> list[dict[str, Any]]:
    there = {block.name for block in build.blocks}
    return [
        {
            "name": f"row {number}",
            "x_m": round(row.x_fraction * length, 4),
            "y_m": scaled(row.y_fraction, (width,) * len(row.y_fraction)),
            "ear_height_m": row.ear_height_m,
            "weight": row.weight,
            **({"on": row.on} if row.on in there else {}),
        }
        for number, row in enumerate(seating.rows, start=1)
    ]


def _zones(length: float, width: float, inset: float, height: float, spacing: float) -> list[dict[str, Any]]:
    """Lines along the four walls: where a sub that is free may stand."""
    front, rear = round(inset, 4), round(length - inset, 4)
    left, right = round(inset, 4), round(width - inset, 4)
    ends = (
        (front, left, front, right),
        (rear, left, rear, right),
        (front, left, rear, left),
        (front, right, rear, right),
    )
    return [
        {"name": name, "from_m": [x0, y0, height], "to_m": [x1, y1, height], "spacing_m": spacing}
        for name, (x0, y0, x1, y1) in zip(ALONG_ALL_WALLS, ends, strict=True)
    ]
