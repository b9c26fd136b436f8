"""Constructions that react at every point by themselves: the tables of the project file and the wall laws they give.

`light_constructions` has walls of two leaves, panes and doors; `constructions` joins them all.
"""

from typing import Annotated, Literal

from pydantic import Field, model_validator

from roommodes.acoustics.curve import Curve
from roommodes.acoustics.layering.layers import WallLaw
from roommodes.acoustics.plates.panes import Plate
from roommodes.acoustics.wall_laws import (
    ALPHA_MAX,
    Absorption,
    AdmittanceCurve,
    ConstantAdmittance,
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
SpreadFactor = Annotated[float, Range(low=1.0, high=10.0)]
NOT_UNCERTAIN = {"kind", "description", "source", "spread", "radiates", "divides", "area_m2", "poisson"}
Sides = tuple[float, float]  # of the surface [m]; None where it is not known


def area_of(sides_m: Sides | None) -> float | None:
    """The area between two sides [m2], None where they are not known."""
    return None if sides_m is None else sides_m[0] * sides_m[1]


class Described(Table):
    """What every construction may say about itself."""

    description: str = Field(default="", description="One line for a person.", examples=["brick with 15 mm of plaster"])
    source: str = Field(default="", description="Where the parameters come from.", examples=["maker's data sheet"])
    spread: dict[str, SpreadFactor] = Field(
        default={},
        description="How well parameters are known: the factor by which each is divided or multiplied at most, for "
        "`tolerance`; those left out have the figures of [tolerance].",
        examples=[{"resistance_pa_s_m": 2.0}],
    )

    @model_validator(mode="after")
    def _spread_of_parameters(self) -> "Described":
        for name in self.spread:
            if name not in self.uncertain():
                known = ", ".join(self.uncertain()) or "none of this kind"
                raise worded(f'spread: "{name[:40]}" is no parameter that can be spread; allowed: {known}.')
        return self

    @classmethod
    def uncertain(cls) -> tuple[str, ...]:
        """Parameters that may be off by a factor."""
        return tuple(key for key in cls.model_fields if key not in NOT_UNCERTAIN)

    def law(self, sides_m: Sides | None = None) -> WallLaw | Plate:
        """The wall law; `sides_m` are those of the surface that it is for."""
        raise NotImplementedError


class RigidTable(Described):
    """A wall that does not move."""

    kind: Literal["rigid"]

    def law(self, sides_m: Sides | None = None) -> WallLaw:
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

    def law(self, sides_m: Sides | None = None) -> WallLaw:
        """The same admittance everywhere."""
        return ConstantAdmittance(beta_re=self.beta_re, beta_im=self.beta_im)


class MeasuredAdmittanceTable(Described):
    """A specific admittance over frequency, as measurements tell it; e^{+j omega t}.

    Beyond its points it stays level, which says nothing of the wall there.
    """

    kind: Literal["measured admittance"]
    beta_re: Annotated[Curve, CurveOf(allowed=Range(low=0.0, high=100.0))] = Field(
        description="Real part of beta, a number or a table by frequency in Hz; 0 or more, or the wall would make "
        "sound. Between the points it runs straight over log frequency.",
        examples=[{"30": 0.04, "60": 0.06}],
    )
    beta_im: Annotated[Curve, CurveOf(allowed=Range(low=-100.0, high=100.0))] = Field(
        description="Imaginary part of beta, likewise: below 0 reacts as a mass, above 0 as a spring.",
        examples=[{"30": 0.05, "60": -0.02}],
    )

    def law(self, sides_m: Sides | None = None) -> WallLaw:
        """The curves."""
        return AdmittanceCurve(beta_re=self.beta_re, beta_im=self.beta_im)


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

    def law(self, sides_m: Sides | None = None) -> WallLaw:
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
    radiates: bool = Field(default=False, description="true: free air, or a large room, on the far side.")

    @model_validator(mode="after")
    def _not_nothing(self) -> "ImpedanceTable":
        if not self.radiates and self.resistance_pa_s_m + self.mass_kg_m2 + self.stiffness_pa_m == 0.0:
            raise worded(
                "the wall has neither resistance_pa_s_m, mass_kg_m2 nor stiffness_pa_m; give one of them above 0, "
                "or take the kind opening."
            )
        return self

    def law(self, sides_m: Sides | None = None) -> WallLaw:
        """Leaf on a spring."""
        return MassSpring(
            resistance_pa_s_m=self.resistance_pa_s_m,
            mass_kg_m2=self.mass_kg_m2,
            stiffness_pa_m=self.stiffness_pa_m,
            radiates=self.radiates,
            area_m2=area_of(sides_m),
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

    def law(self, sides_m: Sides | None = None) -> WallLaw:
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

    def law(self, sides_m: Sides | None = None) -> WallLaw:
        """Radiation impedance; of the surface's own area where the table has none."""
        return Opening(area_m2=area_of(sides_m) if self.area_m2 is None else self.area_m2)
