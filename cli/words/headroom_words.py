"""The headroom of a plan in sentences and rows, for whatever they are shown on."""

import numpy as np

from cli.terminal.output import clean
from cli.words.plan import cautions_of, from_walls, polarity_word, subs_word
from roommodes.arrays import Floats
from roommodes.lengths import lengths_of
from roommodes.plan.plan import Plan
from roommodes.project.project import Project
from roommodes.responses.third_octaves import edges_hz, nominal_hz
from roommodes.subwoofer.channels import Channel, channel_current_a, channel_voltage_v
from roommodes.subwoofer.limits import boxed_driver
from roommodes.subwoofer.target import CINEMA_SOURCE
from solvers.loudness.needs import sub_numbers
from solvers.loudness.of_plan import PlanHeadroom

EDGE = 1.03  # frequencies that end so near to a band's edge cover it
RULE_WORDS = (
    "rule of thumb: half space, falling with distance as in the free field, 12 dB an octave more below the room's "
    "longest half "
    "wave (common practice, no source)"
)


def finding_words(found: PlanHeadroom) -> str:
    """The answer in one sentence or two."""
    head = found.headroom
    worst, least = head.worst, head.least_db
    over = [hz for hz, value in zip(band_names(found), head.headroom_db, strict=True) if value < 0.0]
    text = (
        f"Loud enough: the target is reached in every band, with {least:z.1f} dB to spare"
        if least >= 0.0
        else f"Not loud enough: {-least:z.1f} dB are missing"
    )
    where = f" in the worst band, {band_names(found)[worst]} Hz, limited by {head.tightest.limited_by[worst]}"
    short = f". Below target at {', '.join(over)} Hz" if over else ""
    many = ""
    if len(found.plan.seats) > 1 and found.plan.project.target.where == "every seat":
        many = " Judged by the quietest seat."
    elif len(found.plan.seats) > 1:
        many = " Average over the seats; single seats are in the table."
    return f"{text}{where}{short}.{many}"


def target_words(project: Project) -> str:
    """What is to be reached, how it came about and where it is from."""
    target = project.target
    meant = "rms of a sine" if target.reading == "rms" else "peak, so 3.0 dB less as rms"
    if target.level_db is not None:
        made = f"{target.level_db:g} dB as given"
    else:
        made = f"effects channel {target.effects_level_db:g} dB"
        if target.channels:
            made += f" and {target.channels} main channels at {target.channel_level_db:g} dB ({target.sum} sum)"
    margin = f", {target.margin_db:g} dB of margin on top" if target.margin_db else ", no margin"
    source = f" Source of the levels: {CINEMA_SOURCE}." if target.is_cinema else ""
    where = "in every seat" if target.where == "every seat" else "at the seats"
    return f"Target: {target.rms_db:z.1f} dB SPL rms {where}: {made} ({meant}){margin}.{source}"


def band_names(found: PlanHeadroom) -> list[str]:
    """The nominal centres."""
    return [f"{nominal_hz(band):g}" for band in found.headroom.bands]


def partly_words(found: PlanHeadroom) -> str:
    """Which bands the plan's frequencies cover only in part; empty where they cover all."""
    hz, bands = found.loudness.limits.frequency_hz, found.headroom.bands
    (low, _), (_, high) = edges_hz(bands[0]), edges_hz(bands[-1])
    said = []
    if hz[0] > low * EDGE:
        said.append(f"{nominal_hz(bands[0]):g} Hz from {hz[0]:g} Hz")
    if hz[-1] < high / EDGE:
        said.append(f"{nominal_hz(bands[-1]):g} Hz up to {hz[-1]:g} Hz")
    return f" In part only, since the plan's frequencies end there: {', '.join(said)}." if said else ""


def band_words(found: PlanHeadroom) -> str:
    """How the levels of the bands are meant."""
    own = ", each sub's own filters" if found.filtered else ""
    return (
        f"One band at a time, all subs with their settings{own}, and one equaliser for all, taken as ideal: the "
        "common gain "
        f"rises until the first sub meets its limit. Several bands at once leave less to each.{partly_words(found)}"
    )


def limit_rows(found: PlanHeadroom) -> list[list[str]]:
    """Each band: centre, what limits it, which subs, the next sub's margin, one sub at 1 m, the gains of the room."""
    head = found.headroom
    rows = []
    for k, hz in enumerate(band_names(found)):
        subs = head.tightest.first_subs[k]
        rest = [float(value) for sub, value in enumerate(head.tightest.spare_db[k]) if sub not in subs]
        rows.append(
            [
                hz,
                str(head.tightest.limited_by[k]),
                ", ".join(str(sub + 1) for sub in subs),
                f"{min(rest):z.1f} dB" if rest else "-",
                f"{head.open_air_db[k]:z.1f}" if np.isfinite(head.open_air_db[k]) else "-",
                _span(head.room_gain_db[k]) if np.isfinite(head.room_gain_db[k]).all() else "-",
                _span(head.rule_gain_db[k]),
            ]
        )
    return rows


