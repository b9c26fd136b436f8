"""The tables of the study file, key by key: a family of rooms, how they are built, where people sit, the strategies.

Each class is one table of the TOML file. What holds between tables is checked in `reading`; `design` makes
rooms of them. Fractions are of the room's length, width and height, from the front, left and floor.
"""

from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BeforeValidator, Field, GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema, core_schema

from roommodes.acoustics.room import Wall
from roommodes.project.constructions import ConstructionTable, LayerNames
from roommodes.project.tables import Coordinate, Delay, Hertz, RoomTable, SearchGain, SearchTable
from roommodes.ranges import number
from roommodes.studies.shapes import BuildBlockTable, BuildSlopeTable
from roommodes.studies.strategies import Fraction, StrategyTable
from roommodes.toml.values import AnyLength, Name, Range, Table, apart, rising, several, shown, worded

STUDY_FORMAT = 1
MAX_ROOMS = 20_000
MAX_STRATEGIES = 24

WallFraction = Annotated[tuple[Fraction, Fraction], several(2, "[along, up] as fractions of the wall")]
Factor = Annotated[float, Range(low=1.0, high=10.0, above_low=True)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Varied:
    """A quantity of a family of rooms: some values to take from, or a range to draw from.

    Parameters
    ----------
    values : what it may be; empty for a range.
    low, high : ends of the range.
    """

    values: tuple[float, ...] = ()
    low: float = 0.0
    high: float = 0.0

    @property
    def varies(self) -> bool:
        """Whether there is anything to choose."""
        return len(self.values) != 1

    def at(self, part: float) -> float:
        """The value for a number in 0..1, to the millimetre (or the last digit that matters)."""
        if self.values:
            return self.values[min(int(part * len(self.values)), len(self.values) - 1)]
        return round(self.low + part * (self.high - self.low), 4)


@dataclass(frozen=True, slots=True, kw_only=True)
class VariedOf:
    """Validates a number, a list of numbers or ``{ from = 4.0, to = 8.0 }`` into a `Varied`."""

    allowed: Range

    def parse(self, value: Any) -> Varied:
        """A TOML value; refuses with a sentence."""
        if isinstance(value, Varied):
            return value
        if isinstance(value, dict):
            if set(value) != {"from", "to"}:
                raise worded("a range needs exactly the keys from and to, such as { from = 4.0, to = 8.0 }.")
            low, high = self._number(value["from"], "from: "), self._number(value["to"], "to: ")
            if low >= high:
                raise worded(f"got from {number(low)} to {number(high)}; the first must be below the second.")
            return Varied(low=low, high=high)
        if isinstance(value, list):
            if not value:
                raise worded("got an empty list; give at least one value.")
            values = tuple(self._number(entry, f"entry {place}: ") for place, entry in enumerate(value, start=1))
            if len(set(values)) < len(values):
                raise worded("one value is given twice; give each once.")
            return Varied(values=values)
        return Varied(values=(self._number(value, ""),))

    def _number(self, value: Any, where: str) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            form = "a number" if where else "a number, a list of numbers, or { from = ..., to = ... }"
            raise worded(f"{where}got {shown(value)}; allowed: {form}, {self.allowed.text}.")
        if text := self.allowed.fault(value):
            raise worded(where + text)
        return float(value)

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(self.parse)

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        single: JsonSchemaValue = {"type": "number", "minimum": self.allowed.low, "maximum": self.allowed.high}
        several_of: JsonSchemaValue = {"type": "array", "minItems": 1, "uniqueItems": True, "items": single}
        span: JsonSchemaValue = {
            "type": "object",
            "properties": {"from": single, "to": single},
            "required": ["from", "to"],
            "additionalProperties": False,
        }
        return {"anyOf": [single, several_of, span]}


VariedLength = Annotated[Varied, VariedOf(allowed=Range(low=1.5, high=60.0, unit="m"))]


class RoomsTable(Table):
    """The family of rooms. A quantity is a number, a list to take from, or { from = ..., to = ... } to draw from."""

    design: Literal["every combination", "sobol", "latin hypercube", "table"] = Field(
        description="How rooms are drawn: every combination of the lists; so many from a Sobol sequence (more can be "
        "added later) or a Latin hypercube; or as a table lists them.",
        examples=["sobol"],
    )
    count: Annotated[int, Range(low=1, high=MAX_ROOMS, unit="rooms")] | None = Field(
        default=None, description="How many rooms are drawn, for sobol and latin hypercube.", examples=[64]
    )
    replicates: Annotated[int, Range(low=1, high=64)] = Field(
        default=1,
        description="How many designs the rooms come from, each drawn by itself from the same family, with count / "
        "replicates rooms. How far their means differ tells how far the mean of all can be trusted; 1 leaves that to "
        "the rooms' own spread, which says more than the truth of a designed sample.",
        examples=[8],
    )
    table: Name | None = Field(
        default=None,
        description="CSV file beside the study file, for the design table: columns length_m, width_m, height_m; if "
        "you like room, temperature_c, loss_factor, build, seating, and columns of your own.",
        examples=["rooms.csv"],
    )
    length_m: VariedLength | None = Field(default=None, description="Inner length, front to rear [m].", examples=[6.2])
    width_m: VariedLength | None = Field(default=None, description="Inner width, left to right [m].", examples=[4.4])
    height_m: VariedLength | None = Field(default=None, description="Inner height [m].", examples=[2.6])
    temperature_c: Annotated[Varied, VariedOf(allowed=Range(low=-10.0, high=45.0, unit="deg C"))] = Field(
        default=Varied(values=(RoomTable.model_fields["temperature_c"].default,)),
        description="Air temperature [deg C].",
        examples=[21],
    )
    loss_factor: Annotated[Varied, VariedOf(allowed=Range(low=0.0, high=0.2))] = Field(
        default=Varied(values=(RoomTable.model_fields["loss_factor"].default,)),
        description="Loss factor of the air and furnishings, beside what the walls take.",
        examples=[0.01],
    )


class BuildRegionTable(Table):
    """A rectangle of a wall with its own construction, in fractions of the wall, whatever its size."""

    wall: Wall = Field(description="The wall it lies on.", examples=["left"])
    from_fraction: WallFraction = Field(description="One corner, [along, up] of the wall.", examples=[[0.2, 0.1]])
    to_fraction: WallFraction = Field(description="The opposite corner, [along, up].", examples=[[0.8, 0.9]])
    construction: LayerNames = Field(
        description="What it is made of: a name, or a list of layers, the inner one first.",
        examples=["glass pane 6 mm", ["curtain", "glass pane 6 mm"]],
    )


class BuildTable(Table):
    """One way to build the rooms: what each wall is made of. Rooms are drawn from all builds alike."""

    name: Name = Field(description="What you call it.", examples=["masonry"])
    front: LayerNames = Field(default="rigid", description="Wall at the front.", examples=["brick"])
    rear: LayerNames = Field(default="rigid", description="Wall at the rear.", examples=["brick"])
    left: LayerNames = Field(default="rigid", description="Wall on the left.", examples=["brick"])
    right: LayerNames = Field(default="rigid", description="Wall on the right.", examples=["plasterboard on studs"])
    floor: LayerNames = Field(default="rigid", description="Floor.", examples=["timber floor"])
    ceiling: LayerNames = Field(default="rigid", description="Ceiling.", examples=["plasterboard on battens"])
    regions: Annotated[tuple[BuildRegionTable, ...], AnyLength] = Field(
        default=(), description="Parts of walls that are made of something else."
    )
    blocks: Annotated[tuple[BuildBlockTable, ...], AnyLength] = Field(
        default=(), description="What stands in the rooms and is not air: risers, stages, columns, chimney breasts."
    )
    slopes: Annotated[tuple[BuildSlopeTable, ...], AnyLength] = Field(
        default=(), description="Where the ceiling falls."
    )


class SeatRowTable(Table):
    """A row of seats, in fractions of the room."""

    x_fraction: Fraction = Field(description="Distance from the front wall over the length.", examples=[0.6])
    y_fraction: Annotated[tuple[Fraction, ...], AnyLength] = Field(
        description="Distance of each seat from the left wall over the width.", examples=[[0.3, 0.5, 0.7]]
    )
    ear_height_m: Coordinate = Field(
        description="Height of the ears above the floor [m]; with `on`, above the top of that block.", examples=[1.15]
    )
    on: Name | None = Field(
        default=None,
        description="The block that the row stands on in rooms whose build has it; elsewhere it stands on the floor.",
        examples=["riser"],
    )
    weight: Annotated[float, Range(low=0.0, high=1000.0, above_low=True)] = Field(
        default=1.0, description="What each seat of the row counts.", examples=[2.0]
    )


class SeatingTable(Table):
    """One arrangement of seats. Rooms are drawn from all arrangements alike."""

    name: Name = Field(description="What you call it.", examples=["two rows"])
    rows: Annotated[tuple[SeatRowTable, ...], AnyLength] = Field(description="Its rows, at least one.")


class PlacesTable(Table):
    """Where acoustic centres lie."""

    inset_m: Annotated[float, Range(low=0.0, high=0.7, unit="m")] = Field(
        default=0.25,
        description="Distance of the acoustic centre from a wall that a sub stands at [m].",
        examples=[0.3],
    )
    height_m: Annotated[float, Range(low=0.0, high=1.4, unit="m")] = Field(
        default=0.25, description="Height of the acoustic centre above the floor [m].", examples=[0.3]
    )
    spacing_m: Annotated[float, Range(low=0.1, high=10.0, unit="m")] = Field(
        default=0.75, description="Largest distance between neighbours along a wall [m].", examples=[0.5]
    )
    seat_distance_m: Annotated[float, Range(low=0.0, high=5.0, unit="m")] = Field(
        default=0.5,
        description="Least distance of a searched position from any ears [m]; nearer ones are left out.",
        examples=[1.0],
    )


class StudySearchTable(Table):
    """Band, and the ranges of what may be adjusted."""

    band_hz: Annotated[
        tuple[Hertz, Hertz], several(2, "[low, high] in Hz"), AfterValidator(rising), AfterValidator(apart)
    ] = Field(default=(20.0, 100.0), description="Band of the comparison, [low, high] [Hz].", examples=[[20, 80]])
    points_per_octave: Annotated[int, Range(low=3, high=96)] = Field(
        default=12, description="Frequencies per octave of the curves that are kept.", examples=[12]
    )
    judged_points_per_octave: Annotated[int, Range(low=6, high=384)] = Field(
        default=96,
        description="Frequencies per octave on which strategies are judged; searches see every second of them. At "
        "least twice points_per_octave are taken.",
        examples=[96],
    )
    delay_ms: Annotated[tuple[Delay, Delay], several(2, "[least, most] in ms"), AfterValidator(rising)] = Field(
        default=SearchTable.model_fields["delay_ms"].default, description="Allowed delays [ms].", examples=[[0, 20]]
    )
    gain_db: Annotated[tuple[SearchGain, SearchGain], several(2, "[least, most] in dB"), AfterValidator(rising)] = (
        Field(
            default=SearchTable.model_fields["gain_db"].default, description="Allowed gains [dB].", examples=[[-12, 0]]
        )
    )


def _two_names(value: Any) -> Any:
    if isinstance(value, list | tuple) and len(value) == 2 and value[0] != value[1]:
        return tuple(value)
    raise worded(f"got {shown(value)}; allowed: the names of two strategies, [one, other].")


class CompareTable(Table):
    """How strategies are compared, room by room."""

    within_db: Annotated[float, Range(low=0.0, high=20.0, unit="dB")] = Field(
        default=0.5,
        description="The cheaper strategy does as well where its variation is at most so much higher; two strategies "
        "are alike where they differ by no more than that either way [dB].",
        examples=[0.5],
    )
    pairs: Annotated[tuple[Annotated[tuple[Name, Name], BeforeValidator(_two_names)], ...], AnyLength] = Field(
        default=(),
        description="Which strategies are compared, as pairs of names, chosen before the results are seen; left out, "
        "all pairs.",
        examples=[[["two corners", "four corners"]]],
    )
    covariates: Annotated[tuple[Name, ...], AnyLength] | None = Field(
        default=None,
        description="By which properties of the rooms the differences are explained, together: build, seating, "
        "volume_m3, length_over_width, height_m, temperature_c, loss_factor, decay_s, glass_m2, factors and parameters "
        "of constructions that spread, columns of your own. Left out: build, seating, sizes and all that was drawn.",
        examples=[["build", "volume_m3"]],
    )
    confidence: Annotated[float, Range(low=0.5, high=0.9999)] = Field(
        default=0.95, description="Of the intervals, each by itself.", examples=[0.95]
    )
    resamples: Annotated[int, Range(low=100, high=100_000)] = Field(
        default=4000, description="Without effect: intervals need no resampling any more.", deprecated=True
    )


def _scales(value: Any) -> Any:
    if isinstance(value, dict):
        for key, entry in value.items():
            if isinstance(entry, dict):
                raise worded(f"{shown(key)} is a table; give a factor above 1, such as 1.5.")
    return value


class StudyTables(Table):
    """A family of rooms and the strategies that are compared in them: a study of roommodes."""

    format: Literal[1] = Field(description="Version of this file format.", examples=[1])
    name: Name = Field(description="What you call the study.", examples=["Two against four"])
    seed: Annotated[int, Range(low=0, high=2**32 - 1)] = Field(
        default=1, description="Starts the random numbers: the same seed gives the same results.", examples=[1]
    )
    rooms: RoomsTable = Field(description="The family of rooms.")
    builds: Annotated[tuple[BuildTable, ...], AnyLength] = Field(
        default=(), description="How the rooms are built; left out, all walls are rigid."
    )
    constructions: dict[Name, ConstructionTable] = Field(
        default={}, description="Constructions of your own, by name; they go before the library's."
    )
    spread: dict[Name, Annotated[dict[str, Factor], BeforeValidator(_scales)]] = Field(
        default={},
        description="How far a construction's parameters differ from room to room: a factor by which each is "
        "divided or multiplied at most, evenly on a logarithmic scale.",
    )
    seatings: Annotated[tuple[SeatingTable, ...], AnyLength] = Field(description="Seat arrangements, at least one.")
    strategies: Annotated[tuple[StrategyTable, ...], AnyLength] = Field(description="What is compared, at least one.")
    places: PlacesTable = Field(default=PlacesTable(), description="Where acoustic centres lie.")
    search: StudySearchTable = Field(default=StudySearchTable(), description="Band and ranges.")
    compare: CompareTable = Field(default=CompareTable(), description="How strategies are compared.")
