"""Starting values: what the calibrator dials in, sub by sub, from a plan.

Only differences of delay are heard in the seats' levels, so the earliest sub's delay becomes zero. Gains stay as the
plan has them. The distance equivalent of a delay is delay times the speed of sound: by how much further away the sub
would have to be to arrive as late.

Where the plan meets main loudspeakers, all subs take a common gain, delay and polarity besides. A processor either has
a place for those, or each output takes the totals. The earliest of all outputs then has a delay of zero: with a common
delay the mains, else, where the mains are delayed, the earliest sub.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from roommodes.errors import OutsideModel
from roommodes.filters.biquads import Biquad
from roommodes.filters.crossovers import Crossover
from roommodes.filters.processor import Processor
from roommodes.filters.sections import Section
from roommodes.plan.plan import Plan
from roommodes.subwoofer.channels import Channel

RATE_RANGE_HZ = (8000.0, 768000.0)
SLACK = 1e-6  # what rounding may add to a value at the end of its range


@dataclass(frozen=True, slots=True, kw_only=True)
class Filter:
    """One filter, in words and as coefficients.

    Parameters
    ----------
    kind : such as "peaking".
    frequency_hz, q, gain_db : as a person dials them in.
    biquad : the same as coefficients at the sample rate of the starting values.
    """

    kind: str
    frequency_hz: float
    q: float
    gain_db: float
    biquad: Biquad

    @classmethod
    def of(cls, section: Section, rate_hz: float) -> "Filter":
        """A section with its coefficients at a sample rate [Hz]."""
        return cls(
            kind=section.kind,
            frequency_hz=section.frequency_hz,
            q=section.q,
            gain_db=section.gain_db,
            biquad=section.biquad(rate_hz),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class SubValues:
    """What is dialled in for one sub.

    Parameters
    ----------
    number : of the sub in its plan, from 1.
    zone : where it stands, by the zone's name; of a measured sub its own name.
    position_m : acoustic centre (x, y, z) [m].
    gain_db : at most the project's highest gain [dB].
    delay_s : after the earliest sub [s].
    delay_samples : the same in whole samples.
    distance_m : the same as a distance that sound travels [m].
    polarity : +1 or -1.
    channel : of the amplifiers, on which it hangs.
    filters : in the order in which they run.
    kind : of subwoofer, by name; empty where the project has one.
    """

    number: int
    zone: str
    position_m: tuple[float, float, float]
    gain_db: float
    delay_s: float
    delay_samples: int
    distance_m: float
    polarity: int
    channel: Channel
    filters: tuple[Filter, ...] = ()
    kind: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class CommonValues:
    """What is set between all subs and the main loudspeakers.

    Parameters
    ----------
    crossover : a low-pass for the subs, a high-pass for the mains.
    gain_db : of all subs against the mains [dB].
    subs_delay_s, mains_delay_s : of all subs, of all mains; one of them is 0 [s].
    polarity : +1 or -1, of all subs.
    """

    crossover: Crossover
    gain_db: float
    subs_delay_s: float
    mains_delay_s: float
    polarity: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Total:
    """What one output takes where the processor has no common setting for all subs.

    Parameters
    ----------
    gain_db : [dB].
    delay_s, delay_samples : after the earliest of all outputs, mains included [s].
    polarity : +1 or -1.
    """

    gain_db: float
    delay_s: float
    delay_samples: int
    polarity: int


@dataclass(frozen=True, slots=True, kw_only=True)
class StartingValues:
    """Starting values of a whole plan.

    Parameters
    ----------
    rate_hz : sample rate of samples and filters [Hz].
    speed_of_sound_m_s : behind the distances [m/s].
    subs : one for each.
    common : how the subs meet the mains, where that was settled.
    channels_said : whether the project says something of channels: names amplifiers, or lets subs share one.
    others : names of loudspeakers that are neither subs nor mains; they take the mains' delay.
    stood : whether the subs stood and were measured: `zone` of each is then its own name.
    """

    rate_hz: float
    speed_of_sound_m_s: float
    subs: tuple[SubValues, ...]
    common: CommonValues | None = None
    channels_said: bool = False
    others: tuple[str, ...] = ()
    stood: bool = False

    def total(self, sub: SubValues) -> Total:
        """A sub's own values and the common ones together."""
        if self.common is None:
            return self._total(sub.gain_db, sub.delay_s, sub.polarity)
        common = self.common
        return self._total(
            sub.gain_db + common.gain_db, sub.delay_s + common.subs_delay_s, sub.polarity * common.polarity
        )

    def mains_total(self) -> Total:
        """What every main loudspeaker takes."""
        return self._total(0.0, self.common.mains_delay_s if self.common else 0.0, 1)

    def _total(self, gain_db: float, delay_s: float, polarity: int) -> Total:
        return Total(gain_db=gain_db, delay_s=delay_s, delay_samples=round(delay_s * self.rate_hz), polarity=polarity)


