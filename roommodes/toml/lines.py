"""On which line of a TOML text each key stands.

`tomllib` reads the values but does not say where they stood. This reads only the structure: tables, arrays of tables,
keys, and where each value ends. It expects a text that `tomllib` has accepted; keys inside inline tables and lists
go by the line of the key that holds them.
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


def key_lines(text: str) -> Lines:
    """The lines of all tables and keys of a valid TOML text."""
    scanner = Scanner(text)
    scanner.run()
    return Lines(scanner.found)


class Scanner:
    """Walks the text once; `at` is the position, `found` the lines so far."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.line = 1
        self.found: dict[Path, int] = {}
        self.counts: dict[Path, int] = {}  # array of tables -> entries so far
        self.table: Path = ()

    def run(self) -> None:
        while self.at < len(self.text):
            character = self.text[self.at]
            if character in " \t\r\n":
                self.step()
            elif character == "#":
                self.to_line_end()
            elif character == "[":
                self.header()
            else:
                path = self.table + self.key()
                self.note(path)
                self.step()  # the equals sign
                self.value()

    def step(self, count: int = 1) -> None:
        self.line += self.text.count("\n", self.at, self.at + count)
        self.at += count

    def to_line_end(self) -> None:
        end = self.text.find("\n", self.at)
        self.at = len(self.text) if end < 0 else end

    def blanks(self) -> None:
        while self.text[self.at : self.at + 1] in {" ", "\t"}:
            self.at += 1

    def note(self, path: Path) -> None:
        for length in range(1, len(path) + 1):
            self.found.setdefault(path[:length], self.line)

    def header(self) -> None:
        double = self.text.startswith("[[", self.at)
        self.step(2 if double else 1)
        self.blanks()
        path: Path = ()
        keys = self.key()
        for position, key in enumerate(keys):
            path += (key,)
            last = position == len(keys) - 1
            if double and last:
                self.counts[path] = self.counts.get(path, -1) + 1
                self.found.setdefault(path, self.line)
            if path in self.counts:
                path += (self.counts[path],)
        self.table = path
        self.note(path)
        self.to_line_end()

    def key(self) -> Path:
        parts: Path = ()
        while True:
            self.blanks()
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
            self.blanks()
            if self.text[self.at : self.at + 1] != ".":
                return parts
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

    def value(self) -> None:
        """Pass a value, over as many lines as it takes."""
        depth = 0
        while self.at < len(self.text):
            character = self.text[self.at]
            if quote := next((q for q in QUOTES if self.text.startswith(q, self.at)), ""):
                self.string(quote)
                continue
            if character == "#":
                self.to_line_end()
                continue
            if character == "\n" and depth == 0:
                return
            depth += (character in "[{") - (character in "]}")
            self.step()
