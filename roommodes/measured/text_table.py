"""Transfer functions from text tables: a frequency, a level and a phase on each line.

Plain columns as any program writes them. Lines that begin with # * ; " ' or //, and lines of words before the
first numbers, are passed over. Columns stand apart by tabs, semicolons, commas or blanks; where the comma does not
separate, it may be the decimal sign. Numbers may stand in quotes, as spreadsheets write them.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite

import numpy as np

from roommodes.errors import Fault
from roommodes.measured.files import SHOWN, FileFaulty, Spectrum, faulty

COMMENT = ("#", "*", ";", '"', "'", "//")
NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eEdD][+-]?\d+)?")
DECIMAL_COMMA = re.compile(r"[+-]?\d+(,\d+)?([eE][+-]?\d+)?")
QUOTED = re.compile(r'"[+-]?[.\d]')  # the beginning of a line of quoted numbers
LONE_TAB = re.compile(r"(?<!\t)\t(?!\t)")
BARE_COMMA = re.compile(r",\S")
UNDEFINED = re.compile(r"[+-]?(nan|inf|infinity|1\.#\w+)", re.IGNORECASE)
FEWEST_POINTS = 8
LOUDEST_DB = 300.0
LINEAR = 'A linear magnitude needs form = "magnitude and phase".'
LARGEST = 1e15  # of a real or imaginary part
MOST_BYTES, MOST_LINES, LONGEST_LINE, MOST_COLUMNS = 40_000_000, 1_000_000, 100_000, 1000


@dataclass(frozen=True, slots=True)
class _Row:
    line: int
    cells: tuple[str, ...]


def read_table(data: bytes, *, columns: tuple[int, int, int], form: str, fewest: int = FEWEST_POINTS) -> Spectrum:
    """A text table as a transfer function.

    Parameters
    ----------
    data : the file's bytes.
    columns : frequency, level, phase; from 1.
    form : ``level and phase`` (dB, degrees), ``level`` (dB; the last column is not used), ``magnitude and phase``
        (linear, degrees) or ``real and imaginary``.
    fewest : points that are allowed.

    Raises
    ------
    FileFaulty : with every fault that could be found, each with its line.
    """
    rows = _rows(_text(data))
    faults: list[Fault] = []
    values: list[tuple[float, float, float]] = []
    lines: list[int] = []
    needed = max(columns)
    widths = {len(row.cells) for row in rows}
    if max(widths) < needed:
        raise _too_narrow(rows[0].line, max(widths), columns, form)
    for row in rows:
        if len(row.cells) < needed:
            message = (
                f"the line has {_columns(len(row.cells))}, others have {max(widths)}; it is cut short. Export again."
            )
            faults.append(Fault(where="", message=message, line=row.line))
            continue
        cells = [row.cells[column - 1] for column in columns]
        numbers = [_number(cell) for cell in cells]
        wrong = next((cell for cell, number in zip(cells, numbers, strict=True) if number is None), None)
        if wrong is not None:
            word = "not a finite number" if UNDEFINED.fullmatch(wrong) else "not a number"
            what = _plain(wrong) if wrong else f"column {columns[cells.index(wrong)]} is empty, which"
            message = f"{what} is {word}; a response needs a number in each column. Export again."
            faults.append(Fault(where="", message=message, line=row.line))
            continue
        values.append((numbers[0] or 0.0, numbers[1] or 0.0, numbers[2] or 0.0))
        lines.append(row.line)
    faults += _order_faults(values, lines)
    faults += _value_faults(values, lines, form)
    if not faults and len(values) < fewest:
        message = f"it has {len(values)} points; allowed: {fewest} or more. Export with more points."
        faults.append(Fault(where="", message=message))
    if faults:
        raise FileFaulty(_few(faults))
    table = np.array(values)
    if form == "real and imaginary":
        value = table[:, 1] + 1j * table[:, 2]
    else:
        turn = np.deg2rad(table[:, 2]) if form != "level" else np.zeros(len(table))
        size = table[:, 1] if form == "magnitude and phase" else 10.0 ** (table[:, 1] / 20.0)
        value = size * np.exp(1j * turn)
    return Spectrum(hz=table[:, 0], value=value, line=tuple(lines))


def read_calibration(data: bytes, *, fewest: int = FEWEST_POINTS) -> Spectrum:
    """A microphone's response or a target: frequency, dB and, where it is there, degrees. As `read_table`."""
    width = min(len(row.cells) for row in _rows(_text(data)))
    form = "level and phase" if width >= 3 else "level"
    return read_table(data, columns=(1, 2, min(width, 3)), form=form, fewest=fewest)


