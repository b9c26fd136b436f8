"""Reads the table of places where a field is wanted: name,x_m,y_m,z_m, one place a line."""

import csv
from dataclasses import dataclass
from math import ceil, isfinite
from pathlib import Path

import numpy as np

from roommodes.arrays import Floats
from roommodes.errors import Fault, FileUnusable, ProjectInvalid
from roommodes.project.project import Project
from roommodes.project.shape_checks import not_in_air
from roommodes.ranges import number
from roommodes.storage.ordinary_file import Unreadable, ordinary_bytes
from roommodes.toml.values import shown

HEADER = ("name", "x_m", "y_m", "z_m")
MOST_BYTES = 10_000_000
MOST_PLACES = 20_000
MAP_PLACES, FINEST_M = 400, 0.15  # of an even grid
EXAMPLE = "name,x_m,y_m,z_m, then for example: seat 4,4.2,2.75,1.2"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlacesWanted:
    """Places where a field is wanted.

    Parameters
    ----------
    name : (n_place,).
    position_m : (n_place, 3) [m].
    """

    name: tuple[str, ...]
    position_m: Floats

    def __len__(self) -> int:
        return len(self.name)


def read_places(path: Path, project: Project) -> PlacesWanted:
    """Read a table of places and hold it against the room.

    Raises
    ------
    FileUnusable : it cannot be read.
    ProjectInvalid : with every fault of its lines.
    """
    try:
        text = ordinary_bytes(path, most_bytes=MOST_BYTES).decode("utf-8-sig")
    except Unreadable as unreadable:
        raise FileUnusable(f"{path}: {unreadable}; give a table of places: {EXAMPLE}") from None
    except UnicodeDecodeError:
        raise FileUnusable(f"{path}: is no text in UTF-8; give a table of places: {EXAMPLE}") from None
    rows = [
        (line, [cell.strip() for cell in row])
        for line, row in enumerate(csv.reader(text.splitlines()), start=1)
        if any(cell.strip() for cell in row) and not row[0].lstrip().startswith("#")
    ]
    if not rows or tuple(cell.lower() for cell in rows[0][1]) != HEADER:
        got = shown(",".join(rows[0][1])) if rows else "nothing"
        fault = Fault(where="", message=f"got {got}; expected the header {','.join(HEADER)}.", line=1)
        raise ProjectInvalid(str(path), [fault])
    faults: list[Fault] = []
    names: dict[str, int] = {}
    places = []
    for line, row in rows[1:]:
        place = _place(row, line, project, faults)
        if row[0] in names:
            message = f"place {shown(row[0])} stands in line {names[row[0]]} too; give each its own name."
            faults.append(Fault(where="name", message=message, line=line))
        names.setdefault(row[0], line)
        places.append(place)
    if not places or len(places) > MOST_PLACES:
        message = f"it holds {len(places)} places; allowed: 1 to {MOST_PLACES:,}."
        faults.append(Fault(where="", message=message))
    if faults:
        raise ProjectInvalid(str(path), faults)
    return PlacesWanted(name=tuple(names), position_m=np.array(places, dtype=np.float64))


def even_places(project: Project, height_m: float, spacing_m: float | None = None) -> PlacesWanted:
    """An even grid over the room at one height, its outermost places half a step off the walls, where there is air.

    Parameters
    ----------
    project : the room.
    height_m : above the floor [m].
    spacing_m : between neighbours, at most; left out, some `MAP_PLACES` places [m].

    Raises
    ------
    ProjectInvalid : the height is outside the room, or there would be too many places, or none in the air.
    """
    length, width, height = project.room.size_m
    step = max(FINEST_M, (length * width / MAP_PLACES) ** 0.5) if spacing_m is None else spacing_m
    counts = [max(3, ceil(side / step)) if step > 0.0 else 0 for side in (length, width)]
    faults = []
    if not 0.0 <= height_m <= height:
        message = f"got {number(height_m)} m; allowed: 0 to {number(height)} m."
        faults.append(Fault(where="height", message=message))
    if not 0 < counts[0] * counts[1] <= MOST_PLACES:
        message = f"got {number(step)} m, which gives {counts[0] * counts[1]} places; allowed: 1 to {MOST_PLACES:,}."
        faults.append(Fault(where="spacing", message=message))
    if faults:
        raise ProjectInvalid("grid", faults)
    x, y = (side * (np.arange(count) + 0.5) / count for side, count in zip((length, width), counts, strict=True))
    place = np.array([(one, other, height_m) for one in x for other in y])
    place = place[[not not_in_air(project.room, one.tolist()) for one in place]]
    if not len(place):
        raise ProjectInvalid("grid", [Fault(where="height", message="no place at that height is in the air.")])
    return PlacesWanted(name=tuple(f"x {one:.2f} y {other:.2f}" for one, other, _ in place), position_m=place)


def _place(row: list[str], line: int, project: Project, faults: list[Fault]) -> list[float]:
    """A line's position; what is wrong with it is added to the faults."""
    if len(row) != len(HEADER):
        message = f"got {len(row)} columns; expected {len(HEADER)}: {','.join(HEADER)}."
        faults.append(Fault(where="", message=message, line=line))
        return [0.0, 0.0, 0.0]
    if not row[0]:
        faults.append(Fault(where="name", message="is empty; give the place a name.", line=line))
    place = []
    for key, cell, most in zip(HEADER[1:], row[1:], project.room.size_m, strict=True):
        try:
            value = float(cell)
        except ValueError:
            value = float("nan")
        if not isfinite(value) or not 0.0 <= value <= most:
            message = f"got {shown(cell)}; allowed: 0 to {number(most)} m. Move it inside."
            faults.append(Fault(where=key, message=message, line=line))
            value = 0.0
        place.append(value)
    if text := not_in_air(project.room, place):
        faults.append(Fault(where="", message=f"it is {text}. Move it into the air.", line=line))
    return place
