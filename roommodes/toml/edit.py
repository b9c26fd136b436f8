"""Changing values in a TOML text where they stand: comments, order and everything else stay as they were."""

import re
import tomllib
from collections.abc import Mapping, Sequence
from typing import Any

from roommodes.toml.lines import QUOTES, Path, Scanner


class _Spans(Scanner):
    """A scanner that also keeps where each value begins and ends in the text."""

    def __init__(self, text: str) -> None:
        super().__init__(text)
        self.spans: dict[Path, tuple[int, int]] = {}
        self.noted: Path = ()

    def note(self, path: Path) -> None:
        super().note(path)
        self.noted = path

    def value(self) -> None:
        path = self.noted
        self.blanks()
        start = end = self.at
        depth = 0
        while self.at < len(self.text):
            character = self.text[self.at]
            if quote := next((q for q in QUOTES if self.text.startswith(q, self.at)), ""):
                self.string(quote)
                end = self.at
                continue
            if character == "#":
                self.to_line_end()
                continue
            if character == "\n" and depth == 0:
                break
            depth += (character in "[{") - (character in "]}")
            self.step()
            if not character.isspace():
                end = self.at
        self.spans[path] = (start, end)


def literal(value: Any) -> str:
    """A value as TOML writes it on one line."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        escaped = value.replace("\\", "\\\\").replace('"', '\\"')
        return '"' + "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in escaped) + '"'
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{_key(str(k))} = {literal(v)}" for k, v in value.items()) + " }"
    if isinstance(value, Sequence):
        return "[" + ", ".join(map(literal, value)) + "]"
    return repr(value)


def with_values(text: str, changes: Mapping[Path, Any]) -> str:
    """The text with other values at some key paths, such as ``("room", "length_m")``.

    A path inside an inline table or list rewrites that table or list as a whole. A key of the file's main tables that
    is not there yet is put under its table's head.

    Raises
    ------
    KeyError : neither the key nor its table stands in the text.
    """
    scanner = _Spans(text)
    scanner.run()
    tree = tomllib.loads(text)
    spans: dict[Path, Any] = {}
    missing: dict[Path, Any] = {}
    for path, value in changes.items():
        here = next((path[:n] for n in range(len(path), 0, -1) if path[:n] in scanner.spans), None)
        if here is None:
            missing[path] = value
            continue
        if here == path:
            spans[here] = value
            continue
        whole = spans.get(here, _at(tree, here))
        spans[here] = _changed(whole, path[len(here) :], value)
    for here in sorted(spans, key=lambda path: -scanner.spans[path][0]):
        start, end = scanner.spans[here]
        text = text[:start] + literal(spans[here]) + text[end:]
    for path, value in missing.items():
        head = re.search(rf"^[ \t]*\[[ \t]*{re.escape(str(path[0]))}[ \t]*\][^\n]*$", text, flags=re.MULTILINE)
        if head is None or len(path) != 2:
            raise KeyError(path)
        text = f"{text[: head.end()]}\n{_key(str(path[1]))} = {literal(value)}{text[head.end() :]}"
    return text


def table_text(head: str, values: Mapping[str, Any]) -> str:
    """A table as text: its head, then a line for each key."""
    return "\n".join([f"[{head}]", *(f"{_key(key)} = {literal(value)}" for key, value in values.items())]) + "\n"


def _key(key: str) -> str:
    return key if re.fullmatch(r"[A-Za-z0-9_-]+", key) else literal(key)


def _at(tree: Any, path: Path) -> Any:
    for part in path:
        tree = tree[part]
    return tree


def _changed(tree: Any, path: Path, value: Any) -> Any:
    if not path:
        return value
    if isinstance(tree, list):
        return [_changed(item, path[1:], value) if i == path[0] else item for i, item in enumerate(tree)]
    return {**tree, path[0]: _changed(tree.get(path[0]), path[1:], value)}
