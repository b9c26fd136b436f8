"""The tables [processor], what the signal processor takes, so that settings are found for it, and [tuning]."""

from typing import Annotated, Literal, Protocol

from pydantic import AfterValidator, Field, model_validator

from roommodes.filters.processor import FilterControls, Processor, Steps
from roommodes.ranges import number
from roommodes.toml.values import AnyLength, Range, Table, apart, rising, several, worded

Milliseconds = Annotated[float, Range(low=0.0, high=2000.0, unit="ms")]
Decibels = Annotated[float, Range(low=-120.0, high=60.0, unit="dB")]
Hertz = Annotated[float, Range(low=1.0, high=20000.0, unit="Hz")]
BandEnd = Annotated[float, Range(low=10.0, high=300.0, unit="Hz")]
Q = Annotated[float, Range(low=0.05, high=100.0)]
HertzRange = Annotated[tuple[Hertz, Hertz], several(2, "[least, most] in Hz"), AfterValidator(rising)]
Kinds = Annotated[tuple[Literal["peaking", "all-pass"], ...], AnyLength]


class ProcessorFiltersTable(Table):
    """The filters of the processor, for `tune` and `settings`."""

    per_output: Annotated[int, Range(low=0, high=100)] | None = Field(
        default=None, description="Most filters in the path of one output; left out: no limit.", examples=[6]
    )
    in_all: Annotated[int, Range(low=0, high=1000)] | None = Field(
        default=None, description="Most filters in the whole processor; left out: no limit.", examples=[20]
    )
    kinds: Kinds = Field(
        default=("peaking", "all-pass"), description="What kinds there are.", examples=[["peaking", "all-pass"]]
    )
    frequency_hz: HertzRange = Field(default=(1.0, 20000.0), description="[least, most] [Hz].", examples=[[20, 500]])
    frequency_step_hz: Annotated[float, Range(low=0.01, high=50.0, unit="Hz")] = Field(
        default=0.1, description="Step of the frequency [Hz].", examples=[1]
    )
    frequency_steps_per_octave: Annotated[int, Range(low=1, high=1000)] | None = Field(
        default=None,
        description="In place of frequency_step_hz: so many frequencies to the octave, 1 kHz among them.",
        examples=[24],
    )
    q: Annotated[tuple[Q, Q], several(2, "[least, most]"), AfterValidator(rising)] = Field(
        default=(0.1, 30.0), description="[least, most].", examples=[[0.4, 10]]
    )
    q_step: Annotated[float, Range(low=0.001, high=5.0)] = Field(default=0.1, description="Step of Q.", examples=[0.1])
    gain_db: Annotated[
        tuple[Decibels, Decibels], several(2, "[least, most] in dB"), AfterValidator(rising), AfterValidator(apart)
    ] = Field(default=(-60.0, 60.0), description="[least, most] [dB].", examples=[[-15, 6]])
    gain_step_db: Annotated[float, Range(low=0.01, high=6.0, unit="dB")] = Field(
        default=0.1, description="Step of the gain [dB].", examples=[0.5]
    )

    @model_validator(mode="after")
    def _usable(self) -> "ProcessorFiltersTable":
        if "peaking" not in self.kinds:
            raise worded('kinds has no "peaking"; the filters that are found are peaking, and all-pass where allowed.')
        found = self.controls()
        for key, steps in (("frequency_hz", found.frequency_hz), ("q", found.q), ("gain_db", found.gain_db)):
            if steps.is_empty:
                raise worded(f"no step lies between {number(steps.low)} and {number(steps.high)} of {key}; widen it.")
        return self

    def controls(self) -> FilterControls:
        """The filters' controls, as the tuning takes them."""
        parts = self.frequency_steps_per_octave
        frequency_step = 1.0 / parts if parts else self.frequency_step_hz
        return FilterControls(
            kinds=self.kinds,
            frequency_hz=Steps(
                low=self.frequency_hz[0], high=self.frequency_hz[1], step=frequency_step, octaves=parts is not None
            ),
            q=Steps(low=self.q[0], high=self.q[1], step=self.q_step),
            gain_db=Steps(low=self.gain_db[0], high=self.gain_db[1], step=self.gain_step_db),
            per_output=self.per_output,
            in_all=self.in_all,
        )


