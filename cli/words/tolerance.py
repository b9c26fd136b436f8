"""What becomes of the plans in built rooms, in words and as plain data."""

from collections.abc import Sequence
from typing import Any

import numpy as np

from cli.terminal.output import Page, name
from cli.words.basis import basis_words, responses_word, weighting_words
from cli.words.plan import caution_lines, off_floor, plans_json, print_cautions, print_plan, subs_word
from roommodes.arrays import Integers
from roommodes.plan.plan import Results
from roommodes.plan.tolerance import PERCENTILES, Shares, Tolerance, difference_error
from roommodes.project.glass import glass_of
from solvers.tolerance.inputs import DRIVES
from solvers.tolerance.robust_plans import OTHER_ROOMS, ROOMS, Price

STEADIER_DB = 0.02  # a smaller difference is not worth a sentence
SURE = 2.0  # nor one below so many of its standard errors
LEAST_SHARE = 0.01  # smaller total shares are told in one line


def shown_count(results: Results, found: Tolerance) -> int:
    """The number of subs whose first plan is told in detail: the recommended one where it is among them."""
    count = results.recommended_subs
    return count if count in found.plans else max(found.plans)


def print_tolerance(page: Page, results: Results, found: Tolerance) -> None:
    """Percentiles, shares, the worst room, and how all that was computed."""
    page.heading(f"{name(results.project.name)}: {found.draws:,} rooms, not built exactly as drawn")
    if basis := basis_words(results, "What changes when the room, places or settings differ from it is"):
        page.line(basis)
    if weighted := weighting_words(results):
        page.line(weighted)
    _print_percentiles(page, found)
    count = shown_count(results, found)
    table = found.plans[count]
    which = f"{subs_word(count)}, plan {int(table.rank[0]) + 1}"
    if table.first.shares is not None:
        print_shares(page, found.group_name, table.first.shares, which)
    if table.first.worst:
        page.heading(f"The worst room of the sample: {table.variation_draw_db[0].max():z.2f} dB with {which}")
        for line in table.first.worst:
            page.line(line, mark="- ")
    page.heading("How this was computed")
    for line in found.method:
        page.line(line, mark="- ")
    if found.checked:
        page.line(
            f"{found.checked} of the rooms worked out again by the full equations, each at every other frequency: "
            f"variations over these differ by {found.error_db:z.3f} dB at most",
            mark="- ",
        )
    page.line(
        "What is not drawn: furniture, people, walls that are not flat or not as uniform as drawn, levels of single "
        "subs."
    )
    used = np.unique(table.candidate_index[0])
    _print_cautions(page, results, used)


def _print_percentiles(page: Page, found: Tolerance) -> None:
    """The table, how sure it is, and plans that stay more even than the first."""
    rows = []
    for count, table in found.plans.items():
        for plan in range(len(table.rank)):
            low, middle, high, higher = (f"{value:.2f}" for value in table.variation_percentile_db[plan])
            output = table.output_percentile_db[plan]
            rows.append(
                [
                    str(count),
                    str(int(table.rank[plan]) + 1),
                    f"{table.variation_db[plan]:.2f}",
                    low,
                    middle,
                    high,
                    higher,
                    f"{table.variation_draw_db[plan].max():.2f}",
                    f"{table.output_db[plan]:z.1f}",
                    f"{output[0]:.1f} to {output[-1]:.1f}",
                ]
            )
    headers = ["subs", "plan", "as drawn", "5 %", "50 %", "90 %", "95 %", "worst", "output", "5 to 95 %"]
    page.table(headers, rows, right=range(10))
    page.line(
        "Variation [dB]: as drawn, then the percentiles over the rooms, then the worst room tried; "
        "output [dB] likewise. plan: its place in the plan file. First the plan to be built, which the rest "
        "is about, then the others by their 90 %."
    )
    middle_db, ninety_db = (
        max(
            float(table.variation_percentile_error_db[:, PERCENTILES.index(percent)].max())
            for table in found.plans.values()
        )
        for percent in (50.0, 90.0)
    )
    page.line(
        f"Other rooms move the 50 % by {middle_db:.2f} dB, the 90 % by {ninety_db:.2f} dB (standard errors, at most)."
    )
    for beaten in steadier_plans(found):
        page.line(beaten, mark="- ")


