"""The tables of the project file, key by key: types, units, ranges, defaults and the words of the JSON Schema.

Each class is one table of the TOML file. What holds between tables (seats inside the room, regions on their wall) is
checked in `geometry`. Axes and corners: see `rooms`.
"""

from collections.abc import Sequence
from pathlib import PurePath
from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from roommodes.acoustics.air import Air
from roommodes.acoustics.room import Room
from roommodes.places.layout import Layout, filled_layout
from roommodes.project.constructions import ConstructionTable, LayerNames
from roommodes.project.mains import MainsTable
from roommodes.project.processor import ProcessorTable, TuningTable
from roommodes.project.shape_tables import (
    BlockTable,
    KeepOutTable,
    Point,
    RowTable,
    ScreenTable,
    SlopeTable,
    WallPoint,
)
from roommodes.project.tolerance_tables import ToleranceTable
from roommodes.subwoofer.supply import ElectricalTable
from roommodes.subwoofer.tables import NamedAmplifierTable, SubwooferTable
from roommodes.subwoofer.target import TargetTable
from roommodes.toml.values import AnyLength, Name, Range, Table, apart, rising, several, shown, worded

FORMAT = 1
MAX_CANDIDATES = 400
MAX_TABLES = 400  # regions, rows, zones, keep-outs: more are a mistake, and every pair is looked at
MAX_COUNT = 8
LOGO_SUFFIXES = (".png", ".jpg", ".jpeg")

_DEFAULT_LOSS_FACTOR = Room(length_m=1.0, width_m=1.0, height_m=1.0).loss_factor

Length = Annotated[float, Range(low=1.5, high=60.0, unit="m")]
Coordinate = Annotated[float, Range(low=0.0, high=60.0, unit="m")]
Gain = Annotated[float, Range(low=-60.0, high=20.0, unit="dB")]
Delay = Annotated[float, Range(low=0.0, high=100.0, unit="ms")]
SearchGain = Annotated[float, Range(low=-40.0, high=0.0, unit="dB")]
Hertz = Annotated[float, Range(low=10.0, high=300.0, unit="Hz")]
Count = Annotated[int, Range(low=1, high=MAX_COUNT, unit="subwoofers")]


class RoomTable(Table):
    """The box that encloses the room. x runs from the front (screen) wall to the rear, y from left to right, z up.

    What of it is not air is told by [[blocks]] and [[slopes]]; without any the room is the box itself.
    """

    length_m: Length = Field(description="Inner length along x, front to rear [m].", examples=[6.2])
    width_m: Length = Field(description="Inner width along y, left to right [m].", examples=[4.4])
    height_m: Length = Field(description="Inner height along z [m].", examples=[2.6])
    temperature_c: Annotated[float, Range(low=-10.0, high=45.0, unit="deg C")] = Field(
        default=Air().temperature_c, description="Air temperature [deg C]; sets the speed of sound.", examples=[21]
    )
    loss_factor: Annotated[float, Range(low=0.0, high=0.2)] = Field(
        default=_DEFAULT_LOSS_FACTOR,
        description="Loss factor of the air and furnishings, beside what the walls take.",
        examples=[0.01],
    )


class WallsTable(Table):
    """The construction of each whole wall: a name from the library or from [constructions], or a list of layers.

    Of layers the inner one, on the room's side, comes first.
    """

    front: LayerNames = Field(default="rigid", description="Wall at x = 0, with the screen.", examples=["brick"])
    rear: LayerNames = Field(default="rigid", description="Wall at x = length.", examples=["concrete"])
    left: LayerNames = Field(default="rigid", description="Wall at y = 0.", examples=["double glazing"])
    right: LayerNames = Field(default="rigid", description="Wall at y = width.", examples=["plasterboard on studs"])
    floor: LayerNames = Field(default="rigid", description="z = 0.", examples=["timber floor"])
    ceiling: LayerNames = Field(default="rigid", description="z = height.", examples=["plasterboard on battens"])


