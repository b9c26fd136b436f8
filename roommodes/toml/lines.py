"""On which line of a TOML text each table, key and list entry stands, and in which piece of the text.

`tomllib` reads the values but does not say where they stood, and neither does tomlkit. This reads only the structure:
headings, keys, and where each value begins and ends. It expects a text that `tomllib` has accepted.
"""

from collections.abc import Mapping
from dataclasses import dataclass

Path = tuple[str | int, ...]

BARE = frozenset("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789_-")
QUOTES = ('"""', "'''", '"', "'")
ESCAPES = {"b": "\b", "t": "\t", "n": "\n", "f": "\f", "r": "\r", '"': '"', "\\": "\\", "e": "\x1b"}


@dataclass(frozen=True, slots=True)
class Lines:
    """Lines by key path, such as ``("rows", 0, "x_m")``."""

    by_path: Mapping[Path, int]

    def of(self, path: Path) -> int | None:
        """1-based line of a key, or of the nearest table around it; None if there is none."""
        for length in range(len(path), 0, -1):
            if path[:length] in self.by_path:
                return self.by_path[path[:length]]
        return None


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """A heading with all that stands under it, up to the next heading; the first piece has none.

    Parameters
    ----------
    table : path of the table that the heading opens, in the whole text.
    start : where the piece begins in the text.
    listed : whether the heading is one of ``[[double brackets]]``.
    """

    table: Path
    start: int
    listed: bool

    def within(self, path: Path) -> Path:
        """A path of the whole text as it is when the piece stands alone."""
        names = tuple(part for part in self.table if isinstance(part, str))
        return names + (0,) * self.listed + path[len(self.table) :]


def key_lines(text: str) -> Lines:
    """The lines of all tables, keys and list entries of a valid TOML text."""
    scanner = Scanner(text)
    scanner.run()
    return Lines(scanner.found)


class Scanner:
    """Walks the text once.

    `at` is the position, `found` the lines so far, `pieces` the headings, and `keys` the number of the piece that holds
    each ``key = value``.
    """

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.line = 1
        self.found: dict[Path, int] = {}
        self.counts: dict[Path, int] = {}  # array of tables -> entries so far
        self.pieces = [Piece(table=(), start=0, listed=False)]
        self.keys: dict[Path, int] = {}

    def run(self) -> None:
        self.space()
        while self.at < len(self.text):
            if self.text[self.at] == "[":
                self.heading()
            else:
                path = self.pieces[-1].table + self.key()
                self.note(path)
                self.keys[path] = len(self.pieces) - 1
                self.step()  # the equals sign
                self.value(path)
            self.space()

    def step(self, count: int = 1) -> None:
        self.line += self.text.count("\n", self.at, self.at + count)
        self.at += count

    def space(self) -> None:
        """Pass blanks, line ends and comments."""
        while self.at < len(self.text):
            character = self.text[self.at]
            if character == "#":
                end = self.text.find("\n", self.at)
                self.at = len(self.text) if end < 0 else end
            elif character in " \t\r\n":
                self.step()
            else:
                return

    def note(self, path: Path) -> None:
        for length in range(1, len(path) + 1):
            self.found.setdefault(path[:length], self.line)

    def heading(self) -> None:
        start, listed = self.at, self.text.startswith("[[", self.at)
        self.step(2 if listed else 1)
        path: Path = ()
        keys = self.key()
        for position, key in enumerate(keys):
            path += (key,)
            if listed and position == len(keys) - 1:
                self.counts[path] = self.counts.get(path, -1) + 1
                self.found.setdefault(path, self.line)
            if path in self.counts:
                path += (self.counts[path],)
        self.pieces.append(Piece(table=path, start=start, listed=listed))
        self.note(path)
        self.step(2 if listed else 1)

    def key(self) -> Path:
        """Pass a key and the blanks about it and return its parts."""
        parts: Path = ()
        while True:
            self.space()
            character = self.text[self.at : self.at + 1]
            if character in {'"', "'"}:
                parts += (self.string(character),)
            else:
                start = self.at
                while self.text[self.at : self.at + 1] and self.text[self.at] in BARE:
                    self.at += 1
                if self.at == start:
                    raise ValueError(f"no key at line {self.line}")
                parts += (self.text[start : self.at],)
            self.space()
            if self.text[self.at : self.at + 1] != ".":
                return parts
            self.step()

    def value(self, path: Path) -> None:
        """Pass the value at a path, over as many lines as it takes."""
        self.space()
        character = self.text[self.at]
        if quote := next((q for q in QUOTES if self.text.startswith(q, self.at)), ""):
            self.string(quote)
        elif character in "[{":
            self.entries(path, "]" if character == "[" else "}")
        else:
            while self.at < len(self.text) and self.text[self.at] not in ",]}#\r\n":
                self.at += 1

    def entries(self, path: Path, end: str) -> None:
        """Pass what stands in the brackets of a list or of an inline table, and note where each entry begins."""
        self.step()
        self.space()
        count = 0
        while self.text[self.at] != end:
            inner = path + ((count,) if end == "]" else self.key())
            self.note(inner)
            if end == "}":
                self.step()  # the equals sign
            self.value(inner)
            self.space()
            if self.text[self.at] == ",":
                self.step()
                self.space()
            count += 1
        self.step()

    def string(self, quote: str) -> str:
        """Pass a string and return its text."""
        self.step(len(quote))
        pieces: list[str] = []
        while self.at < len(self.text) and not self.text.startswith(quote, self.at):
            character = self.text[self.at]
            if character == "\\" and quote[0] == '"':
                pieces.append(self.escape())
            else:
                pieces.append(character)
                self.step()
        self.step(len(quote))
        while len(quote) == 3 and self.text.startswith(quote[0], self.at):  # up to two more quotes may end it
            self.step()
        return "".join(pieces)

    def escape(self) -> str:
        letter = self.text[self.at + 1 : self.at + 2]
        digits = {"u": 4, "U": 8, "x": 2}.get(letter, 0)
        if digits:
            code = self.text[self.at + 2 : self.at + 2 + digits]
            self.step(2 + digits)
            return chr(int(code, 16))
        self.step(2)
        return ESCAPES.get(letter, letter)
