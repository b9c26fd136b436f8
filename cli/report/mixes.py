"""Which subwoofers: the mixes of kinds side by side, for the report."""

from matplotlib.figure import Figure

from cli.figures.mixes import MixPoints, variation_against_price
from cli.report.blocks import PICTURE_IN, Block, Bullets, Picture, Table, Text, shown
from cli.words.kinds.mixes import MixTable, mix_table, money
from roommodes.plan.plan import Plan
from roommodes.project.project import Project

SIZE_IN = (PICTURE_IN, 4.6)
AGAINST_SHOWN = 12


def mix_blocks(plan: Plan) -> list[Block]:
    """Plans by their mix that no cheaper one beats in variation and level, drawn over the price; none for one kind."""
    found = mix_table(plan.results)
    if found is None or len(found.front) + len(found.beaten) < 2:
        return []
    picture = _picture(plan, found)
    blocks: list[Block] = [] if picture is None else [picture]
    here = [(one.plan.subs, one.plan.rank) == (plan.subs, plan.rank) for one in found.front]
    rows = tuple(
        (row[0], f"{row[1]} (this plan)" if this else row[1], *row[2:-2])
        for row, this in zip(found.rows, here, strict=True)
    )
    blocks.append(
        Table(
            caption="Which subwoofers: the best plan found for each mix, but not where one that costs no more beats it"
            + (", numbered as in the figure" if picture else ""),
            headers=found.headers[:-2],
            rows=rows,
            right=(0, *range(2, len(found.headers) - 2)),
            stacked=True,
        )
    )
    if against := (*found.louder_words, *found.beaten_words):
        more = len(against) - AGAINST_SHOWN
        what = "Dearer and less even than another mix:" if picture else "Less even than another mix with no more subs:"
        items = [shown(words, 400) for words in against[:AGAINST_SHOWN]]
        blocks += [Text(text=what), Bullets(items=(*items, *([f"and {more} more."] if more > 0 else [])))]
    return blocks


def _picture(plan: Plan, found: MixTable) -> Picture | None:
    """Variation and level over the price; None where prices are not known."""
    price = [one.price for one in (*found.front, *found.beaten)]
    known = [value for value in price if value is not None]
    if len(known) < len(price):
        return None
    every = (*found.front, *found.beaten)
    points = MixPoints(
        price=known,
        variation_db=[one.plan.variation_db for one in every],
        level_db=[one.level_db for one in every],
        louder=found.louder,
        chosen=next(
            (k for k, one in enumerate(every) if (one.plan.subs, one.plan.rank) == (plan.subs, plan.rank)), None
        ),
    )

    def draw(figure: Figure) -> None:
        variation_against_price(
            figure.subplots(2, 1, sharex=True),
            points,
            price_label=price_label(plan.project),
            level_label=f"average level\n[{plan.results.level_unit}]",
        )

    alone = [one for one, louder in zip(found.front, found.louder, strict=True) if not louder]
    steps = [f"{one.plan.variation_db:z.2f} dB for {money(one.price or 0.0, plan.project)}" for one in alone]
    said = f"The least variation for the money: {', '.join(steps)}"
    return Picture(
        title="Variation, and the average level over the seats, against the price of the subs: one mark for each mix.",
        alt=f"{said}.",
        size_in=SIZE_IN,
        draw=draw,
    )


def price_label(project: Project) -> str:
    """What the axis of prices counts."""
    currency = project.tables.units.currency
    return f"price of the subs [{currency}]" if currency else "price of the subs"
