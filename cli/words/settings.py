"""Starting values as plain data: documented columns, CSV and JSON."""

import csv
import io
import json
from collections.abc import Sequence
from itertools import combinations
from typing import Any

from cli.terminal.output import clean
from cli.words.basis import responses_word
from cli.words.crossover_settings import MAINS, common_json, crossover_cells, crossover_columns, other_cells
from cli.words.plan import cautions_of, from_walls, polarity_word
from roommodes.filters.biquads import SIGN_CONVENTION
from roommodes.lengths import METRIC, Lengths
from roommodes.plan.plan import Plan
from roommodes.plan.starting_values import Filter, StartingValues, SubValues, beyond_processor
from roommodes.subwoofer.channels import Channel
from solvers.plans.next_measurement import next_manifest

MIRRORED_M = 1e-5  # off its mirror image: positions are kept to the micrometre
CAUTION = "caution"  # the last column of the CSV
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")  # what a spreadsheet takes for the start of a formula
COLUMNS: tuple[tuple[str, str, str], ...] = (  # name, unit, meaning
    ("sub", "", "number of the sub in the plan, from 1; mains: every main loudspeaker"),
    ("zone", "", "name of the zone in which it stands"),
    ("x_m", "m", "acoustic centre from the front wall"),
    ("y_m", "m", "acoustic centre from the left wall, as seen facing the screen"),
    ("z_m", "m", "acoustic centre above the floor"),
    ("gain_db", "dB", "gain; 0 is the highest"),
    ("delay_ms", "ms", "delay after the earliest sub, whose delay is 0"),
    ("delay_samples", "samples", "the delay in whole samples at sample_rate_hz"),
    ("distance_m", "m", "the delay as a distance: delay times speed of sound"),
    ("polarity", "", "1 normal, -1 inverted"),
    ("sample_rate_hz", "Hz", "of delay_samples and of the filters' coefficients"),
    ("channel", "", "amplifier channel on which it hangs, counted over all amplifiers; equal: one shared channel"),
    ("amplifier", "", "name of the amplifier; empty where every channel is an amplifier of its own"),
    ("output", "", "of that amplifier, from 1; 0 where none is left"),
    ("wiring", "", "how the subs of a shared channel hang on it: parallel or series; empty: the channel is not shared"),
)
NAME_COLUMN = ("name", "", "of the sub as it was measured; in place of zone where the subs stand already")
KIND_COLUMN = ("kind", "", "which of the project's kinds of subwoofer; only where it has several")
FILTER_COLUMNS: tuple[tuple[str, str, str], ...] = (  # repeated for every filter, numbered from 1
    ("kind", "", "peaking or all-pass: W3C Audio EQ Cookbook"),
    ("hz", "Hz", "centre frequency"),
    ("q", "", "quality factor"),
    ("gain_db", "dB", "gain at the centre"),
    ("b0", "", "coefficient"),
    ("b1", "", "coefficient"),
    ("b2", "", "coefficient"),
    ("a1", "", "coefficient, with the sign of the difference equation"),
    ("a2", "", "coefficient, with the sign of the difference equation"),
)


def settings_json(plan: Plan, values: StartingValues, warnings: tuple[str, ...]) -> dict[str, Any]:
    """What `settings --json` prints."""
    room = plan.project.room
    return {
        "project": plan.project.name,
        "responses": responses_word(plan.results),
        "project_sha256": plan.project.sha256,
        "subs": plan.subs,
        "rank": plan.rank,
        "variation_db": plan.variation_db,
        "sample_rate_hz": values.rate_hz,
        "speed_of_sound_m_s": values.speed_of_sound_m_s,
        "sign_convention": SIGN_CONVENTION,
        "columns": {name: f"{meaning} [{unit}]" if unit else meaning for name, unit, meaning in columns_of(values)},
        "filter_columns": {name: f"{meaning} [{unit}]" if unit else meaning for name, unit, meaning in FILTER_COLUMNS},
        "values": [
            {
                **dict(zip((name for name, _, _ in columns_of(values)), _cells(sub, values.rate_hz), strict=True)),
                "stands": from_walls(sub.position_m, room),
                "filters": [
                    dict(zip((name for name, _, _ in FILTER_COLUMNS), _filter_cells(one), strict=True))
                    for one in sub.filters
                ],
            }
            for sub in values.subs
        ],
        "crossover": common_json(plan, values),
        "warnings": list(warnings),
        "cautions": cautions_of(plan),
    }


