"""Reading a study file: all faults at once, each with its line, in plain words; and its JSON Schema."""

import csv
import io
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from types import MappingProxyType
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
from roommodes.studies.tables import (
    MAX_ROOMS,
    MAX_STRATEGIES,
    STUDY_FORMAT,
    RoomsTable,
    StrategyTable,
    StudyTables,
    Varied,
    VariedOf,
)
from roommodes.toml.values import Range, Table, number, shown

PLACES_FOR = MappingProxyType({"corners": 4, "wall midpoints": 4, "quarter points": 4})
NUMBER_COLUMNS = ("length_m", "width_m", "height_m", "temperature_c", "loss_factor")
NAME_COLUMNS = ("build", "seating", "room")
PLAIN_BUILD = "rigid"  # the only build where the file gives none


@dataclass(frozen=True, slots=True, kw_only=True)
class TableRow:
    """One room of a CSV table: numbers by column, and names by column."""

    numbers: Mapping[str, float]
    names: Mapping[str, str]


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
        rows, more = _read_rooms(table_text, tables)
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
        found += _strategy_faults(index, strategy)
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
        yield from _strategy_faults(index, strategy)
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


def _strategy_faults(index: int, strategy: StrategyTable) -> Iterator[Found]:
    place = ("strategies", index)
    given = strategy.at_fraction
    if strategy.positions == "given":
        if given is None:
            yield Found((*place, "at_fraction"), "this key is missing: the positions, [[along, across, up], ...].")
        elif len(given) < strategy.subs:
            yield Found((*place, "at_fraction"), f"it has {len(given)} for {strategy.subs} subs; give one for each.")
        elif len(set(given)) < len(given):
            yield Found((*place, "at_fraction"), "one position is given twice; give each once.")
    elif given is not None:
        text = f"the positions are {strategy.positions}; delete the key, or set positions to given."
        yield Found((*place, "at_fraction"), text)
    if strategy.subs > (most := PLACES_FOR.get(strategy.positions, strategy.subs)):
        yield Found((*place, "subs"), f"got {strategy.subs}; {strategy.positions} are only {most}.")
    if strategy.positions == "front-and-rear pairs":
        if strategy.subs % 2:
            yield Found((*place, "subs"), f"got {strategy.subs}; pairs need an even number.")
        if strategy.adjust:
            text = "the room's length sets the drives of front-and-rear pairs; delete the key."
            yield Found((*place, "adjust"), text)


def _read_rooms(text: str, tables: StudyTables) -> tuple[tuple[TableRow, ...], list[Fault]]:
    """The rooms of a CSV table, and its faults with their lines."""
    builds = tuple(build.name for build in tables.builds) or (PLAIN_BUILD,)
    seatings = tuple(seating.name for seating in tables.seatings)
    reader = csv.reader(io.StringIO(text), strict=True)
    faults: list[Fault] = []
    rows: list[TableRow] = []
    try:
        header = [cell.strip() for cell in next(reader, [])]
        faults += _header_faults(header, several_builds=len(builds) > 1, several_seatings=len(seatings) > 1)
        if faults:
            return (), faults
        for cells in reader:
            line = reader.line_num
            if not any(cell.strip() for cell in cells):
                continue
            if len(cells) != len(header):
                message = f"the row has {len(cells)} columns, the header {len(header)}"
                faults.append(Fault(where="", message=message, line=line))
                continue
            row, wrong = _read_row(dict(zip(header, cells, strict=True)), builds, seatings)
            faults += [Fault(where=key, message=message, line=line) for key, message in wrong]
            rows.append(row)
    except csv.Error as error:
        faults.append(Fault(where="", message=f"this is not valid CSV: {error}", line=reader.line_num))
    if not faults and not 1 <= len(rows) <= MAX_ROOMS:
        faults.append(Fault(where="", message=f"it lists {len(rows)} rooms; allowed: 1 to {MAX_ROOMS}."))
    return tuple(rows), faults


def _header_faults(header: list[str], *, several_builds: bool, several_seatings: bool) -> list[Fault]:
    known = (*NUMBER_COLUMNS, *NAME_COLUMNS)
    texts = [
        f"unknown column {shown(c)}.{nearest(c, known)} Allowed: {', '.join(known)}." for c in header if c not in known
    ]
    texts += [f"the column {name} is missing." for name in ("length_m", "width_m", "height_m") if name not in header]
    if len(set(header)) < len(header):
        texts.append("a column is given twice.")
    if several_builds and "build" not in header:
        texts.append("the study has several builds, so the table needs a column build.")
    if several_seatings and "seating" not in header:
        texts.append("the study has several seatings, so the table needs a column seating.")
    return [Fault(where="", message=text, line=1) for text in texts]


def _read_row(
    cells: Mapping[str, str], builds: tuple[str, ...], seatings: tuple[str, ...]
) -> tuple[TableRow, list[tuple[str, str]]]:
    wrong: list[tuple[str, str]] = []
    numbers: dict[str, float] = {}
    names = {"build": builds[0], "seating": seatings[0] if seatings else "", "room": ""}
    for key, cell in cells.items():
        content = cell.strip()
        if key in NUMBER_COLUMNS:
            try:
                numbers[key] = float(content)
            except ValueError:
                wrong.append((key, f"got {shown(content)}; allowed: a number with a point."))
                continue
            if text := _allowed(key).fault(numbers[key]):
                wrong.append((key, text))
        else:
            names[key] = content
    for key, known in (("build", builds), ("seating", seatings)):
        if names[key] not in known:
            wrong.append((key, f"there is no {key} {shown(names[key])}.{nearest(names[key], known)}"))
    return TableRow(numbers=numbers, names=names), wrong


def _allowed(key: str) -> Range:
    field = RoomsTable.model_fields[key]
    for part in (*field.metadata, *getattr(field.annotation, "__args__", ())):
        for entry in (part, *getattr(part, "__metadata__", ())):
            if isinstance(entry, VariedOf):
                return entry.allowed
    raise AssertionError(f"{key} has no range")


def _in_table(name: str, fault: Fault) -> Fault:
    line = "" if fault.line is None else f":{fault.line}"
    column = f" {fault.where}" if fault.where else ""
    return Fault(where="rooms.table", message=f"{shown(name)[1:-1]}{line}{column}: {fault.message}")
