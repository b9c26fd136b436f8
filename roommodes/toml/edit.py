"""Changing values in a TOML text where they stand, by tomlkit: comments, order and layout stay as they were.

tomlkit is given one heading at a time with what stands under it: of a whole file it writes the tables of a `[[list]]`
together, though others stood between them.
"""

import tomllib
from collections.abc import Mapping
from typing import Any

import tomlkit
from tomlkit.items import Item, Table

from roommodes.errors import FileUnusable
from roommodes.toml.lines import Path, Scanner


def with_values(text: str, changes: Mapping[Path, Any], *, source: str) -> str:
    """The text with other values at some key paths, such as ``("room", "length_m")``.

    Of a list or an inline table only what differs is written anew. A key that is not there yet joins its table.

    Parameters
    ----------
    text : TOML.
    changes : numbers, texts, truth values, and lists and mappings of these. What equals them stays as it is written,
        such as 2 for 2.0.
    source : what messages call the text.

    Raises
    ------
    KeyError : the table around a key does not stand in the text.
    FileUnusable : the text cannot be changed without changing what else it says.
    """
    wanted = tomllib.loads(text)
    scanner = _scanned(text)
    ends = [piece.start for piece in scanner.pieces[1:]] + [len(text)]
    pieces = [text[piece.start : end] for piece, end in zip(scanner.pieces, ends, strict=True)]
    for path, value in _smallest(wanted, changes):
        number = _piece_of(scanner, path)
        pieces[number] = _with_value(pieces[number], scanner.pieces[number].within(path), value)
        _at(wanted, path[:-1])[path[-1]] = value
    changed = "".join(pieces)
    try:
        right = tomllib.loads(changed) == wanted
    except tomllib.TOMLDecodeError:
        right = False
    if not right:
        keys = ", ".join(".".join(map(str, path)) for path in changes)
        raise FileUnusable(f"{source}: {keys} cannot be changed where they stand; write one key on a line.")
    return changed


def with_table(text: str, path: tuple[str, ...], values: Mapping[str, Any], *, comment: str, source: str) -> str:
    """The text with one more table at its end, under a line of comment.

    Where the outer table is written as ``outer = { ... }`` the new one joins it without the comment.

    Parameters
    ----------
    path : the names of the outer tables, if there are any, and of the new one.
    text, values, source : as for `with_values`, which says what it raises.
    """
    if path[:-1] and path[:-1] in _scanned(text).keys:
        return with_values(text, {path: values}, source=source)
    table = tomlkit.table()
    for key, value in values.items():
        table.add(key, _item(value))
    tree: Any = table
    for name in reversed(path):
        tree = {name: tree}
    end = "\r\n" if "\r\n" in text else "\n"
    block = f"\n# {comment}\n{tomlkit.dumps(tree)}"
    return text.rstrip() + end + block.replace("\n", end)


def _scanned(text: str) -> Scanner:
    scanner = Scanner(text)
    scanner.run()
    return scanner


def _smallest(tree: Any, changes: Mapping[Path, Any]) -> list[tuple[Path, Any]]:
    """The changes that are needed, those of tables and lists key by key where the keys stay."""
    found: list[tuple[Path, Any]] = []
    for path, value in changes.items():
        parent = _at(tree, path[:-1])
        if isinstance(parent, Mapping) and path[-1] not in parent:
            found.append((path, value))
            continue
        old = parent[path[-1]]
        inner: dict[Path, Any] = {}
        if isinstance(value, Mapping) and isinstance(old, Mapping) and set(value) == set(old):
            inner = {(*path, key): one for key, one in value.items()}
        elif isinstance(value, list) and isinstance(old, list) and len(value) == len(old):
            inner = {(*path, number): one for number, one in enumerate(value)}
        elif value != old or isinstance(value, bool) != isinstance(old, bool):
            found.append((path, value))
        found += _smallest(tree, inner)
    return found


def _piece_of(scanner: Scanner, path: Path) -> int:
    """The number of the piece that holds a key, or else of the first that holds another key of its table."""
    for length in range(len(path), 0, -1):
        if path[:length] in scanner.keys:
            return scanner.keys[path[:length]]
    table = path[:-1]
    beside = [number for key, number in scanner.keys.items() if key[: len(table)] == table]
    opened = [number for number, piece in enumerate(scanner.pieces) if piece.table == table]
    if not beside + opened:
        raise KeyError(path)
    return (opened + beside)[0]


def _with_value(text: str, path: Path, value: Any) -> str:
    """A text with one heading at most, with another value at a path."""
    end = "\r\n" if "\r\n" in text else "\n"
    document = tomlkit.parse(text.replace("\r\n", "\n"))
    parent = _at(document, path[:-1])
    body = parent.value.body if isinstance(parent, Table) else []
    trailing = []
    while body and body[-1][0] is None and path[-1] not in parent:
        trailing.append(body.pop())  # what leads over to the next heading stays behind a new key
    parent[path[-1]] = _item(value)
    body.extend(reversed(trailing))
    return tomlkit.dumps(document).replace("\n", end)


def _item(value: Any) -> Item:
    """A value as it stands behind an equals sign: mappings become inline tables."""
    if isinstance(value, Mapping):
        table = tomlkit.inline_table()
        for key, one in value.items():
            table.add(key, _item(one))
        return table
    item: Item = tomlkit.item([_item(one) for one in value] if isinstance(value, list) else value)
    return item


def _at(tree: Any, path: Path) -> Any:
    for part in path:
        tree = tree[part]
    return tree
