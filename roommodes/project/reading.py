"""Reading a project file: all faults at once, each with its line, in plain words; and its JSON Schema."""

import re
import tomllib
from collections.abc import Sequence
from difflib import get_close_matches
from pathlib import Path
from typing import Annotated, Any, get_args, get_origin

from pydantic import BaseModel, TypeAdapter, ValidationError
from pydantic_core import ErrorDetails

from roommodes.errors import Fault, FileUnusable, ProjectInvalid
from roommodes.project.checks import geometry_faults
from roommodes.project.constructions import KINDS, library
from roommodes.project.project import Project
from roommodes.project.tables import FORMAT, MAX_TABLES, ProjectTables
from roommodes.project.valid_parts import Found, Parts
from roommodes.storage.ordinary_file import HDF5_SIGNATURE, Unreadable, ordinary_bytes
from roommodes.toml.lines import Lines, key_lines
from roommodes.toml.lines import Path as KeyPath
from roommodes.toml.values import WORDED, Table, shown

MAX_BYTES = 5_000_000
SCHEMA_DRAFT = "https://json-schema.org/draft/2020-12/schema"
SYNTAX_WORDS = (  # what tomllib says, as the start of its message -> what a person needs
    ("Invalid value", "a value is missing or not written as TOML wants it; text needs quotes, numbers a point"),
    ("Expected '=' after a key", "a key is not followed by '='"),
    ("Invalid statement", "this is neither a [table], a key = value, nor a # comment"),
    ("Cannot overwrite a value", "this key is given twice"),
    ("Duplicate inline table key", "a key is given twice inside { }"),
    ("Cannot declare", "this [table] is given twice; a list of tables needs [[double brackets]]"),
    ("Cannot mutate immutable namespace", "a table written as { } cannot be added to further down"),
    ("Expected newline or end of document", "there is something left over behind the value"),
    ("Unclosed array", "a list is not closed with ']', or a comma is missing in it"),
    ("Unclosed inline table", "a table is not closed with '}', or a comma is missing in it"),
    ("Unterminated string", "a text is not closed with its quote"),
    ("Illegal character", "a text holds a line break or a control character; is its closing quote missing?"),
)


def load_project(path: str | Path) -> Project:
    """Read and check a project file.

    Parameters
    ----------
    path : the TOML file.

    Raises
    ------
    ProjectInvalid : with every fault that could be found.
    FileUnusable : it cannot be read, or its format is newer than this version knows.
    """
    return parse_project(read_text(path), source=str(path))


def read_text(path: str | Path, *, what: str = "project", start: str = "roommodes new") -> str:
    """The text of a project file, or of another small file of ours: `what` it is, and which command starts one.

    Raises
    ------
    FileUnusable : it is missing, not a file, unreadable, too large or not UTF-8.
    """
    try:
        data = ordinary_bytes(Path(path), most_bytes=MAX_BYTES)
    except Unreadable as fault:
        if fault.why == "empty":
            return ""  # in which all is missing, as the faults will say
        words = {
            "missing": f"there is no such file; check the name, or start one with `{start}`.",
            "folder": f"this is a folder; give the {what} file in it.",
            "special": f"this is not an ordinary file; check the name, or start one with `{start}`.",
            "too large": f"it is larger than {MAX_BYTES / 1e6:g} MB; a {what} has a few kilobytes. Is it the right "
            "file?",
        }
        raise FileUnusable(f"{path}: {words.get(fault.why, f'it cannot be read ({fault.detail}).')}") from None
    if data.startswith(HDF5_SIGNATURE):
        more = " `roommodes layout` writes the project of a plan, with its layout." if what == "project" else ""
        raise FileUnusable(f"{path}: this is an HDF5 file, as plans are; a {what} is a text.{more}")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as fault:
        line = data.count(b"\n", 0, fault.start) + 1
        raise FileUnusable(f"{path}:{line}: the text is not UTF-8; save it as UTF-8 in your editor.") from None


def parse_project(text: str, *, source: str) -> Project:
    """Check a project's text; `source` is what the messages call it. Raises as `load_project` does."""
    tree = parse_toml(text, source)
    version = tree.get("format")
    if isinstance(version, int) and not isinstance(version, bool) and version > FORMAT:
        raise FileUnusable(
            f"{source}: format is {shown(version)}; this version reads format {FORMAT}. Install a newer roommodes."
        )
    if found := _too_many(tree):  # nothing that takes longer than their number is done with them
        raise ProjectInvalid(source, in_file_order(found, lines_of(text)))
    tables: ProjectTables | None = None
    try:
        tables = ProjectTables.model_validate(tree)
    except ValidationError as invalid:
        found += [reworded(error, ProjectTables) for error in invalid.errors(include_url=False)]
    found += geometry_faults(_parts(tree))
    if found or tables is None:
        lines = lines_of(text)
        raise ProjectInvalid(source, in_file_order(found, lines))
    return Project(tables=tables, toml_text=text, source=source)


