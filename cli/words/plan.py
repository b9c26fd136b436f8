"""Plans in words: what a person builds and dials in, and the same as plain data for machines."""

from collections.abc import Sequence
from math import isfinite, log10
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cli.terminal.output import Page, counted, name
from roommodes.acoustics.room import Room
from roommodes.plan.file import PlanTable, Results
from roommodes.plan.measured import MeasuredRecord
from roommodes.project.project import Project

SAMPLE_RATE_HZ = 48000
BEST = 0  # rank of the best plan


def from_walls(position_m: Sequence[float], room: Room) -> str:
    """A position by the nearer of front and rear wall, the nearer of left and right wall, and the floor."""
    x, y, z = (float(value) for value in position_m)
    along = (x, "front") if x <= room.length_m / 2 else (room.length_m - x, "rear")
    across = (y, "left") if y <= room.width_m / 2 else (room.width_m - y, "right")
    return (
        f"{abs(along[0]):.2f} m from {along[1]} wall, {abs(across[0]):.2f} m from {across[1]} wall, "
        f"{abs(z):.2f} m above floor"
    )


def samples(delay_s: float) -> str:
    """A delay in whole samples."""
    return str(round(delay_s * SAMPLE_RATE_HZ))


def polarity_word(polarity: int) -> str:
    """How the terminals or the processor are set."""
    return "normal" if polarity > 0 else "inverted"


def drive_words(table: PlanTable, sub: int) -> str:
    """The best plan's drive of one sub, in one line."""
    gain, delay = float(table.gain_db[BEST, sub]), float(table.delay_s[BEST, sub])
    return drive_line(gain, delay, int(table.polarity[BEST, sub]))


def drive_line(gain_db: float, delay_s: float, polarity: int) -> str:
    """A drive in one line."""
    return f"{_signed_zero(gain_db):.1f} dB, {delay_s * 1e3:.2f} ms, {polarity_word(polarity)}"


def subs_word(count: int) -> str:
    """1 sub, 2 subs."""
    return counted(count, "sub")


def mean_level_db(table: PlanTable, count: int, limit_db: float | None) -> float:
    """Mean level at the seats with all subs at their limit [dB re one sub at 1 m, or dB SPL with `limit_db`]."""
    return float(table.output_db[BEST]) + 20.0 * log10(count) + (limit_db or 0.0)


def mean_limit_db(
    project: Project, frequency_hz: NDArray[np.float64], measured: MeasuredRecord | None = None
) -> float | None:
    """Mean over the band of the highest clean level of one sub at 1 m [dB SPL]; None where nothing says it.

    `measured` are the measurements behind the plan, if any; relative ones do not know how loud a sub is.
    """
    if measured is not None and not measured.absolute:
        return None
    limit_db = project.highest_level_db(frequency_hz)
    return None if limit_db is None else float(limit_db.mean())


def plans_json(results: Results) -> dict[str, Any]:
    """What `optimise --json` prints: the best plan of each count."""
    plans = []
    for count, table in results.plans.items():
        index = table.candidate_index[BEST]
        plans.append(
            {
                "subs": count,
                "variation_db": float(table.variation_db[BEST]),
                "output_db": float(table.output_db[BEST]),
                "positions_m": results.candidates.position_m[index].tolist(),
                "gain_db": table.gain_db[BEST].tolist(),
                "delay_ms": (table.delay_s[BEST] * 1e3).tolist(),
                "polarity": [int(sign) for sign in table.polarity[BEST]],
            }
        )
    return {
        "plans": plans,
        "candidates": results.candidates.n_first,
        "layouts_searched": sum(table.layouts_searched for table in results.plans.values()),
        "seconds": sum(table.seconds for table in results.plans.values()),
    }