def drive_words(found: PlanHeadroom) -> str:
    """At what voltage the sound pressure was measured; empty for a plan of the model."""
    drive = found.plan.project.drive
    if drive is None:
        return ""
    return (
        f"Levels are sound pressure as measured with {drive.words} (rms) at a sub's terminals at a gain of 0 dB, "
        "raised to the voltage at which the first limit is met."
    )


def gain_words(found: PlanHeadroom) -> str:
    """How the columns on the room are meant."""
    whence = "from the model" if found.plan.project.drive is None else "as measured, over the driver's in its box"
    return (
        "One sub, 1 m: highest clean level in free field, dB SPL rms. Room's gain: level at the seats over the "
        f"same subs in phase at 1 m in free field, {whence}, least to most [dB]; settings that fight each "
        f"other lower it. {RULE_WORDS[0].upper()}{RULE_WORDS[1:]}."
    )


def amplifier_words(found: PlanHeadroom) -> str:
    """The rating that the most heavily loaded channel asks for, and what the project's amplifiers give."""
    plan, needs = found.plan, found.headroom.needs
    channels, drivers = plan.wired.channels, [kind.driver for kind in plan.kinds]
    assert needs is not None, "only asked where there are some"
    ratings = []
    for k, channel in enumerate(channels):
        driver = drivers[channel.subs[0]]
        assert driver is not None, "needs come from a driver"
        load = _nominal_ohm(channel, driver.re_ohm)
        volts, amps = float(needs.channel_voltage_v[:, k].max()), float(needs.channel_current_a[:, k].max())
        ratings.append((max(volts**2 / load, amps**2 * load), load))
    rating, load = max(ratings)
    volts, amps = float(needs.channel_voltage_v.max()), float(needs.channel_current_a.max())
    what = "A channel" if plan.wired.shared or plan.project.amplifiers else "An amplifier"
    text = (
        f"Each band alone at the target. {what} for that gives {volts:.0f} V and {amps:.1f} A rms: it is rated for "
        f"some {_round_up(rating):g} W into {load:g} ohm, though the most power taken is "
        f"{needs.channel_power_w.max():.0f} W."
    )
    for table in dict.fromkeys(channel.table for channel in channels if channel.table is not None):
        if (volts_there := channel_voltage_v(table)) is None:
            continue
        amps_there = channel_current_a(table)
        first = next(channel for channel in channels if channel.table is table)
        if first.amplifier:
            text += f" A channel of {first.amplifier} gives"
        elif len(plan.project.kinds) > 1:
            text += f" That of the {clean(plan.project.kinds[int(plan.kind[first.subs[0]])].name, 32)} gives"
        else:
            text += " The one in the project gives"
        text += f" {volts_there:.0f} V" + ("." if amps_there is None else f" and {amps_there:.1f} A.")
    beyond = []
    for kind in sorted(set(plan.kind.tolist())):
        driver, own = plan.project.kinds[kind].driver, plan.kind == kind
        assert driver is not None, "needs come from a driver"
        whose = "its" if len(plan.project.kinds) == 1 else f"the {clean(plan.project.kinds[kind].name, 32)}'s"
        travel, amps = float(needs.travel_m[:, own].max()), float(needs.current_a[:, own].max())
        if travel > driver.xmax_m * 1.0005:
            beyond.append(f"{travel * 1e3:.1f} mm of excursion are more than {whose} {driver.xmax_m * 1e3:g} mm")
        if (heat := amps**2 * driver.re_ohm) > driver.power_w * 1.001:
            beyond.append(f"{heat:.0f} W in the voice coil are more than {whose} {driver.power_w:g} W")
    if beyond:
        text += f" No amplifier helps where the sub itself ends: {'; '.join(beyond)}. It would be driven to harm."
    return text


def _nominal_ohm(channel: Channel, re_ohm: float) -> float:
    """The load for which a channel is rated; else what its coils come to."""
    if channel.table is not None and channel.table.load_ohm is not None:
        return channel.table.load_ohm
    count = len(channel.subs)
    return re_ohm * count if channel.wiring == "series" else re_ohm / count


CHANNEL_HEADERS = ("channel", "amplifier", "subs", "wiring", "least load", "voltage", "current", "power")


def channel_rows(found: PlanHeadroom) -> list[list[str]]:
    """Each channel in use: what hangs on it, the least load, and what it must give for the target at most."""
    plan, needs = found.plan, found.headroom.needs
    rows = []
    for k, channel in enumerate(plan.wired.channels):
        cells = [str(channel.number), channel_name(channel), sub_numbers(channel)]
        cells.append(channel.wiring if channel.shared else "-")
        if needs is None:
            cells += ["not known"] * 4
        else:
            cells.append(f"{needs.load_ohm[k]:.1f} ohm at {needs.load_hz[k]:.0f} Hz")
            for values, unit, digits in (
                (needs.channel_voltage_v, "V", 1),
                (needs.channel_current_a, "A", 1),
                (needs.channel_power_w, "W", 0),
            ):
                cells.append(f"{values[:, k].max():.{digits}f} {unit}")
        rows.append(cells)
    return rows