def columns_of(values: StartingValues) -> tuple[tuple[str, str, str], ...]:
    """Name, unit and meaning of the columns of some starting values."""
    columns = tuple(NAME_COLUMN if values.stood and one[0] == "zone" else one for one in COLUMNS)
    return (*columns, KIND_COLUMN) if _kinds_said(values) else columns


def _kinds_said(values: StartingValues) -> bool:
    return any(sub.kind for sub in values.subs)


def settings_warnings(plan: Plan, values: StartingValues) -> tuple[str, ...]:
    """What the wiring or the processor cannot do of a plan's values, in sentences."""
    return (*plan.wired.faults, *beyond_processor(values, plan.project.processor))


def settings_bytes(plan: Plan, values: StartingValues, suffix: str, *, left_in: bool = True) -> bytes:
    """A file of starting values by its suffix.

    .csv; .json with the same as `settings --json` prints but for what stood before; .txt for plain filter lists; .toml
    for the next measurement's manifest, in which `left_in` says whether the settings stay in the responses.
    """
    if suffix.lower() == ".toml":
        return next_manifest(plan, values, left_in=left_in).encode()
    if suffix.lower() != ".json":
        write = settings_csv if suffix.lower() == ".csv" else filters_text
        return write(values, cautions_of(plan))
    data = settings_json(plan, values, settings_warnings(plan, values))
    return (json.dumps(data, allow_nan=False, indent=2, ensure_ascii=False) + "\n").encode()


def settings_csv(values: StartingValues, cautions: Sequence[str] = ()) -> bytes:
    """One line per sub under a header, then one for the mains, if any; comma, point, UTF-8, line ends as RFC 4180.

    The last column holds the cautions, once, beside the first sub.
    """
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\r\n")
    most = max((len(sub.filters) for sub in values.subs), default=0)
    names = [name for name, _, _ in columns_of(values)] + crossover_columns(values)
    names += [f"filter{number}_{name}" for number in range(1, most + 1) for name, _, _ in FILTER_COLUMNS]
    writer.writerow([*names, CAUTION])
    for place, sub in enumerate(values.subs):
        cells = _cells(sub, values.rate_hz) + crossover_cells(values, sub)
        for one in sub.filters:
            cells += _filter_cells(one)
        if not place:
            cells += [""] * (len(names) - len(cells)) + [" ".join(cautions)]
        writer.writerow(inert(cell) if isinstance(cell, str) else cell for cell in cells)
    if values.common is not None:
        own = ["", "", "", 0.0, 0.0, 0, 0.0, 1, values.rate_hz, "", "", "", "", *([""] if _kinds_said(values) else [])]
        writer.writerow([MAINS, MAINS, *own, *crossover_cells(values, None)])
        writer.writerows([inert(one), "", *own, *other_cells(values)] for one in values.others)
    return buffer.getvalue().encode()


def filters_text(values: StartingValues, cautions: Sequence[str] = ()) -> bytes:
    """One filter a line: output, number, kind, frequency, Q, gain, tabs between; UTF-8.

    Above the heads the cautions, each a line that begins with #.
    """
    lines = [f"# {clean(one)}" for one in cautions]
    lines += ["output\tfilter\tkind\tfrequency_hz\tq\tgain_db"]
    for sub in values.subs:
        for number, one in enumerate(sub.filters, start=1):
            gain = "" if one.kind == "all-pass" else f"{round(one.gain_db, 3) + 0.0:g}"
            lines.append(f"sub {sub.number}\t{number}\t{one.kind}\t{one.frequency_hz:g}\t{one.q:g}\t{gain}")
    return ("\n".join(lines) + "\n").encode()


def inert(text: str) -> str:
    """A text that no spreadsheet takes for a formula; control characters spelled out."""
    shown = clean(text)
    return f"'{shown}" if shown.lstrip().startswith(FORMULA_STARTS) else shown


def filter_cells(one: Filter) -> tuple[str, str, str, str]:
    """A filter as a person dials it in: type, frequency, Q, gain; an all-pass has no gain."""
    gain = "" if one.kind == "all-pass" else f"{one.gain_db:z.1f} dB"
    return one.kind, f"{one.frequency_hz:.1f} Hz", f"{one.q:.1f}", gain