class RegionTable(Table):
    """A rectangle of a wall with its own construction; it replaces what is under it, also earlier regions.

    Corners are [along, up]: along is y on front and rear, x on left and right; on floor and ceiling they are [x, y].
    The faces of a block go by the same axes; on a slope corners are [across, down]: the distance along the level axis,
    then down the slope from its from_m.
    """

    wall: Name = Field(
        description="The wall it lies on: front, rear, left, right, floor, ceiling; or a face of a block such as "
        '"riser: top", or the name of a slope.',
        examples=["left", "riser: top"],
    )
    from_m: WallPoint = Field(description="One corner [m].", examples=[[1.0, 0.3]])
    to_m: WallPoint = Field(description="The opposite corner [m].", examples=[[3.4, 2.4]])
    construction: LayerNames = Field(
        description="What it is made of: a name, or a list of layers, the inner one first.",
        examples=["glass pane 6 mm", ["curtain", "glass pane 6 mm"]],
    )


def _beside(name: str) -> str:
    path = PurePath(name)
    if path.name != name or "\\" in name or path.suffix.lower() not in LOGO_SUFFIXES:
        raise worded(
            f"got {shown(name)}; allowed: the name of a {' or '.join(LOGO_SUFFIXES)} file beside the plan file."
        )
    return name


class TitleTable(Table):
    """Who a plan is for and who made it, for what is printed."""

    client: Name | None = Field(default=None, description="For whom.", examples=["The owners of 4 Quarry Lane"])
    designer: Name | None = Field(default=None, description="By whom.", examples=["Studio North"])
    drawing_number: Name | None = Field(default=None, description="Of the drawing.", examples=["A-104"])
    logo: Annotated[Name, AfterValidator(_beside)] | None = Field(
        default=None,
        description="A .png or .jpg file beside the plan file, for the head of reports.",
        examples=["logo.png"],
    )


class UnitsTable(Table):
    """How lengths and prices are written where a person reads them. This file and all data files stay metric."""

    length: Literal["m", "ft-in"] = Field(
        default="m",
        description='"m": metres, and millimetres on drawings; "ft-in": feet and inches, to the nearest 1/8 in.',
        examples=["ft-in"],
    )
    currency: Name | None = Field(
        default=None, description="What prices and search.budget are in; left out, plain numbers.", examples=["EUR"]
    )


class ZoneTable(Table):
    """Where a subwoofer's acoustic centre may be: a point, a line, a rectangle or a box between two corners.

    Heights count from the floor, or from the top of the block that the zone is `on`.
    """

    name: Name = Field(description="What you call the zone.", examples=["front wall"])
    from_m: Point = Field(description="One corner, [x, y, z] [m].", examples=[[0.3, 0.4, 0.3]])
    to_m: Point = Field(description="The opposite corner, [x, y, z] [m].", examples=[[0.3, 4.0, 0.3]])
    spacing_m: Annotated[float, Range(low=0.02, high=10.0, unit="m")] = Field(
        default=0.3, description="Largest distance between neighbouring candidates [m].", examples=[0.4]
    )
    at_most: Count | None = Field(default=None, description="Most subwoofers in this zone.", examples=[2])
    kinds: Annotated[tuple[Name, ...], AnyLength] | None = Field(
        default=None,
        description="Which of the [[subwoofers]] may stand here, by name; left out, any of them.",
        examples=[["large"]],
    )
    fixed: bool = Field(
        default=False, description="true: a subwoofer stands here in every layout; for a zone that is one point."
    )
    on: Name | None = Field(
        default=None, description="The block that the subwoofers stand on; left out: the floor.", examples=["riser"]
    )
    stands: Literal["floor", "raised"] | None = Field(
        default=None,
        description='"floor": cabinets stand with their foot on the floor, or on the block that the zone is `on`; '
        "cabinet_m then gives the height of the acoustic centre, and the heights of the zone's corners are not used. "
        '"raised": something of their own (plinth, stand, bracket) carries them at the heights given.',
        examples=["floor"],
    )