def starting_values(plan: Plan, *, rate_hz: float, filters: Sequence[Sequence[Section]] = ()) -> StartingValues:
    """Starting values of a plan.

    Parameters
    ----------
    plan : with its crossover, if it has one.
    rate_hz : sample rate [Hz].
    filters : for each sub those in its path, in the order in which they run; empty: none.

    Raises
    ------
    OutsideModel : for a sample rate that no processor has.
    """
    check_rate(rate_hz)
    speed = plan.project.room.air.speed_of_sound_m_s
    drives = plan.drives.from_earliest()
    paths, on = filters or ((),) * plan.subs, plan.wired
    subs = [
        SubValues(
            number=index + 1,
            zone=plan.zones[index],
            position_m=(float(position[0]), float(position[1]), float(position[2])),
            gain_db=float(drives.gain_db[index]),
            delay_s=float(drives.delay_s[index]),
            delay_samples=round(float(drives.delay_s[index]) * rate_hz),
            distance_m=float(drives.delay_s[index]) * speed,
            polarity=int(drives.polarity[index]),
            channel=on.of(index),
            filters=tuple(Filter.of(one, rate_hz) for one in paths[index]),
            kind=plan.kinds[index].name if len(plan.project.kinds) > 1 else "",
        )
        for index, position in enumerate(plan.positions_m)
    ]
    common, met = None, plan.crossover
    if met is not None:
        common = CommonValues(
            crossover=met.crossover,
            gain_db=met.gain_db,
            subs_delay_s=met.subs_delay_s,
            mains_delay_s=met.mains_delay_s,
            polarity=met.polarity,
        )
    return StartingValues(
        rate_hz=rate_hz,
        speed_of_sound_m_s=speed,
        subs=tuple(subs),
        common=common,
        channels_said=on.shared or bool(plan.project.amplifiers),
        others=() if plan.project.mains is None else plan.project.mains.others,
        stood=plan.measured is not None and not plan.measured.exchanged,
    )


def check_rate(rate_hz: float) -> None:
    """Refuse a sample rate that no processor has; OutsideModel says what is allowed."""
    low, high = RATE_RANGE_HZ
    if not low <= rate_hz <= high:
        raise OutsideModel(
            f"sample rate: got {rate_hz:g} Hz; allowed: {low:g} to {high:g} Hz. Take the processor's own rate, "
            "often 48000."
        )


def beyond_processor(values: StartingValues, processor: Processor) -> tuple[str, ...]:
    """A sentence for every value that [search] and [processor] of the project do not allow."""
    found = []
    delays, gains = (
        "[search] and [processor] allow" if processor.named else f"[search] {key} allows"
        for key in ("delay_ms", "gain_db")
    )
    low_db, high_db = processor.gain_db
    least_ms, most_ms = (1e3 * one for one in processor.delay_s)
    if least_ms > 0.0:
        found.append(
            f"the earliest sub has a delay of zero; [search] delay_ms begins at {least_ms:g} ms. Add {least_ms:g} ms "
            f"to every sub's delay{' and to that of the mains' if values.common else ''}: only their differences count."
        )
    common_ms = 1e3 * values.common.subs_delay_s if values.common else 0.0
    allowed = f"{delays} up to {most_ms:g} ms"
    for sub in values.subs:
        own_ms = 1e3 * sub.delay_s + least_ms
        if own_ms > most_ms + SLACK:
            found.append(
                f"sub {sub.number}: delay {own_ms:z.2f} ms; {allowed}. Search again with the range of your processor."
            )
        elif own_ms + common_ms > most_ms + SLACK:
            found.append(
                f"sub {sub.number}: delay {own_ms + common_ms:.2f} ms with the {common_ms:.2f} ms common to all subs; "
                f"{allowed}. Narrow [mains] delay_ms and search again, or set what is common where the processor "
                "holds it for all subs."
            )
        if not low_db - SLACK <= sub.gain_db <= high_db + SLACK:
            found.append(
                f"sub {sub.number}: gain {sub.gain_db:z.1f} dB; {gains} {low_db:g} to {high_db:g} dB. "
                "Search again with the range of your processor."
            )
        if own := _off_steps(sub, processor):
            found.append(f"sub {sub.number}: {own}. Search or tune again with this project.")
        if sub.polarity < 0 and not processor.polarity:
            found.append(f"sub {sub.number}: polarity inverted; [search] polarity = false rules it out. Search again.")
    highest_db = max(values.total(sub).gain_db for sub in values.subs)
    if values.common and highest_db > high_db + SLACK and values.common.gain_db > SLACK:
        found.append(
            f"gain {highest_db:z.1f} dB with the {values.common.gain_db:+z.1f} dB common to all subs; {gains} up "
            f"to {high_db:g} dB. Turn all subs and every main loudspeaker down by "
            f"{highest_db - high_db:z.1f} dB: only differences count."
        )
    return tuple(found)


def _off_steps(sub: SubValues, processor: Processor) -> str:
    """What of a sub's values is on no step of the processor, or more than it has; empty if nothing is."""
    takes, found = processor.filters, []
    for what, value, step, unit in (
        ("gain", sub.gain_db, processor.gain_step_db, "dB"),
        ("delay", 1e3 * sub.delay_s, 1e3 * processor.delay_step_s, "ms"),
    ):
        if step and abs(value / step - round(value / step)) > 1e-3:
            found.append(f"{what} {value:.3f} {unit} is no multiple of {step:g} {unit}")
    if takes.per_output is not None and len(sub.filters) > takes.per_output:
        found.append(f"{len(sub.filters)} filters, where an output has {takes.per_output}")
    return "; ".join(found)
