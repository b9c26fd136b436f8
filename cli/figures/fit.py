"""Figures of a fit: what the model leaves of the measurements, and what moved."""

from collections.abc import Sequence

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

from cli.figures.common_axes import (
    FAINT,
    INK,
    ROW_COLOURS,
    STYLE,
    TICK_HZ,
    band_label,
    figure_bytes,
    level_axis,
    new_figure,
    plain,
)
from cli.figures.left_out import by_band, by_place
from roommodes.measured.loading import MeasuredSet
from roommodes.project.project import Project
from solvers.fit.moved_modes import MovedMode
from solvers.fit.outcome import Fit

DRAWN, FITTED = ROW_COLOURS[1], ROW_COLOURS[0]


def fit_page(project: Project, measured: MeasuredSet, fit: Fit, modes: Sequence[MovedMode], suffix: str) -> bytes:
    """Misfit over frequency, the response that was worst as drawn, and the modes, as PNG or SVG."""
    with mpl.rc_context(STYLE):
        left_out = fit.judgement.left_out
        figure = new_figure(11.0, 8.0 if left_out is None else 12.0)
        grid = figure.add_gridspec(2 if left_out is None else 3, 2)
        left, right = figure.add_subplot(grid[0, 0]), figure.add_subplot(grid[0, 1])
        misfit_axes(left, fit)
        worst_response(right, measured, fit)
        modes_axes(figure.add_subplot(grid[1, :]), modes)
        if left_out is not None:
            by_band(figure.add_subplot(grid[2, 0]), left_out.table())
            by_place(figure.add_subplot(grid[2, 1]), measured, left_out)
        figure.suptitle(f"{plain(project.name, 60)}: fitted to {plain(measured.name, 60)}")
        return figure_bytes(figure, suffix)


def misfit_axes(axes: Axes, fit: Fit) -> Axes:
    """What is left of the responses' rms, as drawn and as fitted."""
    before, after = fit.compared.misfit_over_frequency()
    axes.plot(fit.compared.frequency_hz, 100.0 * before, color=DRAWN, linestyle=(0, (5, 1.6)), label="as drawn")
    axes.plot(fit.compared.frequency_hz, 100.0 * after, color=FITTED, label="as fitted")
    axes.set_ylabel("misfit [% of the responses' rms]")
    axes.set_title("What the model leaves unexplained")
    axes.set_ylim(bottom=0.0)
    return _over_frequency(axes, fit)


def worst_response(axes: Axes, measured: MeasuredSet, fit: Fit) -> Axes:
    """The response that was worst as drawn: measured, as drawn, as fitted."""
    left = np.sqrt(
        np.mean(np.abs(fit.compared.data - fit.compared.before) ** 2, axis=0)
        / np.mean(np.abs(fit.compared.data) ** 2, axis=0)
    )
    seat, sub = (int(i) for i in np.unravel_index(int(left.argmax()), left.shape))
    level = [
        20.0 * np.log10(np.maximum(np.abs(v[:, seat, sub]), 1e-30))
        for v in (fit.compared.data, fit.compared.before, fit.compared.after)
    ]
    axes.plot(fit.compared.frequency_hz, level[0], color=INK, linewidth=2.2, label="measured")
    axes.plot(fit.compared.frequency_hz, level[1], color=DRAWN, linestyle=(0, (5, 1.6)), label="as drawn")
    axes.plot(fit.compared.frequency_hz, level[2], color=FITTED, linestyle=(0, (1.2, 1.2)), label="as fitted")
    unit = {"relative": "dB, relative", "pascal": "dB re 1 Pa", "per metre": "dB re 1/m"}[measured.level]
    level_axis(axes, np.array(level))
    axes.set_ylabel(f"level [{unit}]")
    axes.set_title(f"Worst as drawn: {plain(measured.subs.name[sub])} at {plain(measured.seats.name[seat])}")
    return _over_frequency(axes, fit)


def modes_axes(axes: Axes, modes: Sequence[MovedMode]) -> Axes:
    """Each mode's frequency against that with rigid walls, as drawn and as fitted."""
    place = np.arange(len(modes))
    textbook = np.array([one.textbook_hz for one in modes])
    axes.axhline(0.0, color=FAINT, linewidth=1.0)
    for found, colour, marker, label in (
        ([one.drawn for one in modes], DRAWN, "s", "as drawn"),
        ([one.fitted for one in modes], FITTED, "o", "as fitted"),
    ):
        shift = np.array([np.nan if one is None else one.frequency_hz for one in found]) - textbook
        axes.plot(place, shift, color=colour, marker=marker, linestyle="none", label=label)
    axes.set_xticks(place, [f"{' '.join(map(str, one.number))}\n{one.textbook_hz:.0f} Hz" for one in modes])
    axes.set_ylabel("frequency minus that with rigid walls [Hz]")
    axes.set_title("Where the modes lie, against rigid walls and the sizes as drawn")
    if modes:
        axes.legend(frameon=False)
    return axes


def _over_frequency(axes: Axes, fit: Fit) -> Axes:
    low, high = float(fit.compared.frequency_hz[0]), float(fit.compared.frequency_hz[-1])
    axes.set_xscale("log")
    axes.set_xlim(low, high)
    axes.xaxis.set_major_locator(FixedLocator([hz for hz in TICK_HZ if low <= hz <= high]))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axes.set_xlabel(band_label(low, high))
    axes.grid(color=FAINT, linewidth=0.5)
    axes.legend(frameon=False)
    return axes
