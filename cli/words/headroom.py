"""The headroom of a plan on the terminal, and as plain data for machines."""

from math import isfinite
from typing import Any

import numpy as np

from cli.terminal.output import Page, name
from cli.words.basis import basis_words, responses_word
from cli.words.headroom_words import (
    CHANNEL_HEADERS,
    amplifier_words,
    band_names,
    band_words,
    box_lines,
    caution_words,
    channel_rows,
    drive_words,
    finding_words,
    gain_words,
    limit_rows,
    more_words,
    target_words,
)
from cli.words.plan import print_cautions, subs_word
from roommodes.arrays import Floats
from roommodes.lengths import lengths_of
from roommodes.plan.plan import Plan
from roommodes.responses.third_octaves import nominal_hz
from roommodes.subwoofer.target import CINEMA_SOURCE
from solvers.loudness.cabinets import ALLOWED_RISE_K
from solvers.loudness.needs import Needs
from solvers.loudness.of_plan import PlanHeadroom

FACING_WORDS = {(0, 1): "rear wall", (0, -1): "front wall", (1, 1): "right wall", (1, -1): "left wall"}


def print_headroom(page: Page, plan: Plan, found: PlanHeadroom) -> None:
    """All of it for a person."""
    which = "" if plan.rank == 1 else f", plan {plan.rank} in rank"
    page.heading(f"{name(plan.project.name)}: headroom, {subs_word(plan.subs)}{which}")
    if basis := basis_words(plan.results):
        page.line(basis)
    for line in (finding_words(found), target_words(plan.project)):
        page.line(line)
    _print_levels(page, found)
    _print_limits(page, found)
    _print_needs(page, plan, found)
    page.heading("One more sub")
    for line in more_words(plan, found):
        page.line(line)
    _print_cabinets(page, plan, found)
    print_cautions(page, plan.results, caution_words(plan, found))


def _print_levels(page: Page, found: PlanHeadroom) -> None:
    head = found.headroom
    page.heading("Highest clean level at every seat, third-octave bands [dB SPL rms]")
    rows = [
        [name(seat), *(f"{level:.0f}" for level in head.highest_db[:, index])]
        for index, seat in enumerate(found.plan.seats.name)
    ]
    rows.append(["average over the seats", *(f"{level:.0f}" for level in head.mean_db)])
    if found.plan.project.target.where == "every seat":
        rows.append(["quietest seat", *(f"{level:.0f}" for level in head.judged_db)])
    rows.append(["headroom", *(f"{value:+z.1f}" for value in head.headroom_db)])
    headers = ["Hz", *band_names(found)]
    page.table(headers, rows, right=tuple(range(1, len(headers))))
    page.line(band_words(found))


def _print_limits(page: Page, found: PlanHeadroom) -> None:
    page.heading("What limits, and what the room gives")
    rows = limit_rows(found)
    headers = [
        "Hz",
        "limited by",
        "sub",
        "next sub's margin",
        "one sub, 1 m",
        "room's gain at the seats",
        "rule of thumb",
    ]
    page.table(headers, rows, right=(0, 3, 4))
    page.line(gain_words(found))
    if said := drive_words(found):
        page.line(said)


def _print_needs(page: Page, plan: Plan, found: PlanHeadroom) -> None:
    needs = found.headroom.needs
    page.heading("What each sub and its amplifier must give for the target")
    if needs is None:
        page.line("Not known: voltage and power need [subwoofer.driver] in the project.")
        _print_channels(page, plan, found)
        return
    rows = []
    for sub in range(needs.voltage_v.shape[1]):
        cells = [_at_most(needs.voltage_v[:, sub], found, "V", 1), _at_most(needs.current_a[:, sub], found, "A", 1)]
        cells += [_at_most(needs.power_w[:, sub], found, "W", 0)]
        cells += [_at_most(needs.travel_m[:, sub] * 1e3, found, "mm", 1)]
        if needs.port_velocity_m_s is not None:
            cells += [_at_most(needs.port_velocity_m_s[:, sub], found, "m/s", 1)]
        kind = [name(plan.kinds[sub].name)] if len(plan.project.kinds) > 1 else []
        rows.append([str(sub + 1), *kind, f"{found.plan.drives.gain_db[sub] + 0.0:z.1f} dB", *cells])
    port = [] if needs.port_velocity_m_s is None else ["port's air, peak"]
    several = len(plan.project.kinds) > 1
    headers = ["sub", *(["kind"] if several else []), "gain", "voltage, rms", "current, rms", "power"]
    page.table([*headers, "excursion, peak", *port], rows, right=(0, 1 + several))
    _print_channels(page, plan, found)
    page.line(amplifier_words(found))
    for line in box_lines(plan):
        page.line(line)


def _print_channels(page: Page, plan: Plan, found: PlanHeadroom) -> None:
    if plan.wired.shared or plan.project.amplifiers:
        page.line()
        rows = [[name(cell) for cell in row] for row in channel_rows(found)]
        page.table(list(CHANNEL_HEADERS), rows, right=(0, 5, 6, 7))
        page.line(
            "Channel: one output of an amplifier with what hangs on it. In parallel its subs have its voltage and "
            "their currents add; in series they have its current and their voltages add."
        )


