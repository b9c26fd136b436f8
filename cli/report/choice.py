"""The report's sections on the choice: how many subs, the improvement, variation against output, places of the rows."""

import numpy as np
from matplotlib.figure import Figure

from cli.figures.choice import RowSweep, variation_against_level, variation_by_count, variation_over_rows
from cli.report.blocks import PICTURE_IN, Block, Bullets, Picture, Section, Table, Text, shown
from cli.report.mean_levels import front_level, mean_level, own_limit
from cli.report.mixes import mix_blocks
from cli.report.with_filters import filtered
from cli.words.choice import free_weights_words, proof_words, usual_steps_words
from cli.words.plan import mean_limit_db, subs_word
from roommodes.lengths import Lengths, lengths_of
from roommodes.plan.choices import FrontTable, RowTable, UsualTable
from roommodes.plan.plan import MODEL_UNIT, Plan
from roommodes.project.shape_tables import RowTable as ProjectRow
from solvers.listening.before_after import BeforeAfter

CHOICE_SIZE = (PICTURE_IN, 3.3)


def count_section(plan: Plan, compared: BeforeAfter) -> Section:
    """What other numbers of subs would give, and why so many are recommended."""
    blocks: list[Block] = [_advice(plan)]
    advice = plan.results.choices.recommendation
    if advice is not None:
        blocks.append(Bullets(items=tuple(shown(reason, 1000) for reason in advice.reasons)))
    single = len(plan.seats) == 1
    if not single:
        blocks += [_count_picture(plan)]
    blocks.append(_count_table(plan, compared))
    blocks += mix_blocks(plan)
    if bought := _bought_words(plan):
        blocks.append(Text(text=bought))
    if proven := proof_words(plan):
        blocks.append(Text(text=proven))
    usual = plan.results.choices.usual
    if usual is not None and not single:
        blocks.append(_usual_table(plan, usual))
        steps = usual_steps_words(plan.project)
        blocks += [Text(text=steps)] if steps else []
    blocks.append(Text(text=_legend(plan)))
    return Section(key="counts", heading="How many subs", blocks=tuple(blocks))


def _legend(plan: Plan) -> str:
    """What the columns mean."""
    against = (
        "the same subs in phase at 1 m, free field"
        if plan.results.absolute
        else "as many subs in phase, each as loud at the seats as a measured one is on average"
    )
    usual = "" if plan.results.choices.usual is None else " Usual layouts: corners and middles of walls."
    return (
        "Variation: at each frequency the standard deviation of the level over the seats, over the band its root mean "
        f"square. Output: mean level at the seats with all subs at their limit, against {against}. Average: over the "
        f"seats, the same in absolute terms, the loudest sub at its limit.{usual} Free weights: the least variation "
        "found at the plan's positions with weights that are free at every frequency, as no processor's settings are."
        + (" All of these plans without filters, so that they compare." if filtered(plan) else "")
    )


def front_section(plan: Plan) -> Section | None:
    """What more level costs in variation; None where the file does not say."""
    fronts = plan.results.choices.fronts
    if plan.subs not in fronts or len(plan.seats) == 1:
        return None
    unit = plan.results.level_unit
    curves = {count: (front_level(plan, count, front), front.variation_db) for count, front in fronts.items()}
    chosen = (float(mean_level(np.array(plan.output_db), plan.subs, mean_limit_db(plan))), plan.variation_db)
    level, variation = curves[plan.subs]
    said = (
        f"With {subs_word(plan.subs)} the most even plan found has {variation[0]:z.2f} dB of variation at a mean level "
        f"of {level[0]:.1f} {unit}"
    )
    if len(level) > 1:
        said += f"; the loudest of those that none beats in both has {variation[-1]:z.2f} dB at {level[-1]:.1f} {unit}"

    def draw(figure: Figure) -> None:
        variation_against_level(
            figure.subplots(),
            fronts=curves,
            chosen=chosen,
            level_label=f"average level over the seats, loudest sub at its limit [{unit}]",
        )

    tables = [_front_table(plan, count, front, unit) for count, front in fronts.items()]
    return Section(
        key="front",
        heading="What more level would cost",
        blocks=(
            Text(
                text=f"{said}. Another plan along this curve can be had at once: positions and settings of all of them "
                "were kept."
            ),
            Picture(
                title="Variation against the average level over the seats: the plans that none met beats in both.",
                alt=f"{said}.",
                size_in=CHOICE_SIZE,
                draw=draw,
            ),
            *tables,
        ),
    )