class TuningTable(Table):
    """What `tune` looks at."""

    band_hz: (
        Annotated[
            tuple[BandEnd, BandEnd], several(2, "[low, high] in Hz"), AfterValidator(rising), AfterValidator(apart)
        ]
        | None
    ) = Field(
        default=None,
        description="Band over which filters are sought, as dense as the search's; left out: that of the search [Hz].",
        examples=[[20, 160]],
    )


class ProcessorTable(Table):
    """What the signal processor takes: settings and filters are found within its ranges and on its steps."""

    sample_rate_hz: Annotated[float, Range(low=8000.0, high=768000.0, unit="Hz")] | None = Field(
        default=None, description="Sample rate [Hz]; left out: that of [search].", examples=[48000]
    )
    gain_db: Annotated[tuple[Decibels, Decibels], several(2, "[least, most] in dB"), AfterValidator(rising)] | None = (
        Field(default=None, description="Gain of an output, [least, most] [dB].", examples=[[-60, 12]])
    )
    gain_step_db: Annotated[float, Range(low=0.0, high=6.0, unit="dB")] = Field(
        default=0.0, description="Step of the gain [dB]; 0: any.", examples=[0.5]
    )
    delay_ms: (
        Annotated[tuple[Milliseconds, Milliseconds], several(2, "[least, most] in ms"), AfterValidator(rising)] | None
    ) = Field(default=None, description="Delay of an output, [least, most] [ms].", examples=[[0, 40]])
    delay_step_ms: Annotated[float, Range(low=0.0, high=20.0, unit="ms")] | None = Field(
        default=None, description="Step of the delay [ms]; left out: delay_step_samples of [search].", examples=[0.1]
    )
    filters: ProcessorFiltersTable = Field(default=ProcessorFiltersTable(), description="Its filters.")


class Wished(Protocol):
    """The settings that [search] asks for."""

    gain_db: tuple[float, float]
    delay_ms: tuple[float, float]
    polarity: bool
    delay_step_samples: int
    sample_rate_hz: float


def wished_of(search: Wished, table: ProcessorTable | None) -> Processor:
    """The settings that [search] asks for, whatever the processor can; steps in samples at the processor's own rate."""
    rate_hz = (table and table.sample_rate_hz) or search.sample_rate_hz
    return Processor(
        rate_hz=rate_hz,
        gain_db=search.gain_db,
        delay_s=(search.delay_ms[0] * 1e-3, search.delay_ms[1] * 1e-3),
        delay_step_s=search.delay_step_samples / rate_hz,
        polarity=search.polarity,
    )


def processor_of(table: ProcessorTable | None, wished: Processor) -> Processor:
    """The processor of a project: what [search] asks for, within what [processor] has.

    Parameters
    ----------
    table : of the project; None where it has none.
    wished : ranges, steps and polarity of [search].
    """
    if table is None:
        return wished
    step = wished.delay_step_s if table.delay_step_ms is None else 1e-3 * table.delay_step_ms
    return Processor(
        rate_hz=wished.rate_hz,
        gain_db=_common(wished.gain_db, table.gain_db, table.gain_step_db),
        delay_s=_common(wished.delay_s, table.delay_ms and tuple(1e-3 * one for one in table.delay_ms), step),
        gain_step_db=table.gain_step_db,
        delay_step_s=step,
        polarity=wished.polarity,
        filters=table.filters.controls(),
        named=True,
    )


def _common(wished: tuple[float, float], possible: tuple[float, ...] | None, step: float) -> tuple[float, float]:
    """Ends of what both ranges hold, on a step; the first above the second where nothing is left."""
    low, high = wished
    if possible is not None:
        low, high = max(low, possible[0]), min(high, possible[1])
    steps = Steps(low=low, high=high, step=step)
    if steps.is_empty:
        return (low, high) if high < low else (low + step, low)
    return steps.nearest(low), steps.nearest(high)
