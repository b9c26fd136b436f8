"""Constructions that are light or vibrate: walls of two leaves, perforated panels, panes of glass, doors."""

from typing import Annotated, Literal

from pydantic import Field

from roommodes.acoustics.layering.layers import WallLaw
from roommodes.acoustics.plates.light_walls import EdgeLeak, Partition, Perforated
from roommodes.acoustics.plates.panes import DoublePane, Pane
from roommodes.project.construction_kinds.plain_constructions import (
    Described,
    LossFactor,
    Resistance,
    Sides,
    SurfaceMass,
    area_of,
)
from roommodes.toml.values import Range

Thickness = Annotated[float, Range(low=0.001, high=0.1, unit="m")]
Cavity = Annotated[float, Range(low=0.005, high=2.0, unit="m")]
FillFlow = Annotated[float, Range(low=0.0, high=1e6, unit="Pa s/m2")]
YoungsModulus = Annotated[float, Range(low=1e8, high=1e12, unit="Pa")]
Poisson = Annotated[float, Range(low=0.0, high=0.49)]
Density = Annotated[float, Range(low=50.0, high=20000.0, unit="kg/m3")]
Crack = Annotated[float, Range(low=0.0, high=0.05, unit="m")]
UNKNOWN_SIDES = (0.9, 2.0)  # of a door, where nobody says

_FILL = Field(
    default=0.0,
    description="Flow resistivity of what fills the cavity, 0 for air alone [Pa s/m2]; mineral wool has 5000 to 50000.",
    examples=[8000.0],
)
_RADIATES = Field(default=True, description="true: free air, or a large room, on the far side.")


class PartitionTable(Described):
    """Two leaves on studs or joists with a cavity between them: a stud wall, a timber floor with a ceiling under it.

    Below the mass-spring-mass resonance both leaves move as one mass. A lining before a heavy wall is an `impedance`.
    """

    kind: Literal["partition"]
    inner_mass_kg_m2: SurfaceMass = Field(description="Mass of the leaf facing the room [kg/m2].", examples=[8.5])
    outer_mass_kg_m2: SurfaceMass = Field(description="Mass of the other leaf [kg/m2].", examples=[8.5])
    cavity_m: Cavity = Field(description="Depth of the cavity [m].", examples=[0.1])
    fill_flow_resistivity_pa_s_m2: FillFlow = _FILL
    inner_resistance_pa_s_m: Resistance = Field(
        default=0.0, description="Losses of the inner leaf [Pa s/m].", examples=[800.0]
    )
    outer_resistance_pa_s_m: Resistance = Field(
        default=0.0, description="Losses of the outer leaf [Pa s/m].", examples=[800.0]
    )
    stud_mass_kg_m2: Annotated[float, Range(low=0.0, high=500.0, unit="kg/m2")] = Field(
        default=0.0,
        description="Mass of studs or joists over the area; half goes with each leaf [kg/m2].",
        examples=[4.0],
    )
    stud_stiffness_pa_m: Annotated[float, Range(low=0.0, high=1e10, unit="Pa/m")] = Field(
        default=0.0,
        description="Spring of the studs from leaf to leaf, beside the air of the cavity [Pa/m]; 0 for leaves on studs "
        "of their own.",
        examples=[1e6],
    )
    radiates: bool = _RADIATES

    def law(self, sides_m: Sides | None = None) -> WallLaw:
        """Leaf, cavity, leaf."""
        return Partition(
            inner_mass_kg_m2=self.inner_mass_kg_m2,
            outer_mass_kg_m2=self.outer_mass_kg_m2,
            cavity_m=self.cavity_m,
            fill_flow_resistivity_pa_s_m2=self.fill_flow_resistivity_pa_s_m2,
            inner_resistance_pa_s_m=self.inner_resistance_pa_s_m,
            outer_resistance_pa_s_m=self.outer_resistance_pa_s_m,
            stud_mass_kg_m2=self.stud_mass_kg_m2,
            stud_stiffness_pa_m=self.stud_stiffness_pa_m,
            radiates=self.radiates,
            area_m2=area_of(sides_m),
        )


class PerforatedTable(Described):
    """A panel with round holes before a cavity: a Helmholtz resonator."""

    kind: Literal["perforated"]
    thickness_m: Thickness = Field(description="Thickness of the panel [m].", examples=[0.012])
    hole_m: Annotated[float, Range(low=0.0002, high=0.1, unit="m")] = Field(
        description="Diameter of the holes [m].", examples=[0.005]
    )
    open_fraction: Annotated[float, Range(low=0.0005, high=0.5)] = Field(
        description="Share of the panel's area that is open.", examples=[0.01]
    )
    panel_mass_kg_m2: SurfaceMass = Field(description="Mass of the panel [kg/m2].", examples=[8.5])
    cavity_m: Cavity = Field(description="Depth of the cavity behind it [m].", examples=[0.2])
    fill_flow_resistivity_pa_s_m2: FillFlow = _FILL

    def law(self, sides_m: Sides | None = None) -> WallLaw:
        """Holes and panel, cavity."""
        return Perforated(
            thickness_m=self.thickness_m,
            hole_m=self.hole_m,
            open_fraction=self.open_fraction,
            panel_mass_kg_m2=self.panel_mass_kg_m2,
            cavity_m=self.cavity_m,
            fill_flow_resistivity_pa_s_m2=self.fill_flow_resistivity_pa_s_m2,
        )