def row_section(plan: Plan) -> Section | None:
    """Where the rows should be; None where none may move."""
    moves, rows, lengths = plan.results.choices.rows, plan.project.rows, lengths_of(plan.project)
    move = moves.get(plan.subs)
    if move is None or len(move.offset_m) != len(rows):
        return None
    moving = [k for k, row in enumerate(rows) if row.move_m and max(row.move_m) > 0.0]
    swept = [k for k in moving if (move.around.at_row == k).any()]
    sweeps = [_sweep(move, rows[k], k) for k in swept]
    step = lengths.small_text(move.step_m)
    places = "; ".join(
        f"row {shown(rows[k].name, 40)} at {_place(rows[k].x_m, float(move.offset_m[k]), lengths)}" for k in moving
    )
    said = (
        f"With {subs_word(plan.subs)} the variation falls from {move.drawn_variation_db:z.2f} dB for the rows as drawn "
        f"to {move.variation_db:z.2f} dB with {places}"
    )
    if move.variation_db > move.drawn_variation_db - 0.005:
        said = f"With {subs_word(plan.subs)} the rows stand well as drawn: moving them gains nothing"
    blocks: list[Block] = [
        Text(
            text=f"{said}. Distances are from the front wall to the ears. With every row that may move up to "
            f"{step} off, the settings fixed, it is at most {move.worst_near_db:.2f} dB. The positions and settings "
            "in this report are for the rows as drawn: to move a row, check sight lines and ways through, "
            "and have the subs searched again."
        )
    ]
    if sweeps:
        best_m = [float(move.offset_m[k]) for k in swept]
        blocks += [_sweep_picture(sweeps, best_m, said, lengths), _sweep_table(sweeps, lengths)]
    headers = (
        "subs",
        "rows as drawn [dB]",
        "rows moved [dB]",
        "worst nearby [dB]",
        *(shown(rows[k].name, 24) for k in moving),
    )
    blocks.append(
        Table(
            caption="Where the rows should be, for each number of subs",
            headers=headers,
            rows=tuple(
                (
                    str(count),
                    f"{one.drawn_variation_db:.2f}",
                    f"{one.variation_db:.2f}",
                    f"{one.worst_near_db:.2f}",
                    *(_place(rows[k].x_m, float(one.offset_m[k]), lengths) for k in moving),
                )
                for count, one in moves.items()
            ),
            right=(1, 2, 3),
            stacked=True,
        )
    )
    return Section(key="rows", heading="Where the rows should be", blocks=tuple(blocks))


def mean_words(output: float, count: int, plan: Plan) -> str:
    """The average level over the seats with all subs at their limit."""
    limit = mean_limit_db(plan)
    level = float(mean_level(np.array(output), count, limit))
    if limit is None:
        at = "one sub at 1 m, free field" if plan.results.level_unit == MODEL_UNIT else "one measured sub"
        return f"{level:+z.1f} dB against {at}"
    return f"{level:z.0f} dB SPL with the {'loudest sub' if count > 1 else 'sub'} at its limit"


def _advice(plan: Plan) -> Text:
    wanted = plan.results.recommended_subs
    text = f"Recommended: the plan with {subs_word(wanted)}."
    if not plan.recommended:
        rank = "" if plan.rank == 1 else f", number {plan.rank} in rank"
        text += f" This report is of the plan with {subs_word(plan.subs)}{rank}."
    return Text(text=f"{text} Budget and space may decide otherwise.", strong=True)


def _variations(plan: Plan) -> dict[int, float]:
    """Number of subs -> variation of the plan shown, of the first plan elsewhere."""
    return {
        count: plan.variation_db if count == plan.subs else float(table.variation_db[0])
        for count, table in plan.results.plans.items()
    }


def _free_weights(plan: Plan) -> dict[int, float]:
    return {
        count: float(table.merits.weights_db[plan.row if count == plan.subs else 0])
        for count, table in plan.results.plans.items()
        if table.merits.weights_db is not None and count > 1
    }


