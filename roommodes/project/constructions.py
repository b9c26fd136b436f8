"""Constructions: what a wall is made of, as the project file writes it, and the built-in library.

Each kind of construction is a table with its physical parameters, and gives the wall law that the model uses.
"""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import Annotated, Any, Literal

from pydantic import Field, TypeAdapter, model_validator

from roommodes.acoustics.curve import Curve
from roommodes.acoustics.room import Pane, WallLaw
from roommodes.acoustics.wall_laws import (
    ALPHA_MAX,
    Absorption,
    ConstantAdmittance,
    DoubleGlazing,
    MassSpring,
    Opening,
    Porous,
    Rigid,
)
from roommodes.toml.values import CurveOf, Range, Table, worded

SurfaceMass = Annotated[float, Range(low=0.0, high=2000.0, unit="kg/m2", above_low=True)]
LossFactor = Annotated[float, Range(low=0.0, high=1.0)]
Resistance = Annotated[float, Range(low=0.0, high=1e7, unit="Pa s/m")]
Gap = Annotated[float, Range(low=0.0, high=0.5, unit="m")]


class Described(Table):
    """What every construction may say about itself."""

    description: str = Field(default="", description="One line for a person.", examples=["brick with 15 mm of plaster"])
    source: str = Field(default="", description="Where the parameters come from.", examples=["maker's data sheet"])

    def law(self, area_m2: float | None = None) -> WallLaw | Pane:
        """The wall law; `area_m2` is the area of the surface that it is for [m2]."""
        raise NotImplementedError


class RigidTable(Described):
    """A wall that does not move."""

    kind: Literal["rigid"]

    def law(self, area_m2: float | None = None) -> WallLaw:
        """Zero admittance."""
        return Rigid()


class AdmittanceTable(Described):
    """One specific admittance beta = rho c / Z at all frequencies, time factor e^{+j omega t}."""

    kind: Literal["admittance"]
    beta_re: Annotated[float, Range(low=0.0, high=100.0)] = Field(
        description="Real part of beta; 0 or more, or the wall would make sound.", examples=[0.02]
    )
    beta_im: Annotated[float, Range(low=-100.0, high=100.0)] = Field(
        default=0.0,
        description="Imaginary part of beta: below 0 reacts as a mass, above 0 as a spring.",
        examples=[-0.05],
    )

    def law(self, area_m2: float | None = None) -> WallLaw:
        """The same admittance everywhere."""
        return ConstantAdmittance(beta_re=self.beta_re, beta_im=self.beta_im)


class AbsorptionTable(Described):
    """A random-incidence absorption coefficient, turned into a real admittance.

    For heavy or porous walls. It carries no phase: glass, plasterboard and other walls that swing need mass,
    resistance and stiffness.
    """

    kind: Literal["absorption"]
    alpha: Annotated[Curve, CurveOf(allowed=Range(low=0.0, high=ALPHA_MAX))] = Field(
        description="Absorption coefficient, a number or a table by frequency in Hz, 0 to 0.951 (no real impedance "
        "absorbs more). Between the points it runs straight over log frequency, beyond the ends it stays level.",
        examples=[0.03, {"63": 0.05, "125": 0.03}],
    )

    def law(self, area_m2: float | None = None) -> WallLaw:
        """Real admittance."""
        return Absorption(alpha=self.alpha)


class ImpedanceTable(Described):
    """A leaf with resistance, mass and stiffness per area, Z = r + j omega m + s / (j omega)."""

    kind: Literal["impedance"]
    resistance_pa_s_m: Resistance = Field(default=0.0, description="r [Pa s/m].", examples=[900.0])
    mass_kg_m2: Annotated[float, Range(low=0.0, high=2000.0, unit="kg/m2")] = Field(
        default=0.0, description="m [kg/m2].", examples=[8.5]
    )
    stiffness_pa_m: Annotated[float, Range(low=0.0, high=1e12, unit="Pa/m")] = Field(
        default=0.0,
        description="s [Pa/m]; an air gap of depth d has 141800 / d, with d in m (a filled one about 101300 / d).",
        examples=[1418000.0],
    )
    radiates: bool = Field(default=False, description="true adds rho c for free air on the far side.")

    @model_validator(mode="after")
    def _not_nothing(self) -> "ImpedanceTable":
        if not self.radiates and self.resistance_pa_s_m + self.mass_kg_m2 + self.stiffness_pa_m == 0.0:
            raise worded(
                "the wall has neither resistance_pa_s_m, mass_kg_m2 nor stiffness_pa_m; give one of them above 0, "
                "or take the kind opening."
            )
        return self

    def law(self, area_m2: float | None = None) -> WallLaw:
        """Leaf on a spring."""
        return MassSpring(
            resistance_pa_s_m=self.resistance_pa_s_m,
            mass_kg_m2=self.mass_kg_m2,
            stiffness_pa_m=self.stiffness_pa_m,
            radiates=self.radiates,
        )


class PaneTable(Described):
    """A thin plate on simple supports that vibrates in its own modes: glass. Its rectangle is that of its region."""

    kind: Literal["pane"]
    thickness_m: Annotated[float, Range(low=0.001, high=0.1, unit="m")] = Field(
        description="Thickness [m].", examples=[0.006]
    )
    youngs_modulus_pa: Annotated[float, Range(low=1e8, high=1e12, unit="Pa")] = Field(
        description="Young's modulus [Pa].", examples=[70e9]
    )
    poisson: Annotated[float, Range(low=0.0, high=0.49)] = Field(description="Poisson's ratio.", examples=[0.22])
    density_kg_m3: Annotated[float, Range(low=50.0, high=20000.0, unit="kg/m3")] = Field(
        description="Density [kg/m3].", examples=[2500.0]
    )
    loss_factor: LossFactor = Field(
        description="Loss factor of the plate with its seals; glass alone has 0.003 to 0.006.", examples=[0.03]
    )
    radiates: bool = Field(default=True, description="true adds rho c for free air on the far side.")

    def law(self, area_m2: float | None = None) -> Pane:
        """The plate."""
        return Pane(
            thickness_m=self.thickness_m,
            youngs_modulus_pa=self.youngs_modulus_pa,
            poisson=self.poisson,
            density_kg_m3=self.density_kg_m3,
            loss_factor=self.loss_factor,
            radiates=self.radiates,
        )


