"""What is set between subs and mains, as starting values: in words, as columns and as plain data."""

from dataclasses import asdict
from typing import Any

from cli.terminal.output import Page, clean
from cli.words.plan import polarity_word
from roommodes.filters.biquads import Biquad
from roommodes.plan.crossover import CrossoverRecord
from roommodes.plan.plan import Plan
from roommodes.plan.starting_values import CommonValues, StartingValues, SubValues, Total

Columns = tuple[tuple[str, str, str], ...]

MAINS = "mains"  # in place of a sub's number: the line that every main loudspeaker takes
CROSSOVER_COLUMNS: Columns = (  # name, unit, meaning; only where the plan meets mains
    ("common_gain_db", "dB", "of all subs against the mains, beside gain_db"),
    ("common_delay_ms", "ms", "of all subs, or on the line of the mains of all mains, beside delay_ms"),
    ("common_polarity", "", "of all subs, beside polarity: 1 normal, -1 inverted"),
    ("total_gain_db", "dB", "gain_db and common_gain_db together"),
    ("total_delay_ms", "ms", "delay_ms and common_delay_ms together; the earliest of all, mains included, has 0"),
    ("total_delay_samples", "samples", "the same in whole samples"),
    ("total_polarity", "", "polarity times common_polarity"),
    ("crossover", "", "low-pass or high-pass"),
    ("crossover_kind", "", "linkwitz-riley or butterworth"),
    ("crossover_order", "", "each order falls by 6 dB per octave"),
    ("crossover_hz", "Hz", "where both halves are equally loud"),
)
COEFFICIENTS = ("b0", "b1", "b2", "a1", "a2")  # of the crossover's sections, numbered from 1
TOTAL_HEADERS = ("output", "gain", "delay", "samples", "polarity")
BOTH_WAYS = (
    "Set either what is common, beside each sub's own values, or the totals in the table, which hold both; never both. "
    "The earliest of all outputs has a delay of zero."
)


def delay_words(delay_s: float, rate_hz: float) -> str:
    """What is delayed by how much; below 0 the mains."""
    ms = 1e3 * delay_s
    if abs(ms) < 0.005:
        return "no further delay of subs or mains"
    who = "every sub, beside its own delay" if ms > 0.0 else "every main loudspeaker"
    return f"delay {who}, by {abs(ms):z.2f} ms ({round(abs(delay_s) * rate_hz)} samples at {rate_hz:g} Hz)"


def others_words(values: StartingValues) -> str:
    """What all other loudspeakers take, so that they stay aligned with the mains."""
    common = values.common
    if common is None:
        return ""
    ms = 1e3 * common.mains_delay_s
    if ms < 0.005:
        return "Every other loudspeaker (centre, surrounds) keeps the delay that it has: the mains are not delayed."
    return (
        f"Every other loudspeaker (centre, surrounds) takes the same {ms:.2f} ms as the mains "
        f"({round(common.mains_delay_s * values.rate_hz)} samples) beside the delay that it has, so that all stay in "
        "step."
    )


def gain_words(record: CrossoverRecord, *, measured: bool) -> str:
    """The common gain, and what it is worth."""
    gain = f"{record.gain_db:+z.1f} dB on all subs against the mains"
    if record.asked_gain_db is not None:
        return f"{gain}, as asked for."
    if measured:
        return f"{gain}, which makes them equally loud about the crossover as measured."
    return (
        f"{gain}, which makes them equally loud about the crossover if all give the same per volt, as the model takes "
        "it: set the level by measurement."
    )


def total_rows(values: StartingValues) -> list[tuple[str, ...]]:
    """What each output takes, the mains last, as cells for a person."""
    outputs = [(f"sub {sub.number}", values.total(sub)) for sub in values.subs]
    outputs += [(word, values.mains_total()) for word in (MAINS, *(clean(one, 32) for one in values.others))]
    return [
        (
            word,
            f"{round(one.gain_db, 1) + 0.0:z.1f} dB",
            f"{1e3 * one.delay_s:z.2f} ms",
            str(one.delay_samples),
            polarity_word(one.polarity),
        )
        for word, one in outputs
    ]


def setting_lines(plan: Plan, values: StartingValues) -> list[str]:
    """The setting in sentences; none where the plan meets no mains."""
    record = plan.crossover
    if record is None:
        return []
    measured = plan.measured is not None
    turned = f"all subs {polarity_word(record.polarity)}, beside their own polarity"
    common = f"{delay_words(record.delay_s, values.rate_hz)}; {turned}"
    return [
        f"{record.crossover.words}: its low-pass on every sub, its high-pass on every main loudspeaker.",
        f"Set: {common}; {gain_words(record, measured=measured)}",
        f"With it the sum stays {record.merits.shortfall_db:z.2f} dB below both parts in phase (mean) and varies by "
        f"{record.merits.variation_db:z.2f} dB over the seats; with no delay and subs normal "
        f"{record.merits.plain_shortfall_db:z.2f} dB and {record.merits.plain_variation_db:z.2f} dB, "
        f"{'as measured' if measured else 'by the model'}.",
    ]


