"""Reading a study file: all faults at once, each with its line, in plain words; and its JSON Schema."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter, ValidationError

from roommodes.acoustics.room import WALLS
from roommodes.errors import Fault, FileUnusable, ProjectInvalid
from roommodes.project.constructions import Construction, ConstructionTable, library
from roommodes.project.reading import (
    SCHEMA_DRAFT,
    in_file_order,
    lines_of,
    nearest,
    parse_toml,
    read_text,
    reworded,
)
from roommodes.project.valid_parts import Found
from roommodes.studies.room_table import NUMBER_COLUMNS, PLAIN_BUILD, TableRow, read_rooms
from roommodes.studies.strategy_checks import strategy_faults
from roommodes.studies.tables import MAX_STRATEGIES, STUDY_FORMAT, RoomsTable, StudyTables, Varied
from roommodes.toml.values import Table, number, shown


@dataclass(frozen=True, slots=True, kw_only=True)
class Study:
    """A valid study. Get one from `load_study`.

    Parameters
    ----------
    tables : the file's contents.
    toml_text, table_text : the file, and the CSV table it names, as they were read; empty for none.
    rows : the rooms of that table.
    source : the file's path as it was given.
    """

    tables: StudyTables
    toml_text: str
    table_text: str
    rows: tuple[TableRow, ...]
    source: str

    @property
    def paths(self) -> tuple[Path, ...]:
        """The study file and the table of rooms that it names."""
        file = Path(self.source)
        table = self.tables.rooms.table if self.tables.rooms.design == "table" else None
        return (file,) if table is None else (file, file.parent / table)

    @property
    def sha256(self) -> str:
        """Fingerprint of both texts, 64 hexadecimal digits."""
        return sha256((self.toml_text + "\0" + self.table_text).encode("utf-8")).hexdigest()

    @property
    def build_names(self) -> tuple[str, ...]:
        """What the builds are called."""
        return tuple(build.name for build in self.tables.builds) or (PLAIN_BUILD,)


def load_study(path: str | Path) -> Study:
    """Read and check a study file, and the table of rooms that it names.

    Raises
    ------
    ProjectInvalid : with every fault that could be found.
    FileUnusable : a file cannot be read, or its format is newer than this version knows.
    """
    text = read_text(path, what="study", start="roommodes new --study")
    tree = parse_toml(text, str(path))
    name = rooms.get("table") if isinstance(rooms := tree.get("rooms"), dict) else None
    table_text = ""
    if isinstance(name, str) and _is_beside(name):
        table_text = read_text(Path(path).parent / name, what="table of rooms", start="roommodes new --study")
    return parse_study(text, source=str(path), table_text=table_text)


def parse_study(text: str, *, source: str, table_text: str = "") -> Study:
    """Check a study's text, and the text of the table of rooms that it names. Raises as `load_study` does."""
    tree = parse_toml(text, source)
    version = tree.get("format")
    if isinstance(version, int) and not isinstance(version, bool) and version > STUDY_FORMAT:
        raise FileUnusable(
            f"{source}: format is {shown(version)}; this version reads study format {STUDY_FORMAT}. "
            "Install a newer roommodes."
        )
    try:
        tables = StudyTables.model_validate(tree)
    except ValidationError as invalid:
        found = [reworded(error, StudyTables) for error in invalid.errors(include_url=False)]
        found += _faults_of_valid_parts(tree)
        raise ProjectInvalid(source, in_file_order(_once_per_place(found), lines_of(text))) from None
    found = [*_study_faults(tables)]
    faults = in_file_order(found, lines_of(text))
    rows: tuple[TableRow, ...] = ()
    if tables.rooms.design == "table" and _is_beside(tables.rooms.table or ""):
        rows, more = read_rooms(table_text, tables)
        if more:
            raise ProjectInvalid(source, faults + [_in_table(str(tables.rooms.table), fault) for fault in more])
    if faults:
        raise ProjectInvalid(source, faults)
    return Study(tables=tables, toml_text=text, table_text=table_text, rows=rows, source=source)


