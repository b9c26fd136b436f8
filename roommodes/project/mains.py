"""The main loudspeakers: where they stand, where they take over from the subs, and how deep they reach.

They are points like the subs, with the same volume velocity; `lowest_hz` gives them a lower end. What is theirs beside
that (directivity, baffle) does not matter while a wavelength is longer than the cabinet.
"""

from math import cos, radians, sin
from typing import Annotated

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pydantic import AfterValidator, Field, model_validator

from roommodes.filters.crossovers import ORDERS, Crossover, Kind
from roommodes.places.boxes import TurnedBox, turned_box
from roommodes.toml.values import AnyLength, Name, Range, Table, apart, rising, several, worded

MOST_MAINS = 24

Coordinate = Annotated[float, Range(low=0.0, high=60.0, unit="m")]
Point = Annotated[tuple[Coordinate, Coordinate, Coordinate], several(3, "[x, y, z] in m")]
Side = Annotated[float, Range(low=0.05, high=3.0, unit="m")]
Size = Annotated[tuple[Side, Side, Side], several(3, "[depth, width, height] in m")]
Offset = Annotated[float, Range(low=-1.5, high=1.5, unit="m")]
Degrees = Annotated[float, Range(low=-180.0, high=180.0, unit="deg")]
BandEnd = Annotated[float, Range(low=10.0, high=400.0, unit="Hz")]
Milliseconds = Annotated[float, Range(low=-100.0, high=100.0, unit="ms")]


def _some(positions: tuple[Point, ...]) -> tuple[Point, ...]:
    if len(positions) > MOST_MAINS:
        raise worded(f"got {len(positions)} loudspeakers; allowed: up to {MOST_MAINS}.")
    return positions