class PaneTable(Described):
    """A pane of glass: a thin plate on simple supports that vibrates in its own modes. Its rectangle is its region."""

    kind: Literal["pane"]
    thickness_m: Thickness = Field(description="Thickness [m].", examples=[0.006])
    youngs_modulus_pa: YoungsModulus = Field(description="Young's modulus [Pa].", examples=[70e9])
    poisson: Poisson = Field(description="Poisson's ratio.", examples=[0.22])
    density_kg_m3: Density = Field(description="Density [kg/m3].", examples=[2500.0])
    loss_factor: LossFactor = Field(
        description="Loss factor of the plate with its seals; glass alone has 0.003 to 0.006.", examples=[0.03]
    )
    radiates: bool = _RADIATES
    divides: bool = Field(
        default=False,
        description="true: where regions cover part of it, the rest are panes of their own; false: that is a fault.",
    )

    def law(self, sides_m: Sides | None = None) -> Pane:
        """The plate."""
        return Pane(
            thickness_m=self.thickness_m,
            youngs_modulus_pa=self.youngs_modulus_pa,
            poisson=self.poisson,
            density_kg_m3=self.density_kg_m3,
            loss_factor=self.loss_factor,
            radiates=self.radiates,
            divides=self.divides,
        )


class DoubleGlazingTable(Described):
    """Two panes of glass with a closed gap of air between them, each a plate. Their rectangle is their region."""

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
        default=0.0, description="Losses of each leaf beside its loss factor [Pa s/m].", examples=[100.0]
    )
    youngs_modulus_pa: YoungsModulus = Field(default=70e9, description="Young's modulus of both leaves [Pa].")
    poisson: Poisson = Field(default=0.22, description="Poisson's ratio of both leaves.")
    density_kg_m3: Density = Field(
        default=2500.0, description="Density of both leaves [kg/m3]; mass over density is their thickness."
    )
    loss_factor: LossFactor = Field(
        default=0.05, description="Loss factor of both leaves with their seals.", examples=[0.05]
    )
    radiates: bool = _RADIATES

    def law(self, sides_m: Sides | None = None) -> DoublePane:
        """The two plates."""
        return DoublePane(
            inner_thickness_m=self.inner_mass_kg_m2 / self.density_kg_m3,
            outer_thickness_m=self.outer_mass_kg_m2 / self.density_kg_m3,
            gap_m=self.gap_m,
            gap_loss_factor=self.gap_loss_factor,
            youngs_modulus_pa=self.youngs_modulus_pa,
            poisson=self.poisson,
            density_kg_m3=self.density_kg_m3,
            loss_factor=self.loss_factor,
            leaf_resistance_pa_s_m=self.leaf_resistance_pa_s_m,
            radiates=self.radiates,
            divides=True,
        )


class DoorTable(Described):
    """A door in its frame, latched: a plate that its edges hold, with a crack round it. Its rectangle is its region."""

    kind: Literal["door"]
    thickness_m: Thickness = Field(description="Thickness of the leaf [m].", examples=[0.04])
    youngs_modulus_pa: YoungsModulus = Field(
        description="Young's modulus of the leaf as a whole [Pa]; chipboard about 3e9.", examples=[3e9]
    )
    poisson: Poisson = Field(default=0.3, description="Poisson's ratio.", examples=[0.3])
    density_kg_m3: Density = Field(description="Density of the leaf as a whole [kg/m3].", examples=[550.0])
    loss_factor: LossFactor = Field(description="Loss factor of the leaf in its frame.", examples=[0.05])
    edge_gap_m: Crack = Field(
        default=0.0, description="Width of the crack round its edge, open from side to side [m].", examples=[0.003]
    )
    radiates: bool = _RADIATES

    def law(self, sides_m: Sides | None = None) -> Pane:
        """The plate behind its crack."""
        width, height = sides_m or UNKNOWN_SIDES
        crack = EdgeLeak(
            gap_m=self.edge_gap_m,
            depth_m=self.thickness_m,
            length_m=2.0 * (width + height),
            area_m2=width * height,
        )
        return Pane(
            thickness_m=self.thickness_m,
            youngs_modulus_pa=self.youngs_modulus_pa,
            poisson=self.poisson,
            density_kg_m3=self.density_kg_m3,
            loss_factor=self.loss_factor,
            radiates=self.radiates,
            front=(crack,),
            glass=False,
            divides=True,
        )
