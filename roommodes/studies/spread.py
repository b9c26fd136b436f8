"""Constructions of a study, and how their parameters spread from room to room."""

from collections.abc import Mapping
from typing import Any

from pydantic import TypeAdapter

from roommodes.project.constructions import Construction, ConstructionTable, library
from roommodes.studies.tables import StudyTables
from roommodes.toml.values import number


def constructions_of(tables: StudyTables) -> dict[str, Construction]:
    """The library with the study's own constructions over it, by name."""
    return {**library(), **{name: Construction(name=name, table=table) for name, table in tables.constructions.items()}}


def spread_by(construction: Construction, factors: Mapping[str, float]) -> dict[str, Any]:
    """A construction's table with parameters multiplied.

    Raises
    ------
    ValidationError : one leaves its range.
    """
    table: dict[str, Any] = {"kind": construction.kind}
    for key, value in construction.parameters.items():
        table[key] = plain_parameter(value, factors.get(key, 1.0))
    TypeAdapter(ConstructionTable).validate_python(table)
    return table


def plain_parameter(value: Any, factor: float = 1.0) -> Any:
    """A construction's parameter as TOML writes it, times a factor; a curve becomes a table by frequency."""
    if isinstance(value, Mapping):  # a dumped curve
        if len(value["hz"]) == 1:
            return plain_parameter(value["value"][0], factor)
        pairs = zip(value["hz"], value["value"], strict=True)
        return {number(hz): plain_parameter(each, factor) for hz, each in pairs}
    if isinstance(value, bool) or factor == 1.0 or not isinstance(value, int | float):
        return value
    return float(f"{value * factor:.6g}")