class MainsTable(Table):
    """The main loudspeakers and their crossover to the subwoofers, for `crossover`."""

    positions_m: Annotated[tuple[Point, ...], AnyLength, AfterValidator(_some)] = Field(
        default=(),
        description="Acoustic centres of the woofers of the main loudspeakers, [[x, y, z], ...] [m].",
        examples=[[[0.4, 1.1, 1.0], [0.4, 3.1, 1.0]]],
    )
    cabinets_m: Annotated[tuple[Size, ...], AnyLength] = Field(
        default=(),
        description="Their cabinets, [[depth, width, height], ...], one for each or one for all [m]: drawn, and no "
        "subwoofer may stand there; left out: points.",
        examples=[[[0.3, 0.25, 0.9]]],
    )
    aim_deg: Annotated[tuple[Degrees, ...], AnyLength] = Field(
        default=(),
        description="Which way their fronts look, one for each or one for all: 0 toward the rear wall, 90 toward the "
        "right wall, -90 toward the left one [deg]; left out: 0.",
        examples=[[15, -15]],
    )
    acoustic_centre_m: Annotated[tuple[Offset, Offset, Offset], several(3, "[forward, right, up] in m")] = Field(
        default=(0.0, 0.0, 0.0),
        description="Of the woofers, from the cabinet's middle, [forward, right, up], right as seen from behind it "
        "[m]; positions_m are those of this centre.",
        examples=[[0.13, 0.0, -0.2]],
    )
    measured: Annotated[tuple[Name, ...], AnyLength] = Field(
        default=(),
        description="Which of a manifest's [[subs]] are main loudspeakers, by name; for measured plans.",
        examples=[["main left", "main right"]],
    )
    others: Annotated[tuple[Name, ...], AnyLength] = Field(
        default=(),
        description="Names of all other loudspeakers (centre, surrounds), which take the mains' delay in `settings`.",
        examples=[["centre", "surround left", "surround right"]],
    )
    crossover: Kind = Field(default=Crossover().kind, description="Kind of crossover.", examples=["linkwitz-riley"])
    order: Annotated[int, Range(low=ORDERS[0], high=ORDERS[1])] = Field(
        default=Crossover().order, description="Its order; each falls by 6 dB per octave.", examples=[4]
    )
    frequency_hz: Annotated[float, Range(low=30.0, high=200.0, unit="Hz")] = Field(
        default=Crossover().frequency_hz, description="Frequency of the crossover [Hz].", examples=[80]
    )
    band_hz: (
        Annotated[
            tuple[BandEnd, BandEnd], several(2, "[low, high] in Hz"), AfterValidator(rising), AfterValidator(apart)
        ]
        | None
    ) = Field(
        default=None,
        description="Band over which the sum of subs and mains is judged, a quarter of an octave or more on both sides "
        "of the crossover; left out: an octave on each side [Hz].",
        examples=[[40, 160]],
    )
    lowest_hz: Annotated[float, Range(low=5.0, high=200.0, unit="Hz")] | None = Field(
        default=None,
        description="Where the mains alone are down by 3 dB, as a closed box is (second order) [Hz]; left out: no end.",
        examples=[55],
    )
    delay_ms: Annotated[
        tuple[Milliseconds, Milliseconds], several(2, "[least, most] in ms"), AfterValidator(rising)
    ] = Field(
        default=(-10.0, 10.0),
        description="Delay of all subs against the mains, [least, most] [ms]; below 0 the mains are delayed. Not "
        "much more than a period at the crossover, so that bass is not late (common practice, no source).",
        examples=[[-10, 10]],
    )

    @model_validator(mode="after")
    def _exists(self) -> "MainsTable":
        for key, given in (("cabinets_m", self.cabinets_m), ("aim_deg", self.aim_deg)):
            if len(given) not in {0, 1, len(self.positions_m)}:
                raise worded(
                    f"{key} has {len(given)} entries for {len(self.positions_m)} positions; allowed: one for each, or "
                    "one for all."
                )
        if self.aim_deg and not self.cabinets_m:
            raise worded("aim_deg turns cabinets, and cabinets_m is missing; give [[depth, width, height], ...] in m.")
        if self.crossover == "linkwitz-riley" and self.order % 2:
            raise worded(f"order {self.order} with linkwitz-riley; allowed: 2, 4, 6, 8, or crossover butterworth.")
        return self

    @property
    def bodies(self) -> tuple[TurnedBox, ...]:
        """Their cabinets as they stand; none where no size is given."""
        if not self.cabinets_m:
            return ()
        count = len(self.positions_m)
        aims = self.aim_deg if len(self.aim_deg) == count else (self.aim_deg or (0.0,))[:1] * count
        forward, right, up = self.acoustic_centre_m
        found = []
        for number, (at, aim) in enumerate(zip(self.positions_m, aims, strict=True)):
            turn = radians(aim)
            middle = (
                at[0] - forward * cos(turn) - right * sin(turn),
                at[1] - forward * sin(turn) + right * cos(turn),
                at[2] - up,
            )
            found.append(turned_box(f"main {number + 1}", middle, self.size_m(number), aim))
        return tuple(found)

    def size_m(self, number: int) -> tuple[float, float, float]:
        """Depth, width and height of a cabinet, counted from 0; of those that have a size [m]."""
        return self.cabinets_m[number if len(self.cabinets_m) > 1 else 0]

    @property
    def filters(self) -> Crossover:
        """The crossover."""
        return Crossover(kind=self.crossover, order=self.order, frequency_hz=self.frequency_hz)


def lower_end(lowest_hz: float | None, frequency_hz: ArrayLike) -> NDArray[np.complex128]:
    """Response of mains with a lower end: (n_freq,) [Hz] -> (n_freq,) complex128; ones without one.

    A second-order Butterworth high-pass, as a closed box with a total Q of 0.707 has it [1].

    References
    ----------
    [1] R. H. Small, Closed-box loudspeaker systems, J. Audio Eng. Soc. 20(10), 1972 (from memory).
    """
    hz = np.asarray(frequency_hz, dtype=np.float64)
    if lowest_hz is None:
        return np.ones(hz.shape, dtype=np.complex128)
    s = 1j * hz / lowest_hz
    return np.asarray(s**2 / (s**2 + np.sqrt(2.0) * s + 1.0))
