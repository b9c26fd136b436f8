"""Plans in words: what a person builds and dials in, and the same as plain data for machines."""

from collections.abc import Sequence
from math import isfinite, log10
from typing import Any

import numpy as np

from cli.terminal.output import Page, counted, name
from cli.words.basis import cautions_heading, stands_key
from cli.words.kinds.mixes import mixes_json, price_line
from roommodes.acoustics.room import Room
from roommodes.arrays import Floats, Integers
from roommodes.lengths import METRIC, ROUNDED, Lengths, lengths_of
from roommodes.plan.drives import Drives
from roommodes.plan.plan import Plan, Results
from roommodes.plan.tables import HowFound, PlanTable
from roommodes.project.glass import glass_of
from roommodes.project.placing.standing import feet_m, hanging_words
from roommodes.project.project import Project
from roommodes.shapes.nearer_wall import nearer_wall
from solvers.loudness.cabinets import FIXED_FROM_M

BEST = 0  # rank of the best plan


def from_walls(position_m: Sequence[float], room: Room, lengths: Lengths = METRIC) -> str:
    """A position by the nearer of front and rear wall, of left and right wall that no block hides, and its carrier."""
    x, y, z = (float(value) for value in position_m)
    along, across = (nearer_wall(room.shape, (x, y, z), axis) for axis in (0, 1))
    under = None if room.is_box else room.shape.carrier((x, y, z))
    height = f"{_place(abs(z), lengths)} above floor"
    if under is not None:
        height = f"{_place(z - under.high_m[2], lengths)} above {under.name}"
    near, beside = _place(abs(along.distance_m(x)), lengths), _place(abs(across.distance_m(y)), lengths)
    return f"{near} from {along.name}, {beside} from {across.name}, {height}"


def _place(distance_m: float, lengths: Lengths) -> str:
    """A distance to the centimetre; to the millimetre where it is a whole number of them, so that steps are exact."""
    mm = 1e3 * distance_m
    exact = abs(mm - round(mm)) < 2e-3 and round(mm) % 10
    return lengths.text(distance_m, ".3f" if exact else ".2f")


def polarity_word(polarity: int) -> str:
    """How the terminals or the processor are set."""
    return "normal" if polarity > 0 else "inverted"


def drive_lines(drives: Drives) -> list[str]:
    """Each sub's drive in one line."""
    each = zip(drives.gain_db.tolist(), drives.delay_s.tolist(), drives.polarity.tolist(), strict=True)
    return [drive_line(gain, delay, sign) for gain, delay, sign in each]


def drive_line(gain_db: float, delay_s: float, polarity: int) -> str:
    """A drive in one line."""
    return f"{_signed_zero(gain_db):z.1f} dB, {delay_s * 1e3:z.2f} ms, {polarity_word(polarity)}"


def subs_word(count: int) -> str:
    """1 sub, 2 subs."""
    return counted(count, "sub")


def mean_limit_db(plan: Plan) -> float | None:
    """Mean over the band of a plan's `limit_db` [dB SPL]; None where it is not known."""
    limit = plan.limit_db
    return None if limit is None else float(limit.mean())


def mean_level_db(table: PlanTable, count: int, limit_db: float | None) -> float:
    """Mean level at the seats with all subs at their limit [dB re one sub at 1 m, or dB SPL with `limit_db`]."""
    return float(table.output_db[BEST]) + 20.0 * log10(count) + (limit_db or 0.0)


def plans_json(results: Results) -> dict[str, Any]:
    """What `optimise --json` prints: the best plan of each count."""
    plans = [results.plan(count, 1) for count in results.plans]
    return {
        "plans": [
            {
                "subs": plan.subs,
                "variation_db": plan.variation_db,
                "output_db": plan.output_db,
                "positions_m": plan.positions_m.tolist(),
                "gain_db": plan.drives.gain_db.tolist(),
                "delay_ms": (plan.drives.delay_s * 1e3).tolist(),
                "polarity": plan.drives.polarity.tolist(),
                **({"kinds": [kind.name for kind in plan.kinds]} if len(plan.project.kinds) > 1 else {}),
                **({} if plan.price is None else {"price": plan.price}),
            }
            for plan in plans
        ],
        **({"mixes": mixes_json(results)} if len(results.project.kinds) > 1 else {}),
        "candidates": results.candidates.n_first,
        "layouts_searched": sum(table.found.layouts_searched for table in results.plans.values()),
        "seconds": sum(table.found.seconds for table in results.plans.values()),
    }


