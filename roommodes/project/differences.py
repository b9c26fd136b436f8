"""What differs between two projects, key by key; layouts are left out, since those are what is compared in them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from roommodes.project.project import Project
from roommodes.toml.lines import Path

LEFT_OUT = ("format", "name", "layout")
MISSING = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One key that differs.

    Parameters
    ----------
    path : of the key; entries of lists by their name where they have one, else by their number from 0.
    first, second : what the two projects say; None where one has no such entry.
    """

    path: Path
    first: Any
    second: Any


def differences(first: Project, second: Project) -> tuple[Difference, ...]:
    """All keys that differ, in the order of the project file."""
    a, b = (project.tables.model_dump() for project in (first, second))
    found: list[Difference] = []
    for key in a:
        if key not in LEFT_OUT:
            _compare((key,), a[key], b[key], found)
    return tuple(found)


def layout_differences(first: Project, second: Project) -> tuple[Difference, ...]:
    """What differs between two layouts, sub by sub, each named by its number: position, gain, delay, polarity.

    Subs belong together by their numbers; where there are more or fewer than before, by where they stand.
    """
    a, b = _subs_of(first), _subs_of(second)
    if len(a) != len(b):
        places = [one["position_m"] for one in a]
        apart = iter(range(len(a), len(a) + len(b)))
        there = [places.index(one["position_m"]) if one["position_m"] in places else next(apart) for one in b]
    else:
        there = list(range(len(b)))
    found: list[Difference] = []
    now = dict(zip(there, b, strict=True))
    number = {place: f"sub {1 + mine}" for mine, place in enumerate(there)}
    for place, one in enumerate(a):
        _compare(("layout", number.get(place, f"sub {1 + place} as it was")), one, now.get(place), found)
    found += [
        Difference(path=("layout", number[place]), first=None, second=one)
        for place, one in now.items()
        if place >= len(a)
    ]
    return tuple(found)


def _subs_of(project: Project) -> list[dict[str, Any]]:
    """The layout's subs, what is left out as it is taken."""
    layout = project.tables.layout
    if layout is None:
        return []
    count = len(layout.positions_m)
    drives = (layout.gain_db or (0.0,) * count, layout.delay_ms or (0.0,) * count, layout.polarity or (1,) * count)
    keys = ("position_m", "gain_db", "delay_ms", "polarity")
    return [dict(zip(keys, one, strict=True)) for one in zip(layout.positions_m, *drives, strict=True)]


def _compare(path: Path, first: Any, second: Any, found: list[Difference]) -> None:
    if first == second:
        return
    if _is_tables(first) and _is_tables(second):
        first, second = _matched(first, second)
    if _is_table(first) and _is_table(second):
        for key in [*first, *(key for key in second if key not in first)]:
            _compare((*path, key), first.get(key, MISSING), second.get(key, MISSING), found)
        return
    found.append(Difference(path=path, first=first, second=second))


def _is_table(value: Any) -> bool:
    """Whether it has keys to go into; a curve over frequency is one value."""
    return isinstance(value, Mapping) and set(value) != {"hz", "value"}


def _is_tables(value: Any) -> bool:
    """Whether it is a list of tables, an empty one included."""
    return isinstance(value, Sequence) and not isinstance(value, str) and all(isinstance(one, Mapping) for one in value)


Tables = Sequence[Mapping[str, Any]]
Named = dict[str | int, Mapping[str, Any]]


def _matched(first: Tables, second: Tables) -> tuple[Named, Named]:
    """Two lists of tables with names for what belongs together: their own, else where they stand.

    Tables without names that are alike belong together wherever they stand; of the rest those do that stand at the same
    place of what is left, if there are as many.
    """
    if _have_names(first) and _have_names(second):
        return {str(one["name"]): one for one in first}, {str(one["name"]): one for one in second}
    left: Named = dict(enumerate(first))
    right = dict(enumerate(second))
    for number, one in list(left.items()):
        twin = next((other for other, two in right.items() if two == one), None)
        if twin is not None:
            del left[number], right[twin]
    if len(left) == len(right):
        names: list[str | int] = list(left)
        return dict(zip(names, left.values(), strict=True)), dict(zip(names, right.values(), strict=True))
    beyond = max(len(first), len(second))
    apart: Named = {number + beyond: one for number, one in right.items()}
    return left, apart


def _have_names(tables: Tables) -> bool:
    names = [one.get("name") for one in tables]
    return all(names) and len(set(names)) == len(names)
