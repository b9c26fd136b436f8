"""The [electrical] table of the project file: where the supply comes in, how cables run, what they may lose."""

from typing import Annotated

from pydantic import Field

from roommodes.toml.values import Range, Table, several

Coordinate = Annotated[float, Range(low=0.0, high=60.0, unit="m")]
Point = Annotated[tuple[Coordinate, Coordinate, Coordinate], several(3, "[x, y, z] in m")]


class ElectricalTable(Table):
    """For `electrical`: cable schedule, circuits, heat, quantities. A qualified electrician decides."""

    board_m: Point | None = Field(
        default=None,
        description="Where the supply comes into the room: distribution board or conduit, [x, y, z] [m].",
        examples=[[0.0, 0.3, 0.4]],
    )
    supply_v: Annotated[float, Range(low=50.0, high=500.0, unit="V")] = Field(
        default=230.0, description="Supply voltage, rms [V].", examples=[120]
    )
    circuit_a: Annotated[float, Range(low=1.0, high=125.0, unit="A")] = Field(
        default=16.0, description="What the breaker of a circuit is rated for [A].", examples=[20]
    )
    route_height_m: Annotated[float, Range(low=0.0, high=10.0, unit="m")] = Field(
        default=0.1, description="Height at which cables run along the walls [m].", examples=[2.4]
    )
    slack_m: Annotated[float, Range(low=0.0, high=10.0, unit="m")] = Field(
        default=0.5, description="Length to spare at each end of a cable [m].", examples=[1.0]
    )
    spare_percent: Annotated[float, Range(low=0.0, high=100.0, unit="%")] = Field(
        default=10.0, description="Cable to order beyond the schedule [%].", examples=[15]
    )
    loudspeaker_loss_db: Annotated[float, Range(low=0.05, high=3.0, unit="dB")] = Field(
        default=0.5,
        description="Most that a loudspeaker cable may take [dB] (default: common practice, no source).",
        examples=[0.3],
    )
    supply_drop_percent: Annotated[float, Range(low=0.5, high=10.0, unit="%")] = Field(
        default=3.0,
        description="Most of the supply voltage that a cable in the room may drop [%] (default: common practice, no "
        "source).",
        examples=[2],
    )
