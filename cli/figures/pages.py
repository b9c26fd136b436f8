"""Whole figures, ready to be written: the room from above beside the levels at its seats."""

import matplotlib as mpl
import numpy as np

from cli.figures.common_axes import STYLE, SubMark, figure_bytes, new_figure, plain, plan_view, seat_levels
from cli.words.levels import shown_levels
from cli.words.plan import drive_lines, subs_word
from roommodes.plan.plan import Plan, Results


def prediction_page(plan: Plan, suffix: str) -> bytes:
    """The layout of the project and the level at every seat, as PNG or SVG."""
    levels, unit = shown_levels(plan)
    with mpl.rc_context(STYLE):
        figure = new_figure(12.5, 5.6)
        left, right = figure.subplots(1, 2, width_ratios=(1.0, 1.15))
        title = f"{plain(plan.project.name, 48)}: layout in the file"
        plan_view(left, plan.project, subs=sub_marks(plan), title=title)
        seat_levels(
            right,
            frequency_hz=plan.frequency_hz,
            level_db=levels,
            seat_name=plan.seats.name,
            seat_row=plan.seats.row.tolist(),
            title="Level at the seat"
            if len(plan.seats) == 1
            else f"Level at every seat: variation {plan.variation_db:z.2f} dB",
            level_label=f"level [{unit}]",
        )
        return figure_bytes(figure, suffix)


def plans_page(results: Results, suffix: str) -> bytes:
    """The recommended plan from above, and the level at every seat with the best plan of each count."""
    plans = [results.plan(count, 1) for count in results.plans]
    advice = results.choices.recommendation
    drawn = results.recommended() if advice is not None and advice.subs in results.plans else plans[-1]
    middles = [float(np.mean(plan.level_db)) for plan in plans]
    reach = max(float(np.abs(plan.level_db - middle).max()) for plan, middle in zip(plans, middles, strict=True)) + 1.0
    with mpl.rc_context(STYLE):
        figure = new_figure(12.5, max(5.6, 2.1 * len(plans)))
        grid = figure.add_gridspec(len(plans), 2, width_ratios=(1.0, 1.15))
        title = f"{plain(results.project.name, 48)}: {subs_word(drawn.subs)}"
        room_axes = figure.add_subplot(grid[:, 0])
        plan_view(room_axes, results.project, subs=sub_marks(drawn), title=title, candidates=True)
        for place, (plan, middle) in enumerate(zip(plans, middles, strict=True)):
            axes = figure.add_subplot(grid[place, 1])
            alone = len(plan.seats) == 1
            figure_db = plan.output_db if alone else plan.variation_db
            seat_levels(
                axes,
                frequency_hz=plan.frequency_hz,
                level_db=plan.level_db - middle,
                seat_name=plan.seats.name,
                seat_row=plan.seats.row.tolist(),
                title=f"{subs_word(plan.subs)}: {'output' if alone else 'variation'} {figure_db:z.2f} dB",
                level_label="re mean [dB]",
                legend=place == 0,
            )
            axes.set_ylim(-min(reach, 30.0), min(reach, 20.0))
            if place < len(plans) - 1:
                axes.set_xlabel("")
        return figure_bytes(figure, suffix)


def sub_marks(plan: Plan) -> list[SubMark]:
    """The subs of a plan, with their drives in words."""
    each = zip(plan.positions_m.tolist(), drive_lines(plan.drives), strict=True)
    return [SubMark(position_m=tuple(position), drive=words) for position, words in each]