def print_common(page: Page, plan: Plan, values: StartingValues) -> None:
    """The setting between subs and mains, if the plan has one."""
    common = values.common
    if common is None:
        return
    page.heading("Crossover to the main loudspeakers")
    for line in setting_lines(plan, values):
        page.line(line)
    page.table(TOTAL_HEADERS, total_rows(values), right=(1, 2, 3))
    page.line(BOTH_WAYS)
    page.line(others_words(values))
    for word, sections in halves(common, values.rate_hz):
        for number, section in enumerate(sections, start=1):
            page.line(coefficients(section), mark=f"all {word}, section {number}  ")


def halves(common: CommonValues, rate_hz: float) -> tuple[tuple[str, tuple[Biquad, ...]], ...]:
    """The crossover's sections, of the subs and of the mains."""
    return (("subs", common.crossover.low_pass(rate_hz)), (MAINS, common.crossover.high_pass(rate_hz)))


def coefficients(section: Biquad) -> str:
    """A section's coefficients on one line."""
    return "  ".join(f"{key} {value:+z.12f}" for key, value in asdict(section).items())


def crossover_columns(values: StartingValues) -> list[str]:
    """Names of the columns that stand beside a sub's own; none where the plan meets no mains."""
    if values.common is None:
        return []
    count = len(values.common.crossover.low_pass(values.rate_hz))
    names = [name for name, _, _ in CROSSOVER_COLUMNS]
    return names + [f"crossover{number}_{key}" for number in range(1, count + 1) for key in COEFFICIENTS]


def crossover_cells(values: StartingValues, sub: SubValues | None) -> list[Any]:
    """The same for one sub, or for the mains."""
    common = values.common
    if common is None:
        return []
    mine = sub is not None
    total = values.total(sub) if sub is not None else values.mains_total()
    low, high = (sections for _, sections in halves(common, values.rate_hz))
    cells: list[Any] = [
        round(common.gain_db, 3) + 0.0 if mine else 0.0,
        round(1e3 * (common.subs_delay_s if mine else common.mains_delay_s), 4),
        common.polarity if mine else 1,
        *total_cells(total),
        "low-pass" if mine else "high-pass",
        common.crossover.kind,
        common.crossover.order,
        common.crossover.frequency_hz,
    ]
    return cells + [getattr(section, key) for section in (low if mine else high) for key in COEFFICIENTS]


def other_cells(values: StartingValues) -> list[Any]:
    """The same for a loudspeaker that is neither sub nor main: the mains' delay, without the crossover."""
    delay_ms = round(1e3 * values.mains_total().delay_s, 4)
    return [0.0, delay_ms, 1, *total_cells(values.mains_total()), "", "", "", ""]


def total_cells(total: Total) -> list[Any]:
    """Gain, delay, samples, polarity."""
    return [round(total.gain_db, 3) + 0.0, round(1e3 * total.delay_s, 4), total.delay_samples, total.polarity]


def common_json(plan: Plan, values: StartingValues) -> dict[str, Any] | None:
    """What is common to all subs, and what the mains take; None where the plan meets no mains."""
    record, common = plan.crossover, values.common
    if record is None or common is None:
        return None
    (_, low), (_, high) = halves(common, values.rate_hz)
    keys = [name for name, _, _ in CROSSOVER_COLUMNS]
    rows = {word: dict(zip(keys, crossover_cells(values, sub), strict=False)) for word, sub in _outputs(values)}
    return {
        "kind": common.crossover.kind,
        "order": common.crossover.order,
        "frequency_hz": common.crossover.frequency_hz,
        "delay_ms": 1e3 * record.delay_s,
        "polarity": common.polarity,
        "gain_db": common.gain_db,
        "from": "measured responses" if plan.measured is not None else "the model",
        "shortfall_db": record.merits.shortfall_db,
        "variation_db": record.merits.variation_db,
        "deepest_db": record.merits.deepest_db,
        "no_delay": {
            "shortfall_db": record.merits.plain_shortfall_db,
            "variation_db": record.merits.plain_variation_db,
        },
        "columns": {name: f"{meaning} [{unit}]" if unit else meaning for name, unit, meaning in CROSSOVER_COLUMNS},
        "outputs": [{"output": word, **row} for word, row in rows.items()],
        "others": [{"output": word, "delay_ms": round(1e3 * common.mains_delay_s, 4)} for word in values.others],
        "subs_filters": [asdict(one) for one in low],
        "mains_filters": [asdict(one) for one in high],
    }


def _outputs(values: StartingValues) -> list[tuple[str, SubValues | None]]:
    return [*((f"sub {sub.number}", sub) for sub in values.subs), (MAINS, None)]