def filter_words(one: Filter) -> str:
    """The same on one line."""
    kind, frequency, q, gain = filter_cells(one)
    return f"{kind} {frequency}, Q {q}" + (f", {gain}" if gain else "")


def sub_table(values: StartingValues, lengths: Lengths = METRIC) -> tuple[tuple[str, ...], list[list[str]]]:
    """Headers and rows of the starting values for a person; the channel where the project says something of them."""
    rows = [_sub_row(sub, lengths) for sub in values.subs]
    headers: tuple[str, ...] = (SUB_HEADERS[0], "name" if values.stood else "zone", *SUB_HEADERS[1:])
    if _kinds_said(values):
        headers = (headers[0], "kind", *headers[1:])
        rows = [[row[0], clean(sub.kind, 32), *row[1:]] for row, sub in zip(rows, values.subs, strict=True)]
    if not values.channels_said:
        return headers, rows
    return (*headers, "channel"), [
        [*row, channel_words(sub.channel)] for row, sub in zip(rows, values.subs, strict=True)
    ]


def channel_words(channel: Channel) -> str:
    """``2``, or ``2 (rack, output 2)``."""
    return (
        f"{channel.number} ({clean(channel.amplifier, 32)}, output {channel.output})"
        if channel.amplifier
        else (str(channel.number))
    )


def wiring_lines(values: StartingValues) -> list[str]:
    """What hangs on a shared channel and how, and where wires are swapped."""
    lines = []
    for channel in dict.fromkeys(sub.channel for sub in values.subs if sub.channel.shared):
        subs = [values.subs[sub] for sub in channel.subs]
        names = " and ".join(str(sub.number) for sub in subs)
        line = f"Subs {names} hang on channel {channel.number} in {channel.wiring}: one signal for both."
        swapped = [str(sub.number) for sub in subs if sub.polarity != subs[0].polarity]
        if swapped:
            line += f" The polarity of sub {', '.join(swapped)} is set by swapped wires at the cabinet."
        lines.append(line)
    return lines


def pair_lines(plan: Plan, values: StartingValues) -> list[str]:
    """Which subs are mirror images that the search gave one setting, where mirrored layouts were asked for."""
    if not plan.project.search.mirror:
        return []
    lines, width_m = [], plan.project.room.width_m
    for one, other in combinations(values.subs, 2):
        (x, y, z), (u, v, w) = one.position_m, other.position_m
        mirrored = max(abs(x - u), abs(y + v - width_m), abs(z - w)) < MIRRORED_M
        if mirrored and (one.gain_db, one.delay_s, one.polarity) == (other.gain_db, other.delay_s, other.polarity):
            lines.append(
                f"Subs {one.number} and {other.number} are mirror images and share gain, delay and polarity: set both "
                "alike."
            )
    return lines


def _sub_row(sub: SubValues, lengths: Lengths) -> list[str]:
    """A sub's starting values as cells."""
    return [
        str(sub.number),
        clean(sub.zone, 32),
        f"{round(sub.gain_db, 1) + 0.0:z.1f} dB",
        f"{sub.delay_s * 1e3:z.2f} ms",
        str(sub.delay_samples),
        lengths.text(sub.distance_m),
        polarity_word(sub.polarity),
    ]


SUB_HEADERS = ("sub", "gain", "delay", "samples", "distance", "polarity")


def _cells(sub: SubValues, rate_hz: float) -> list[Any]:
    x, y, z = (round(value, 6) for value in sub.position_m)
    drive = [round(sub.gain_db, 3) + 0.0, round(1e3 * sub.delay_s, 4), sub.delay_samples, round(sub.distance_m, 4)]
    on = sub.channel
    hangs = [on.number, on.amplifier, on.output, on.wiring if on.shared else ""]
    return [sub.number, sub.zone, x, y, z, *drive, sub.polarity, rate_hz, *hangs, *([sub.kind] if sub.kind else [])]


def _filter_cells(one: Filter) -> list[Any]:
    section = one.biquad
    dialled = [one.kind, one.frequency_hz, one.q, one.gain_db]
    return [*dialled, section.b0, section.b1, section.b2, section.a1, section.a2]
