"""What differs between two projects, in words."""

from collections.abc import Mapping, Sequence
from typing import Any

from cli.terminal.output import clean
from cli.words.parameters import parameter_name, parameter_value
from roommodes.lengths import METRIC, Lengths
from roommodes.project.differences import Difference

MANY = 14  # lines; beyond them the rest is counted
ONE_OF = {  # a list's key -> what one of it is called
    "regions": "region",
    "rows": "row",
    "zones": "zone",
    "keep_outs": "keep-out",
    "constructions": "construction",
    "layout": "layout",
}
TOLD = {  # what tells an entry that has no counterpart from others
    "regions": ("wall", "from_m", "to_m", "construction"),
    "rows": ("x_m", "y_m"),
    "zones": ("from_m", "to_m"),
    "keep_outs": ("from_m", "to_m"),
    "layout": ("position_m", "gain_db", "delay_ms", "polarity"),
}


def difference_lines(found: Sequence[Difference], first: str, second: str, lengths: Lengths = METRIC) -> list[str]:
    """One line for each table that differs; `first` and `second` tell the projects: "in A", "in B"."""
    grouped: dict[str, list[str]] = {}
    for one in found:
        head, told = _told(one, first, second, lengths)
        grouped.setdefault(head, []).append(told)
    lines = [f"{head}: {'; '.join(told)}." for head, told in grouped.items()]
    if len(lines) > MANY:
        lines = [*lines[: MANY - 1], f"{len(lines) - MANY + 1} more tables."]
    return lines


def differences_json(found: Sequence[Difference]) -> list[dict[str, Any]]:
    """The same as data: key path, and what both say."""
    return [{"key": [*one.path], "first": one.first, "second": one.second} for one in found]


def _told(one: Difference, first: str, second: str, lengths: Lengths) -> tuple[str, str]:
    """Which table, and what differs in it."""
    key = str(one.path[-1])
    owner = str(one.path[0])
    if len(one.path) == 2 and owner in ONE_OF:
        there = one.second if one.first is None else one.first
        head = ONE_OF[owner] if isinstance(one.path[1], int) else f"{ONE_OF[owner]} {clean(key, 40)}"
        return head, f"only {second if one.first is None else first}{_which(owner, there, lengths)}"
    values = (
        f"{clean(_said(key, value, lengths), 80)} {name}" for value, name in ((one.first, first), (one.second, second))
    )
    return _head(one.path[:-1]) or parameter_name(key), f"{parameter_name(key)} {', '.join(values)}"


def _said(key: str, value: Any, lengths: Lengths) -> str:
    """A value; a table that the other project has not is only said to be there."""
    return "given" if isinstance(value, Mapping) and "hz" not in value else parameter_value(key, value, lengths)


def _head(path: tuple[str | int, ...]) -> str:
    if not path:
        return ""
    words = [ONE_OF.get(str(path[0]), parameter_name(str(path[0])))]
    for part in path[1:]:
        words.append(str(part + 1) if isinstance(part, int) else clean(parameter_name(part), 40))
    return " ".join(words)


def _which(owner: str, table: Any, lengths: Lengths) -> str:
    if not isinstance(table, Mapping):
        return ""
    parts = [(key, table.get(key)) for key in TOLD.get(owner, ())]
    words = [
        clean(str(value), 40) + (" wall" if key == "wall" and value not in {"floor", "ceiling"} else "")
        if isinstance(value, str)
        else f"{parameter_name(key)} {parameter_value(key, value, lengths)}"
        for key, value in parts
    ]
    return f" ({', '.join(words)})" if words else ""
