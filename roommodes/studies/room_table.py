"""The table of rooms of a study (CSV): sizes, what else a room has, and columns of its owner's own.

A column that the program does not know is its owner's: numbers become properties of the rooms, words become groups of
rooms, and both go through to the results. A name that is nearly one of the program's is taken for a slip.
"""

import csv
import io
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import isfinite, nan

from roommodes.errors import Fault
from roommodes.project.reading import nearest
from roommodes.studies.tables import MAX_ROOMS, RoomsTable, StudyTables, VariedOf
from roommodes.toml.letters import unsafe
from roommodes.toml.values import NAME_LENGTH, Range, shown

NUMBER_COLUMNS = ("length_m", "width_m", "height_m", "temperature_c", "loss_factor")
NAME_COLUMNS = ("build", "seating", "room")
PLAIN_BUILD = "rigid"  # the only build where the file gives none
TAKEN = frozenset(  # by the results' own columns
    {"label", "status", "volume_m3", "decay_s", "glass_m2", "key", "seconds", "cpu_seconds", "strategy", "subs"}
    | {"variation_db", "tuned_db", "output_db", "layouts", "note", "project_toml", "frequency_hz"}
)
MOST_OWN = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class TableRow:
    """One room of the table.

    Parameters
    ----------
    numbers, names : of the known columns.
    own_numbers, own_words : of the owner's columns; NaN and empty text where a cell is empty.
    line : in the file.
    """

    numbers: Mapping[str, float]
    names: Mapping[str, str]
    own_numbers: Mapping[str, float]
    own_words: Mapping[str, str]
    line: int


def read_rooms(text: str, tables: StudyTables) -> tuple[tuple[TableRow, ...], list[Fault]]:
    """The rooms of a CSV table, and its faults with their lines."""
    builds = tuple(build.name for build in tables.builds) or (PLAIN_BUILD,)
    seatings = tuple(seating.name for seating in tables.seatings)
    header, lines, faults = _cells(text)
    if not faults or header:
        faults = _header_faults(header, several_builds=len(builds) > 1, several_seatings=len(seatings) > 1) + faults
    if faults:
        return (), faults
    own = [name for name in header if name not in (*NUMBER_COLUMNS, *NAME_COLUMNS)]
    numeric = {name for name in own if _mostly_numbers([cells[name] for _, cells in lines])}
    rows = []
    for line, cells in lines:
        row, wrong = _read_row(line, cells, builds, seatings, numeric)
        faults += [Fault(where=key, message=message, line=line) for key, message in wrong]
        rows.append(row)
    faults += _same_labels(rows)
    if not faults and not 1 <= len(rows) <= MAX_ROOMS:
        faults.append(Fault(where="", message=f"it lists {len(rows)} rooms; allowed: 1 to {MAX_ROOMS}."))
    return tuple(rows), sorted(faults, key=lambda fault: fault.line or 0)


def _cells(text: str) -> tuple[list[str], list[tuple[int, dict[str, str]]], list[Fault]]:
    """The header, the cells of each line by column, and what is no table at all."""
    reader = csv.reader(io.StringIO(text.removeprefix("\ufeff")), strict=True)
    faults: list[Fault] = []
    lines: list[tuple[int, dict[str, str]]] = []
    header: list[str] = []
    try:
        header = [cell.strip() for cell in next(reader, [])]
        for cells in reader:
            if not any(cell.strip() for cell in cells):
                continue
            if len(cells) != len(header):
                message = f"the row has {len(cells)} columns, the header {len(header)}"
                faults.append(Fault(where="", message=message, line=reader.line_num))
                continue
            stripped = [cell.strip() for cell in cells]
            lines.append((reader.line_num, dict(zip(header, stripped, strict=True))))
    except csv.Error as error:
        faults.append(Fault(where="", message=f"this is not valid CSV: {error}", line=reader.line_num))
    return header, lines, faults