def print_comparison(page: Page, results: Results) -> None:
    """One count beside the other: variation, output, and what the next sub buys."""
    unit = results.level_unit
    loud = all(table.merits.headroom_db is not None for table in results.plans.values())
    against = "against the same subs in phase at 1 m, free field"
    if not results.absolute:
        against = "against as many subs in phase, each as loud at the seats as a measured one is on average"
    rows = []
    before: tuple[int, float, float] | None = None
    for count, table in results.plans.items():
        limit_db = mean_limit_db(results.plan(count, BEST + 1))
        variation, level = float(table.variation_db[BEST]), mean_level_db(table, count, limit_db)
        bought = "" if before is None else _bought(before, variation, level)
        rows.append([str(count), f"{variation:z.2f} dB", f"{_signed_zero(float(table.output_db[BEST])):z.1f} dB"])
        rows[-1] += [f"{level:.1f}"]
        if loud and table.merits.headroom_db is not None:
            rows[-1] += [f"{table.merits.headroom_db[BEST]:+z.1f} dB"]
        rows[-1] += [bought]
        before = (count, variation, level)
    page.heading("How many subs")
    headers = ["subs", "variation", "output", f"average [{unit}]", *(["headroom"] if loud else [])]
    page.table([*headers, "improvement"], rows, right=tuple(range(len(headers))))
    page.line(
        "variation: seat-to-seat variation, smaller is more even. output: mean level at the seats, all subs at "
        f"their limit, {against}. average: over the seats, the same without the number of subs taken off, "
        "over the whole band, the loudest sub at its limit."
        + (" headroom: over the target, in the worst third-octave; `roommodes headroom` says more." if loud else "")
    )


def print_plan(page: Page, plan: Plan) -> None:
    """A plan: where each sub stands and what is dialled in."""
    table, room, drives = plan.table, plan.project.room, plan.drives
    best = "first by the aims" if table.found.by_aims else "best" if table.found.exhaustive else "best found"
    lengths, several = lengths_of(plan.project), len(plan.project.kinds) > 1
    page.heading(f"{subs_word(plan.subs)}: {best}, variation {plan.variation_db:z.2f} dB")
    rows = [
        [
            str(sub + 1),
            *([name(plan.kinds[sub].name)] if several else []),
            name(plan.zones[sub]),
            from_walls(position, room, lengths),
            f"{_signed_zero(float(drives.gain_db[sub])):z.1f} dB",
            f"{float(drives.delay_s[sub]) * 1e3:z.2f} ms",
            str(round(float(drives.delay_s[sub]) * plan.project.processor.rate_hz)),
            polarity_word(int(drives.polarity[sub])),
        ]
        for sub, position in enumerate(plan.positions_m)
    ]
    headers = [
        "sub",
        *(["kind"] if several else []),
        stands_key(plan.results),
        "where it stands",
        "gain",
        "delay",
        "samples",
        "polarity",
    ]
    page.table(headers, rows, right=(0, *(at + several for at in (3, 4, 5))))
    if said := price_line(plan):
        page.line(said)
    for line in hanging_words(plan.project, plan.positions_m, plan.kind):
        page.line(line)
    page.line(f"{_tried(table.found)}: {table.found.stop}.")
    for remark in table.found.remarks:
        page.line(remark)


def _tried(found: HowFound) -> str:
    """Of how many layouts, and in what time; how many only where all were tried, since else that is an estimate."""
    among = f"{found.layouts_possible:,} layouts in {found.seconds:.1f} s"
    if found.layouts_searched < found.layouts_possible:
        return f"Among {among}"
    return f"{found.layouts_searched:,} of {among}"


def print_legend(page: Page, lengths: Lengths, *, rate_hz: float) -> None:
    """What the columns of the plans mean."""
    page.line()
    page.line(
        f"gain, delay and polarity are starting values for the processor; samples: the delay at {rate_hz / 1e3:g} kHz."
    )
    if lengths.feet:
        page.line(ROUNDED)


def print_cautions(page: Page, results: Results, lines: Sequence[str]) -> None:
    """What can hurt, said where the plan is read."""
    page.heading(cautions_heading(results))
    for line in lines:
        page.line(line, mark="- ")


def off_floor(project: Project, position_m: Floats, kind: Integers | None = None) -> bool:
    """Whether a cabinet at one of some positions (n, 3) has its foot clearly above what carries it [m].

    `kind` (n,) is of subwoofer; left out, the first.
    """
    return bool(np.any(feet_m(project, position_m, kind) > FIXED_FROM_M))


def cautions_of(plan: Plan) -> list[str]:
    """The usual cautions for a plan."""
    project = plan.project
    return caution_lines(glass=bool(glass_of(project)), raised=off_floor(project, plan.positions_m, plan.kind))


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
        "Electrical supply: leave circuits, earthing and the load on amplifiers to a qualified electrician; several "
        "subs on one amplifier channel must not fall below its rated impedance.",
        "Heat: built-in subs and amplifiers need ventilation, and openings must not weaken fire protection. Local "
        "codes and licensed trades have the last word.",
    ]
    return lines


def _bought(before: tuple[int, float, float], variation: float, level: float) -> str:
    """What a row gains over the row above it."""
    count, variation_before, level_before = before
    parts = []
    for change, what in ((variation - variation_before, "variation"), (level - level_before, "level")):
        if isfinite(change):
            parts.append(f"{abs(change):z.1f} dB {'less' if change < 0 else 'more'} {what}")
    return f"{', '.join(parts)} than {subs_word(count)}"


def _signed_zero(value: float) -> float:
    """Zero without a minus sign, at one decimal."""
    return 0.0 if abs(value) < 0.05 else value