def _text(data: bytes) -> str:
    if len(data) > MOST_BYTES:
        raise faulty(
            f"it has {len(data) / 1e6:.0f} MB of text; allowed: up to {MOST_BYTES / 1e6:g} MB. Is it a response?"
        )
    return _decoded(data).replace("\u2212", "-")  # the minus sign of typesetters


def _decoded(data: bytes) -> str:
    if data[:2] in {b"\xff\xfe", b"\xfe\xff"}:
        try:
            return data.decode("utf-16")
        except UnicodeDecodeError:
            raise faulty("the text is damaged; export the measurement again as plain text.") from None
    if b"\0" in data[:4096]:
        raise faulty(
            "this is not a text table; allowed: text, .wav and .sofa. Export the response as text: frequency, level, "
            "phase."
        )
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("latin-1")  # only comments can hold such letters: numbers are plain


def _rows(text: str) -> list[_Row]:
    """The lines of numbers, split into cells; words after the first number line are cells that are no numbers."""
    body = _body(text)
    split = _splitter([line for _, line in body])
    rows: list[_Row] = []
    for line, content in body:
        cells = split(content)
        filled = [cell for cell in cells if cell]
        if not rows and not (filled and all(_number(cell) is not None or UNDEFINED.fullmatch(cell) for cell in filled)):
            continue  # words at the head
        rows.append(_Row(line, tuple(cells[:MOST_COLUMNS])))
    if not rows:
        near = next(((line, split(s)) for line, s in body if s[0] in "+-.0123456789"), None)
        if near is None:
            raise faulty("it holds no line of numbers; allowed: frequency, level and phase on each line.")
        cell = next((cell for cell in near[1] if cell and _number(cell) is None), near[1][0])
        raise faulty(
            f"no line holds only numbers; here {_plain(cell)} is none. Allowed: frequency, level and phase on each "
            "line, without units.",
            line=near[0],
        )
    return rows


def _body(text: str) -> list[tuple[int, str]]:
    """Lines that are neither empty nor comments, with their numbers."""
    lines = text.splitlines()
    if len(lines) > MOST_LINES:
        raise faulty(f"it has {len(lines)} lines; allowed: up to {MOST_LINES}. Is it a response?")
    body = []
    for number, line in enumerate(lines, 1):
        if len(line) > LONGEST_LINE:
            raise faulty(f"the line has {len(line)} letters; allowed: up to {LONGEST_LINE}.", line=number)
        content = line.strip()
        if QUOTED.match(content):
            content = content.replace('"', "").strip()
        if content and not content.startswith(COMMENT):
            body.append((number, content))
    return body


class _Splitter:
    """Cuts a line into cells: at `mark`, or at blanks; `comma` says that the comma is the decimal sign."""

    def __init__(self, mark: str, *, comma: bool) -> None:
        self.mark = mark
        self.comma = comma

    def __call__(self, line: str) -> list[str]:
        cells = [cell.strip() for cell in line.split(self.mark)] if self.mark else line.split()
        while len(cells) > 1 and not cells[-1]:  # a mark at the end of the line
            cells.pop()
        return [cell.replace(",", ".") for cell in cells] if self.comma else cells


def _splitter(lines: Sequence[str]) -> _Splitter:
    """How the columns of a file stand apart, from its lines that begin as a number does."""
    numeric = [line for line in lines if line[0] in "+-.0123456789"]
    for mark in (";", "\t"):
        marked = [line for line in numeric if mark in line]
        if marked and mark == "\t" and not any(LONE_TAB.search(line) for line in marked):
            return _Splitter("", comma=True)  # columns set out with several tabs each
        if marked:
            return _Splitter(mark, comma=True)
    commas = [line for line in numeric if "," in line]
    if not commas:
        return _Splitter("", comma=False)
    words = [line.split() for line in commas]
    if all(len(w) > 1 and all(DECIMAL_COMMA.fullmatch(cell) for cell in w) for w in words):
        return _Splitter("", comma=True)
    bare = any(BARE_COMMA.search(line) for line in commas)  # "20, 80, 10" has none
    if bare and not any("." in line for line in commas) and all(line.count(",") >= 4 for line in commas):
        wide = max(line.count(",") for line in commas) + 1
        if wide in {5, 6}:  # three columns with decimal commas, one of them perhaps a whole number
            raise faulty(
                "commas seem to be both separator and decimal sign; allowed: one of the two. Export with tabs, "
                "semicolons or decimal points."
            )
    return _Splitter(",", comma=False)