def _counts_once(counts: tuple[int, ...]) -> tuple[int, ...]:
    if not counts:
        raise worded(f"the list is empty; allowed: at least one number of subwoofers, 1 to {MAX_COUNT}.")
    if len(set(counts)) < len(counts):
        raise worded("a number of subwoofers is given twice; give each once.")
    return counts


class AimWeightsTable(Table):
    """What the other aims are worth against variation, where the recommended plan is chosen.

    `output` also steers: the drives of the leading layouts are searched again with output rewarded. The others
    rank what was found.
    """

    output: Annotated[float, Range(low=0.0, high=10.0, unit="dB per dB")] = Field(
        default=0.0,
        description="Variation given up for one dB more level at the seats, all subs at their limit [dB per dB].",
        examples=[0.05],
    )
    smoothness: Annotated[float, Range(low=0.0, high=10.0, unit="dB per dB")] = Field(
        default=0.0,
        description="Variation given up for a mean level one dB nearer to a straight line [dB per dB].",
        examples=[0.1],
    )
    decay: Annotated[float, Range(low=0.0, high=100.0, unit="dB per s")] = Field(
        default=0.0, description="Variation given up for a decay one second shorter [dB per s].", examples=[1.0]
    )
    headroom: Annotated[float, Range(low=0.0, high=10.0, unit="dB per dB")] = Field(
        default=0.0,
        description="Variation given up for one dB more headroom, up to that of the target [dB per dB].",
        examples=[0.1],
    )
    subs: Annotated[float, Range(low=0.0, high=10.0, unit="dB")] = Field(
        default=0.3, description="What each further subwoofer must take off the variation [dB].", examples=[0.3]
    )


class AimLimitsTable(Table):
    """What the recommended plan must keep, if any plan found does. They rank what was found."""

    variation_db: Annotated[float, Range(low=0.0, high=60.0, unit="dB")] | None = Field(
        default=None, description="Most variation [dB].", examples=[3.0]
    )
    output_db: Annotated[float, Range(low=-60.0, high=60.0, unit="dB")] | None = Field(
        default=None,
        description="Least level at the seats, all subs at their limit, re one sub at 1 m in free field [dB].",
        examples=[-4.0],
    )
    smoothness_db: Annotated[float, Range(low=0.0, high=60.0, unit="dB")] | None = Field(
        default=None, description="Most rms deviation of the mean level from its straight line [dB].", examples=[5.0]
    )
    decay_s: Annotated[float, Range(low=0.0, high=60.0, unit="s")] | None = Field(
        default=None, description="Longest decay [s].", examples=[0.4]
    )
    headroom_db: Annotated[float, Range(low=-60.0, high=60.0, unit="dB")] | None = Field(
        default=None, description="Least headroom over the target, in its worst third-octave [dB].", examples=[0.0]
    )
    subs: Count | None = Field(default=None, description="Most subwoofers.", examples=[2])


