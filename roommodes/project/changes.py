"""A project's text with changed values."""

import tomllib
from collections.abc import Mapping
from typing import Any

import tomlkit

from roommodes.acoustics.layering.layers import WallLaw
from roommodes.errors import Fault, FileUnusable, ProjectInvalid
from roommodes.project.tables import ProjectTables, RoomTable
from roommodes.toml.edit import with_values
from roommodes.toml.lines import Path

PLACEHOLDER = {"kind": "rigid", "description": "given in code"}


def changed_text(text: str, changes: Mapping[str, Any], *, source: str) -> str:
    """The text with other values; comments and layout stay where only values of keys that stand there change.

    Parameters
    ----------
    text : of a project.
    changes : as for `Project.with_`.
    source : what messages call it.

    Raises
    ------
    ProjectInvalid : a name that is neither a key of [room] nor of the file.
    """
    tree = tomllib.loads(text)
    leaves: dict[Path, Any] = {}
    for name, value in changes.items():
        if name in RoomTable.model_fields and name not in ProjectTables.model_fields:
            leaves["room", name] = _plain(value)
        elif name not in ProjectTables.model_fields:
            known = ", ".join([*RoomTable.model_fields, *ProjectTables.model_fields])
            raise ProjectInvalid(source, [Fault(where=name, message=f"unknown key; allowed: {known}.")])
        elif isinstance(value, Mapping) and isinstance(tree.get(name, {}), dict):
            leaves |= {(name, str(key)): _plain(one) for key, one in value.items()}
        else:
            leaves[(name,)] = _plain(value)
    try:
        return with_values(text, leaves, source=source)
    except (KeyError, FileUnusable):  # a table that is not there yet, or one that goes
        for path, value in leaves.items():
            here = tree if len(path) == 1 else tree.setdefault(str(path[0]), {})
            here[str(path[-1])] = value
        return tomlkit.dumps(tree)


def laws_in(changes: Mapping[str, Any]) -> dict[str, WallLaw]:
    """The constructions among the changes that are given in code, by name."""
    given = changes.get("constructions", {})
    return {str(name): law for name, law in given.items() if _is_law(law)} if isinstance(given, Mapping) else {}


def _is_law(value: Any) -> bool:
    return not isinstance(value, Mapping) and isinstance(value, WallLaw)


def _plain(value: Any) -> Any:
    """What TOML can hold: arrays as lists, constructions in code as a placeholder."""
    if _is_law(value):
        return dict(PLACEHOLDER)
    if isinstance(value, Mapping):
        return {str(key): _plain(one) for key, one in value.items()}
    if hasattr(value, "tolist"):
        value = value.tolist()
    if isinstance(value, list | tuple):
        return [_plain(one) for one in value]
    return value