def study_schema() -> dict[str, Any]:
    """JSON Schema of the study file, for completion and checks in editors."""
    schema = StudyTables.model_json_schema()
    names = list(library())
    for wall in WALLS:
        schema["$defs"]["BuildTable"]["properties"][wall]["examples"] = names
    schema["$defs"]["BuildRegionTable"]["properties"]["construction"]["examples"] = names
    return {"$schema": SCHEMA_DRAFT, **schema, "title": "roommodes study"}


def constructions_of(tables: StudyTables) -> dict[str, Construction]:
    """The library with the study's own constructions over it, by name."""
    return {**library(), **{name: Construction(name=name, table=table) for name, table in tables.constructions.items()}}


def spread_by(construction: Construction, factors: Mapping[str, float]) -> dict[str, Any]:
    """A construction's table with parameters multiplied.

    Raises
    ------
    ValidationError : one leaves its range.
    """
    table: dict[str, Any] = {"kind": construction.kind}
    for key, value in construction.parameters.items():
        table[key] = plain_parameter(value, factors.get(key, 1.0))
    TypeAdapter(ConstructionTable).validate_python(table)
    return table


def plain_parameter(value: Any, factor: float = 1.0) -> Any:
    """A construction's parameter as TOML writes it, times a factor; a curve becomes a table by frequency."""
    if isinstance(value, Mapping):  # a dumped curve
        if len(value["hz"]) == 1:
            return plain_parameter(value["value"][0], factor)
        pairs = zip(value["hz"], value["value"], strict=True)
        return {number(hz): plain_parameter(each, factor) for hz, each in pairs}
    if isinstance(value, bool) or factor == 1.0 or not isinstance(value, int | float):
        return value
    return float(f"{value * factor:.6g}")


def _faults_of_valid_parts(tree: dict[str, Any]) -> list[Found]:
    """What is wrong between the tables that are valid by themselves, when others are not."""
    kept = {}
    for key, field in StudyTables.model_fields.items():
        try:
            kept[key] = TypeAdapter(field.rebuild_annotation()).validate_python(tree[key]) if key in tree else None
        except ValidationError:
            kept[key] = None
    found: list[Found] = []
    if isinstance(kept["rooms"], RoomsTable):
        found += _room_faults(kept["rooms"])
    for index, strategy in enumerate(kept["strategies"] or ()):
        found += strategy_faults(index, strategy)
    return found


def _is_beside(name: str) -> bool:
    """Whether a name is that of a file in the study's own folder: a study never reads elsewhere."""
    return bool(name.strip(". ")) and not set(name) & set("/\\:\0")


def _once_per_place(found: list[Found]) -> list[Found]:
    return list(dict.fromkeys(found))


def _study_faults(tables: StudyTables) -> Iterator[Found]:
    yield from _room_faults(tables.rooms)
    yield from _same_names(tables)
    yield from _build_faults(tables)
    yield from _spread_faults(tables)
    for key in ("seatings", "strategies"):
        if not getattr(tables, key):
            yield Found((key,), f"there is none; add at least one [[{key}]].")
    for index, seating in enumerate(tables.seatings):
        if not any(row.y_fraction for row in seating.rows):
            yield Found(("seatings", index), "it has no seat; give each row y_fraction with one number per seat.")
    if len(tables.strategies) > MAX_STRATEGIES:
        yield Found(("strategies",), f"there are {len(tables.strategies)}; at most {MAX_STRATEGIES} can be compared.")
    for index, strategy in enumerate(tables.strategies):
        yield from strategy_faults(index, strategy)
    design = tables.rooms.design
    if design == "every combination" and tables.spread:
        text = "every combination draws nothing, so nothing can spread; take the design sobol or latin hypercube."
        yield Found(("spread",), text)


