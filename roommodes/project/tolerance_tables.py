"""The [tolerance] table: how far the built room may differ from the drawn one.

Every figure is a half width or a factor of an even spread, not a standard deviation: what is built lies anywhere
inside, with nothing known about where. A factor f means from 1/f to f, even over its logarithm.

Constructions say how well they are known themselves (`spread`, in the library too); a factor here that the file gives
goes before that. The defaults are common practice, no source, but for two. Absorption: printed figures for one kind of
wall (from memory) differ by more than a factor of two to either side (glass at 125 Hz: 0.08 to 0.35). Support: the
model's panes lie on simple supports; a clamped plate is stiffer. Its lowest resonance is 40.38 Hz where the simply
supported one is 21.32 Hz (1.0 x 1.5 m, 6 mm glass; A. W. Leissa, J. Sound Vib. 31(3), 1973, from memory, and a Ritz
calculation), as if its bending stiffness were (40.38 / 21.32)^2 = 3.59 times as large. Real frames lie between.
"""

from typing import Annotated

from pydantic import AfterValidator, Field

from roommodes.shapes.solids import BLOCK_FACES
from roommodes.toml.values import Name, Range, Table, rising, several

CLAMPED = (40.38 / 21.32) ** 2  # bending stiffness of a clamped pane over that of the same on simple supports
SpreadM = Annotated[float, Range(low=0.0, high=0.5, unit="m")]
Spread = Annotated[tuple[SpreadM, SpreadM, SpreadM], several(3, "[x, y, z] in m")]
RoomSpreadM = Annotated[float, Range(low=0.0, high=0.3, unit="m")]
RoomSpread = Annotated[tuple[RoomSpreadM, RoomSpreadM, RoomSpreadM], several(3, "[length, width, height] in m")]
Factor = Annotated[float, Range(low=1.0, high=5.0)]
SmallFactor = Annotated[float, Range(low=1.0, high=1.5)]
Stiffer = Annotated[float, Range(low=0.5, high=6.0)]
Support = Annotated[tuple[Stiffer, Stiffer], several(2, "[least, most]"), AfterValidator(rising)]


class OwnToleranceTable(Table):
    """What is known better, or worse, about one construction; what is left out is as for all."""

    mass_factor: SmallFactor | None = Field(default=None, description="Mass, divided or multiplied by up to this.")
    stiffness_factor: Factor | None = Field(default=None, description="Stiffness or depth of the cavity, likewise.")
    resistance_factor: Factor | None = Field(default=None, description="Resistance or flow resistivity, likewise.")
    absorption_factor: Factor | None = Field(default=None, description="Absorption coefficient, likewise.")
    thickness_factor: SmallFactor | None = Field(default=None, description="Thickness of a pane, likewise.")
    loss_factor: Factor | None = Field(default=None, description="Loss factor of a pane, likewise.")
    gap_factor: Factor | None = Field(default=None, description="Width of the crack round a door, likewise.")
    support: Support | None = Field(
        default=None, description="A pane's bending stiffness over that of the drawn one, [least, most]."
    )


