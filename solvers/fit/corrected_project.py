"""The corrected project: the same file with the fitted numbers, its comments kept."""

import tomllib
from collections.abc import Sequence
from math import floor, log10
from typing import Any

from roommodes.acoustics.curve import Curve
from roommodes.acoustics.room import AXIS_OF_WALL, WALLS
from roommodes.estimates.fitted import CORRECTED
from roommodes.measured.loading import MeasuredSet
from roommodes.project.project import Project
from roommodes.project.reading import parse_project
from roommodes.project.room import room_of
from roommodes.project.tables import ProjectTables
from roommodes.ranges import number
from roommodes.shapes.faces import PLANE_AXES
from roommodes.shapes.grid import SAME_M
from roommodes.toml.edit import with_table, with_values
from roommodes.toml.lines import Path
from solvers.fit.outcome import Fit
from solvers.fit.parameters import moved_edge
from solvers.fit.shape import MovableShape

DIGITS = 5


def corrected_project(project: Project, measured: MeasuredSet, fit: Fit) -> str:
    """The project's text with the fitted room and constructions.

    Positions of subs and microphones are how they stood while measuring: they are reported, not written. What reaches
    up to a wall that moved goes on to reach it.

    Raises
    ------
    ProjectInvalid : the corrected project has faults, such as a seat that the smaller room leaves outside.
    FileUnusable : the project's text cannot be changed without changing what else it says.
    """
    tables = project.tables
    written = tomllib.loads(project.toml_text)
    changes: dict[Path, Any] = {}
    appended: dict[str, dict[str, Any]] = {}
    owners: dict[str, list[str]] = {}
    for one in fit.estimates:
        parameter = one.parameter
        if parameter.group in {"size", "loss"}:
            changes["room", parameter.key] = _rounded(one.value, 4 if parameter.group == "size" else None)
        elif parameter.group == "walls":
            owners.setdefault(parameter.owner, []).append(parameter.key)
    source = f"fitted to the measurements {measured.name} by roommodes"
    for owner, keys in owners.items():
        fitted = fit.situation.tables[owner]
        if owner in fit.space.replaced:
            measured_name = f"{owner} as measured"
            appended[measured_name] = {"kind": fitted.kind, **{key: _plain(getattr(fitted, key)) for key in keys}} | {
                "source": source
            }
            changes |= _instead(tables, owner, measured_name)
            continue
        values = {key: _plain(getattr(fitted, key)) for key in keys}
        if owner in tables.constructions:
            for key, value in values.items():
                changes["constructions", owner, key] = _as_written(value, written["constructions"][owner].get(key))
            continue
        own = fitted.model_dump(exclude_none=True)
        own = {key: _plain(value) for key, value in own.items() if key not in {"alpha"}}
        own |= values | {"source": source}
        appended[owner] = {"kind": own.pop("kind"), **{k: v for k, v in own.items() if v != ""}}
    changes |= _edges(tables, fit) if fit.situation.room.is_box else _shape(project, fit)
    text = with_values(project.toml_text, changes, source=project.source)
    for owner, values in appended.items():
        comment = f"{_line(source)}; it goes before the library's"
        text = with_table(text, ("constructions", owner), values, comment=comment, source=project.source)
    head = (
        f"{CORRECTED} {_line(project.source)} and {_line(measured.source)}\n"
        f"# (project SHA-256 {project.sha256[:16]}).\n#\n"
    )
    text = (head.replace("\n", "\r\n") if "\r\n" in text else head) + text
    parse_project(text, source="the corrected project")
    return text


def _instead(tables: ProjectTables, owner: str, name: str) -> dict[Path, Any]:
    """Another construction wherever one stands; it stands in no layers, see `plain_walls`."""
    walls: dict[Path, Any] = {("walls", wall): name for wall in WALLS if getattr(tables.walls, wall) == owner}
    regions = enumerate(tables.regions)
    return walls | {("regions", index, "construction"): name for index, one in regions if one.construction == owner}


def _edges(tables: ProjectTables, fit: Fit) -> dict[Path, Any]:
    """Coordinates that reached up to a wall that moved, or would now lie behind it."""
    before, after = room_of(tables.room).size_m, fit.situation.room.size_m
    after = (_rounded(after[0], 4), _rounded(after[1], 4), _rounded(after[2], 4))
    changes: dict[Path, Any] = {}

    def move(path: Path, values: tuple[float, ...], axes: tuple[int, ...]) -> None:
        new = [moved_edge(v, old=before[a], new=after[a]) for v, a in zip(values, axes, strict=True)]
        if new != list(values):
            changes[path] = [_rounded(value, 4) for value in new]

    for index, region in enumerate(tables.regions):
        axes = PLANE_AXES[AXIS_OF_WALL[region.wall][0]]
        move(("regions", index, "from_m"), region.from_m, axes)
        move(("regions", index, "to_m"), region.to_m, axes)
    boxes = {
        "zones": [(zone.from_m, zone.to_m) for zone in tables.zones],
        "keep_outs": [(keep_out.from_m, keep_out.to_m) for keep_out in tables.keep_outs],
    }
    for key, corners in boxes.items():
        for index, (one, other) in enumerate(corners):
            move((key, index, "from_m"), one, (0, 1, 2))
            move((key, index, "to_m"), other, (0, 1, 2))
    return changes


def _shape(project: Project, fit: Fit) -> dict[Path, Any]:
    """Blocks, slopes and regions where their planes moved."""
    tables, room = project.tables, fit.situation.room
    shape = MovableShape(project.room)
    changes: dict[Path, Any] = {}

    def put(path: Path, old: Sequence[float], new: Sequence[float]) -> None:
        if any(abs(a - b) > SAME_M for a, b in zip(old, new, strict=True)):
            changes[path] = [_rounded(value, 4) for value in new]

    for index, block in enumerate(tables.blocks):
        for key, corner in (("from_m", block.from_m), ("to_m", block.to_m)):
            put(("blocks", index, key), corner, [shape.at(axis, value, room) for axis, value in enumerate(corner)])
    for index, (slope, there) in enumerate(zip(tables.slopes, room.slopes, strict=True)):
        put(("slopes", index, "from_m"), slope.from_m, there.from_m)
        put(("slopes", index, "to_m"), slope.to_m, there.to_m)
    for index, region in enumerate(tables.regions):
        for key, end in (("from_m", region.from_m), ("to_m", region.to_m)):
            put(("regions", index, key), end, shape.corner(region.wall, end, room))
    return changes


def _plain(value: Any) -> Any:
    """A construction's value as TOML has it."""
    if isinstance(value, Curve) and len(value.hz) == 1:
        return _rounded(value.value[0])
    if isinstance(value, Curve):
        return {number(hz): _rounded(v) for hz, v in zip(value.hz, value.value, strict=True)}
    if isinstance(value, float):
        return _rounded(value)
    return value


def _as_written(value: Any, before: Any) -> Any:
    """A curve's value under the frequencies as they stand in the file, such as "63.0" for 63."""
    if not isinstance(before, dict):
        return value
    return dict(zip(sorted(before, key=float), value.values() if isinstance(value, dict) else [value], strict=True))


def _rounded(value: float, places: int | None = None) -> float:
    """To so many decimals, or to `DIGITS` significant digits."""
    if places is None:
        places = DIGITS - 1 - floor(log10(abs(value))) if value else 0
    return round(float(value), places)


def _line(text: str) -> str:
    return "".join(letter if letter.isprintable() else "?" for letter in text)[:200]
