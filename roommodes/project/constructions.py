"""Constructions: what a wall is made of, as the project file writes it, and the built-in library.

Each kind of construction is a table with its physical parameters, and gives the wall law that the model uses.
"""

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import Annotated, Any

from pydantic import BeforeValidator, Field, TypeAdapter, WithJsonSchema

from roommodes.acoustics.layering.layers import WallLaw
from roommodes.acoustics.plates.panes import Plate, behind_one_another
from roommodes.project.construction_kinds.light_constructions import (
    DoorTable,
    DoubleGlazingTable,
    PaneTable,
    PartitionTable,
    PerforatedTable,
)
from roommodes.project.construction_kinds.plain_constructions import (
    AbsorptionTable,
    AdmittanceTable,
    Described,
    ImpedanceTable,
    MeasuredAdmittanceTable,
    OpeningTable,
    PorousTable,
    RigidTable,
    Sides,
)
from roommodes.toml.values import NAME_LENGTH, Name, shown, worded

AnyConstruction = (
    RigidTable
    | AdmittanceTable
    | MeasuredAdmittanceTable
    | AbsorptionTable
    | ImpedanceTable
    | PartitionTable
    | PaneTable
    | DoubleGlazingTable
    | DoorTable
    | PorousTable
    | PerforatedTable
    | OpeningTable
)
ConstructionTable = Annotated[AnyConstruction, Field(discriminator="kind")]
KINDS: Mapping[str, type[Described]] = MappingProxyType(
    {
        "rigid": RigidTable,
        "admittance": AdmittanceTable,
        "measured admittance": MeasuredAdmittanceTable,
        "absorption": AbsorptionTable,
        "impedance": ImpedanceTable,
        "partition": PartitionTable,
        "pane": PaneTable,
        "double glazing": DoubleGlazingTable,
        "door": DoorTable,
        "porous": PorousTable,
        "perforated": PerforatedTable,
        "opening": OpeningTable,
    }
)
BEFORE_OTHERS = ("porous", "impedance", "partition", "perforated")
MOST_LAYERS = 6


def _layers(value: Any) -> Any:
    """A TOML list of names as a tuple; of one, that name."""
    if isinstance(value, str):
        return value
    if not isinstance(value, list | tuple) or not all(isinstance(name, str) for name in value):
        text = "allowed: a construction's name, or a list of names, the inner layer first."
        raise worded(f"got {shown(value)}; {text}")
    if not 1 <= len(value) <= MOST_LAYERS:
        raise worded(f"got {len(value)} layers; allowed: 1 to {MOST_LAYERS}, the inner one first.")
    return value[0] if len(value) == 1 else tuple(value)


_NAME_SCHEMA = {"type": "string", "minLength": 1, "maxLength": NAME_LENGTH}
LayerNames = Annotated[
    Name | tuple[Name, ...],
    BeforeValidator(_layers),
    WithJsonSchema(
        {
            "anyOf": [
                _NAME_SCHEMA,
                {"type": "array", "items": _NAME_SCHEMA, "minItems": 1, "maxItems": MOST_LAYERS},
            ]
        }
    ),
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Construction:
    """A named construction.

    Parameters
    ----------
    name : what walls and regions call it.
    table : its kind and parameters.
    """

    name: str
    table: AnyConstruction

    @property
    def kind(self) -> str:
        """Which kind of wall law."""
        return self.table.kind

    @property
    def description(self) -> str:
        """One line for a person."""
        return self.table.description

    @property
    def source(self) -> str:
        """Where the parameters come from."""
        return self.table.source

    @property
    def parameters(self) -> dict[str, Any]:
        """The physical parameters by key, as the project file names them."""
        return self.table.model_dump(exclude={"kind", "description", "source", "spread"}, exclude_none=True)

    def law(self, sides_m: Sides | None = None) -> WallLaw | Plate:
        """The wall law on a surface with these sides [m]."""
        return self.table.law(sides_m)


@dataclass(frozen=True, slots=True, kw_only=True)
class InCode(Construction):
    """A construction given in code: any object with a wall law's `admittance(omega, air)`.

    Parameters
    ----------
    name : what walls and regions call it.
    table : what stands for it in the project's text.
    given : the law.
    """

    given: WallLaw

    @property
    def kind(self) -> str:
        """The word for a construction without a table."""
        return "in code"

    @property
    def parameters(self) -> dict[str, Any]:
        """Empty: a construction in code has no keys of a file."""
        return {}

    def law(self, sides_m: Sides | None = None) -> WallLaw | Plate:
        """The law as given."""
        return self.given


@cache
def library() -> Mapping[str, Construction]:
    """The built-in constructions by name."""
    text = files("roommodes.project").joinpath("library.toml").read_text(encoding="utf-8")
    tables = TypeAdapter(dict[str, ConstructionTable]).validate_python(tomllib.loads(text))
    return MappingProxyType({name: Construction(name=name, table=table) for name, table in tables.items()})


def layers_in(construction: LayerNames) -> tuple[str, ...]:
    """The names of a wall's layers, the inner one first; of a wall of one, that one."""
    return (construction,) if isinstance(construction, str) else construction


def as_written(construction: LayerNames) -> str | list[str]:
    """A wall's layers as TOML has them."""
    return construction if isinstance(construction, str) else list(construction)


def layers_words(construction: LayerNames) -> str:
    """What a person calls a wall of layers: ``curtain before glass pane 6 mm``."""
    return " before ".join(layers_in(construction))


def reacts(known: Mapping[str, Construction], construction: LayerNames) -> bool:
    """Whether a wall of these layers is anything but rigid."""
    return not all(known[name].kind == "rigid" for name in layers_in(construction))


def law_of_layers(constructions: Sequence[Construction], sides_m: Sides | None = None) -> WallLaw | Plate:
    """One wall law of layers, the inner one first, on a surface with these sides [m].

    Raises
    ------
    ValueError : one before the last is of a kind that cannot lie before another.
    """
    return behind_one_another([one.law(sides_m) for one in constructions])


def layers_fault(known: Mapping[str, Construction], construction: LayerNames) -> str:
    """What is wrong with a wall's layers, all of them known; empty if nothing is."""
    for name in layers_in(construction)[:-1]:
        if (kind := known[name].kind) not in BEFORE_OTHERS:
            return (
                f"the {shown(name)} is of the kind {kind}, which cannot lie before another layer; "
                f"allowed before the last: {', '.join(BEFORE_OTHERS)}."
            )
    return ""