def _header_faults(header: list[str], *, several_builds: bool, several_seatings: bool) -> list[Fault]:
    known = (*NUMBER_COLUMNS, *NAME_COLUMNS)
    own = [name for name in header if name not in known]
    texts = []
    for name in own:
        if not name:
            texts.append("a column has no name; name it, or delete it.")
        elif len(name) > NAME_LENGTH or any(unsafe(name)):
            texts.append(f"the column {shown(name)} has no plain name of up to {NAME_LENGTH} letters.")
        elif name in TAKEN:
            texts.append(f"the column {name} would be taken for one of the results; give it another name.")
        elif near := nearest(name, known):
            texts.append(
                f"unknown column {shown(name)}.{near} A column of your own needs a name that is not so near to it; "
                f"known are {', '.join(known)}."
            )
    if len(own) > MOST_OWN:
        texts.append(f"there are {len(own)} columns of your own; at most {MOST_OWN} are kept.")
    texts += [f"the column {name} is missing." for name in ("length_m", "width_m", "height_m") if name not in header]
    if len(set(header)) < len(header):
        texts.append("a column is given twice.")
    if several_builds and "build" not in header:
        texts.append("the study has several builds, so the table needs a column build.")
    if several_seatings and "seating" not in header:
        texts.append("the study has several seatings, so the table needs a column seating.")
    return [Fault(where="", message=text, line=1) for text in texts]


def _mostly_numbers(cells: Sequence[str]) -> bool:
    """Whether a column of the owner's holds numbers: then what is none among them is a fault, not a word."""
    filled = [cell for cell in cells if cell]
    return bool(filled) and 2 * sum(_number(cell) is not None for cell in filled) > len(filled)


def _number(cell: str) -> float | None:
    try:
        value = float(cell)
    except ValueError:
        return None
    return value if isfinite(value) else None


def _read_row(
    line: int, cells: Mapping[str, str], builds: tuple[str, ...], seatings: tuple[str, ...], numeric: set[str]
) -> tuple[TableRow, list[tuple[str, str]]]:
    wrong: list[tuple[str, str]] = []
    numbers: dict[str, float] = {}
    names = {"build": builds[0], "seating": seatings[0] if seatings else "", "room": ""}
    own_numbers: dict[str, float] = {}
    own_words: dict[str, str] = {}
    for key, content in cells.items():
        if key in NUMBER_COLUMNS:
            try:
                numbers[key] = float(content)
            except ValueError:
                wrong.append((key, f"got {shown(content)}; allowed: a number with a point."))
                continue
            if text := _allowed(key).fault(numbers[key]):
                wrong.append((key, text))
        elif key in NAME_COLUMNS:
            names[key] = content
        elif key in numeric:
            value = _number(content) if content else nan
            if value is None:
                wrong.append(
                    (key, f"got {shown(content)}; allowed: a number as in the column's other rows, or nothing.")
                )
            own_numbers[key] = nan if value is None else value
        else:
            own_words[key] = "".join(
                " " if bad else letter for letter, bad in zip(content, unsafe(content), strict=True)
            )[:NAME_LENGTH]
    for key, known in (("build", builds), ("seating", seatings)):
        if names[key] not in known:
            wrong.append((key, f"there is no {key} {shown(names[key])}.{nearest(names[key], known)}"))
    row = TableRow(numbers=numbers, names=names, own_numbers=own_numbers, own_words=own_words, line=line)
    return row, wrong


def _same_labels(rows: Sequence[TableRow]) -> Iterator[Fault]:
    first: dict[str, int] = {}
    for row in rows:
        label = row.names["room"]
        if label and label in first:
            text = f"{shown(label)} is the room of line {first[label]} too; give each room a label of its own."
            yield Fault(where="room", message=text, line=row.line)
        first.setdefault(label, row.line)


def _allowed(key: str) -> Range:
    field = RoomsTable.model_fields[key]
    for part in (*field.metadata, *getattr(field.annotation, "__args__", ())):
        for entry in (part, *getattr(part, "__metadata__", ())):
            if isinstance(entry, VariedOf):
                return entry.allowed
    raise AssertionError(f"{key} has no range")