class ToleranceTable(Table):
    """How far the built room may differ from the drawn one, for `tolerance`. Every spread is even."""

    cabinet_m: Spread = Field(
        default=(0.05, 0.05, 0.0),
        description="Each subwoofer's acoustic centre, plus or minus, [x, y, z] [m].",
        examples=[[0.1, 0.1, 0.0]],
    )
    ears_m: Spread = Field(
        default=(0.1, 0.1, 0.05),
        description="Each listener's ears, plus or minus, [x, y, z] [m].",
        examples=[[0.1, 0.15, 0.05]],
    )
    room_m: RoomSpread = Field(
        default=(0.03, 0.03, 0.02),
        description="Inner length, width and height, plus or minus [m]. Surfaces move with their walls; subwoofers "
        "keep their distances to the nearer walls.",
        examples=[[0.02, 0.02, 0.02]],
    )
    block_m: Spread = Field(
        default=(0.02, 0.02, 0.01),
        description="Each face of a block that lies on no wall, plus or minus along its normal, [x, y, z] [m]. Faces "
        "in one plane move together; subwoofers and seats on a block go up and down with its top.",
        examples=[[0.05, 0.05, 0.02]],
    )
    slope_m: SpreadM = Field(
        default=0.03,
        description="Height of each end of a slope that is not at the ceiling, plus or minus [m].",
        examples=[0.05],
    )
    temperature_c: Annotated[float, Range(low=0.0, high=15.0, unit="deg C")] = Field(
        default=4.0, description="Air temperature, plus or minus [deg C].", examples=[3.0]
    )
    mass_factor: SmallFactor = Field(
        default=1.1, description="Mass of a construction, divided or multiplied by up to this.", examples=[1.2]
    )
    stiffness_factor: Factor = Field(
        default=1.3, description="Stiffness or depth of the cavity behind it, likewise.", examples=[1.5]
    )
    resistance_factor: Factor = Field(
        default=2.0, description="Its resistance, or a porous layer's flow resistivity, likewise.", examples=[1.5]
    )
    absorption_factor: Factor = Field(
        default=2.0, description="Absorption coefficient or admittance, likewise.", examples=[1.5]
    )
    thickness_factor: SmallFactor = Field(default=1.03, description="Thickness of a pane, likewise.", examples=[1.05])
    loss_factor: Factor = Field(default=2.0, description="Loss factor of a pane, likewise.", examples=[1.5])
    gap_factor: Factor = Field(default=2.0, description="Width of the crack round a door, likewise.", examples=[1.5])
    support: Support = Field(
        default=(1.0, round(CLAMPED, 2)),
        description="A pane's bending stiffness over that on simple supports, [least, most]: 1 is simply supported, "
        "about 3.6 clamped; even over the resonance's frequency.",
        examples=[[1.0, 2.0]],
    )
    delay_step_ms: Annotated[float, Range(low=0.0, high=2.0, unit="ms")] = Field(
        default=0.05, description="Delays are set to the nearest such step; 0: exactly [ms].", examples=[0.1]
    )
    gain_step_db: Annotated[float, Range(low=0.0, high=6.0, unit="dB")] = Field(
        default=0.5, description="Gains are set to the nearest such step; 0: exactly [dB].", examples=[0.1]
    )
    constructions: dict[Name, OwnToleranceTable] = Field(
        default={}, description="Constructions of which more, or less, is known, by name."
    )
    blocks: dict[Name, Spread] = Field(
        default={},
        description="Blocks of which more, or less, is known, by name: as block_m [m].",
        examples=[{"riser": [0.05, 0.0, 0.02]}],
    )
    slopes: dict[Name, SpreadM] = Field(
        default={}, description="Slopes likewise: as slope_m [m].", examples=[{"roof": 0.1}]
    )

    def of_face(self, face: str, axis: int) -> float:
        """How far a face of a block, or an end of a slope, may lie elsewhere along an axis [m].

        Parameters
        ----------
        face : ``riser: top``; ``roof: from`` and ``roof: to`` of a slope.
        axis : 0, 1 or 2.
        """
        owner, _, part = face.rpartition(": ")
        if part in BLOCK_FACES:
            return self.blocks.get(owner, self.block_m)[axis]
        return self.slopes.get(owner, self.slope_m)

    def of(self, construction: str, key: str, known: float | None = None) -> float | tuple[float, float]:
        """The spread of one property of one construction, by its key here.

        What stands here for the construction goes first, then what the file says for all, then `known`, what the
        construction says of itself, then what holds for all where nothing is said.
        """
        own = self.constructions.get(construction)
        value: float | tuple[float, float] | None = None if own is None else getattr(own, key)
        if value is None and key not in self.model_fields_set:
            value = known
        found: float | tuple[float, float] = getattr(self, key) if value is None else value
        return found
