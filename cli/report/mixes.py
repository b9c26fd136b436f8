"""Which subwoofers: the mixes of kinds side by side, for the report."""

from cli.report.blocks import Table
from cli.words.kinds.mixes import kinds_words, money
from roommodes.plan.mixes import not_beaten, plans_by_mix
from roommodes.plan.plan import Plan
from roommodes.subwoofer.kinds import prices_known


def mixes_table(plan: Plan) -> Table | None:
    """The plans by their mix that no cheaper one beats in variation and level; None where there is one kind."""
    project = plan.project
    if len(project.kinds) < 2:
        return None
    front = not_beaten(plans_by_mix(plan.results))
    if len(front) < 2:
        return None
    loud = all(one.headroom_db is not None for one in front)
    rows = []
    for one in front:
        here = " (this plan)" if (one.plan.subs, one.plan.rank) == (plan.subs, plan.rank) else ""
        row = [f"{kinds_words(one.plan)}{here}"]
        row += [money(one.price, project)] if one.price is not None else []
        row += [f"{one.plan.variation_db:.2f}", f"{one.level_db:z.1f}"]
        row += [f"{one.headroom_db:+z.1f}"] if loud and one.headroom_db is not None else []
        rows.append(tuple(row))
    headers = ["subwoofers", *(["price"] if prices_known(project.kinds) else []), "variation [dB]"]
    headers += [f"average [{plan.results.level_unit}]", *(["headroom [dB]"] if loud else [])]
    return Table(
        caption="Which subwoofers: the best plan found for each mix, but not where one that costs no more beats it",
        headers=tuple(headers),
        rows=tuple(rows),
        right=tuple(range(1, len(headers))),
        stacked=True,
    )