def steadier_plans(found: Tolerance) -> list[str]:
    """A sentence for each number of subs with a plan that stays more even in 90 % of the rooms than the first."""
    told = []
    for count, table in found.plans.items():
        ninety = table.variation_percentile_db[:, PERCENTILES.index(90.0)]
        best = int(np.argmin(ninety))
        error_db = difference_error(table.variation_draw_db[0], table.variation_draw_db[best], 90.0)
        if ninety[best] < ninety[0] - max(STEADIER_DB, SURE * error_db):
            told.append(
                f"{subs_word(count)}: in 90 % of the rooms plan {int(table.rank[best]) + 1} stays below "
                f"{ninety[best]:z.2f} dB, plan {int(table.rank[0]) + 1} below {ninety[0]:z.2f} dB; as drawn they have "
                f"{table.variation_db[best]:.2f} and {table.variation_db[0]:z.2f} dB."
            )
    return told


def print_shares(page: Page, group_name: Sequence[str], shares: Shares, which: str) -> None:
    """Which uncertainty matters most to the variation of one plan, `which` in words."""
    page.heading(f"What matters most to the variation of {which}")
    order = np.argsort(-shares.total, kind="stable")
    rows = [
        [
            group_words(group_name[k]),
            _share(shares.total[k]),
            _interval(shares.total_interval[k]),
            _share(shares.first_order[k]),
            _interval(shares.first_order_interval[k]),
        ]
        for k in order
        if shares.total[k] >= LEAST_SHARE
    ]
    page.table(["uncertain", "total", "interval", "first-order", "interval"], rows, right=(1, 2, 3, 4))
    percent = np.round(100.0 * np.stack([shares.first_order, shares.total]))
    above = [group_words(group_name[k]) for k in order if percent[0, k] > max(percent[1, k], 0.0)]
    if above:
        page.line(
            f"For {', '.join(above)} the first-order share comes out above the total: chance of the sample. The true "
            "one is never above it."
        )
    rest = [group_words(group_name[k]) for k in order if shares.total[k] < LEAST_SHARE]
    if rest:
        page.line(f"Below {100.0 * LEAST_SHARE:.0f} % each: {', '.join(rest)}.")
    page.line(
        "Shares of the variance of the variation. First-order: what goes once this alone is known; total: what remains "
        "once all else is known. Measure, or build with care, what stands first. Intervals of 90 % by drawing points "
        "anew come out narrow: in the demo one total in four lies outside, most by 1 %, the worst by 11 %."
    )


def group_words(group: str) -> str:
    """A group of inputs for a person."""
    return "gains and delays" if group == DRIVES else name(group.removeprefix("construction: "))


def tolerance_json(results: Results, found: Tolerance) -> dict[str, Any]:
    """What `tolerance --json` prints."""
    plans = []
    for count, table in found.plans.items():
        for plan in range(len(table.rank)):
            plans.append(
                {
                    "subs": count,
                    "rank": int(table.rank[plan]) + 1,
                    "positions_m": results.candidates.position_m[table.candidate_index[plan]].tolist(),
                    "variation_db": float(table.variation_db[plan]),
                    "output_db": float(table.output_db[plan]),
                    "variation_percentile_db": _by_percentile(table.variation_percentile_db[plan]),
                    "variation_percentile_error_db": _by_percentile(table.variation_percentile_error_db[plan]),
                    "output_percentile_db": _by_percentile(table.output_percentile_db[plan]),
                    "worst_variation_db": float(table.variation_draw_db[plan].max()),
                }
            )
    return {
        "responses": responses_word(results),
        "changes_from": "the model of the project's room",
        "draws": found.draws,
        "draws_asked": found.draws_asked,
        "seed": found.seed,
        "plans": plans,
        "shares": {
            str(count): _shares_json(found.group_name, table.first.shares) for count, table in found.plans.items()
        },
        "worst": {str(count): list(table.first.worst) for count, table in found.plans.items()},
        "method": list(found.method),
        "checked": found.checked,
        "error_db": found.error_db,
    }


