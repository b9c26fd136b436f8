"""Strategies of a study: how many subs, where they stand, what settings they have before anything is searched.

Positions are fractions [along, across, up] of the room; 0 and 1 mean at that wall, at the distance that [places] says.
A built-in strategy is a name for such positions, with the settings that its publication gives it. All of them stand
in `BUILT_IN`; nothing else in the program knows their names.

References
----------
[1] T. Welti, AES 112th Convention, paper 5602, 2002: corners, wall midpoints, quarter points (from quotations of it).
[2] U. P. Goertz et al., 22nd Tonmeistertagung, 2002: arrays on front and rear wall, the rear one delayed by the room's
    length and inverted (from memory).
[3] A. Celestinos, S. B. Nielsen, J. Audio Eng. Soc. 56(11), 2008: pairs at a quarter and three quarters of the width
    and half the height; the gain of the rear ones follows the damping (abstract seen, details from memory).
"""

from collections.abc import Callable
from dataclasses import dataclass
from types import MappingProxyType
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BeforeValidator, Field

from roommodes.project.tables import Count
from roommodes.toml.values import AnyLength, Name, Range, Table, rising, several, worded

Adjustment = Literal["delays", "gains", "polarity"]
Positions = Literal[
    "free",
    "corners",
    "wall midpoints",
    "quarter points",
    "front wall",
    "front-and-rear pairs",
    "front-and-rear arrays",
    "given",
]
Point = tuple[float, float, float]
Fraction = Annotated[float, Range(low=0.0, high=1.0)]
FractionPoint = Annotated[tuple[Fraction, Fraction, Fraction], several(3, "[along, across, up] as fractions")]
PresetGain = Annotated[float, Range(low=-40.0, high=0.0, unit="dB")]
PresetDelay = Annotated[float, Range(low=0.0, high=100.0, unit="ms")]
PresetLengths = Annotated[float, Range(low=0.0, high=4.0, unit="room lengths")]
TrimGain = Annotated[float, Range(low=-40.0, high=20.0, unit="dB")]
TrimDelay = Annotated[float, Range(low=-50.0, high=50.0, unit="ms")]
MOST_TRIMS = 4


def _listed(value: Any) -> Any:
    """One number as a list of one, a TOML list as a tuple."""
    return (value,) if isinstance(value, int | float) and not isinstance(value, bool) else _tupled(value)


def _tupled(value: Any) -> Any:
    return tuple(value) if isinstance(value, list) else value


def _once(values: tuple[str, ...]) -> tuple[str, ...]:
    if len(set(values)) < len(values):
        raise worded("one adjustment is given twice; give each once.")
    return values


class TrimTable(Table):
    """What is trimmed in every room of some subs together, on top of the settings that the strategy gives them."""

    subs: Annotated[tuple[Annotated[int, Range(low=1, high=8)], ...], AnyLength] = Field(
        description="Which subs, by number from 1 in the order of the positions.", examples=[[3, 4]]
    )
    gain_db: Annotated[tuple[TrimGain, TrimGain], several(2, "[least, most] in dB"), AfterValidator(rising)] | None = (
        Field(default=None, description="Range of what is added to their gain [dB].", examples=[[-12, 0]])
    )
    delay_ms: (
        Annotated[tuple[TrimDelay, TrimDelay], several(2, "[least, most] in ms"), AfterValidator(rising)] | None
    ) = Field(default=None, description="Range of what is added to their delay [ms].", examples=[[-2, 2]])


