"""Reading a study file: all faults at once, each with its line, in plain words; and its JSON Schema."""

from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter, ValidationError

from roommodes.acoustics.room import WALLS
from roommodes.errors import Fault, FileUnusable, ProjectInvalid
from roommodes.project.constructions import library
from roommodes.project.reading import (
    SCHEMA_DRAFT,
    in_file_order,
    lines_of,
    parse_toml,
    read_text,
    reworded,
)
from roommodes.project.valid_parts import Found
from roommodes.studies.room_table import PLAIN_BUILD, TableRow, read_rooms
from roommodes.studies.strategy_checks import strategy_faults
from roommodes.studies.study_checks import covariate_faults, is_beside, room_faults, study_faults
from roommodes.studies.tables import STUDY_FORMAT, RoomsTable, StudyTables
from roommodes.toml.values import shown


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
    if isinstance(name, str) and is_beside(name):
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
    found = [*study_faults(tables)]
    faults = in_file_order(found, lines_of(text))
    rows: tuple[TableRow, ...] = ()
    if tables.rooms.design == "table" and is_beside(tables.rooms.table or ""):
        rows, more = read_rooms(table_text, tables)
        if more:
            raise ProjectInvalid(source, faults + [_in_table(str(tables.rooms.table), fault) for fault in more])
    if not faults:
        faults = in_file_order([*covariate_faults(tables, rows)], lines_of(text))
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
        found += room_faults(kept["rooms"])
    for index, strategy in enumerate(kept["strategies"] or ()):
        found += strategy_faults(index, strategy)
    return found


def _once_per_place(found: list[Found]) -> list[Found]:
    return list(dict.fromkeys(found))


def _in_table(name: str, fault: Fault) -> Fault:
    line = "" if fault.line is None else f":{fault.line}"
    column = f" {fault.where}" if fault.where else ""
    return Fault(where="rooms.table", message=f"{shown(name)[1:-1]}{line}{column}: {fault.message}")