def _evenest(plan: Plan, column: str) -> dict[int, int]:
    """Number of subs -> index of the usual layout with the least of a column."""
    usual = plan.results.choices.usual
    if usual is None:
        return {}
    values = getattr(usual, column)
    return {count: min(own, key=lambda k: values[k]) for count in plan.results.plans if (own := usual.of_count(count))}


def _usual_values(plan: Plan, column: str) -> dict[int, float]:
    usual = plan.results.choices.usual
    found = _evenest(plan, column)
    return {} if usual is None else {count: float(getattr(usual, column)[k]) for count, k in found.items()}


def _count_picture(plan: Plan) -> Picture:
    plans, free = _variations(plan), _free_weights(plan)
    alike, driven = (_usual_values(plan, column) for column in ("alike_variation_db", "driven_variation_db"))

    def draw(figure: Figure) -> None:
        variation_by_count(figure.subplots(), plan_db=plans, usual_db=alike, driven_db=driven, free_db=free)

    alt = f"Seat-to-seat variation of the plans: {_said(plans)}"
    for words, values in (
        ("of the most even usual layouts with identical settings", alike),
        ("optimised there", driven),
        ("with the best free weights found at the plans' positions", free),
    ):
        if values:
            alt += f"; {words}: {_said(values)}"
    return Picture(title="Variation over the number of subs.", alt=f"{alt}.", size_in=CHOICE_SIZE, draw=draw)


def _said(values: dict[int, float]) -> str:
    return ", ".join(f"{value:z.1f} dB with {subs_word(count)}" for count, value in values.items())


def _count_table(plan: Plan, compared: BeforeAfter) -> Table:
    plans, free = _variations(plan), _free_weights(plan)
    alike, driven = (_usual_values(plan, column) for column in ("alike_variation_db", "driven_variation_db"))
    rows: list[tuple[str, ...]] = []
    for count, table in plan.results.plans.items():
        row = plan.row if count == plan.subs else 0
        output, limit = float(table.output_db[row]), mean_limit_db(plan.results.plan(count, row + 1))
        own_alike = {} if table.merits.alike_db is None else {count: float(table.merits.alike_db[row])}
        cells = [_cell(values, count) for values in (plans, alike, driven, own_alike, free)]
        rows.append(
            (
                subs_word(count) + (" (this plan)" if count == plan.subs else ""),
                *cells,
                f"{output:+z.1f}",
                f"{mean_level(np.array(output), count, limit):.1f}",
            )
        )
    if own := compared.own:
        number = len(own.positions_m)
        empty = ("–",) * 4
        mean = f"{mean_level(np.array(own.output_db), number, own_limit(plan)):z.1f}"
        rows.append(
            (f"{subs_word(number)}, {own.name}", f"{own.variation_db:.2f}", *empty, f"{own.output_db:+z.1f}", mean)
        )
    headers: tuple[str, ...] = (
        "subs",
        "plan",
        "usual, identical settings",
        "usual, optimised",
        "plan's places, identical settings",
        "free weights",
    )
    mean = f"average [{plan.results.level_unit}]"
    if len(plan.seats) == 1:  # nothing differs between seats: level alone
        headers, rows = headers[:1], [(row[0], *row[len(headers) :]) for row in rows]
    headers = (*headers, "output [dB]", mean)
    told = [k for k in range(len(headers)) if any(row[k] != "–" for row in rows)]
    return Table(
        caption="One number of subs beside the other" + ("; variations in dB" if len(headers) > 3 else ""),
        headers=tuple(headers[k] for k in told),
        rows=tuple(tuple(row[k] for k in told) for row in rows),
        right=tuple(range(1, len(told))),
        stacked=True,
    )


def _cell(values: dict[int, float], count: int) -> str:
    return f"{values[count]:.2f}" if count in values else "–"


def _bought_words(plan: Plan) -> str:
    """What settings and positions improve, for this number of subs."""
    usual = plan.results.choices.usual
    alike, driven = (_evenest(plan, column) for column in ("alike_variation_db", "driven_variation_db"))
    if usual is None or plan.subs not in alike or len(plan.seats) == 1:
        return ""
    first, second = alike[plan.subs], driven[plan.subs]
    before, there = float(usual.alike_variation_db[first]), float(usual.driven_variation_db[second])
    same = "there" if first == second else shown(usual.name[second], 120)
    words = (
        f"Improvement: {subs_word(plan.subs)} {shown(usual.name[first], 120)}, with identical settings, have "
        f"{before:.2f} dB of variation. The best settings found {same} bring it to {there:.2f} dB; the plan's "
        f"positions, optimised, to {plan.variation_db:z.2f} dB."
    )
    return f"{words} {free_weights_words(plan.table, plan.row)}".rstrip()