def _room_faults(rooms: RoomsTable) -> Iterator[Found]:
    drawn = rooms.design in ("sobol", "latin hypercube")
    if drawn and rooms.count is None:
        yield Found(("rooms", "count"), f"this key is missing: how many rooms {rooms.design} draws.")
    if not drawn and rooms.count is not None:
        yield Found(("rooms", "count"), f"the design {rooms.design} has its own number of rooms; delete the key.")
    if rooms.design == "table":
        if rooms.table is None:
            yield Found(("rooms", "table"), "this key is missing: the CSV file beside the study that lists the rooms.")
        elif not _is_beside(rooms.table):
            text = f"got {shown(rooms.table)}; allowed: the name of a file in the study's own folder, without a path."
            yield Found(("rooms", "table"), text)
        for key in ("length_m", "width_m", "height_m"):
            if getattr(rooms, key) is not None:
                yield Found(("rooms", key), "the table lists it for every room; delete the key.")
        return
    if rooms.table is not None:
        yield Found(("rooms", "table"), f"the design {rooms.design} reads no table; delete the key, or take table.")
    for key in NUMBER_COLUMNS:
        quantity: Varied | None = getattr(rooms, key)
        if quantity is None:
            about = RoomsTable.model_fields[key].description
            yield Found(("rooms", key), f"this key is missing: {about}")
        elif rooms.design == "every combination" and not quantity.values:
            text = "every combination needs a list, such as [4.0, 5.0, 6.0], or the design sobol."
            yield Found(("rooms", key), text)


def _same_names(tables: StudyTables) -> Iterator[Found]:
    for key in ("builds", "seatings", "strategies"):
        first: dict[str, int] = {}
        for index, entry in enumerate(getattr(tables, key)):
            if entry.name in first:
                text = f"{key}[{first[entry.name]}] has the name {shown(entry.name)} too; give each its own."
                yield Found((key, index, "name"), text)
            first.setdefault(entry.name, index)


def _build_faults(tables: StudyTables) -> Iterator[Found]:
    known = list(constructions_of(tables))
    for index, build in enumerate(tables.builds):
        used: list[tuple[tuple[str | int, ...], str]] = [((wall,), getattr(build, wall)) for wall in WALLS]
        used += [(("regions", k, "construction"), region.construction) for k, region in enumerate(build.regions)]
        for place, name in used:
            if name not in known:
                text = f"there is no construction {shown(name)}.{nearest(name, known)} Allowed: one of your own under "
                yield Found(("builds", index, *place), f"{text}[constructions], or {', '.join(map(shown, library()))}.")


def _spread_faults(tables: StudyTables) -> Iterator[Found]:
    known = constructions_of(tables)
    for name, factors in tables.spread.items():
        if name not in known:
            text = f"there is no construction {shown(name)}.{nearest(name, list(known))}"
            yield Found(("spread", name), text)
            continue
        parameters = {key: v for key, v in known[name].parameters.items() if not isinstance(v, bool | str)}
        for key, factor in factors.items():
            if key not in parameters:
                allowed = ", ".join(parameters) or "none of its parameters is a number"
                yield Found(("spread", name, key), f"unknown key.{nearest(key, list(parameters))} Allowed: {allowed}.")
                continue
            for end in (factor, 1.0 / factor):
                try:
                    spread_by(known[name], {key: end})
                except ValidationError as invalid:
                    said = reworded(invalid.errors(include_url=False)[0], Table).message
                    text = f"times {number(round(end, 6))} it leaves its range: {said} Take a smaller factor."
                    yield Found(("spread", name, key), text)
                    break


def _in_table(name: str, fault: Fault) -> Fault:
    line = "" if fault.line is None else f":{fault.line}"
    column = f" {fault.where}" if fault.where else ""
    return Fault(where="rooms.table", message=f"{shown(name)[1:-1]}{line}{column}: {fault.message}")