def project_schema() -> dict[str, Any]:
    """JSON Schema of the project file, for completion and checks in editors.

    It knows keys, types, units, ranges and defaults; what holds between tables only `load_project` checks.
    """
    schema = ProjectTables.model_json_schema()
    for key in schema["$defs"]["WallsTable"]["properties"].values():
        key["examples"] = list(library())
    schema["$defs"]["RegionTable"]["properties"]["construction"]["examples"] = list(library())
    schema["$defs"]["SearchTable"]["properties"]["counts"] |= {"minItems": 1, "uniqueItems": True}
    return {"$schema": SCHEMA_DRAFT, **schema, "title": "roommodes project"}


def parse_toml(text: str, source: str) -> dict[str, Any]:
    """The tree of a TOML text; ProjectInvalid says in plain words where it is none."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as fault:
        raise ProjectInvalid(source, [_syntax_fault(str(fault), text)]) from None
    except (ValueError, RecursionError, OverflowError):
        message = "this is not usable TOML: a number is far too long, or brackets are nested far too deep."
        raise ProjectInvalid(source, [Fault(where="", message=message)]) from None


def _syntax_fault(message: str, text: str) -> Fault:
    said, _, place = message.partition(" (at ")
    words = next((ours for theirs, ours in SYNTAX_WORDS if said.startswith(theirs)), said[:1].lower() + said[1:])
    position = re.match(r"line (\d+), column (\d+)", place)
    if position is None:
        words = "the file ends too early; a value is missing, or a list, table or text is not closed"
        return Fault(where="", message=f"this is not valid TOML: {words}.", line=len(text.splitlines()) or None)
    line, column = int(position[1]), int(position[2])
    rows = text.splitlines()
    row = rows[line - 1].strip() if line <= len(rows) else ""
    reads = f" The line reads: {''.join(c if c.isprintable() else '?' for c in row[:60])}" if row else ""
    return Fault(where="", message=f"this is not valid TOML: {words} (column {column}).{reads}", line=line)


def lines_of(text: str) -> Lines:
    """The line of every key; none for a text that only tomllib understands."""
    try:
        return key_lines(text)
    except (ValueError, IndexError, OverflowError):  # a text that only tomllib understands: faults without lines
        return Lines({})


def in_file_order(found: Sequence[Found], lines: Lines) -> list[Fault]:
    """The faults with their lines, in the order of the file."""
    faults = [Fault(where=key_text(item.path), message=item.message, line=lines.of(item.path)) for item in found]
    return sorted(faults, key=lambda fault: fault.line or 0)


def key_text(path: KeyPath) -> str:
    """A key path as TOML writes it: ``rows[1].x_m``."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part}]"
        else:
            plain = re.fullmatch(r"[A-Za-z0-9_-]+", part)
            text += ("." if text else "") + (part if plain else shown(part))
    return text


def _too_many(tree: dict[str, Any]) -> list[Found]:
    """Lists that no room needs."""
    return [
        Found((key,), f"there are {len(value):,}; at most {MAX_TABLES} can be handled. Leave out or join some.")
        for key, value in tree.items()
        if isinstance(value, list | dict) and len(value) > MAX_TABLES
    ]


def _parts(tree: dict[str, Any]) -> Parts:
    """Whatever of the tree is valid by itself."""
    kept: dict[str, Any] = {}
    for key, field in ProjectTables.model_fields.items():
        if key not in tree:
            if not field.is_required():
                kept[key] = field.default
            continue
        annotation = _unwrapped(field.annotation)
        if get_origin(annotation) is tuple and isinstance(tree[key], list):
            item = get_args(annotation)[0]
            entries = enumerate(tree[key])
            kept[key] = {i: e for i, raw in entries if (e := _valid(item, raw, f"{key}[{i}]")) is not None}
        elif get_origin(annotation) is dict and isinstance(tree[key], dict):
            item = get_args(annotation)[1]
            kept[key] = {name: e for name, raw in tree[key].items() if (e := _valid(item, raw, name)) is not None}
        else:
            kept[key] = _valid(annotation, tree[key], key)
    return Parts.of(kept, tree)