def _print_cabinets(page: Page, plan: Plan, found: PlanHeadroom) -> None:
    page.heading("The cabinets where they stand")
    lengths = lengths_of(plan.project)
    if not found.standings:
        page.line("Not known: the project gives no cabinet_m.")
    else:
        rows = [
            [
                str(one.number),
                FACING_WORDS[one.facing],
                "; ".join(f"{face} {lengths.text(free)} to {name(what)}" for face, (free, what) in one.free_m.items()),
            ]
            for one in found.standings
        ]
        page.table(["sub", "faces", "free space before its faces"], rows, right=(0,))
    weights = [kind.weight_kg for kind in plan.kinds]
    known = [one for one in weights if one is not None]
    if len(known) == plan.subs:
        each = " and ".join(f"{one:g} kg" for one in dict.fromkeys(known))
        page.line(f"Weight: {each} each, {sum(known):g} kg in all.")
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


def _known(value: float) -> float | None:
    """A number, None where it is not known."""
    return float(value) if isfinite(value) else None


def headroom_json(plan: Plan, found: PlanHeadroom) -> dict[str, Any]:
    """What `headroom --json` prints."""
    head, target = found.headroom, plan.project.target
    bands = [
        {
            "nominal_hz": nominal_hz(band),
            "highest_db": head.highest_db[k].tolist(),
            "mean_db": float(head.mean_db[k]),
            "judged_db": float(head.judged_db[k]),
            "headroom_db": float(head.headroom_db[k]),
            "limited_by": str(head.tightest.limited_by[k]),
            "limited_at_hz": head.tightest.at_hz[k],
            "limiting_subs": [sub + 1 for sub in head.tightest.first_subs[k]],
            "spare_db": head.tightest.spare_db[k].tolist(),
            "one_sub_1m_db": _known(head.open_air_db[k]),
            "room_gain_db": [_known(one) for one in head.room_gain_db[k]],
            "rule_of_thumb_gain_db": head.rule_gain_db[k].tolist(),
            **({} if head.needs is None else {"needs": _needs_json(head.needs, k)}),
        }
        for k, band in enumerate(head.bands)
    ]
    return {
        "name": plan.project.name,
        "responses": responses_word(plan.results),
        "subs": plan.subs,
        **({"kinds": [kind.name for kind in plan.kinds]} if len(plan.project.kinds) > 1 else {}),
        "rank": plan.rank,
        "seats": list(found.plan.seats.name),
        "target": {
            "rms_db": target.rms_db,
            "stated_db": target.stated_db,
            "margin_db": target.margin_db,
            "reading": target.reading,
            "where": target.where,
            "source": CINEMA_SOURCE if target.is_cinema else None,
        },
        "headroom_db": head.least_db,
        "worst_band_hz": nominal_hz(head.bands[head.worst]),
        "own_filters": found.filtered,
        "channels": [_channel_json(plan, found, k) for k in range(len(plan.wired.channels))],
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


def _channel_json(plan: Plan, found: PlanHeadroom, index: int) -> dict[str, Any]:
    channel, needs = plan.wired.channels[index], found.headroom.needs
    taken: dict[str, Any] = {}
    if needs is not None:
        taken = {
            "least_load_ohm": float(needs.load_ohm[index]),
            "least_load_hz": float(needs.load_hz[index]),
            "voltage_v": needs.channel_voltage_v[:, index].tolist(),
            "current_a": needs.channel_current_a[:, index].tolist(),
            "power_w": needs.channel_power_w[:, index].tolist(),
        }
    return {
        "channel": channel.number,
        "amplifier": channel.amplifier,
        "output": channel.output,
        "subs": [sub + 1 for sub in channel.subs],
        "wiring": channel.wiring if channel.shared else None,
        **taken,
    }


def _needs_json(needs: Needs, band: int) -> dict[str, Any]:
    keys = ("voltage_v", "current_a", "power_w", "travel_m", "port_velocity_m_s")
    return {key: values[band].tolist() for key in keys if (values := getattr(needs, key)) is not None}


def _added_json(plan: Plan, found: PlanHeadroom) -> dict[str, Any]:
    one = found.added
    assert one is not None, "only asked where there is one"
    return {
        "estimate": True,
        "position_m": plan.results.candidates.position_m[one.candidate].tolist(),
        **_kind_json(plan, one.candidate),
        "gain_db": one.gain_db,
        "delay_ms": one.delay_s * 1e3,
        "polarity": one.polarity,
        "headroom_db": float(one.band_headroom_db.min()),
        "variation_db": one.variation_db,
        "keeps_variation": one.keeps_variation,
    }


def _kind_json(plan: Plan, candidate: int) -> dict[str, str]:
    """The kind of subwoofer that a candidate is for, where there are several."""
    kinds = plan.project.kinds
    return {"kind": kinds[int(plan.results.candidates.kind[candidate])].name} if len(kinds) > 1 else {}


def _at_most(values: Floats, found: PlanHeadroom, unit: str, digits: int) -> str:
    """The highest value over the bands and where it is."""
    band = int(np.argmax(values))
    return f"{values[band]:.{digits}f} {unit} at {band_names(found)[band]} Hz"
