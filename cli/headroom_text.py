"""Headroom in words and as plain data: levels at the seats, what limits them, what the amplifiers must give."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from cli.plan_file import ChosenPlan
from cli.plan_text import from_walls, polarity_word, subs_word
from cli.terminal import Page, name
from roommodes.project import Project
from roommodes.subwoofer_limits import boxed_driver, current_limit_a, voltage_limit_v
from roommodes.target_level import CINEMA_SOURCE
from roommodes.third_octaves import edges_hz, nominal_hz
from solvers.headroom import Needs
from solvers.headroom_cabinets import ALLOWED_RISE_K
from solvers.headroom_plan import PlanHeadroom

Floats = NDArray[np.float64]

EDGE = 1.03  # frequencies that end so near to a band's edge cover it
FACING_WORDS = {(0, 1): "rear wall", (0, -1): "front wall", (1, 1): "right wall", (1, -1): "left wall"}
RULE_WORDS = (
    "rule of thumb: half space, falling with distance as in the open, 12 dB an octave more below the room's "
    "longest half "
    "wave (common practice, no source)"
)


def print_headroom(page: Page, plan: ChosenPlan, found: PlanHeadroom) -> None:
    """All of it for a person."""
    which = "" if plan.rank == 0 else f", plan {plan.rank + 1} in rank"
    page.heading(f"{name(plan.project.name)}: headroom, {subs_word(plan.count)}{which}")
    for line in (finding_words(found), target_words(plan.project)):
        page.line(line)
    _print_levels(page, found)
    _print_limits(page, found)
    _print_needs(page, plan, found)
    page.heading("One more sub")
    for line in more_words(plan, found):
        page.line(line)
    _print_cabinets(page, plan, found)
    page.heading("Before it is built and switched on")
    for line in caution_words(plan, found):
        page.line(line, mark="- ")


def finding_words(found: PlanHeadroom) -> str:
    """The answer in one sentence or two."""
    head = found.headroom
    worst, least = head.worst, head.least_db
    over = [hz for hz, value in zip(band_names(found), head.headroom_db, strict=True) if value < 0.0]
    text = (
        f"Loud enough: the target is reached in every band, with {least:.1f} dB to spare"
        if least >= 0.0
        else f"Not loud enough: {-least:.1f} dB are missing"
    )
    where = f" in the worst band, {band_names(found)[worst]} Hz, limited by {head.limited_by[worst]}"
    short = f". Short in {', '.join(over)} Hz" if over else ""
    return f"{text}{where}{short}. Seats' mean; single seats are in the table."


def target_words(project: Project) -> str:
    """What is to be reached, how it came about and where it is from."""
    target = project.target
    meant = "rms of a sine" if target.reading == "rms" else "crest of the wave, so 3.0 dB less as rms"
    if target.level_db is not None:
        made = f"{target.level_db:g} dB as given"
    else:
        made = f"effects channel {target.effects_level_db:g} dB"
        if target.channels:
            made += f" and {target.channels} main channels at {target.channel_level_db:g} dB ({target.sum} sum)"
    margin = f", {target.margin_db:g} dB of margin on top" if target.margin_db else ", no margin"
    source = f" Source of the levels: {CINEMA_SOURCE}." if target.is_cinema else ""
    return f"Target: {target.rms_db:.1f} dB SPL rms at the seats: {made} ({meant}){margin}.{source}"


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


def _print_levels(page: Page, found: PlanHeadroom) -> None:
    head = found.headroom
    page.heading("Highest clean level at every seat, third-octave bands [dB SPL rms]")
    rows = [
        [name(seat), *(f"{level:.0f}" for level in head.highest_db[:, index])]
        for index, seat in enumerate(found.seats.name)
    ]
    rows.append(["seats' mean", *(f"{level:.0f}" for level in head.mean_db)])
    rows.append(["headroom", *(f"{value:+.1f}" for value in head.headroom_db)])
    headers = ["Hz", *band_names(found)]
    page.table(headers, rows, right=tuple(range(1, len(headers))))
    page.line(band_words(found))


def band_words(found: PlanHeadroom) -> str:
    """How the levels of the bands are meant."""
    own = ", each sub's own filters" if found.filtered else ""
    return (
        f"One band at a time, all subs with their drives{own}, and one equaliser for all, taken as ideal: the "
        "common gain "
        f"rises until the first sub meets its limit. Several bands at once leave less to each.{partly_words(found)}"
    )


def limit_rows(found: PlanHeadroom) -> list[list[str]]:
    """Each band: centre, what limits it, which subs, what the next has left, one sub at 1 m, the gains of the room."""
    head = found.headroom
    rows = []
    for k, hz in enumerate(band_names(found)):
        subs = head.first_subs[k]
        rest = [float(value) for sub, value in enumerate(head.spare_db[k]) if sub not in subs]
        rows.append(
            [
                hz,
                str(head.limited_by[k]),
                ", ".join(str(sub + 1) for sub in subs),
                f"{min(rest):.1f} dB" if rest else "-",
                f"{head.open_air_db[k]:.1f}",
                _span(head.room_gain_db[k]),
                _span(head.rule_gain_db[k]),
            ]
        )
    return rows


def gain_words() -> str:
    """How the columns on the room are meant."""
    return (
        "one sub, 1 m: highest clean level in free field, dB SPL rms. room's gain: level at the seats over the "
        "same subs in "
        f"phase at 1 m in free field, from the model, least to most [dB]; {RULE_WORDS}."
    )


def _print_limits(page: Page, found: PlanHeadroom) -> None:
    page.heading("What limits, and what the room gives")
    rows = limit_rows(found)
    headers = ["Hz", "limited by", "sub", "next has left", "one sub, 1 m", "room's gain at the seats", "rule of thumb"]
    page.table(headers, rows, right=(0, 3, 4))
    page.line(gain_words())


def _print_needs(page: Page, plan: ChosenPlan, found: PlanHeadroom) -> None:
    needs = found.headroom.needs
    page.heading("What each sub and its amplifier must give for the target")
    if needs is None:
        page.line("Not known: voltage and power need [subwoofer.driver] in the project.")
        return
    rows = []
    for sub in range(needs.voltage_v.shape[1]):
        cells = [_at_most(needs.voltage_v[:, sub], found, "V", 1), _at_most(needs.current_a[:, sub], found, "A", 1)]
        cells += [_at_most(needs.power_w[:, sub], found, "W", 0)]
        cells += [_at_most(needs.travel_m[:, sub] * 1e3, found, "mm", 1)]
        if needs.port_velocity_m_s is not None:
            cells += [_at_most(needs.port_velocity_m_s[:, sub], found, "m/s", 1)]
        rows.append([str(sub + 1), f"{found.gain_db[sub] + 0.0:.1f} dB", *cells])
    port = [] if needs.port_velocity_m_s is None else ["port's air, peak"]
    page.table(["sub", "gain", "voltage, rms", "current, rms", "power", "travel, peak", *port], rows, right=(0, 1))
    page.line(amplifier_words(plan.project, needs))
    page.line(box_words(plan.project))


def amplifier_words(project: Project, needs: Needs) -> str:
    """The rating that the hungriest sub asks for."""
    driver, amplifier = project.subwoofer.driver, project.subwoofer.amplifier
    assert driver is not None, "needs come from a driver"
    load = driver.re_ohm if amplifier is None or amplifier.load_ohm is None else amplifier.load_ohm
    volts, amps = float(needs.voltage_v.max()), float(needs.current_a.max())
    rating = max(volts**2 / load, amps**2 * load)
    text = (
        f"Each band alone at the target. An amplifier for that gives {volts:.0f} V and {amps:.1f} A rms: it is "
        "rated for "
        f"some {_round_up(rating):g} W into {load:g} ohm, though the most power taken is {needs.power_w.max():.0f} W."
    )
    if (volts_there := voltage_limit_v(project.subwoofer)) is not None:
        amps_there = current_limit_a(project.subwoofer)
        text += f" The one in the project gives {volts_there:.0f} V" + (
            "." if amps_there is None else f" and {amps_there:.1f} A."
        )
    beyond = []
    if needs.travel_m.max() > driver.xmax_m * 1.0005:
        beyond.append(f"{needs.travel_m.max() * 1e3:.1f} mm of travel are more than its {driver.xmax_m * 1e3:g} mm")
    if (heat := amps**2 * driver.re_ohm) > driver.power_w * 1.001:
        beyond.append(f"{heat:.0f} W in the voice coil are more than its {driver.power_w:g} W")
    if beyond:
        text += f" No amplifier helps where the sub itself ends: {'; '.join(beyond)}. It would be driven to harm."
    return text


def box_words(project: Project) -> str:
    """What driver and box come to."""
    box = boxed_driver(project.subwoofer, project.room().air)
    assert box is not None, "needs come from a driver"
    efficiency = 100.0 * box.driver.reference_efficiency(box.air)
    if box.port is None:
        return (
            f"Sealed box: resonance {box.closed_resonance_hz:.1f} Hz, Q {box.closed_q:.2f}, 3 dB down at "
            f"{box.closed_cutoff_hz():.1f} Hz; reference efficiency {efficiency:.2f} %."
        )
    return (
        f"Vented box: tuned to {box.tuning_hz:.1f} Hz by a port {box.port.length_m:.2f} m long; reference efficiency "
        f"{efficiency:.2f} %. Below the tuning the cone is unloaded: protect it with a high-pass."
    )


def more_words(plan: ChosenPlan, found: PlanHeadroom) -> list[str]:
    """What further subs would bring."""
    least = found.headroom.least_db
    lines = []
    if found.added is not None:
        one = found.added
        gain = float(one.band_headroom_db.min()) - least
        place = from_walls(plan.results.candidates.position_m[one.candidate], plan.project.room())
        cost = f"variation {one.variation_db:.2f} dB against {plan.variation_db:.2f} dB"
        kept = "" if one.keeps_variation else "; no place keeps the variation, this one costs the least"
        lines.append(
            "Estimate: beside these subs as they are, one more at the gain of the loudest would bring "
            f"{gain:+.1f} dB of "
            f"headroom ({cost}{kept}): {place}, delay {one.delay_s * 1e3:.2f} ms, "
            f"{polarity_word(one.polarity)}. A search "
            f"finds better: optimise --counts {plan.count + 1}."
        )
    if found.next_bands_db is not None and found.next_count is not None:
        after = float(found.next_bands_db.min())
        extra = found.next_count - plan.count
        subs = "the further sub" if extra == 1 else f"the {extra} further subs"
        lines.append(
            f"In the file: with the best plan of {found.next_count} subs the headroom is {after:+.1f} dB, so {subs} "
            f"bring {after - least:+.1f} dB."
        )
    if not lines:
        lines.append("No place is left for one more, and the file has no plan with more subs.")
    return lines


def _print_cabinets(page: Page, plan: ChosenPlan, found: PlanHeadroom) -> None:
    page.heading("The cabinets where they stand")
    sub = plan.project.subwoofer
    if not found.standings:
        page.line("Not known: the project gives no cabinet_m.")
    else:
        rows = [
            [
                str(one.number),
                FACING_WORDS[one.facing],
                "; ".join(f"{face} {free:.2f} m to {name(what)}" for face, (free, what) in one.free_m.items()),
            ]
            for one in found.standings
        ]
        page.table(["sub", "faces", "free space before its faces"], rows, right=(0,))
    if sub.weight_kg is not None:
        page.line(f"Weight: {sub.weight_kg:g} kg each, {sub.weight_kg * plan.count:g} kg in all.")
    if found.heat is not None:
        heat = found.heat
        page.line(
            f"Heat, an estimate: an amplifier that gives {heat.mean_power_w:.0f} W on average (an eighth of "
            "the highest; "
            f"common practice, no source) turns {heat.heat_w:.0f} W into heat. In its closed cupboard the air settles "
            f"{heat.rise_k:.0f} K above the room; alone it would be {ALLOWED_RISE_K:g} K warmer in "
            f"{heat.minutes:.1f} min; "
            f"{heat.flow_m3_h:.0f} m3/h of air keep it to {ALLOWED_RISE_K:g} K."
        )
    for line in found.warnings:
        page.line(line[0].upper() + line[1:], mark="- ")


def caution_words(plan: ChosenPlan, found: PlanHeadroom) -> list[str]:
    """Hearing, amplifiers and mains, weight: with this plan's numbers."""
    loudest = float(found.headroom.highest_db.max())
    lines = [
        f"Hearing: this system can make {loudest:.0f} dB SPL at a seat. Levels like this harm within minutes, "
        "and bass is "
        "heard less than it is felt. What it can do is not what people should sit in: start quietly, keep to "
        "the exposure "
        "limits that hold where you are.",
    ]
    needs = found.headroom.needs
    if needs is not None:
        amplifier = plan.project.subwoofer.amplifier
        total = float(needs.power_w.max(axis=0).sum())
        taken = "" if amplifier is None else f", some {_round_up(total / amplifier.efficiency):g} W from the mains"
        lines.append(
            f"Mains and amplifiers: at the target the {subs_word(plan.count)} take {total:.0f} W at most{taken}. Leave "
            "circuits and earthing to a qualified electrician; no amplifier channel may be loaded below its rated "
            "impedance. Set limiters so that no sub is driven past its limits."
        )
    else:
        lines.append(
            "Mains and amplifiers: leave circuits and earthing to a qualified electrician; no amplifier channel may be "
            "loaded below its rated impedance."
        )
    lines.append(
        "Weight, heat and fire: lift with two people, let nothing tip, secure what stands high; give "
        "amplifiers air, and "
        "let no opening weaken fire protection. Local codes and licensed trades have the last word."
    )
    return lines