def print_comparison(page: Page, results: Results, limit_db: float | None) -> None:
    """One count beside the other: variation, output, and what the next sub buys."""
    unit = "dB SPL" if limit_db is not None else "dB re 1 sub at 1 m"
    loud = all(table.headroom_db is not None for table in results.plans.values())
    against = "against the same subs in phase at 1 m in the open"
    if results.measured and not results.measured.absolute:
        unit = "dB re 1 measured sub"
        against = "against as many subs in step, each as loud at the seats as a measured one is on average"
    rows = []
    before: tuple[int, float, float] | None = None
    for count, table in results.plans.items():
        variation, level = float(table.variation_db[BEST]), mean_level_db(table, count, limit_db)
        bought = "" if before is None else _bought(before, variation, level)
        rows.append([str(count), f"{variation:.2f} dB", f"{_signed_zero(float(table.output_db[BEST])):.1f} dB"])
        rows[-1] += [f"{level:.1f}"]
        if loud and table.headroom_db is not None:
            rows[-1] += [f"{table.headroom_db[BEST]:+.1f} dB"]
        rows[-1] += [bought]
        before = (count, variation, level)
    page.heading("How many subs")
    headers = ["subs", "variation", "output", f"seats' mean [{unit}]", *(["headroom"] if loud else [])]
    page.table([*headers, "what the added subs buy"], rows, right=tuple(range(len(headers))))
    page.line(
        "variation: seat-to-seat variation, smaller is more even. output: mean level at the seats, all subs at "
        f"their limit, {against}. seats' mean: the same without the number of subs taken off, over the whole band, the "
        "loudest sub at its limit."
        + (" headroom: over the target, in the worst third-octave; `roommodes headroom` says more." if loud else "")
    )


def print_plan(page: Page, results: Results, room: Room, count: int) -> None:
    """The best plan of one count: where each sub stands and what is dialled in."""
    table = results.plans[count]
    best = "first by the aims" if table.by_aims else "best" if table.exhaustive else "best found"
    page.heading(f"{subs_word(count)}: {best}, variation {float(table.variation_db[BEST]):.2f} dB")
    rows = []
    for sub, candidate in enumerate(table.candidate_index[BEST]):
        rows.append(
            [
                str(sub + 1),
                name(results.candidates.zone[candidate]),
                from_walls(results.candidates.position_m[candidate], room),
                f"{_signed_zero(float(table.gain_db[BEST, sub])):.1f} dB",
                f"{float(table.delay_s[BEST, sub]) * 1e3:.2f} ms",
                samples(float(table.delay_s[BEST, sub])),
                polarity_word(int(table.polarity[BEST, sub])),
            ]
        )
    headers = ["sub", "zone", "where it stands", "gain", "delay", "samples", "polarity"]
    page.table(headers, rows, right=(0, 3, 4, 5))
    tried = f"{table.layouts_searched:,} of {table.layouts_possible:,} layouts in {table.seconds:.1f} s"
    page.line(f"{tried}: {table.stop}.")
    for remark in table.remarks:
        page.line(remark)


def print_legend(page: Page) -> None:
    """What the columns of the plans mean."""
    page.line()
    page.line(
        f"gain, delay and polarity are starting values for the processor; samples: the delay at "
        f"{SAMPLE_RATE_HZ // 1000} kHz."
    )


def print_cautions(page: Page, *, glass: bool, raised: bool) -> None:
    """What can hurt, said where the plan is read."""
    page.heading("Before it is built and switched on")
    for line in caution_lines(glass=glass, raised=raised):
        page.line(line, mark="- ")


def caution_lines(*, glass: bool, raised: bool) -> list[str]:
    """The usual cautions; with glass in the room, and with subs above the floor."""
    lines = [
        "Hearing: start quietly and raise the level in steps; loud bass harms by level and time, and it is heard "
        "less than it is felt. Keep to the exposure limits that hold where you are.",
        "Weight: lift cabinets with two people or a lift, and let nothing tip."
        + (
            " Some positions are above the floor: what hangs or stands overhead needs fixings designed by a "
            "qualified person."
            if raised
            else ""
        ),
    ]
    if glass:
        lines.append(
            "Glass: panes near loud bass rattle and can break; check panes, beads and frames, and ask a glazier "
            "whether safety glass is needed."
        )
    lines += [
        "Mains: leave circuits, earthing and the load on amplifiers to a qualified electrician; several subs on one "
        "amplifier channel must not fall below its rated impedance.",
        "Heat: built-in subs and amplifiers need ventilation, and openings must not weaken fire protection. Local "
        "codes and licensed trades have the last word.",
    ]
    return lines


def _bought(before: tuple[int, float, float], variation: float, level: float) -> str:
    """What a row gains over the row above it."""
    count, variation_before, level_before = before
    parts = []
    for change, unit, lower, higher in (
        (variation - variation_before, "dB variation", "less", "more"),
        (level - level_before, "dB level", "less", "more"),
    ):
        if isfinite(change):
            word = lower if change < 0 else higher
            parts.append(f"{abs(change):.1f} {unit.split()[0]} {word} {unit.split()[1]}")
    return f"{', '.join(parts)} than {subs_word(count)}"


def _signed_zero(value: float) -> float:
    """Zero without a minus sign, at one decimal."""
    return 0.0 if abs(value) < 0.05 else value
