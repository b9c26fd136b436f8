"""Plain data as TOML text: the same data gives the same text, byte for byte, for good.

The texts of a study's rooms are hashed into the keys of its jobs and the seeds of its searches. A library's next
version may write the same data with another blank, and every study would be computed anew with other numbers.
"""

import json
from collections.abc import Mapping, Sequence
from typing import Any


def toml_text(tree: Mapping[str, Any]) -> str:
    """Text that `tomllib` reads back into the same tree.

    Parameters
    ----------
    tree : texts, numbers, truth values, lists and tables of these; a list of tables is written as tables of its own.
    """
    return "\n".join(_table(tree, ())) + "\n"


def _table(tree: Mapping[str, Any], path: tuple[str, ...]) -> list[str]:
    lines = [f"{_key(key)} = {_value(value)}" for key, value in tree.items() if not _is_block(value)]
    for key, value in tree.items():
        if not _is_block(value):
            continue
        name = ".".join(map(_key, (*path, key)))
        for entry in value if isinstance(value, list | tuple) else (value,):
            lines.append(f"[[{name}]]" if isinstance(value, list | tuple) else f"[{name}]")
            lines += _table(entry, (*path, key))
    return lines


def _is_block(value: Any) -> bool:
    """Whether a value is written under a heading of its own."""
    if isinstance(value, Mapping):
        return True
    return isinstance(value, list | tuple) and len(value) > 0 and all(isinstance(entry, Mapping) for entry in value)


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, str):
        return quoted(value)
    assert isinstance(value, Sequence), f"no TOML for {type(value).__name__}"
    return "[" + ", ".join(map(_value, value)) + "]"


def quoted(text: str) -> str:
    """A text as TOML writes it, in quotes."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _key(key: str) -> str:
    plain = key.isascii() and key.replace("_", "").replace("-", "").isalnum()
    return key if plain else _value(key)
