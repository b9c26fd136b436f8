"""Whole figures, ready to be written: the room from above beside the levels at its seats."""

import matplotlib as mpl
import numpy as np

from cli.figures.common_axes import (
    BAND,
    LINES_UP_TO,
    STYLE,
    figure_bytes,
    level_axis,
    new_figure,
    plain,
    row_name,
    seat_levels,
)
from cli.figures.room_plan import SubMark, plan_view
from cli.words.levels import shown_levels
from cli.words.plan import drive_lines, subs_word
from roommodes.arrays import Integers
from roommodes.plan.plan import Plan, Results
from roommodes.responses.metrics import variation_db

PANEL_IN = 2.6  # of a row of seats


def prediction_page(plan: Plan, suffix: str) -> bytes:
    """The layout of the project and the level at every seat, as PNG or SVG."""
    levels, unit = shown_levels(plan)
    seats, row = plan.seats, plan.seats.row
    single = len(seats) <= LINES_UP_TO
    panels = [np.arange(len(seats))] if single else [np.flatnonzero(row == one) for one in np.unique(row)]
    with mpl.rc_context(STYLE):
        figure = new_figure(12.5, max(5.6, PANEL_IN * len(panels)))
        grid = figure.add_gridspec(len(panels), 2, width_ratios=(1.0, 1.15))
        title = f"{plain(plan.project.name, 48)}: layout in the file, {subs_word(plan.subs)}"
        plan_view(figure.add_subplot(grid[:, 0]), plan.project, subs=sub_marks(plan), title=title)
        for place, members in enumerate(panels):
            axes = figure.add_subplot(grid[place, 1])
            if not single:
                low, high = levels.min(axis=1), levels.max(axis=1)
                axes.fill_between(plan.frequency_hz, low, high, color=BAND, linewidth=0)  # behind the row's own
            seat_levels(
                axes,
                frequency_hz=plan.frequency_hz,
                level_db=levels[:, members],
                seat_name=[seats.name[seat] for seat in members],
                seat_row=row[members].tolist(),
                title=_panel_title(plan, members, single=single),
                level_label=f"level [{unit}]",
            )
            level_axis(axes, levels)
            if place < len(panels) - 1:
                axes.set_xlabel("")
        return figure_bytes(figure, suffix)


def _panel_title(plan: Plan, members: Integers, *, single: bool) -> str:
    """What one panel of a prediction shows."""
    if len(plan.seats) == 1:
        return "Level at the seat"
    if single:
        return f"Level at every seat: variation {plan.variation_db:z.2f} dB"
    own = variation_db(plan.level_db[:, members], plan.seats.weight[members]) if len(members) > 1 else 0.0
    name = plain(row_name(plan.seats.name[int(members[0])]), 24)
    return f"Row {name}: variation {own:z.2f} dB within it, {plan.variation_db:z.2f} dB over all seats"


def plans_page(results: Results, suffix: str) -> bytes:
    """The recommended plan from above, and the level at every seat with the best plan of each count."""
    plans = [results.plan(count, 1) for count in results.plans]
    advice = results.choices.recommendation
    drawn = results.recommended() if advice is not None and advice.subs in results.plans else plans[-1]
    middles = [float(np.mean(plan.level_db)) for plan in plans]
    shown = [plan.level_db - middle for plan, middle in zip(plans, middles, strict=True)]
    with mpl.rc_context(STYLE):
        figure = new_figure(12.5, max(5.6, 2.1 * len(plans)))
        grid = figure.add_gridspec(len(plans), 2, width_ratios=(1.0, 1.15))
        title = f"{plain(results.project.name, 48)}: {'recommended, ' if advice else ''}{subs_word(drawn.subs)}"
        room_axes = figure.add_subplot(grid[:, 0])
        plan_view(room_axes, results.project, subs=sub_marks(drawn), title=title, candidates=True)
        for place, (plan, level) in enumerate(zip(plans, shown, strict=True)):
            axes = figure.add_subplot(grid[place, 1])
            alone = len(plan.seats) == 1
            figure_db = plan.output_db if alone else plan.variation_db
            seat_levels(
                axes,
                frequency_hz=plan.frequency_hz,
                level_db=level,
                seat_name=plan.seats.name,
                seat_row=plan.seats.row.tolist(),
                title=f"{subs_word(plan.subs)}: {'output' if alone else 'variation'} {figure_db:z.2f} dB",
                level_label="level about its average [dB]",
                legend=place == 0,
            )
            level_axis(axes, *shown)
            if place < len(plans) - 1:
                axes.set_xlabel("")
        return figure_bytes(figure, suffix)


def sub_marks(plan: Plan) -> list[SubMark]:
    """The subs of a plan, with their drives in words."""
    each = zip(plan.positions_m.tolist(), drive_lines(plan.drives), strict=True)
    return [SubMark(position_m=tuple(position), drive=words) for position, words in each]