def _valid(kind: Any, raw: Any, name: str) -> Any:
    """The value, if need be without its invalid optional keys and with `name` for an invalid name; else None."""
    adapter = TypeAdapter(kind)
    try:
        return adapter.validate_python(raw)
    except ValidationError as invalid:
        if not isinstance(raw, dict) or not (isinstance(kind, type) and issubclass(kind, Table)):
            return None
        wrong = {error["loc"][0] for error in invalid.errors(include_url=False) if error["loc"]}
    mended = {key: value for key, value in raw.items() if key not in wrong}
    if "name" in wrong and "name" in kind.model_fields:
        mended["name"] = name
    try:
        return adapter.validate_python(mended)
    except ValidationError:
        return None


def _unwrapped(annotation: Any) -> Any:
    """A type without Annotated and Optional around it."""
    if get_origin(annotation) is Annotated:
        return _unwrapped(get_args(annotation)[0])
    inner = [kind for kind in get_args(annotation) if kind is not type(None)]
    if type(None) in get_args(annotation) and len(inner) == 1:
        return _unwrapped(inner[0])
    return annotation


def reworded(error: ErrorDetails, root: type[BaseModel]) -> Found:
    """One of pydantic's errors in our words; `root` is the model of the whole file."""
    loc = error["loc"]
    if loc[:1] == ("constructions",) and len(loc) > 2:
        table: type[BaseModel] | None = KINDS.get(str(loc[2]))
        path = (*loc[:2], *loc[3:])
    else:
        table, path = _table_at(loc[:-1], root), loc
    if path[-1:] == ("[key]",):
        path = path[:-1]
    return Found(path, _message(error, table, path))


EXPECTED = {  # type of error -> what is allowed instead
    "finite_number": "a number, without quotes",
    "float_type": "a number, without quotes",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "int_parsing_size": "a whole number",
    "string_type": 'text in quotes, such as "front"',
    "string_too_short": "text that is not empty",
    "string_too_long": "a shorter text",
    "bool_type": "true or false",
    "tuple_type": "a list of values in [ ]",
    "model_type": "a table of keys",
    "dict_type": "a table of keys",
    "model_attributes_type": "a table of keys",
}


def _message(error: ErrorDetails, table: type[BaseModel] | None, path: KeyPath) -> str:
    kind, got, context = error["type"], error["input"], error.get("ctx", {})
    key = str(path[-1]) if path else ""
    message = f"got {shown(got)}; allowed: {EXPECTED.get(kind, 'something else')}."
    if kind == "tuple_type" and len(path) == 1:
        message = f"got {shown(got)}; allowed: tables, each headed [[{key}]]."
    elif kind == WORDED:
        message = str(context["text"])
    elif kind == "missing":
        about = table.model_fields[key].description if table else ""
        message = "this key is missing" + (f": {about}" if about else ".")
    elif kind == "extra_forbidden":
        known = list(table.model_fields) if table else []
        message = f"unknown key.{nearest(key, known)} Allowed: {', '.join(known)}."
    elif kind == "literal_error":
        allowed = [part.strip("'") for part in re.split(", | or ", str(context["expected"]))]
        message = f"got {shown(got)}; allowed: {', '.join(allowed)}.{nearest(got, allowed)}"
    elif kind == "union_tag_invalid":
        tag = got.get("kind")
        message = f"got the kind {shown(tag)}; allowed: {_kinds()}.{nearest(tag, list(KINDS))}"
    elif kind == "union_tag_not_found":
        message = f"the key kind is missing; allowed: {_kinds()}."
    return message


def _kinds() -> str:
    return ", ".join(f'"{kind}"' for kind in KINDS)


def nearest(got: Any, known: Sequence[str]) -> str:
    """`` Did you mean X?`` for the known word nearest to what was written; empty if none is near."""
    match = get_close_matches(str(got).lower(), [word.lower() for word in known], n=1, cutoff=0.6)
    original = next((word for word in known if match and word.lower() == match[0]), "")
    return f" Did you mean {original}?" if original else ""


def _table_at(path: KeyPath, root: type[BaseModel]) -> type[BaseModel] | None:
    """The model of the table at a path below `root`; None where there is none."""
    here: Any = root
    for part in path:
        if isinstance(here, type) and issubclass(here, BaseModel):
            field = here.model_fields.get(str(part))
            here = _unwrapped(field.annotation) if field else None
        elif get_origin(here) is tuple:
            here = _unwrapped(get_args(here)[0])
        else:
            return None
    return here if isinstance(here, type) and issubclass(here, BaseModel) else None