def _number(cell: str) -> float | None:
    if not NUMBER.fullmatch(cell):
        return None
    number = float(cell.replace("d", "e").replace("D", "e"))
    return number if isfinite(number) else None


def _plain(cell: str) -> str:
    shown = "".join(letter if letter.isprintable() else "?" for letter in cell[:30])
    return f'"{shown}"'


def _too_narrow(line: int, width: int, columns: tuple[int, int, int], form: str) -> FileFaulty:
    if columns == (1, 2, 3) and width == 2 and form in {"level and phase", "magnitude and phase"}:
        return faulty(
            "the phase is missing: the table has 2 columns; allowed: frequency, level and phase. Export with phase.",
            line=line,
        )
    return faulty(f"the table has {_columns(width)}, but column {max(columns)} is asked for; see `columns`.", line=line)


def _columns(count: int) -> str:
    return "1 column" if count == 1 else f"{count} columns"


def _order_faults(values: Sequence[tuple[float, float, float]], lines: Sequence[int]) -> list[Fault]:
    faults = []
    for place, (value, line) in enumerate(zip(values, lines, strict=True)):
        before = values[place - 1][0] if place else None
        if value[0] < 0.0 or (value[0] == 0.0 and place):
            message = f"got a frequency of {value[0]:g} Hz; allowed: above 0."
        elif before is not None and value[0] == before:
            message = f"{value[0]:g} Hz stands on line {lines[place - 1]} too; each frequency may stand once."
        elif before is not None and value[0] < before:
            message = f"the frequencies fall, from {before:g} to {value[0]:g} Hz; they must rise from line to line."
        else:
            continue
        faults.append(Fault(where="", message=message, line=line))
    return faults


def _value_faults(values: Sequence[tuple[float, float, float]], lines: Sequence[int], form: str) -> list[Fault]:
    if form == "magnitude and phase" and (low := [n for n, value in zip(lines, values, strict=True) if value[1] < 0.0]):
        message = "got a magnitude below 0; allowed: 0 or above. Is it a level in dB? Then leave form out."
        return [Fault(where="", message=message, line=low[0])]
    if form == "real and imaginary":
        if values and all(value[1] == value[2] == 0.0 for value in values):
            return [Fault(where="", message="every value is 0: nothing was recorded.")]
        huge = [(max(map(abs, value[1:])), line) for value, line in zip(values, lines, strict=True)]
        return [
            Fault(where="", message=f"got a value of {size:g}; allowed: up to {LARGEST:g}.", line=line)
            for size, line in huge
            if size > LARGEST
        ]
    loud = [(value, line) for value, line in zip(values, lines, strict=True) if abs(value[1]) > LOUDEST_DB]
    faults = [
        Fault(
            where="",
            message=f"got a level of {v[1]:g} dB; allowed: -300 to 300. Is it a level in dB? {LINEAR}",
            line=line,
        )
        for v, line in loud
    ]
    if form == "level" or len(values) < FEWEST_POINTS:
        return faults
    if len({value[2] for value in values}) == 1:
        message = f"the phase is {values[0][2]:g} on every line: it was lost. Export with phase."
        faults.append(Fault(where="", message=message, line=lines[0]))
    elif len({value[1] for value in values}) == 1:
        unit = "" if form == "magnitude and phase" else " dB"
        message = f"the level is {values[0][1]:g}{unit} on every line: no room does that. Is a wrong column read?"
        faults.append(Fault(where="", message=message, line=lines[0]))
    return faults


def _few(faults: Sequence[Fault]) -> list[Fault]:
    """The first faults, and how many more there are."""
    shown = sorted(faults, key=lambda fault: fault.line or 0)
    if len(shown) <= SHOWN:
        return shown
    return [*shown[:SHOWN], Fault(where="", message=f"and {len(shown) - SHOWN} more faults in this file.")]
