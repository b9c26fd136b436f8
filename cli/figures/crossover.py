"""The figure of subs meeting mains: the sum over its parts, and what a wrong delay or frequency costs."""

from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes

from cli.figures.common_axes import (
    BAND,
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
from cli.words.plan import polarity_word
from roommodes.plan.plan import Plan
from roommodes.responses.metrics import level_db, normalised
from solvers.crossover.with_mains import MainsMet

PARTS = (("subs", ROW_COLOURS[0], (0, (5, 1.6))), ("mains", ROW_COLOURS[1], (0, (1.2, 1.2))))


def crossover_page(plan: Plan, met: MainsMet, suffix: str) -> bytes:
    """Sum and parts on the left, sensitivity on the right, as PNG or SVG."""
    with mpl.rc_context(STYLE):
        figure = new_figure(12.5, 5.6)
        grid = figure.add_gridspec(2, 2, width_ratios=(1.5, 1.0))
        sum_and_parts(figure.add_subplot(grid[:, 0]), plan, met)
        offsets(figure.add_subplot(grid[0, 1]), met)
        frequencies(figure.add_subplot(grid[1, 1]), met)
        return figure_bytes(figure, suffix)


def sum_and_parts(axes: Axes, plan: Plan, met: MainsMet) -> Axes:
    """Average level over seats and mains of the sum and both parts; all seats' sums as a band."""
    hz, best, weight = met.parts.frequency_hz, met.best, normalised(met.parts.seat_weight)
    total = level_db(best.total)
    middle = float(np.mean(np.einsum("fsm,s->fm", total, weight)))
    each = total.reshape(len(hz), -1) - middle
    axes.fill_between(hz, each.min(axis=1), each.max(axis=1), color=BAND, linewidth=0, label="sum, all seats and mains")
    axes.plot(hz, total.mean(axis=2) @ weight - middle, color=INK, linewidth=2.0, label="sum, average")
    for (word, colour, dashes), part in zip(PARTS, (best.low[:, :, None], best.high), strict=True):
        mean = level_db(part).mean(axis=2) @ weight - middle
        axes.plot(hz, mean, color=colour, linewidth=1.5, linestyle=dashes, label=f"{word} alone, average")
    without = level_db(met.plain.total).mean(axis=2) @ weight - middle
    axes.plot(
        hz, without, color=INK, linewidth=0.9, linestyle=(0, (6, 1.5, 1.2, 1.5)), label="sum with no delay, normal"
    )
    axes.axvline(best.crossover.frequency_hz, color=FAINT, linewidth=1.4)
    frequency_axis(axes, hz)
    level_axis(axes, each)
    axes.set_ylabel("level about the average of the sum [dB]")
    ms, word = 1e3 * best.delay_s, polarity_word(best.polarity)
    axes.set_title(
        f"{plain(plan.project.name, 36)}: {best.crossover.words}; subs {ms:+z.2f} ms, {word}", loc="left", fontsize=10
    )
    below: dict[str, Any] = {"loc": "upper left", "bbox_to_anchor": (0.0, -0.12), "ncols": 3}  # off the curves
    axes.legend(**below, frameon=False, fontsize=8, handlelength=3.2)
    return axes


def offsets(axes: Axes, met: MainsMet) -> Axes:
    """Summation loss and variation over how much later the subs are."""
    ms = 1e3 * met.offset_s
    axes.plot(ms, [one.shortfall_db for one in met.by_offset], color=INK, linewidth=1.6, label="summation loss")
    variation = [one.variation_db for one in met.by_offset]
    axes.plot(ms, variation, color=ROW_COLOURS[2], linewidth=1.4, linestyle=(0, (5, 1.6)), label="variation")
    axes.set_xlabel("subs later than set by [ms]")
    return _finished(axes, "Summation loss and variation with a wrong delay")


def frequencies(axes: Axes, met: MainsMet) -> Axes:
    """Summation loss + variation over the crossover frequency."""
    hz = met.frequency_hz
    axes.plot(hz, [one.score_db for one in met.held], "o-", color=INK, markersize=4, linewidth=1.4, label="delay fixed")
    anew = [one.merit.score_db for one in met.anew]
    axes.plot(
        hz, anew, "s", linestyle=(0, (5, 1.6)), color=ROW_COLOURS[2], markersize=4, linewidth=1.4, label="re-optimised"
    )
    axes.set_xlabel("crossover frequency [Hz]")
    return _finished(axes, "Summation loss + variation at another frequency")


def _finished(axes: Axes, title: str) -> Axes:
    axes.set_ylim(0.0, 1.15 * max(1.0, axes.get_ylim()[1]))
    axes.set_ylabel("loss, variation [dB]")
    axes.set_title(title, loc="left", fontsize=10)
    axes.grid(True, color=FAINT, linewidth=0.5)
    axes.set_axisbelow(True)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    axes.legend(frameon=False, fontsize=8, handlelength=3.2)
    return axes