class SearchTable(Table):
    """What the search may do."""

    counts: Annotated[tuple[Count, ...], AnyLength, AfterValidator(_counts_once)] = Field(
        default=(1, 2, 4), description="How many subwoofers, each searched for.", examples=[[1, 2, 4]]
    )
    band_hz: Annotated[
        tuple[Hertz, Hertz], several(2, "[low, high] in Hz"), AfterValidator(rising), AfterValidator(apart)
    ] = Field(
        default=(20.0, 120.0),
        description="Band over which the variation is taken, [low, high] [Hz].",
        examples=[[20, 120]],
    )
    points_per_octave: Annotated[int, Range(low=3, high=96)] = Field(
        default=24, description="Frequencies per octave.", examples=[24]
    )
    weighted_by_crossover: bool = Field(
        default=False,
        description="true: frequencies count by what the subs have of the sound through the crossover of [mains], the "
        "least a quarter of the fullest; the search then looks at up to four times as many.",
    )
    with_mains: bool = Field(
        default=False,
        description="true: the settings of the leading layouts are found anew with the main loudspeakers playing "
        "through the crossover of [mains], one sub after another is moved to other candidates while that helps, and "
        "plans are ordered by their variation with these; the best found.",
    )
    delay_ms: Annotated[tuple[Delay, Delay], several(2, "[least, most] in ms"), AfterValidator(rising)] = Field(
        default=(0.0, 20.0), description="Allowed delays, [least, most] [ms].", examples=[[0, 20]]
    )
    gain_db: Annotated[tuple[SearchGain, SearchGain], several(2, "[least, most] in dB"), AfterValidator(rising)] = (
        Field(
            default=(-12.0, 0.0),
            description="Allowed gains, [least, most] [dB]; 0 is the loudest.",
            examples=[[-12, 0]],
        )
    )
    polarity: bool = Field(default=True, description="true: the polarity may be inverted.")
    budget: Annotated[float, Range(low=0.0, high=1e9, above_low=True)] | None = Field(
        default=None,
        description="Most that the subwoofers of a plan may cost, by their price, in its currency.",
        examples=[4000],
    )
    mirror: bool = Field(default=False, description="true: only layouts that are alike left and right.")
    shared_drives: bool = Field(
        default=False,
        description="true: two subwoofers on one amplifier channel share gain, delay and polarity; an odd one and "
        "those that are fixed have their own.",
    )
    least_distance_m: Annotated[float, Range(low=0.0, high=20.0, unit="m")] = Field(
        default=0.0,
        description="Least distance between the acoustic centres of any two subwoofers [m].",
        examples=[0.8],
    )
    seat_distance_m: Annotated[float, Range(low=0.0, high=10.0, unit="m")] = Field(
        default=0.0, description="Least distance of a subwoofer from any seat's ears [m].", examples=[1.0]
    )
    round_m: Annotated[float, Range(low=0.0, high=1.0, unit="m")] = Field(
        default=0.0,
        description="Subwoofers stand in whole steps of it: the cabinet's side toward the nearer wall, along x and "
        "along y, and its foot above what carries it (without cabinet_m the acoustic centre); 0: anywhere [m].",
        examples=[0.05],
    )
    delay_step_samples: Annotated[int, Range(low=0, high=4800)] = Field(
        default=0, description="Delays are whole multiples of so many samples; 0: any delay.", examples=[1]
    )
    sample_rate_hz: Annotated[float, Range(low=8000.0, high=768000.0, unit="Hz")] = Field(
        default=48000.0, description="Sample rate of the processor, for delay_step_samples [Hz].", examples=[96000]
    )
    seed: Annotated[int, Range(low=0, high=2**32 - 1)] = Field(
        default=1, description="Starts the random numbers: one seed, one set of plans, on one machine.", examples=[1]
    )
    weights: AimWeightsTable = Field(
        default=AimWeightsTable(), description="What output, smoothness, decay and fewer subs are worth."
    )
    limits: AimLimitsTable = Field(default=AimLimitsTable(), description="What the recommended plan must keep.")