def channel_name(channel: Channel) -> str:
    """``rack, output 2``; the amplifier of each sub has no name."""
    return f"{channel.amplifier}, output {channel.output}" if channel.amplifier else "its own"


def box_lines(plan: Plan) -> list[str]:
    """What driver and box of each kind in a plan come to."""
    used, several = sorted(set(plan.kind.tolist())), len(plan.project.kinds) > 1
    lines = [box_words(plan.project, kind) for kind in used]
    names = [clean(plan.project.kinds[kind].name, 32) for kind in used]
    if not several:
        return lines
    return [f"{name}: {words[0].lower()}{words[1:]}" for name, words in zip(names, lines, strict=True)]


def box_words(project: Project, kind: int = 0) -> str:
    """What driver and box of a kind come to."""
    box = boxed_driver(project.kinds[kind], project.room.air)
    assert box is not None, "needs come from a driver"
    efficiency = 100.0 * box.driver.reference_efficiency(box.air)
    if box.port is None:
        return (
            f"Sealed box: resonance {box.closed_resonance_hz:.1f} Hz, Q {box.closed_q:.2f}, 3 dB down at "
            f"{box.closed_cutoff_hz():.1f} Hz; reference efficiency {efficiency:.2f} %."
        )
    return (
        f"Vented box: tuned to {box.tuning_hz:.1f} Hz by a port {lengths_of(project).text(box.port.length_m)} long; "
        f"reference efficiency {efficiency:.2f} %. Below the tuning the cone is unloaded: protect it with a high-pass."
    )


def more_words(plan: Plan, found: PlanHeadroom) -> list[str]:
    """What further subs would bring."""
    least = found.headroom.least_db
    lines = []
    if found.added is not None:
        one = found.added
        gain = float(one.band_headroom_db.min()) - least
        place = from_walls(
            plan.results.candidates.position_m[one.candidate], plan.project.room, lengths_of(plan.project)
        )
        of = plan.project.kinds[int(plan.results.candidates.kind[one.candidate])]
        kind = f" {clean(of.name, 32)}" if len(plan.project.kinds) > 1 else ""
        cost = f"variation {one.variation_db:z.2f} dB against {plan.variation_db:z.2f} dB"
        kept = "" if one.keeps_variation else "; no place keeps the variation, this one costs the least"
        lines.append(
            f"Estimate: beside these subs as they are, one more{kind} at the gain of the loudest would bring "
            f"{gain:+z.1f} dB of "
            f"headroom ({cost}{kept}): {place}, delay {one.delay_s * 1e3:z.2f} ms, "
            f"{polarity_word(one.polarity)}. A search with {plan.subs + 1} subs finds better."
        )
    if found.next_bands_db is not None and found.next_count is not None:
        after = float(found.next_bands_db.min())
        extra = found.next_count - plan.subs
        subs = "the further sub brings" if extra == 1 else f"the {extra} further subs bring"
        lines.append(
            f"With the best plan found of {found.next_count} subs the headroom is {after:+z.1f} dB, so {subs} "
            f"{after - least:+z.1f} dB."
        )
    if not lines:
        lines.append("No place is left for one more, and no plan with more subs was searched.")
    return lines


def caution_words(plan: Plan, found: PlanHeadroom) -> list[str]:
    """The usual cautions, those on hearing and electrical supply with this plan's numbers."""
    loudest = float(found.headroom.highest_db.max())
    hearing = (
        f"Hearing: this system can make {loudest:z.0f} dB SPL at a seat. Levels like this harm within minutes, and "
        "bass is heard less than it is felt. What it can do is not what people should sit in: start quietly, keep to "
        "the exposure limits that hold where you are."
    )
    supply = (
        "leave circuits and earthing to a qualified electrician; no amplifier channel may be loaded below its rated "
        "impedance."
    )
    needs = found.headroom.needs
    if needs is None:
        supply = f"Electrical supply: {supply}"
    else:
        total = float(needs.power_w.max(axis=0).sum())
        each = zip(plan.wired.channels, needs.channel_power_w.T, strict=True)
        drawn = [None if on.table is None else float(watts.max()) / on.table.efficiency for on, watts in each]
        known = [watts for watts in drawn if watts is not None]
        taken = f", some {_round_up(sum(known)):g} W from the mains" if len(known) == len(drawn) else ""
        supply = (
            f"Electrical supply: at the target the {subs_word(plan.subs)} take {total:.0f} W at most{taken}; {supply} "
            "Set limiters so that no sub is driven past its limits."
        )
    own = {"Hearing": hearing, "Electrical supply": supply}
    return [own.get(line.partition(":")[0], line) for line in cautions_of(plan)]


def _span(values: Floats) -> str:
    low, high = f"{values.min():z.1f}", f"{values.max():z.1f}"
    return f"{low} dB" if low == high else f"{low} to {high} dB"


def _round_up(power_w: float) -> float:
    """To two digits, upward."""
    step = 10.0 ** max(0, int(np.floor(np.log10(max(power_w, 1.0)))) - 1)
    return float(np.ceil(power_w / step) * step)