class StrategyTable(Table):
    """One arm of the study: how many subs, where they may stand, their settings, and what may be adjusted."""

    name: Name = Field(description="What you call it.", examples=["two, wall midpoints"])
    subs: Count = Field(description="How many subwoofers.", examples=[2])
    positions: Positions = Field(
        description="Where they may stand: free (along the four walls, corners and midpoints included), corners, wall "
        "midpoints, quarter points (the four points at a quarter and three quarters of length and width), front wall, "
        "front-and-rear pairs (evenly over the width at half height; the rear ones delayed by the room's length and "
        "inverted, their gain trimmed in every room), front-and-rear arrays (the same with two by two on each wall, at "
        "a quarter and three quarters of width and height), given.",
        examples=["wall midpoints"],
    )
    at_fraction: Annotated[tuple[FractionPoint, ...], AnyLength] | None = Field(
        default=None,
        description="Positions of your own for given, [[along, across, up], ...]; those on a wall stand off it as "
        "[places] says. With more positions than subs the best are searched.",
        examples=[[[0.0, 0.5, 0.0], [1.0, 0.5, 0.0]]],
    )
    height_fraction: Annotated[tuple[Fraction, ...], BeforeValidator(_listed)] | None = Field(
        default=None,
        description="Height over the room's height, one for all or one for each position: 0 on the floor, 1 under the "
        "ceiling, at the distance that [places] says. Left out: that of the published strategy, else the floor.",
        examples=[0.5, [0.25, 0.25, 0.75, 0.75]],
    )
    gain_db: Annotated[tuple[PresetGain, ...], AnyLength] | None = Field(
        default=None, description="Gain of each sub [dB], in the order of the positions.", examples=[[0, 0, -2, -2]]
    )
    delay_ms: Annotated[tuple[PresetDelay, ...], AnyLength] | None = Field(
        default=None, description="Delay of each sub [ms].", examples=[[0, 0, 5, 5]]
    )
    delay_room_lengths: Annotated[tuple[PresetLengths, ...], AnyLength] | None = Field(
        default=None,
        description="Delay of each sub as a multiple of the time that sound takes along the room; comes on top of "
        "delay_ms.",
        examples=[[0, 0, 1, 1]],
    )
    polarity: Annotated[tuple[Literal[1, -1], ...], AnyLength] | None = Field(
        default=None, description="Polarity of each sub, 1 or -1.", examples=[[1, 1, -1, -1]]
    )
    trim: Annotated[tuple[TrimTable, ...], AnyLength] | None = Field(
        default=None,
        description="What is trimmed in every room of subs together, so that the seats hear most alike; an empty list "
        "takes away what a published strategy trims.",
    )
    adjust: Annotated[tuple[Adjustment, ...], AnyLength, AfterValidator(_once)] = Field(
        default=(),
        description="What may be adjusted for each sub, searched in every room: delays, gains, polarity. Left out: "
        "nothing.",
        examples=[["delays", "gains", "polarity"]],
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class BuiltIn:
    """What a name of positions stands for.

    Parameters
    ----------
    points : positions for so many subs, at the height that is published; empty for lines to choose from.
    walls : walls along which subs may stand anywhere, where there are no points.
    delay_room_lengths, polarity : settings of each of so many subs; None for all alike.
    rear : numbers of the subs whose gain is trimmed by itself, for so many subs.
    subs : numbers of subs that it can have; empty for any up to the number of its points.
    """

    points: Callable[[int], tuple[Point, ...]] = lambda subs: ()
    walls: tuple[str, ...] = ()
    delay_room_lengths: Callable[[int], tuple[float, ...]] | None = None
    polarity: Callable[[int], tuple[int, ...]] | None = None
    rear: Callable[[int], tuple[int, ...]] | None = None
    subs: tuple[int, ...] = ()


def _halves(front: float, rear: float) -> Callable[[int], tuple[float, ...]]:
    return lambda subs: (front,) * (subs // 2) + (rear,) * (subs // 2)


def _signs(subs: int) -> tuple[int, ...]:
    return (1,) * (subs // 2) + (-1,) * (subs // 2)


def _rear(subs: int) -> tuple[int, ...]:
    return tuple(range(subs // 2 + 1, subs + 1))


def _corners(subs: int) -> tuple[Point, ...]:
    return ((0.0, 0.0, 0.0), (0.0, 1.0, 0.0), (1.0, 0.0, 0.0), (1.0, 1.0, 0.0))  # [1]


def _midpoints(subs: int) -> tuple[Point, ...]:
    return ((0.0, 0.5, 0.0), (1.0, 0.5, 0.0), (0.5, 0.0, 0.0), (0.5, 1.0, 0.0))  # [1]


def _quarters(subs: int) -> tuple[Point, ...]:
    return tuple((along, across, 0.0) for along in (0.25, 0.75) for across in (0.25, 0.75))  # [1]


def _pairs(subs: int) -> tuple[Point, ...]:
    """Half the subs on each wall, each in the middle of its part of the width, at half height [3]."""
    across = [(2 * k + 1) / subs for k in range(subs // 2)]
    return tuple((along, y, 0.5) for along in (0.0, 1.0) for y in across)


def _arrays(subs: int) -> tuple[Point, ...]:
    """Two by two on each wall, each in the middle of its quarter of the wall [2]."""
    return tuple((along, y, z) for along in (0.0, 1.0) for z in (0.25, 0.75) for y in (0.25, 0.75))


ALONG_ALL_WALLS = ("front wall", "rear wall", "left wall", "right wall")
BUILT_IN = MappingProxyType(
    {
        "free": BuiltIn(walls=ALONG_ALL_WALLS),
        "front wall": BuiltIn(walls=ALONG_ALL_WALLS[:1]),
        "corners": BuiltIn(points=_corners),
        "wall midpoints": BuiltIn(points=_midpoints),
        "quarter points": BuiltIn(points=_quarters),
        "front-and-rear pairs": BuiltIn(
            points=_pairs,
            delay_room_lengths=_halves(0.0, 1.0),
            polarity=_signs,
            rear=_rear,
            subs=(2, 4, 6, 8),
        ),
        "front-and-rear arrays": BuiltIn(
            points=_arrays, delay_room_lengths=_halves(0.0, 1.0), polarity=_signs, rear=_rear, subs=(8,)
        ),
        "given": BuiltIn(),
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Trim:
    """Subs by index from 0, and ranges of what is added to the settings of all of them; None for what stays."""

    subs: tuple[int, ...]
    gain_db: tuple[float, float] | None
    delay_ms: tuple[float, float] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Strategy:
    """A strategy with all that its name stands for filled in.

    Parameters
    ----------
    subs : how many.
    points : positions to take or to choose from, fractions; empty for lines along `walls`.
    walls : along which subs may stand anywhere.
    height : of those lines, as a fraction.
    gain_db, delay_ms, delay_room_lengths, polarity : (subs,) settings before anything is searched.
    trims : of them.
    adjust : what is searched for each sub on top.
    """

    subs: int
    points: tuple[Point, ...]
    walls: tuple[str, ...]
    height: float
    gain_db: tuple[float, ...]
    delay_ms: tuple[float, ...]
    delay_room_lengths: tuple[float, ...]
    polarity: tuple[int, ...]
    trims: tuple[Trim, ...]
    adjust: tuple[str, ...]


def strategy_of(table: StrategyTable, *, trim_gain_db: tuple[float, float]) -> Strategy:
    """A strategy as it stands in the file, filled in.

    Parameters
    ----------
    table : a valid one.
    trim_gain_db : range of a trim that the built-in strategy has and the file says nothing about [dB].
    """
    built_in, subs = BUILT_IN[table.positions], table.subs
    points = table.at_fraction if table.positions == "given" else built_in.points(subs)
    heights = table.height_fraction
    if points and heights is not None:
        each = heights if len(heights) > 1 else heights * len(points)
        points = tuple((x, y, z) for (x, y, _), z in zip(points, each, strict=True))
    trims: tuple[Trim, ...] = ()
    if table.trim is not None:
        trims = tuple(
            Trim(subs=tuple(k - 1 for k in trim.subs), gain_db=trim.gain_db, delay_ms=trim.delay_ms)
            for trim in table.trim
        )
    elif built_in.rear is not None and not table.adjust:
        trims = (Trim(subs=tuple(k - 1 for k in built_in.rear(subs)), gain_db=trim_gain_db, delay_ms=None),)
    late = built_in.delay_room_lengths(subs) if built_in.delay_room_lengths else (0.0,) * subs
    return Strategy(
        subs=subs,
        points=points or (),
        walls=built_in.walls,
        height=heights[0] if heights else 0.0,
        gain_db=table.gain_db or (0.0,) * subs,
        delay_ms=table.delay_ms or (0.0,) * subs,
        delay_room_lengths=table.delay_room_lengths or (late if table.delay_ms is None else (0.0,) * subs),
        polarity=table.polarity or (built_in.polarity(subs) if built_in.polarity else (1,) * subs),
        trims=trims,
        adjust=table.adjust,
    )
