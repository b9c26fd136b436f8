"""Figures of a field estimate: what is left at places left out, and the levels there with their deviations."""

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes

from cli.figures.common_axes import (
    FAINT,
    INK,
    ROW_COLOURS,
    STYLE,
    figure_bytes,
    frequency_axis,
    level_axis,
    new_figure,
    plain,
)
from roommodes.measured.data import MeasuredSet
from roommodes.project.project import Project
from roommodes.responses.metrics import level_db
from solvers.field.errors import LeftOut
from solvers.field.estimate import FIELD, INTERPOLATION, MODEL_ALONE, Estimate

MOST_SHOWN = 150.0  # % of the rms, by place
LINES = {
    FIELD: (ROW_COLOURS[0], "-", "o"),
    MODEL_ALONE: (ROW_COLOURS[1], (0, (5, 1.6)), "s"),
    INTERPOLATION: (ROW_COLOURS[2], (0, (1.2, 1.2)), "^"),
}


def field_page(project: Project, measured: MeasuredSet, found: Estimate, suffix: str) -> bytes:
    """Errors by third octave and by place, and the best and worst place left out, as PNG or SVG."""
    with mpl.rc_context(STYLE):
        figure = new_figure(12.0, 8.0)
        grid = figure.add_gridspec(2, 2)
        by_band(figure.add_subplot(grid[0, 0]), found.left_out)
        by_place(figure.add_subplot(grid[0, 1]), measured, found.left_out)
        order = np.argsort(found.left_out.by_place(FIELD))
        for column, (at, word) in enumerate(((int(order[len(order) // 2]), "median"), (int(order[-1]), "worst"))):
            one_place(figure.add_subplot(grid[1, column]), measured, found.left_out, at, word)
        figure.suptitle(f"{plain(project.name, 50)}: {plain(measured.name, 50)}, each place predicted from the others")
        return figure_bytes(figure, suffix)


def by_band(axes: Axes, checked: LeftOut) -> Axes:
    """Share of the rms that is left in each third octave, three ways."""
    for way, (colour, dash, marker) in LINES.items():
        rows = checked.by_third_octave(way)
        hz = np.array([centre for centre, _ in rows])
        axes.plot(hz, [100.0 * one.left for _, one in rows], color=colour, linestyle=dash, marker=marker, label=way)
    frequency_axis(axes, np.array([hz[0] * 0.94, hz[-1] * 1.06]))
    axes.set_xlabel("third octave [Hz]")
    axes.set_ylim(bottom=0.0)
    axes.set_ylabel("error [% of the responses' rms]")
    axes.set_title("By third octave", loc="left", fontsize=10)
    axes.legend(frameon=False)
    return axes


def by_place(axes: Axes, measured: MeasuredSet, checked: LeftOut) -> Axes:
    """The same at each place."""
    at, highest = np.arange(len(measured.seats)), 0.0
    for way, (colour, _, marker) in LINES.items():
        share = 100.0 * checked.by_place(way)
        highest = max(highest, float(share.max()))
        axes.plot(at, np.minimum(share, MOST_SHOWN), color=colour, marker=marker, linestyle="none", label=way)
    axes.set_xticks(at, [plain(one, 14) for one in measured.seats.name], rotation=60, ha="right")
    axes.set_ylim(0.0, 1.04 * min(1.1 * highest, MOST_SHOWN) or 1.0)
    title = "By place" + (f" (at most {MOST_SHOWN:g} % shown)" if highest > MOST_SHOWN else "")
    axes.set_ylabel("error [% of the responses' rms]")
    axes.set_title(title, loc="left", fontsize=10)
    axes.grid(axis="y", color=FAINT, linewidth=0.5)
    return axes


def one_place(axes: Axes, measured: MeasuredSet, checked: LeftOut, place: int, word: str) -> Axes:
    """The first sub's level at a place left out, measured and by the field, with one deviation either way."""
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