def headroom_json(plan: ChosenPlan, found: PlanHeadroom) -> dict[str, Any]:
    """What `headroom --json` prints."""
    head, target = found.headroom, plan.project.target
    bands = [
        {
            "nominal_hz": nominal_hz(band),
            "highest_db": head.highest_db[k].tolist(),
            "mean_db": float(head.mean_db[k]),
            "headroom_db": float(head.headroom_db[k]),
            "limited_by": str(head.limited_by[k]),
            "limited_at_hz": head.at_hz[k],
            "limiting_subs": [sub + 1 for sub in head.first_subs[k]],
            "spare_db": head.spare_db[k].tolist(),
            "one_sub_1m_db": float(head.open_air_db[k]),
            "room_gain_db": head.room_gain_db[k].tolist(),
            "rule_of_thumb_gain_db": head.rule_gain_db[k].tolist(),
            **({} if head.needs is None else {"needs": _needs_json(head.needs, k)}),
        }
        for k, band in enumerate(head.bands)
    ]
    return {
        "name": plan.project.name,
        "subs": plan.count,
        "rank": plan.rank + 1,
        "seats": list(found.seats.name),
        "target": {
            "rms_db": target.rms_db,
            "stated_db": target.stated_db,
            "margin_db": target.margin_db,
            "reading": target.reading,
            "source": CINEMA_SOURCE if target.is_cinema else None,
        },
        "headroom_db": head.least_db,
        "worst_band_hz": nominal_hz(head.bands[head.worst]),
        "own_filters": found.filtered,
        "bands": bands,
        "one_more": None if found.added is None else _added_json(plan, found),
        "next_plan": None
        if found.next_bands_db is None
        else {"subs": found.next_count, "headroom_db": float(found.next_bands_db.min())},
        "cabinets": [
            {
                "sub": one.number,
                "faces": FACING_WORDS[one.facing],
                "low_m": list(one.low_m),
                "high_m": list(one.high_m),
                "free_m": {face: free for face, (free, _) in one.free_m.items()},
            }
            for one in found.standings
        ],
        "heat_estimate": None
        if found.heat is None
        else {key: getattr(found.heat, key) for key in ("mean_power_w", "heat_w", "rise_k", "minutes", "flow_m3_h")},
        "warnings": list(found.warnings),
    }


