"""Random TOML texts with whatever makes reading their structure hard, and the values in them."""

import random
from collections.abc import Iterator
from typing import Any

from roommodes.toml.lines import Path

VALUES = (
    "3",
    "0.25",
    "true",
    "1979-05-27T07:32:00",
    '"a # \\" ] [room]"',
    "'it\"s # ['",
    '"""\n[room]\nlength = 1\n# not a comment\n"""',
    "'''\n[t]\n'''''",
    "{ }",
    "[]",
)
KEYS = ("a", "b", '"q k"', "d.x", "d . y", '"e".f', "'l'", '"\\u0061b"')
HEADINGS = ("t", "u", "[l]", "t.s", "t . v", "[l.i]", "l.ch", '"t"."w"', "[m.n]", "m", "['q'.\"r s\"]")


def document(seed: int) -> str:
    """A text of keys and headings in any order, with a numbered comment here and there; not always valid TOML."""
    draw = random.Random(seed)
    lines = _keys(draw, 3)
    headings = draw.sample(HEADINGS, draw.randint(0, 7))
    for heading in [
        *headings,
        *draw.choices([one for one in headings if one[0] == "["] or ["z"], k=draw.randint(0, 2)),
    ]:
        lines += draw.choice([[], [""], ["", f"# {draw.random()}"]])
        lines += [f"[{heading}]{_comment(draw)}", *_keys(draw, 4)]
    return "\n".join(lines) + draw.choice(["", "\n"])


def leaves(tree: Any, path: Path = ()) -> Iterator[tuple[Path, Any]]:
    """The values that are no tables and no lists, with their paths."""
    for part, value in tree.items() if isinstance(tree, dict) else enumerate(tree):
        if isinstance(value, dict | list):
            yield from leaves(value, (*path, part))
        else:
            yield (*path, part), value


def paths(tree: Any, path: Path = ()) -> Iterator[Path]:
    """The paths of all tables, keys and list entries."""
    for part, value in tree.items() if isinstance(tree, dict) else enumerate(tree):
        yield (*path, part)
        if isinstance(value, dict | list):
            yield from paths(value, (*path, part))


def _keys(draw: random.Random, most: int) -> list[str]:
    lines = []
    for key in draw.sample(KEYS, draw.randint(0, most)):
        lines += draw.choice([[], [], [f"# {draw.random()}"], [""]])
        lines.append(f"{draw.choice(['', '  '])}{key} = {_value(draw, 0)}{_comment(draw)}")
    return lines


def _value(draw: random.Random, depth: int) -> str:
    kind = draw.random() if depth < 2 else 0.0
    if kind < 0.6:
        return draw.choice(VALUES)
    parts = [_value(draw, depth + 1) for _ in range(draw.randint(1, 3))]
    if kind > 0.8:
        return "{ " + ", ".join(f"k{i} = {part}" for i, part in enumerate(parts) if "\n" not in part) + " }"
    if draw.random() < 0.5:
        return "[" + ", ".join(parts) + "]"
    return "[\n" + "".join(f"  {part},  # {draw.random()}\n" for part in parts) + "]"


def _comment(draw: random.Random) -> str:
    return draw.choice(["", f"  # {draw.random()} ] }} ="])
