"""What is printed where: results on stdout, progress, warnings and faults on stderr.

Text of a user (names, paths, messages of the system) never reaches the terminal with control characters in it,
and is never read as markup.
"""
# ruff: noqa: PLC0415 (imports wait until they are needed: --help stays quick)

import json
import math
import shlex
import sys
import textwrap
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, TextIO

from roommodes.toml.letters import spelled_out

if TYPE_CHECKING:
    from rich.console import Console, RenderableType

PIPE_WIDTH = 132
NAME_LIMIT = 32
LINE_LIMIT = 2000
COLUMN_GAP = "  "
WORD_WIDTH = 20  # of a word that a narrow column of text may not break
UNBROKEN = "\u00a0"


def clean(text: str, limit: int = LINE_LIMIT) -> str:
    """The text on one line, control characters spelled out, cut to `limit` characters."""
    return spelled_out(text, limit)


def counted(count: int, word: str) -> str:
    """A number with its word: 1 seat, 2 seats."""
    return f"{count:,} {word}" if count == 1 else f"{count:,} {word}s"


def name(text: str) -> str:
    """A name of a user, cut to what a table can hold."""
    return clean(text, NAME_LIMIT)


def say_error(lines: Iterable[str]) -> None:
    """Faults and warnings: each on one line of stderr."""
    for line in lines:
        print(clean(line), file=sys.stderr)
    sys.stderr.flush()


def warn(lines: Iterable[str]) -> None:
    """Warnings: one line each on stderr."""
    say_error(f"warning: {line}" for line in lines)


def print_json(data: Any) -> None:
    """One JSON value on stdout; what is not a number becomes null."""
    print(json.dumps(_finite(data), allow_nan=False, indent=2))
    sys.stdout.flush()


def print_json_line(data: Any) -> None:
    """One JSON value on one line of stdout, at once; what is not a number becomes null."""
    print(json.dumps(_finite(data), allow_nan=False), flush=True)


def _finite(data: Any) -> Any:
    if isinstance(data, dict):
        return {str(key): _finite(value) for key, value in data.items()}
    if isinstance(data, list | tuple):
        return [_finite(value) for value in data]
    if isinstance(data, float) and not math.isfinite(data):
        return None
    return data


def console(file: TextIO) -> "Console":
    """A console without markup; escapes only on a terminal, whatever the environment forces."""
    from rich.console import Console

    on_terminal = file.isatty()
    return Console(
        file=file,
        force_terminal=on_terminal,
        width=None if on_terminal else PIPE_WIDTH,
        markup=False,
        highlight=False,
        emoji=False,
        legacy_windows=False,
    )


def _least_width(header: str, cells: Sequence[str], numbers: bool) -> int:
    """What a column needs: whole numbers, whole words of text, whole words of the header."""
    from rich.cells import cell_len

    words = [word for cell in (header, *([] if numbers else cells)) for word in cell.split()]
    whole = [cell_len(cell) for cell in cells] if numbers else []
    return max([min(cell_len(word), WORD_WIDTH) for word in words] + whole, default=1)


class Page:
    """Results for a person, on stdout or in another stream of text."""

    def __init__(self, file: TextIO | None = None) -> None:
        self._file = file or sys.stdout
        self._console = console(self._file)
        self._begun = False

    def heading(self, text: str) -> None:
        """A heading, with a line kept free above it."""
        from rich.text import Text

        self._print(Text(("\n" if self._begun else "") + clean(text), style="bold"), wrap=False)

    def line(self, text: str = "", *, mark: str = "") -> None:
        """One paragraph, wrapped to the terminal's width; `mark` stands before it, as in a list."""
        from rich.text import Text

        wrapped = textwrap.fill(
            clean(text),
            width=self._console.width,
            initial_indent=mark,
            subsequent_indent=" " * len(mark),
            break_long_words=False,
            break_on_hyphens=False,
        )
        self._print(Text(wrapped.replace(UNBROKEN, " ")), wrap=False)

    def command(self, *words: str | Path) -> None:
        """A command to be typed, on a line of its own and never wrapped."""
        from rich.text import Text

        self._print(Text("  " + clean(shlex.join(str(word) for word in words))), wrap=False)

    def table(self, headers: Sequence[str], rows: Sequence[Sequence[str]], *, right: Sequence[int] = ()) -> None:
        """Aligned columns; those in `right` hold numbers, stand to the right and are never broken into lines.

        Where the terminal is too narrow for that, each row is told in lines of its own: nothing is ever cut off.
        """
        from rich.cells import cell_len
        from rich.table import Table
        from rich.text import Text

        cells = [[clean(cell) for cell in row] for row in rows]
        columns = [(header, [row[k] for row in cells]) for k, header in enumerate(headers)]
        width = [_least_width(header, column, k in right) for k, (header, column) in enumerate(columns)]
        spare = self._console.width - sum(width) - len(COLUMN_GAP) * (len(width) - 1)
        if spare < 0:
            self._rows_as_lines(headers, cells, right)
            return
        for k in sorted(range(len(headers)), key=lambda k: k in right):  # text first
            natural = max(cell_len(cell) for cell in (headers[k], *columns[k][1]))
            more = max(0, min(spare, natural - width[k]))
            width[k] += more
            spare -= more
        table = Table(box=None, pad_edge=False, padding=(0, len(COLUMN_GAP), 0, 0), header_style="dim")
        for index, header in enumerate(headers):
            side: Literal["left", "right"] = "right" if index in right else "left"
            table.add_column(Text(header), justify=side, overflow="fold", width=width[index])
        for row in cells:
            table.add_row(*(Text(cell) for cell in row))
        self._print(table, wrap=True)

    def _rows_as_lines(self, headers: Sequence[str], cells: Sequence[Sequence[str]], right: Sequence[int]) -> None:
        """Each row as its words, then its numbers with what they are."""
        titles = [k for k in range(len(headers)) if k < min(right, default=len(headers))]
        for row in cells:
            self.line(COLUMN_GAP.join(row[k] for k in titles if row[k]))
            told = [
                f"{header}: {row[k]}".replace(" ", UNBROKEN)
                for k, header in enumerate(headers)
                if k not in titles and row[k]
            ]
            if told:
                self.line("; ".join(told), mark="  ")

    def _print(self, content: "RenderableType", *, wrap: bool) -> None:
        """Print without the blanks that pad lines to the full width."""
        self._begun = True
        with self._console.capture() as capture:
            self._console.print(content, soft_wrap=not wrap)
        for row in capture.get().splitlines():
            print(row.rstrip(), file=self._file)
