"""The main loudspeakers: where they stand, where they take over from the subs, and how deep they reach.

They are points like the subs, with the same volume velocity; `lowest_hz` gives them a lower end. What is theirs beside
that (directivity, baffle) does not matter while a wavelength is longer than the cabinet.
"""

from typing import Annotated

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pydantic import AfterValidator, Field, model_validator

from roommodes.filters.crossovers import ORDERS, Crossover, Kind
from roommodes.toml.values import AnyLength, Name, Range, Table, rising, several, worded

MOST_MAINS = 24

Coordinate = Annotated[float, Range(low=0.0, high=60.0, unit="m")]
Point = Annotated[tuple[Coordinate, Coordinate, Coordinate], several(3, "[x, y, z] in m")]
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
        if self.crossover == "linkwitz-riley" and self.order % 2:
            raise worded(f"order {self.order} with linkwitz-riley; allowed: 2, 4, 6, 8, or crossover butterworth.")
        return self

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