class LayoutTable(Table):
    """Existing or wished positions and drives, for `predict`: one entry per subwoofer in each list."""

    positions_m: Annotated[tuple[Point, ...], AnyLength] = Field(
        description="Acoustic centres, [[x, y, z], ...] [m].", examples=[[[0.3, 1.1, 0.3], [0.3, 3.3, 0.3]]]
    )
    kinds: Annotated[tuple[Name, ...], AnyLength] | None = Field(
        default=None,
        description="Which of the [[subwoofers]] stands at each position, by name; one entry for each.",
        examples=[["large", "small"]],
    )
    gain_db: Annotated[tuple[Gain, ...], AnyLength] | None = Field(
        default=None, description="Gains, one per subwoofer [dB]; left out: 0.", examples=[[0, -2.5]]
    )
    delay_ms: Annotated[tuple[Delay, ...], AnyLength] | None = Field(
        default=None, description="Delays, one per subwoofer [ms]; left out: 0.", examples=[[0, 4.2]]
    )
    polarity: Annotated[tuple[Literal[1, -1], ...], AnyLength] | None = Field(
        default=None, description="+1 or -1, one per subwoofer; left out: +1.", examples=[[1, -1]]
    )

    def layout(self, kinds: Sequence[str] = ()) -> Layout:
        """With every list filled in; `kinds` are the names of the project's kinds of subwoofer."""
        return filled_layout(
            self.positions_m,
            gain_db=self.gain_db,
            delay_ms=self.delay_ms,
            polarity=self.polarity,
            kind=[list(kinds).index(name) for name in self.kinds or ()],
        )


class ProjectTables(Table):
    """A room, its walls, seats, zones and wishes: a project of roommodes."""

    format: Literal[1] = Field(description="Version of this file format.", examples=[1])
    name: Name = Field(description="What you call the project.", examples=["Attic cinema"])
    title: TitleTable = Field(default=TitleTable(), description="Client, designer, drawing number, logo.")
    units: UnitsTable = Field(default=UnitsTable(), description="How lengths are written for people.")
    room: RoomTable = Field(description="The room: size, air, loss.")
    blocks: Annotated[tuple[BlockTable, ...], AnyLength] = Field(
        default=(), description="What stands in the room and is not air: risers, stages, columns, chimney breasts."
    )
    slopes: Annotated[tuple[SlopeTable, ...], AnyLength] = Field(default=(), description="Where the ceiling falls.")
    walls: WallsTable = Field(default=WallsTable(), description="What each whole wall is made of.")
    regions: Annotated[tuple[RegionTable, ...], AnyLength] = Field(
        default=(), description="Parts of walls that are made of something else."
    )
    constructions: dict[Name, ConstructionTable] = Field(
        default={}, description="Constructions of your own, by name; they go before the library's."
    )
    rows: Annotated[tuple[RowTable, ...], AnyLength] = Field(description="Rows of seats, at least one.")
    screen: ScreenTable | None = Field(default=None, description="The picture.")
    zones: Annotated[tuple[ZoneTable, ...], AnyLength] = Field(
        default=(), description="Where subwoofers may stand, for the search."
    )
    keep_outs: Annotated[tuple[KeepOutTable, ...], AnyLength] = Field(
        default=(), description="Where nothing may stand."
    )
    subwoofer: SubwooferTable = Field(default=SubwooferTable(), description="What stands at each position.")
    subwoofers: Annotated[tuple[SubwooferTable, ...], AnyLength] = Field(
        default=(), description="Several kinds of subwoofer to choose from, in place of [subwoofer]."
    )
    amplifiers: Annotated[tuple[NamedAmplifierTable, ...], AnyLength] = Field(
        default=(), description="The amplifiers with their channels, in place of [subwoofer.amplifier]."
    )
    electrical: ElectricalTable = Field(default=ElectricalTable(), description="Supply and cables, for `electrical`.")
    target: TargetTable = Field(default=TargetTable(), description="How loud it is to be at the seats.")
    search: SearchTable = Field(default=SearchTable(), description="What the search may do.")
    processor: ProcessorTable | None = Field(default=None, description="What the signal processor takes.")
    tuning: TuningTable = Field(default=TuningTable(), description="The band of filters.")
    mains: MainsTable | None = Field(default=None, description="The main loudspeakers and their crossover.")
    layout: LayoutTable | None = Field(
        default=None, description="Existing or wished positions and drives, for `predict`."
    )
    tolerance: ToleranceTable = Field(
        default=ToleranceTable(), description="How far the built room may differ from the drawn one."
    )
