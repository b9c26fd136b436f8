"""Several kinds of subwoofer in words: which stands where, what a plan costs, and plans by their mix."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from cli.terminal.output import Page, name
from roommodes.plan.mixes import MixPlan, cheapest_within, more_even_for_less, not_beaten, plans_by_mix
from roommodes.plan.plan import Plan, Results
from roommodes.project.project import Project
from roommodes.subwoofer.kinds import prices_known

AGAINST_SHOWN = 8  # sentences on the terminal
HUNDREDTH_DB = 0.005  # what less than this is not shown


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


@dataclass(frozen=True, slots=True, kw_only=True)
class MixTable:
    """The mixes that no cheaper one beats as cells, numbered from 1; which mixes cost more and are less even, in words.

    Parameters
    ----------
    headers, rows : texts; units stand in the headers.
    front : the plans that no other beats in price, variation and level, the cheapest first.
    beaten : the others, the cheapest first.
    louder : for each of the front whether another costs no more and is as even, so that its level alone speaks for it.
    louder_words, beaten_words : one sentence for each of those.
    """

    headers: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    front: tuple[MixPlan, ...]
    beaten: tuple[MixPlan, ...]
    louder: tuple[bool, ...]
    louder_words: tuple[str, ...]
    beaten_words: tuple[str, ...]


def mix_table(results: Results) -> MixTable | None:
    """Plans by their mix of kinds, for terminal and report alike; None where there is one kind."""
    project = results.project
    if len(project.kinds) < 2:
        return None
    plans = plans_by_mix(results)
    front = not_beaten(plans)
    said, loud = prices_known(project.kinds), all(one.headroom_db is not None for one in front)
    rows = []
    for number, one in enumerate(front, start=1):
        row = [str(number), kinds_words(one.plan)]
        row += [money(one.price, project)] if one.price is not None else []
        row += [f"{one.plan.variation_db:z.2f}", f"{one.level_db:z.1f}"]
        row += [f"{one.headroom_db:+z.1f}"] if loud and one.headroom_db is not None else []
        rows.append((*row, str(one.plan.subs), str(one.plan.rank)))
    headers = ["mix", "subwoofers", *(["price"] if said else []), "variation [dB]", f"average [{results.level_unit}]"]
    headers += [*(["headroom [dB]"] if loud else []), "subs", "rank"]
    better = {one.mix: more_even_for_less(one, front) for one in plans}
    beaten = tuple(one for one in plans if one.mix not in {other.mix for other in front})
    return MixTable(
        headers=tuple(headers),
        rows=tuple(rows),
        front=front,
        beaten=beaten,
        louder=tuple(better[one.mix] is not None for one in front),
        louder_words=tuple(_against_words(one, other, listed=True) for one in front if (other := better[one.mix])),
        beaten_words=tuple(_against_words(one, other, listed=False) for one in beaten if (other := better[one.mix])),
    )


def _against_words(one: MixPlan, other: MixPlan, *, listed: bool) -> str:
    """In what another mix is better; `listed`: and why the first is in the list all the same."""
    even = one.plan.variation_db - other.plan.variation_db
    how = f"is {even:.2f} dB more even" if even >= HUNDREDTH_DB else "is as even"
    if one.price is None or other.price is None:
        cost = "has as many subs" if one.plan.subs == other.plan.subs else "has fewer subs"
    else:
        less = one.price - other.price
        cost = f"costs {money(less, one.plan.project)} less" if less > 0.0 else "costs the same"
    louder = one.level_db - other.level_db
    why = f"; listed for its level, {louder:z.1f} dB more" if listed else ""
    return f"{kinds_words(one.plan)}: {kinds_words(other.plan)} {cost} and {how}{why}."


def print_mixes(page: Page, results: Results) -> None:
    """Which subwoofers: the plans by their mix of kinds that no cheaper one beats, where there are several kinds."""
    table, project = mix_table(results), results.project
    if table is None:
        return
    page.heading("Which subwoofers")
    headers = [f"--{word}" if word in {"subs", "rank"} else word for word in table.headers]
    page.table(headers, [list(row) for row in table.rows], right=[0, *range(2, len(headers))])
    cheaper = "cheaper or as dear" if prices_known(project.kinds) else "of as many subs or fewer"
    page.line(
        f"Of {len(table.front) + len(table.beaten)} mixes the plans that no other one, {cheaper}, beats in both "
        "variation and level; each is the best found for its mix. average: highest clean level over the seats and the "
        "band. --subs and --rank pick the plan in every command that reads the plan file."
    )
    if against := (*table.louder_words, *table.beaten_words):
        page.line("Dearer and less even than another:" if prices_known(project.kinds) else "Less even than another:")
        for words in against[:AGAINST_SHOWN]:
            page.line(words, mark="- ")
        if (more := len(against) - AGAINST_SHOWN) > 0:
            page.line(f"and {more} more; --json lists all.", mark="- ")
    if words := evenness_words(results, plans_by_mix(results)):
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
