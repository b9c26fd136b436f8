"""Cables, circuits, heat and quantities as a spreadsheet, or as CSV files."""

import csv
import io
import re
import zipfile
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from openpyxl import Workbook  # type: ignore[import-untyped]
from openpyxl.styles import Font  # type: ignore[import-untyped]
from openpyxl.utils import get_column_letter  # type: ignore[import-untyped]

from cli.formats.curves import LONG_AGO
from cli.words.electrical import Cell, Listing
from cli.words.settings import inert

MOST_WIDE = 60  # letters of a column
NOTES_WIDE = 120
UNDATED = datetime(2000, 1, 1)
SAVED = re.compile(rb"(?<=W3CDTF\">)[^<]*(?=</dcterms:modified>)")  # openpyxl sets the time as it saves


def csv_files(target: Path, tables: Sequence[Listing], basis: Sequence[str]) -> dict[Path, bytes]:
    """A file for each list, the first at the target, the others beside it by their names: path -> bytes."""
    return {path: _csv(table, basis) for path, table in zip(csv_paths(target, tables), tables, strict=True)}


def csv_paths(target: Path, tables: Sequence[Listing]) -> list[Path]:
    """Where they go: ``wiring.csv``, ``wiring-supply-cables.csv`` and so on."""
    names = [one.name.replace(" ", "-") for one in tables[1:]]
    return [target, *(target.with_name(f"{target.stem}-{name}{target.suffix}") for name in names)]


def _csv(table: Listing, basis: Sequence[str]) -> bytes:
    """One list; the first lines, behind a #, say how it was worked out."""
    buffer = io.StringIO()
    buffer.writelines(f"# {line}\r\n" for line in basis)
    writer = csv.writer(buffer, lineterminator="\r\n")
    writer.writerow(table.headers)
    writer.writerows([["" if cell is None else _plain(cell) for cell in row] for row in table.rows])
    return buffer.getvalue().encode("utf-8")


def _plain(cell: Cell) -> Cell:
    if isinstance(cell, str):
        return inert(cell)
    return None if cell is None else round(cell, 4)


def workbook_file(tables: Sequence[Listing], notes: Sequence[str], title: str) -> bytes:
    """A sheet for each list and one for notes; texts are never formulas."""
    book = Workbook()
    book.remove(book.active)
    book.properties.creator = "roommodes"
    book.properties.title = title
    book.properties.created = book.properties.modified = UNDATED
    for table in tables:
        sheet = book.create_sheet(table.name)
        _fill(sheet, [table.headers, *table.rows])
        for cell in sheet[1]:
            cell.font = Font(bold=True)
        for column, cells in enumerate(zip(table.headers, *table.texts(), strict=True), start=1):
            sheet.column_dimensions[get_column_letter(column)].width = min(MOST_WIDE, max(map(len, cells)) + 2)
        sheet.freeze_panes = "A2"
    sheet = book.create_sheet("notes")
    _fill(sheet, [(line,) for line in notes])
    sheet.column_dimensions["A"].width = NOTES_WIDE
    buffer = io.BytesIO()
    book.save(buffer)
    return _undated(buffer.getvalue())


def _undated(data: bytes) -> bytes:
    """The workbook without the time at which it was saved: the same lists give the same bytes."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as dated, zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for name in dated.namelist():
            part = dated.read(name)
            if name == "docProps/core.xml":
                part = SAVED.sub(UNDATED.strftime("%Y-%m-%dT%H:%M:%SZ").encode(), part)
            archive.writestr(zipfile.ZipInfo(name, LONG_AGO), part, zipfile.ZIP_DEFLATED)
    return buffer.getvalue()


def _fill(sheet: Any, rows: Sequence[Sequence[Cell]]) -> None:
    """Values from the first cell on; a text stays a text, whatever it begins with."""
    for line, row in enumerate(rows, start=1):
        for column, value in enumerate(row, start=1):
            if value is None:
                continue
            cell = sheet.cell(line, column)
            cell.value = value if isinstance(value, str) else round(value, 4)
            if isinstance(value, str):
                cell.data_type = "s"
