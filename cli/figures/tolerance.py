"""The figure of a plan in built rooms: levels with their bands, and what matters most."""

from collections.abc import Sequence
from math import ceil
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
from cli.words.plan import subs_word
from cli.words.tolerance import group_words, shown_count
from roommodes.arrays import Floats
from roommodes.plan.plan import Results
from roommodes.plan.tolerance import PERCENTILES, Shares, Tolerance

COLUMNS = 4
ROOMY_ROWS = 3  # of panels; more are drawn lower
MOST_GROUPS = 10
LOW, MIDDLE, NINETY, HIGH = (PERCENTILES.index(percent) for percent in (5.0, 50.0, 90.0, 95.0))


def tolerance_page(results: Results, found: Tolerance, suffix: str) -> bytes:
    """The first plan of the shown number of subs: mean and seats with bands, and shares; PNG or SVG."""
    count = shown_count(results, found)
    table = found.plans[count]
    first, shares = table.first, table.first.shares
    seats = list(range(len(found.seat_name)))
    rows = ceil(len(seats) / COLUMNS)
    row_in = 2.2 if rows <= ROOMY_ROWS else 1.6
    with mpl.rc_context(STYLE):
        figure = new_figure(12.5, 4.2 + row_in * rows)
        parts: Any = figure.subfigures(2, 1, height_ratios=[1.7, rows * row_in / 2.2])
        upper, lower = parts
        middle = float(first.mean_percentile_db[:, MIDDLE].mean())
        spread = first.level_percentile_db[:, seats] - middle
        upper.suptitle(
            f"{plain(results.project.name, 40)}, {subs_word(count)}: variation {table.variation_db[0]:z.2f} dB as "
            f"drawn, below {table.variation_percentile_db[0, NINETY]:z.2f} dB in 90 % of {found.draws:,} rooms",
            x=0.01,
            ha="left",
            fontsize=10,
        )
        panels = np.atleast_1d(upper.subplots(1, 1 if shares is None else 2))
        band(
            panels[0],
            found.frequency_hz,
            first.mean_percentile_db - middle,
            colour=INK,
            title="Average over the seats",
        )
        panels[0].set_ylabel("level about its average [dB]")
        panels[0].legend(frameon=False, fontsize=8, loc="lower left")
        if shares is not None:
            share_bars(panels[1], found.group_name, shares)
        below = lower.subplots(rows, COLUMNS, squeeze=False, sharex=True, sharey=True).ravel()
        for axes, seat in zip(below, seats, strict=False):
            row = int(results.seats.row[seat])
            colour = ROW_COLOURS[row % len(ROW_COLOURS)]
            title = plain(found.seat_name[seat], 24)
            band(axes, found.frequency_hz, first.level_percentile_db[:, seat] - middle, colour=colour, title=title)
            axes.tick_params(labelsize=7, labelbottom=True)
        for axes in (panels[0], below[0]):
            level_axis(axes, spread)
        for axes in below[len(seats) :]:
            axes.set_visible(False)
        return figure_bytes(figure, suffix)


def band(axes: Axes, frequency_hz: Floats, level_db: Floats, *, colour: str, title: str) -> Axes:
    """A level over frequency with its band.

    Parameters
    ----------
    axes : to draw on.
    frequency_hz : (n_freq,) [Hz].
    level_db : (n_freq, n_percentile) [dB].
    colour, title : of the line; what it shows.
    """
    axes.fill_between(
        frequency_hz, level_db[:, LOW], level_db[:, HIGH], color=BAND, linewidth=0, label="5 to 95 % of the rooms"
    )
    axes.plot(frequency_hz, level_db[:, MIDDLE], color=colour, linewidth=1.4, label="50 %")
    frequency_axis(axes, frequency_hz)
    axes.set_title(title, loc="left", fontsize=8.5)
    return axes


def share_bars(axes: Axes, group_name: Sequence[str], shares: Shares) -> Axes:
    """Total shares as bars with their intervals, the first-order ones as marks; `group_name` as in the tolerance."""
    order = np.argsort(-shares.total, kind="stable")[:MOST_GROUPS][::-1]
    place = np.arange(len(order))
    total = np.clip(shares.total[order], 0.0, 1.0)  # few draws put some of them beyond what a share can be
    low, high = np.clip(shares.total_interval[order], 0.0, 1.0).T
    axes.barh(place, total, color="#9fb4c2", height=0.62, label="total")
    axes.errorbar(
        total,
        place,
        xerr=np.maximum(np.stack([total - low, high - total]), 0.0),
        fmt="none",
        ecolor=INK,
        elinewidth=0.9,
        capsize=2.5,
        label="interval",
    )
    axes.plot(np.clip(shares.first_order[order], 0.0, 1.0), place, "D", color=INK, markersize=4, label="first-order")
    axes.set_yticks(place, [plain(group_words(group_name[k]), 30) for k in order])
    axes.set_xlim(0.0, 1.0)
    axes.set_xlabel("share of the variance of the variation")
    axes.grid(True, axis="x", color=FAINT, linewidth=0.5)
    axes.set_axisbelow(True)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    axes.legend(frameon=False, fontsize=8, loc="lower right")
    axes.set_title("What matters most", loc="left", fontsize=9)
    return axes
