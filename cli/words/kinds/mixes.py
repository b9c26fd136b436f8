"""Several kinds of subwoofer in words: which stands where, what a plan costs, and plans by their mix."""

from collections import Counter
from collections.abc import Sequence
from typing import Any

from cli.terminal.output import Page, name
from roommodes.plan.mixes import MixPlan, cheapest_within, not_beaten, plans_by_mix
from roommodes.plan.plan import Plan, Results
from roommodes.project.project import Project
from roommodes.subwoofer.kinds import prices_known


def kinds_words(plan: Plan) -> str:
    """``1 large, 2 small``, in the project's order."""
    number = Counter(plan.kind.tolist())
    return ", ".join(f"{number[kind]} {name(plan.project.kinds[kind].name)}" for kind in sorted(number))


def money(value: float, project: Project) -> str:
    """A price with the project's currency, if it names one."""
    currency = project.tables.units.currency
    amount = f"{value:,.2f}".removesuffix(".00")
    return f"{amount} {name(currency)}" if currency else amount


def price_line(plan: Plan) -> str:
    """What the subs of a plan are and cost; empty where there is one kind and no budget."""
    project = plan.project
    several, budget = len(project.kinds) > 1, project.search.budget
    if not several and budget is None:
        return ""
    words = f"Subwoofers: {kinds_words(plan)}"
    if plan.price is None:
        return f"{words}. Their prices are not given."
    within = "" if budget is None else f" of a budget of {money(budget, project)}"
    return f"{words}; price {money(plan.price, project)}{within}."


def print_mixes(page: Page, results: Results) -> None:
    """Which subwoofers: the plans by their mix of kinds that no cheaper one beats, where there are several kinds."""
    project = results.project
    if len(project.kinds) < 2:
        return
    plans = plans_by_mix(results)
    front, unit = not_beaten(plans), "dB SPL" if results.limit_db is not None else "dB re 1 sub at 1 m"
    said, loud = prices_known(project.kinds), all(one.headroom_db is not None for one in front)
    page.heading("Which subwoofers")
    rows = [
        [
            kinds_words(one.plan),
            *([money(one.price, project)] if one.price is not None else []),
            f"{one.plan.variation_db:z.2f} dB",
            f"{one.level_db:z.1f}",
            *([f"{one.headroom_db:+z.1f} dB"] if loud and one.headroom_db is not None else []),
            str(one.plan.subs),
            str(one.plan.rank),
        ]
        for one in front
    ]
    headers = ["subwoofers", *(["price"] if said else []), "variation", f"average [{unit}]"]
    headers += [*(["headroom"] if loud else []), "--subs", "--rank"]
    page.table(headers, rows, right=range(1, len(headers)))
    cheaper = "cheaper or as dear" if said else "of as many subs or fewer"
    page.line(
        f"Of {len(plans)} mixes the plans that no other one, {cheaper}, beats in both variation and level; each is the "
        "best found for its mix. average: highest clean level over the seats and the band. --subs and --rank pick the "
        "plan in every command that reads the plan file."
    )
    if words := evenness_words(results, plans):
        page.line(words)


def evenness_words(results: Results, plans: Sequence[MixPlan]) -> str:
    """The cheapest plan that keeps the variation asked for; empty where none is asked for or a price is missing."""
    wanted, project = results.project.search.limits.variation_db, results.project
    if wanted is None or not prices_known(project.kinds):
        return ""
    one = cheapest_within(plans, wanted)
    if one is None or one.price is None:
        return f"No plan found has a variation of at most {wanted:g} dB."
    return (
        f"Cheapest plan found with a variation of at most {wanted:g} dB: {kinds_words(one.plan)}, "
        f"{money(one.price, project)}, {one.plan.variation_db:z.2f} dB (--subs {one.plan.subs} --rank {one.plan.rank})."
    )


def mixes_json(results: Results) -> list[dict[str, Any]]:
    """The first plan of each mix as plain data, the cheapest first; `beaten`: no more even and no louder for its price.

    Empty where there is one kind.
    """
    if len(results.project.kinds) < 2:
        return []
    plans = plans_by_mix(results)
    front = {one.mix for one in not_beaten(plans)}
    return [
        {
            "kinds": dict(zip((kind.name for kind in results.project.kinds), one.mix, strict=True)),
            "price": one.price,
            "variation_db": one.plan.variation_db,
            "level_db": one.level_db,
            "headroom_db": one.headroom_db,
            "subs": one.plan.subs,
            "rank": one.plan.rank,
            "beaten": one.mix not in front,
        }
        for one in plans
    ]