def _needs_json(needs: Needs, band: int) -> dict[str, Any]:
    keys = ("voltage_v", "current_a", "power_w", "travel_m", "port_velocity_m_s")
    return {key: values[band].tolist() for key in keys if (values := getattr(needs, key)) is not None}


def _added_json(plan: ChosenPlan, found: PlanHeadroom) -> dict[str, Any]:
    one = found.added
    assert one is not None, "only asked where there is one"
    return {
        "estimate": True,
        "position_m": plan.results.candidates.position_m[one.candidate].tolist(),
        "gain_db": one.gain_db,
        "delay_ms": one.delay_s * 1e3,
        "polarity": one.polarity,
        "headroom_db": float(one.band_headroom_db.min()),
        "variation_db": one.variation_db,
        "keeps_variation": one.keeps_variation,
    }


def _at_most(values: Floats, found: PlanHeadroom, unit: str, digits: int) -> str:
    """The highest value over the bands and where it is."""
    band = int(np.argmax(values))
    return f"{values[band]:.{digits}f} {unit} at {band_names(found)[band]} Hz"


def _span(values: Floats) -> str:
    return f"{values.min():.1f} to {values.max():.1f} dB"


def _round_up(power_w: float) -> float:
    """To two digits, upward."""
    step = 10.0 ** max(0, int(np.floor(np.log10(max(power_w, 1.0)))) - 1)
    return float(np.ceil(power_w / step) * step)
