"""Transfer functions from text tables: a frequency, a level and a phase on each line.

Plain columns as any program writes them. Lines that begin with # * ; " ' or //, and lines of words before the
first numbers, are passed over. Columns stand apart by tabs, semicolons, commas or blanks; where the comma does not
separate, it may be the decimal sign.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite

import numpy as np

from roommodes.errors import Fault
from roommodes.measured_files import SHOWN, FileFaulty, Spectrum, faulty

COMMENT = ("#", "*", ";", '"', "'", "//")
NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eEdD][+-]?\d+)?")
DECIMAL_COMMA = re.compile(r"[+-]?\d+(,\d+)?([eE][+-]?\d+)?")
UNDEFINED = re.compile(r"[+-]?(nan|inf|infinity|1\.#\w+)", re.IGNORECASE)
FEWEST_POINTS = 8
LOUDEST_DB = 300.0


@dataclass(frozen=True, slots=True)
class _Row:
    line: int
    cells: tuple[str, ...]


def read_table(data: bytes, *, columns: tuple[int, int, int], form: str) -> Spectrum:
    """A text table as a transfer function.

    Parameters
    ----------
    data : the file's bytes.
    columns : frequency, level, phase; from 1.
    form : ``level and phase`` (dB, degrees), ``level`` (dB; the last column is not used) or ``real and imaginary``.

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
            message = f"{_plain(wrong)} is {word}; a response needs a number in each column. Export again."
            faults.append(Fault(where="", message=message, line=row.line))
            continue
        values.append((numbers[0] or 0.0, numbers[1] or 0.0, numbers[2] or 0.0))
        lines.append(row.line)
    faults += _order_faults(values, lines)
    faults += _value_faults(values, lines, form)
    if not faults and len(values) < FEWEST_POINTS:
        message = f"it has {len(values)} points; allowed: {FEWEST_POINTS} or more. Export with more points."
        faults.append(Fault(where="", message=message))
    if faults:
        raise FileFaulty(_few(faults))
    table = np.array(values)
    if form == "real and imaginary":
        value = table[:, 1] + 1j * table[:, 2]
    else:
        turn = np.deg2rad(table[:, 2]) if form == "level and phase" else np.zeros(len(table))
        value = 10.0 ** (table[:, 1] / 20.0) * np.exp(1j * turn)
    return Spectrum(hz=table[:, 0], value=value, line=tuple(lines))


def read_calibration(data: bytes) -> Spectrum:
    """A microphone's response: frequency, dB and, where a third column is there, degrees. Raises as `read_table`."""
    width = min(len(row.cells) for row in _rows(_text(data)))
    form = "level and phase" if width >= 3 else "level"
    return read_table(data, columns=(1, 2, min(width, 3)), form=form)


def _text(data: bytes) -> str:
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
    body = [(n, s) for n, line in enumerate(text.splitlines(), 1) if (s := line.strip()) and not s.startswith(COMMENT)]
    split = _splitter([line for _, line in body])
    rows: list[_Row] = []
    for line, content in body:
        cells = split(content)
        if not rows and not all(_number(cell) is not None or UNDEFINED.fullmatch(cell) for cell in cells):
            continue  # words at the head
        rows.append(_Row(line, tuple(cells)))
    if not rows:
        raise faulty("it holds no line of numbers; allowed: frequency, level and phase on each line.")
    return rows


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
        if any(mark in line for line in numeric):
            return _Splitter(mark, comma=True)
    commas = [line for line in numeric if "," in line]
    if not commas:
        return _Splitter("", comma=False)
    words = [line.split() for line in commas]
    if all(len(w) > 1 and all(DECIMAL_COMMA.fullmatch(cell) for cell in w) for w in words):
        return _Splitter("", comma=True)
    if not any("." in line for line in commas) and all(line.count(",") >= 4 and " " not in line for line in commas):
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
    if columns == (1, 2, 3) and width == 2 and form == "level and phase":
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
    if form == "real and imaginary":
        if values and all(value[1] == value[2] == 0.0 for value in values):
            return [Fault(where="", message="every value is 0: nothing was recorded.")]
        return []
    loud = [(value, line) for value, line in zip(values, lines, strict=True) if abs(value[1]) > LOUDEST_DB]
    faults = [
        Fault(where="", message=f"got a level of {v[1]:g} dB; allowed: -300 to 300. Is it a level in dB?", line=line)
        for v, line in loud
    ]
    if form == "level" or len(values) < FEWEST_POINTS:
        return faults
    if len({value[2] for value in values}) == 1:
        message = f"the phase is {values[0][2]:g} on every line: it was lost. Export with phase."
        faults.append(Fault(where="", message=message, line=lines[0]))
    elif len({value[1] for value in values}) == 1:
        message = f"the level is {values[0][1]:g} dB on every line: no room does that. Is a wrong column read?"
        faults.append(Fault(where="", message=message, line=lines[0]))
    return faults


def _few(faults: Sequence[Fault]) -> list[Fault]:
    """The first faults, and how many more there are."""
    shown = sorted(faults, key=lambda fault: fault.line or 0)
    if len(shown) <= SHOWN:
        return shown
    return [*shown[:SHOWN], Fault(where="", message=f"and {len(shown) - SHOWN} more faults in this file.")]