def _usual_table(plan: Plan, usual: UsualTable) -> Table:
    rows = [
        (
            f"{subs_word(count)} {shown(usual.name[k], 120)}"
            + ("" if usual.stands_free[k] else " (something is in the way)"),
            f"{usual.alike_variation_db[k]:.2f}",
            f"{usual.driven_variation_db[k]:.2f}",
            f"{usual.alike_output_db[k]:+z.1f}",
            f"{usual.driven_output_db[k]:+z.1f}",
        )
        for count in plan.results.plans
        for k in usual.of_count(count)
    ]
    return Table(
        caption="Usual layouts",
        headers=(
            "layout",
            "variation, identical settings [dB]",
            "variation, optimised [dB]",
            "output, identical settings [dB]",
            "output, optimised [dB]",
        ),
        rows=tuple(rows),
        right=(1, 2, 3, 4),
        folded=True,
    )


def _front_table(plan: Plan, count: int, front: FrontTable, unit: str) -> Table:
    level = front_level(plan, count, front)
    rows = tuple(
        (
            f"{front.variation_db[k]:.2f}",
            f"{front.output_db[k]:+z.1f}",
            f"{level[k]:.1f}",
            f"{front.smoothness_db[k]:.1f}",
            f"{front.decay_s[k]:.2f}",
        )
        for k in range(len(level))
    )
    return Table(
        caption=f"{subs_word(count)}: variation against output",
        headers=("variation [dB]", "output [dB]", f"average [{unit}]", "smoothness [dB]", "decay [s]"),
        rows=rows,
        right=(0, 1, 2, 3, 4),
        folded=True,
        screen_only=count != plan.subs,
    )


def _sweep(move: RowTable, row: ProjectRow, index: int) -> RowSweep:
    around = move.around
    own = np.flatnonzero(around.at_row == index)
    own = own[np.argsort(around.at_m[own], kind="stable")]
    return RowSweep(name=shown(row.name, 40), offset_m=around.at_m[own], variation_db=around.at_variation_db[own])


def _sweep_picture(sweeps: list[RowSweep], best_m: list[float], said: str, lengths: Lengths) -> Picture:
    return Picture(
        title="One row moved, with the plan found for the rows where they should be: its settings held.",
        alt=f"{said}. {_sweep_words(sweeps)}",
        size_in=CHOICE_SIZE,
        draw=lambda figure: _draw_rows(figure, sweeps, best_m, lengths),
    )


def _draw_rows(figure: Figure, sweeps: list[RowSweep], best_m: list[float], lengths: Lengths) -> None:
    variation_over_rows(figure.subplots(), sweeps=sweeps, best_m=best_m, lengths=lengths)


def _sweep_words(sweeps: list[RowSweep]) -> str:
    return " ".join(
        f"Over its places {sweep.name} goes from {sweep.variation_db.min():.2f} to {sweep.variation_db.max():z.2f} dB."
        for sweep in sweeps
    )


def _sweep_table(sweeps: list[RowSweep], lengths: Lengths) -> Table:
    unit, size_m = lengths.small
    return Table(
        caption="Variation with one row moved, the plan found for the moved rows held [dB]",
        headers=("row", f"moved toward the rear [{unit}]", "variation [dB]"),
        rows=tuple(
            (sweep.name, f"{moved:+g}" if (moved := round(offset / size_m, 1)) else "0 (where drawn)", f"{value:.2f}")
            for sweep in sweeps
            for offset, value in zip(sweep.offset_m, sweep.variation_db, strict=True)
        ),
        right=(1, 2),
        folded=True,
    )


def _place(x_m: float, offset_m: float, lengths: Lengths) -> str:
    if abs(offset_m) < 0.0005:
        return f"{lengths.text(x_m)}, as drawn"
    by = lengths.shift(abs(offset_m)).removeprefix("+")
    return f"{lengths.text(x_m + offset_m)}, {by} further {'back' if offset_m > 0 else 'forward'}"
