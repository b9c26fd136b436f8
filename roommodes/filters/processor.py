"""What a signal processor can be set to: ranges and steps of gain and delay at each output, and of its filters."""

from dataclasses import dataclass
from math import ceil, floor, log, log1p, log2

from roommodes.filters.sections import Section, SectionKind

PIVOT_HZ = 1000.0  # a grid of parts of an octave holds this frequency, as ISO 266 has it
SLACK = 1e-9
FINE = 0.1  # Hz, of Q, dB


@dataclass(frozen=True, slots=True, kw_only=True)
class Steps:
    """The values that a control takes.

    Parameters
    ----------
    low, high : least and most, both included where they are on a step.
    step : values are whole multiples of it; 0 for any value. With `octaves`, parts of an octave from 1 kHz.
    octaves : whether `step` divides the octave.
    """

    low: float
    high: float
    step: float = 0.0
    octaves: bool = False

    def nearest(self, value: float) -> float:
        """The value that the control can take nearest to a wished one."""
        value = min(max(value, self.low), self.high)
        if not self.step:
            return value
        least, most = self._ends()
        return self._value(min(max(round(self._number(value)), least), most))

    def beside(self, value: float, by: int) -> float | None:
        """The value so many steps up (or down, below 0) from one that it takes; None beyond its ends."""
        number = round(self._number(value)) + by
        least, most = self._ends()
        return self._value(number) if least <= number <= most else None

    def width(self, value: float) -> float:
        """Distance of two steps beside a value [logarithm of it]."""
        return self.step * log(2.0) if self.octaves else log1p(self.step / value)

    def within(self, low: float, high: float) -> "Steps":
        """The same control, kept to a narrower range."""
        return Steps(low=max(low, self.low), high=min(high, self.high), step=self.step, octaves=self.octaves)

    @property
    def is_empty(self) -> bool:
        """Whether no value at all is left."""
        if self.low > self.high:
            return True
        least, most = self._ends() if self.step else (0, 0)
        return least > most

    def _ends(self) -> tuple[int, int]:
        return ceil(self._number(self.low) - SLACK), floor(self._number(self.high) + SLACK)

    def _number(self, value: float) -> float:
        return log2(value / PIVOT_HZ) / self.step if self.octaves else value / self.step

    def _value(self, number: int) -> float:
        value = PIVOT_HZ * 2.0 ** (number * self.step) if self.octaves else number * self.step
        return round(value, 9) + 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FilterControls:
    """The controls of a processor's filters: kinds, ranges and steps.

    Parameters
    ----------
    kinds : what there is.
    frequency_hz, q, gain_db : the controls of each filter [Hz], [-], [dB].
    per_output, in_all : most filters in the path of one output, and in the whole processor.
    """

    kinds: tuple[SectionKind, ...] = ("peaking", "all-pass")
    frequency_hz: Steps = Steps(low=1.0, high=20000.0, step=0.1)
    q: Steps = Steps(low=0.1, high=30.0, step=0.1)
    gain_db: Steps = Steps(low=-60.0, high=60.0, step=0.1)
    per_output: int | None = None
    in_all: int | None = None

    @property
    def are_fine(self) -> bool:
        """Whether nothing that is heard lies between two steps: 0.1 Hz, 0.1 in Q, 0.1 dB."""
        fine = FINE + SLACK
        return not self.frequency_hz.octaves and max(self.frequency_hz.step, self.q.step, self.gain_db.step) <= fine

    def dialled(self, one: Section) -> Section:
        """The filter nearest to a wished one that can be dialled in."""
        return Section(
            kind=one.kind,
            frequency_hz=self.frequency_hz.nearest(one.frequency_hz),
            q=self.q.nearest(one.q),
            gain_db=0.0 if one.kind == "all-pass" else self.gain_db.nearest(one.gain_db),
        )

    def beside(self, one: Section) -> list[Section]:
        """Every filter that is one step of one control away."""
        found = []
        for by in (-1, 1):
            hz, q = self.frequency_hz.beside(one.frequency_hz, by), self.q.beside(one.q, by)
            gain = None if one.kind == "all-pass" else self.gain_db.beside(one.gain_db, by)
            if hz is not None:
                found.append(Section(kind=one.kind, frequency_hz=hz, q=one.q, gain_db=one.gain_db))
            if q is not None:
                found.append(Section(kind=one.kind, frequency_hz=one.frequency_hz, q=q, gain_db=one.gain_db))
            if gain is not None:
                found.append(Section(kind=one.kind, frequency_hz=one.frequency_hz, q=one.q, gain_db=gain))
        return found


ANY_FILTERS = FilterControls()


@dataclass(frozen=True, slots=True, kw_only=True)
class Processor:
    """What the processor in the project can do; where the project is silent, what any processor can.

    Parameters
    ----------
    rate_hz : sample rate [Hz].
    gain_db, delay_s : (least, most) at an output, on its steps [dB], [s].
    gain_step_db, delay_step_s : steps of both; 0 for any value [dB], [s].
    polarity : whether an output can be inverted.
    filters : its filters.
    named : whether the project has a [processor].
    """

    rate_hz: float
    gain_db: tuple[float, float]
    delay_s: tuple[float, float]
    gain_step_db: float = 0.0
    delay_step_s: float = 0.0
    polarity: bool = True
    filters: FilterControls = ANY_FILTERS
    named: bool = False