class DoubleGlazingTable(Described):
    """Two limp leaves with an air gap between them: mass, spring, mass."""

    kind: Literal["double glazing"]
    inner_mass_kg_m2: SurfaceMass = Field(
        description="Mass of the leaf facing the room [kg/m2]; glass has 2.5 per mm.", examples=[10.0]
    )
    outer_mass_kg_m2: SurfaceMass = Field(description="Mass of the outer leaf [kg/m2].", examples=[15.0])
    gap_m: Annotated[float, Range(low=0.001, high=0.5, unit="m")] = Field(
        description="Depth of the air gap [m].", examples=[0.016]
    )
    gap_loss_factor: LossFactor = Field(default=0.0, description="Loss factor of the gap's spring.", examples=[0.02])
    leaf_resistance_pa_s_m: Resistance = Field(
        default=0.0, description="Losses of each leaf in its mounting [Pa s/m].", examples=[4700.0]
    )
    radiates: bool = Field(default=True, description="true adds rho c for free air outside.")

    def law(self, area_m2: float | None = None) -> WallLaw:
        """The whole circuit."""
        return DoubleGlazing(
            inner_mass_kg_m2=self.inner_mass_kg_m2,
            outer_mass_kg_m2=self.outer_mass_kg_m2,
            gap_m=self.gap_m,
            gap_loss_factor=self.gap_loss_factor,
            leaf_resistance_pa_s_m=self.leaf_resistance_pa_s_m,
            radiates=self.radiates,
        )


class PorousTable(Described):
    """A porous layer before a rigid wall, with an air gap behind it if wished (Miki 1990, continued below its fit)."""

    kind: Literal["porous"]
    flow_resistivity_pa_s_m2: Annotated[float, Range(low=1000.0, high=1e6, unit="Pa s/m2")] = Field(
        description="Flow resistivity [Pa s/m2]; mineral wool has 5000 to 50000.", examples=[10000.0]
    )
    thickness_m: Annotated[float, Range(low=0.001, high=2.0, unit="m")] = Field(
        description="Thickness of the layer [m].", examples=[0.1]
    )
    gap_m: Gap = Field(default=0.0, description="Air gap between layer and wall [m].", examples=[0.1])
    limp_mass_kg_m2: SurfaceMass | None = Field(
        default=None,
        description="Mass per area, only if the material hangs free and can move with the air, as a curtain [kg/m2].",
        examples=[1.2],
    )

    def law(self, area_m2: float | None = None) -> WallLaw:
        """Layer and gap."""
        return Porous(
            flow_resistivity_pa_s_m2=self.flow_resistivity_pa_s_m2,
            thickness_m=self.thickness_m,
            gap_m=self.gap_m,
            limp_mass_kg_m2=self.limp_mass_kg_m2,
        )


class OpeningTable(Described):
    """An opening to another, large space: the radiation of a piston of the same area in a wall."""

    kind: Literal["opening"]
    area_m2: Annotated[float, Range(low=0.01, high=3600.0, unit="m2")] | None = Field(
        default=None,
        description="Area that the air moves through as one [m2]; left out, the surface's own.",
        examples=[1.8],
    )

    def law(self, area_m2: float | None = None) -> WallLaw:
        """Radiation impedance; of the surface's own area where the table has none."""
        return Opening(area_m2=area_m2 if self.area_m2 is None else self.area_m2)


AnyConstruction = (
    RigidTable
    | AdmittanceTable
    | AbsorptionTable
    | ImpedanceTable
    | PaneTable
    | DoubleGlazingTable
    | PorousTable
    | OpeningTable
)
ConstructionTable = Annotated[AnyConstruction, Field(discriminator="kind")]
KINDS: Mapping[str, type[Described]] = MappingProxyType(
    {
        "rigid": RigidTable,
        "admittance": AdmittanceTable,
        "absorption": AbsorptionTable,
        "impedance": ImpedanceTable,
        "pane": PaneTable,
        "double glazing": DoubleGlazingTable,
        "porous": PorousTable,
        "opening": OpeningTable,
    }
)


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
        return self.table.model_dump(exclude={"kind", "description", "source"}, exclude_none=True)

    def law(self, *, area_m2: float | None = None) -> WallLaw | Pane:
        """The wall law; an opening without an area of its own takes `area_m2`, its surface's [m2]."""
        return self.table.law(area_m2)


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
        """That no table describes it."""
        return "in code"

    @property
    def parameters(self) -> dict[str, Any]:
        """None that a file could hold."""
        return {}

    def law(self, *, area_m2: float | None = None) -> WallLaw | Pane:
        """The law as given."""
        return self.given


@cache
def library() -> Mapping[str, Construction]:
    """The built-in constructions by name."""
    text = files("roommodes.project").joinpath("library.toml").read_text(encoding="utf-8")
    tables = TypeAdapter(dict[str, ConstructionTable]).validate_python(tomllib.loads(text))
    return MappingProxyType({name: Construction(name=name, table=table) for name, table in tables.items()})
