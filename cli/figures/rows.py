"""The figure of one setting for all rows: each row's mean with it and with a setting of its own."""

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes

from cli.figures.common_axes import ROW_COLOURS, STYLE, figure_bytes, frequency_axis, level_axis, new_figure, plain
from cli.words.plan import subs_word
from roommodes.arrays import Floats
from roommodes.plan.plan import Plan
from solvers.listening.row_compromise import Compromise


def rows_page(plan: Plan, found: Compromise, suffix: str) -> bytes:
    """The figure as PNG or SVG."""
    with mpl.rc_context(STYLE):
        figure = new_figure(9.0, 4.2)
        row_means(figure.subplots(), plan, found)
        return figure_bytes(figure, suffix)


def row_means(axes: Axes, plan: Plan, found: Compromise) -> Axes:
    """Each row's mean level with one setting for all rows, and with a setting of its own."""
    levels: list[Floats] = []
    for cost in found.costs:
        colour = ROW_COLOURS[cost.row % len(ROW_COLOURS)]
        word = plain(plan.project.rows[cost.row].name)
        for level, dashes, width, what in (
            (cost.level_here_db, "-", 1.8, f"{word}, one setting: {cost.here_db:z.2f} dB"),
            (cost.level_alone_db, (0, (3, 2)), 1.1, f"{word}, its own: {cost.alone_db:z.2f} dB"),
        ):
            shown = level - float(np.mean(level))
            levels.append(shown)
            axes.plot(plan.frequency_hz, shown, color=colour, linestyle=dashes, linewidth=width, label=what)
    frequency_axis(axes, plan.frequency_hz)
    level_axis(axes, *levels)
    axes.set_ylabel("average of the row about that over the band [dB]")
    axes.set_title(
        f"{plain(plan.project.name, 48)}, {subs_word(plan.subs)}: averages of the rows, and variation within each",
        loc="left",
        fontsize=10,
    )
    axes.legend(loc="upper left", bbox_to_anchor=(1.01, 1.0), frameon=False, fontsize=8, handlelength=3.2)
    return axes
