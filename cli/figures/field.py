"""Figures of a field estimate: what is left at places left out, and the levels there with their deviations."""

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes

from cli.figures.common_axes import (
    INK,
    ROW_COLOURS,
    STYLE,
    figure_bytes,
    frequency_axis,
    level_axis,
    new_figure,
    plain,
)
from cli.figures.left_out import by_band, by_place
from roommodes.measured.data import MeasuredSet
from roommodes.project.project import Project
from roommodes.responses.metrics import level_db
from solvers.field.errors import LeftOut
from solvers.field.estimate import FIELD, Estimate


def field_page(project: Project, measured: MeasuredSet, found: Estimate, suffix: str) -> bytes:
    """Errors by third octave and by place, and the best and worst place left out, as PNG or SVG."""
    with mpl.rc_context(STYLE):
        figure = new_figure(12.0, 8.0)
        grid = figure.add_gridspec(2, 2)
        by_band(figure.add_subplot(grid[0, 0]), found.left_out.table())
        by_place(figure.add_subplot(grid[0, 1]), measured, found.left_out)
        order = np.argsort(found.left_out.by_place(FIELD))
        for column, (at, word) in enumerate(((int(order[len(order) // 2]), "median"), (int(order[-1]), "worst"))):
            one_place(figure.add_subplot(grid[1, column]), measured, found.left_out, at, word)
        figure.suptitle(f"{plain(project.name, 50)}: {plain(measured.name, 50)}, each place predicted from the others")
        return figure_bytes(figure, suffix)


def one_place(axes: Axes, measured: MeasuredSet, checked: LeftOut, place: int, word: str) -> Axes:
    """The first sub's level at a place left out, measured and by the field, with one deviation either way."""
    assert checked.deviation is not None, "a field states one"
    hz = checked.frequency_hz
    value, deviation = np.abs(checked.found[FIELD][:, place, 0]), checked.deviation[:, place, 0]
    low, high = np.maximum(value - deviation, 0.05 * value), value + deviation
    axes.fill_between(
        hz, level_db(low), level_db(high), color=ROW_COLOURS[0], alpha=0.2, linewidth=0, label="one deviation"
    )
    axes.plot(hz, level_db(value), color=ROW_COLOURS[0], label=FIELD)
    axes.plot(
        hz, level_db(checked.data[:, place, 0]), color=INK, linewidth=2.0, linestyle=(0, (5, 1.6)), label="measured"
    )
    frequency_axis(axes, hz)
    level_axis(axes, level_db(value), level_db(checked.data[:, place, 0]))
    unit = {"relative": "dB, relative", "pascal": "dB re 1 Pa", "per metre": "dB re 1/m"}[measured.level]
    axes.set_ylabel(f"level [{unit}]")
    title = f"{plain(measured.subs.name[0])} at {plain(measured.seats.name[place])}: {word} place"
    axes.set_title(title, loc="left", fontsize=10)
    axes.legend(frameon=False)
    return axes
