"""The figure of a plan over time: level over time and frequency before and after, and decay times."""

from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes

from cli.figures.common_axes import FAINT, INK, ROW_COLOURS, STYLE, figure_bytes, frequency_axis, new_figure, plain
from cli.words.plan import subs_word
from roommodes.plan.plan import Plan
from roommodes.responses.decay_view import TimeView, heard_from_s
from solvers.listening.over_time import BeforeAfterTime

DEEPEST_DB = -48.0
LINES_DB = (-36.0, -24.0, -12.0)


def decay_page(plan: Plan, found: BeforeAfterTime, suffix: str) -> bytes:
    """Two images with one scale over the decay times, as PNG or SVG."""
    with mpl.rc_context(STYLE):
        figure = new_figure(12.5, 8.0)
        grid = figure.add_gridspec(2, 2, height_ratios=(1.4, 1.0))
        until = _until_s(found)
        image: Any = None
        upper = [figure.add_subplot(grid[0, column]) for column in (0, 1)]
        for axes, one, word in zip(upper, (found.before, found.after), ("identical settings", "the plan"), strict=True):
            image = level_over_time(axes, one.view, until_s=until)
            axes.set_title(f"{plain(plan.project.name, 32)}, {subs_word(plan.subs)}: {word}", loc="left", fontsize=10)
        bar = figure.colorbar(image, ax=upper, ticks=[DEEPEST_DB, *LINES_DB, 0.0])
        bar.set_label("level, all seats, re its highest [dB]")
        decay_times(figure.add_subplot(grid[1, :]), found)
        return figure_bytes(figure, suffix)


def level_over_time(axes: Axes, view: TimeView, *, until_s: float) -> Any:
    """A flat image of level over frequency and time, with lines every 12 dB; returns the image."""
    shown = view.time_s <= until_s
    level = view.level_db()[:, shown].T
    time_ms = 1e3 * view.time_s[shown]
    image = axes.pcolormesh(
        view.centre_hz,
        time_ms,
        np.maximum(level, DEEPEST_DB),
        cmap="cividis",
        vmin=DEEPEST_DB,
        vmax=0.0,
        shading="nearest",
        rasterized=True,
    )
    lines = axes.contour(view.centre_hz, time_ms, level, levels=list(LINES_DB), colors="#ffffff", linewidths=0.7)
    axes.clabel(lines, fmt=lambda value: f"{value:.0f}", fontsize=7)
    frequency_axis(axes, view.centre_hz)
    axes.grid(False)
    axes.set_ylabel("time [ms]")
    return image


def decay_times(axes: Axes, found: BeforeAfterTime) -> Axes:
    """Decay times before and after, the modes' own, and from where they are heard."""
    hz = found.before.view.centre_hz
    axes.plot(hz, found.before.view.decay_s, color=ROW_COLOURS[1], linestyle=(0, (5, 1.6)), label="identical settings")
    axes.plot(hz, found.after.view.decay_s, color=INK, linewidth=1.8, label="the plan")
    if found.modes:
        at = [mode.frequency_hz for mode in found.modes]
        axes.plot(at, [mode.decay_time_s for mode in found.modes], "x", color=ROW_COLOURS[0], label="single modes")
    axes.plot(hz, heard_from_s(hz), color=ROW_COLOURS[2], linestyle=(0, (1.2, 1.2)), label="threshold of audibility")
    axes.fill_between(hz, 0.0, found.before.view.shortest_s, color=FAINT, linewidth=0, label="too short to see")
    frequency_axis(axes, hz)
    axes.set_ylim(bottom=0.0)
    axes.set_ylabel("decay time [s]")
    axes.set_title("Time to fall by 60 dB", loc="left", fontsize=10)
    axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.2), ncols=5, frameon=False, fontsize=8, handlelength=3.2)
    return axes


def _until_s(found: BeforeAfterTime) -> float:
    """Until both images have faded."""
    longest = 0.1
    for one in (found.before.view, found.after.view):
        heard = (one.level_db() > DEEPEST_DB).any(axis=0)
        longest = max(longest, float(one.time_s[np.flatnonzero(heard)[-1]]))
    return min(longest, float(found.before.view.time_s[-1]))
