"""Constructions of a study, and how their parameters spread from room to room."""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

from pydantic import TypeAdapter

from roommodes.project.constructions import Construction, ConstructionTable, library
from roommodes.ranges import number
from roommodes.studies.tables import StudyTables

# keys of the library's constructions before they became partitions, panes and doors: kind -> key -> today's
_PLATE = {"mass_kg_m2": ("density_kg_m3",), "resistance_pa_s_m": ("loss_factor",)}
FORMERLY: Mapping[str, Mapping[str, tuple[str, ...]]] = MappingProxyType(
    {
        "partition": {
            "mass_kg_m2": ("inner_mass_kg_m2", "outer_mass_kg_m2"),
            "resistance_pa_s_m": ("inner_resistance_pa_s_m", "outer_resistance_pa_s_m"),
            "stiffness_pa_m": ("stud_stiffness_pa_m",),
        },
        "pane": _PLATE,
        "door": _PLATE,
    }
)


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
    by: dict[str, float] = {}
    for key, factor in factors.items():
        by |= dict.fromkeys(todays_keys(construction, key), factor)
    for key, value in construction.parameters.items():
        table[key] = plain_parameter(value, by.get(key, 1.0))
    TypeAdapter(ConstructionTable).validate_python(table)
    return table


def todays_keys(construction: Construction, key: str) -> tuple[str, ...]:
    """The parameters that a key of a spread stands for: itself, or what took its place when the kind changed."""
    return FORMERLY.get(construction.kind, {}).get(key, (key,))


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
