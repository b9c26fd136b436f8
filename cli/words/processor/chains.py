"""Whether settings replace or add to what stood in the processor, and what both come to: in words and as plain data."""

from typing import Any

from cli.terminal.output import Page, clean
from cli.words.plan import polarity_word
from roommodes.filters.processor import Processor
from roommodes.measured.manifest import FilterTable, MeasuredSubTable
from roommodes.plan.plan import Plan
from solvers.plans.next_measurement import Chains

HEADERS = ("output", "stood", "with the settings", "filters that stood, then new ones")
SLACK = 1e-6


def print_chains(page: Page, found: Chains, plan: Plan) -> None:
    """Whether the settings replace or add, and where they add the sums."""
    page.heading("What stands in the processor already")
    page.line(_relation(found, plan))
    if not found.adds or all(one.stood_empty for one in found.outputs):
        return
    rows = [(clean(one.name, 32), _drive(one.stood), _drive(one.whole), _filters(one.whole)) for one in found.outputs]
    page.table(HEADERS, rows)


def _relation(found: Chains, plan: Plan) -> str:
    if plan.measured is None:
        return "These settings are whole: they replace whatever stands in the processor for these subs. Clear it first."
    if not found.adds:
        return (
            "These settings replace what stood in the processor while it was measured: the chain that the manifest "
            "gives was divided out. Clear what stands there. If something was left in that the manifest does not "
            'name, say chain = "left in" in [reference] and search again: then settings add to it.'
        )
    if all(one.stood_empty for one in found.outputs):
        return (
            "These settings add to what stood in the processor while it was measured, which the manifest does not "
            "name: leave that in place and set these beside it. With the chain in the manifest the sums are shown."
        )
    return (
        "These settings add to what stood in the processor while it was measured. Dial in the sums, which hold both; "
        "filters that stood stay, new ones follow."
    )


def _drive(one: MeasuredSubTable) -> str:
    return f"{one.gain_db + 0.0:z.1f} dB, {one.delay_ms:.2f} ms, {polarity_word(one.polarity)}"


def _filters(one: MeasuredSubTable) -> str:
    return "; ".join(filter_table_words(each) for each in one.filters) or "none"


def filter_table_words(one: FilterTable) -> str:
    """A filter of a chain as a person dials it in."""
    words = f"{one.kind} {one.frequency_hz:.1f} Hz"
    if "shelf" in one.kind:
        return f"{words}, S {one.slope:g}, {one.gain_db:z.1f} dB"
    if one.kind.startswith("first-order"):
        return words
    return f"{words}, Q {one.q:.2g}" + (f", {one.gain_db:z.1f} dB" if one.kind == "peaking" else "")


def sums_warnings(found: Chains, processor: Processor) -> tuple[str, ...]:
    """A sentence for every sum of what stood and the settings that the processor does not take."""
    if not found.adds:
        return ()
    said = []
    high_db, most_ms, most = processor.gain_db[1], 1e3 * processor.delay_s[1], processor.filters.per_output
    for one in found.outputs:
        name, whole = clean(one.name, 32), one.whole
        if one.stood_empty:
            continue
        if whole.gain_db > high_db + SLACK:
            said.append(
                f"{name}: {whole.gain_db:z.1f} dB with the {one.stood.gain_db:z.1f} dB that stood; allowed up to "
                f"{high_db:g} dB. Turn every output down by {whole.gain_db - high_db:z.1f} dB: only differences count."
            )
        if whole.delay_ms > most_ms + SLACK:
            said.append(
                f"{name}: {whole.delay_ms:.2f} ms with the {one.stood.delay_ms:.2f} ms that stood; allowed up to "
                f"{most_ms:g} ms. Take what all outputs have in common off each of them."
            )
        count = sum(not each.kind.endswith("pass") or each.kind == "all-pass" for each in whole.filters)
        if most is not None and count > most:
            said.append(f"{name}: {count} filters with those that stood; an output has {most}.")
    return tuple(said)


def chains_json(found: Chains, plan: Plan) -> dict[str, Any]:
    """What stood, and what stands in the end."""
    return {
        "settings": "add" if found.adds else "replace",
        "responses": "modelled" if plan.measured is None else "measured",
        "outputs": [
            {
                "output": one.name,
                **{
                    word: {
                        "gain_db": table.gain_db,
                        "delay_ms": table.delay_ms,
                        "polarity": table.polarity,
                        "filters": [each.model_dump() for each in table.filters],
                    }
                    for word, table in (("stood", one.stood), ("whole", one.whole))
                },
            }
            for one in found.outputs
        ],
    }
