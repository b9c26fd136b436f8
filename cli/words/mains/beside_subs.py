"""Plans with the main loudspeakers beside their subs, in words and as plain data."""

from typing import Any

from cli.terminal.output import Page, counted
from cli.words.plan import polarity_word
from roommodes.plan.plan import Plan, Results
from roommodes.subwoofer.kinds import responses_known
from solvers.crossover.alignment import Meeting
from solvers.crossover.beside_subs import plan_beside_mains


def print_beside_mains(page: Page, results: Results) -> None:
    """The first plan of each number of subs, by itself and with the mains; nothing where there are none."""
    met = _met(results)
    if not met:
        return
    first = next(iter(met.values()))
    page.heading("With the main loudspeakers")
    rows = [
        [
            str(count),
            f"{results.plan(count, 1).variation_db:z.2f} dB",
            f"{one.merit.variation_db:z.2f} dB",
            f"{1e3 * one.delay_s:+z.2f} ms",
            polarity_word(one.polarity),
            f"{one.gain_db:+z.1f} dB",
        ]
        for count, one in met.items()
    ]
    headers = ["subs", "variation, subs alone", "with the mains", "all subs: delay", "polarity", "gain"]
    page.table(headers, rows, right=(0, 1, 2, 3, 5))
    page.line(
        f"{basis_of_mains(results, first)} Delays below 0 are the mains'. {how_searched(results)} "
        "`roommodes crossover` settles delay and polarity."
    )


def _met(results: Results) -> dict[int, Meeting]:
    if len(results.seats) == 1:
        return {}
    found = {count: plan_beside_mains(results.plan(count, 1)) for count in results.plans}
    return {count: one for count, one in found.items() if one is not None}


def basis_of_mains(results: Results, met: Meeting) -> str:
    """What the variation with the mains is taken over, in sentences."""
    low, high = results.frequency_hz[0], results.frequency_hz[-1]
    mains = counted(met.high.shape[2], "main loudspeaker")
    each = " each by itself," if met.high.shape[2] > 1 else ""
    return (
        f"Variation over {low:.0f} to {high:.0f} Hz with {mains},{each} through {met.crossover.words}."
        f"{own_unknown(results)}"
    )


def own_unknown(results: Results) -> str:
    """That the subs' own response is left out, where it is."""
    known = results.measured is not None or responses_known(results.project.kinds)
    return "" if known else " The subs' own response is not known and left out; its phase moves what is found here."


def how_searched(results: Results) -> str:
    """Whether the search heard the mains, in a sentence."""
    if results.project.search.with_mains:
        return (
            "Settings and order of the plans are for both together. From the leading layouts of the "
            "subs alone one sub after another was moved to other candidates with the mains playing; this is the best "
            "found, not proven."
        )
    return "The search knows the subs alone."


def beside_mains_json(results: Results) -> dict[str, Any]:
    """The same as plain data, by number of subs; empty where there are none."""
    met = _met(results)
    plans = [
        {
            "subs": count,
            "variation_db": results.plan(count, 1).variation_db,
            "with_mains_db": one.merit.variation_db,
            "delay_ms": 1e3 * one.delay_s,
            "polarity": one.polarity,
            "gain_db": one.gain_db,
        }
        for count, one in met.items()
    ]
    return {"with_mains": plans} if plans else {}


def mains_variation_words(plan: Plan, met: Meeting) -> str:
    """What the mains do to the variation of a plan, in a sentence."""
    low, high = plan.frequency_hz[0], plan.frequency_hz[-1]
    return (
        f"From {low:.0f} to {high:.0f} Hz the variation is {plan.variation_db:z.2f} dB with the subs alone and "
        f"{met.merit.variation_db:z.2f} dB with the mains."
    )