def print_prices(page: Page, plans: Results, prices: Sequence[Price]) -> None:
    """What robustness gains and costs, and the plans that it gives."""
    page.heading(f"{name(plans.project.name)}: plans for rooms not built exactly as drawn")
    rows = [
        [
            str(price.count),
            f"{price.plain_db:.2f}",
            f"{price.plain_ninety_db:.2f}",
            f"{price.robust_db:.2f}",
            f"{price.robust_ninety_db:.2f}",
            str(price.rank + 1),
        ]
        for price in prices
    ]
    page.table(["subs", "plain", "90 %", "robust", "90 %", "was plan"], rows, right=range(6))
    page.line(
        "Variation [dB] as drawn, and its 90th percentile over the rooms, each for the first plan. Polished against "
        f"{ROOMS} sampled rooms, judged in {OTHER_ROOMS} others. was plan: where its layout stood before."
    )
    for price in prices:
        bought = price.plain_ninety_db - price.robust_ninety_db
        cost = price.robust_db - price.plain_db
        told = f"{subs_word(price.count)}: {bought:z.2f} dB less at 90 %, for {cost:z.2f} dB as drawn."
        if not price.worth:
            told += " It costs more than it gains: the plain plan stays first, the robust one follows it."
        page.line(told, mark="- ")
    for count in plans.plans:
        print_plan(page, plans.plan(count, 1))
    _print_cautions(page, plans, np.unique([k for table in plans.plans.values() for k in table.candidate_index[0]]))


def _print_cautions(page: Page, results: Results, used: Integers) -> None:
    """The usual ones, with the candidates (n,) where subs stand."""
    project, there = results.project, results.candidates
    raised = off_floor(project, there.position_m[used], there.kind[used])
    print_cautions(page, results, caution_lines(glass=bool(glass_of(project)), raised=raised))


def price_json(plans: Results, prices: Sequence[Price]) -> dict[str, Any]:
    """What `tolerance --robust --json` prints."""
    return {
        **plans_json(plans),
        "robust": [
            {
                "subs": price.count,
                "plain_variation_db": price.plain_db,
                "robust_variation_db": price.robust_db,
                "plain_90_db": price.plain_ninety_db,
                "robust_90_db": price.robust_ninety_db,
                "plain_rank": price.rank + 1,
                "first": "robust" if price.worth else "plain",
            }
            for price in prices
        ],
    }


def _shares_json(group_name: Sequence[str], shares: Shares | None) -> list[dict[str, Any]]:
    if shares is None:
        return []
    return [
        {
            "uncertain": group,
            "first_order": float(shares.first_order[k]),
            "first_order_interval": shares.first_order_interval[k].tolist(),
            "total": float(shares.total[k]),
            "total_interval": shares.total_interval[k].tolist(),
        }
        for k, group in enumerate(group_name)
    ]


def _by_percentile(values: Any) -> dict[str, float]:
    return {f"{percent:g}": float(value) for percent, value in zip(PERCENTILES, values, strict=True)}


def _share(value: float) -> str:
    return f"{100.0 * min(max(value, 0.0), 1.0):.0f} %"  # few draws put some beyond what a share can be


def _interval(ends: Any) -> str:
    low, high = np.clip(ends, 0.0, 1.0)  # a share is between none and all of it
    return f"{100.0 * low:.0f} to {100.0 * high:.0f} %" if high >= 0.005 else "about 0 %"
