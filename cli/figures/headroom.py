"""The headroom as a figure: highest clean level at every seat against the target, and what the room gives."""

from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from cli.figures.common_axes import INK, STYLE, figure_bytes, level_axis, new_figure, plain, seat_levels
from cli.figures.lettering import text_width
from cli.words.plan import subs_word
from roommodes.plan.plan import Plan
from roommodes.responses.third_octaves import exact_hz
from roommodes.subwoofer.limits import Limit
from solvers.loudness.of_plan import PlanHeadroom

SHORT = {
    Limit.DISPLACEMENT: "displacement",
    Limit.POWER: "power",
    Limit.PORT: "port",
    Limit.VOLTAGE: "voltage",
    Limit.CURRENT: "current",
    Limit.BURSTS: "bursts",
    Limit.STATED: "stated",
}
TARGET = "#a3195b"  # no row of seats has it
WORDS_DB = 6.0  # below the lowest level, for what limits each band
BELOW_MM, HANDLE_MM = 125.0, 13.0  # room for the key below a narrow picture; what a name's line takes in it


def headroom_page(plan: Plan, found: PlanHeadroom, suffix: str) -> bytes:
    """Both figures on one page, as PNG, SVG or PDF."""
    with mpl.rc_context(STYLE):
        figure = new_figure(12.5, 5.2)
        draw_headroom(figure, found, title=f"{plain(plan.project.name, 40)}, {subs_word(plan.subs)}")
        return figure_bytes(figure, suffix)


def draw_headroom(figure: Figure, found: PlanHeadroom, *, title: str) -> None:
    """Both figures side by side on an empty figure."""
    heading = f"{title}: headroom {found.headroom.least_db:+z.1f} dB"
    if not np.isfinite(found.headroom.room_gain_db).all():  # nothing says what a sub does at 1 m
        level_axes(figure.subplots(), found, title=heading)
        return
    left, right = figure.subplots(1, 2, width_ratios=(1.35, 1.0))
    level_axes(left, found, title=heading)
    gain_axes(right, found)


def level_axes(axes: Axes, found: PlanHeadroom, *, title: str, below: bool = False) -> Axes:
    """Highest clean level at every seat by third-octave, the target, and what limits each band.

    Parameters
    ----------
    axes : to draw on.
    found : what is shown.
    title : above it; empty for none.
    below : the key stands below, for narrow pictures, else on the right.
    """
    head = found.headroom
    hz = np.array([exact_hz(band) for band in head.bands])
    seat_levels(
        axes,
        frequency_hz=hz,
        level_db=head.highest_db,
        seat_name=found.plan.seats.name,
        seat_row=found.plan.seats.row.tolist(),
        title=title,
        level_label="highest clean level [dB SPL rms]",
        legend=False,
    )
    axes.plot(hz, head.mean_db, color=INK, linewidth=2.4, label="average over the seats")
    axes.axhline(head.target_db, color=TARGET, linewidth=1.8, linestyle=(0, (8, 3)), label="target")
    lowest = min(float(head.highest_db.min()), head.target_db) - WORDS_DB
    level_axis(axes, head.highest_db, np.array([lowest, head.target_db]))
    low = axes.get_ylim()[0]
    for place, limit in zip(hz, head.tightest.limited_by, strict=True):
        axes.text(place, low + 0.5, SHORT[limit], rotation=90, fontsize=7.5, ha="center", va="bottom", color=INK)
    if len(hz) > 1:
        axes.set_xlim(hz[0] * 0.93, hz[-1] * 1.07)
    axes.set_xlabel("third-octave band [Hz]; upright: what limits it")
    key: dict[str, Any] = {"loc": "upper left", "frameon": False, "fontsize": 8, "handlelength": 3.2}
    if below:
        handles, names = axes.get_legend_handles_labels()
        longest = max(map(text_width, names))
        columns = max(1, min(3, int(BELOW_MM / (longest + HANDLE_MM))))
        axes.legend(handles, names, bbox_to_anchor=(0.0, -0.16), ncols=columns, **key)
    else:
        axes.legend(bbox_to_anchor=(1.01, 1.0), **key)
    return axes


def gain_axes(axes: Axes, found: PlanHeadroom) -> Axes:
    """The room's own gain at the seats beside the rule of thumb."""
    head = found.headroom
    hz = np.array([exact_hz(band) for band in head.bands])
    gain, rule = head.room_gain_db, head.rule_gain_db
    modelled = found.plan.project.drive is None
    seat_levels(
        axes,
        frequency_hz=hz,
        level_db=gain,
        seat_name=found.plan.seats.name,
        seat_row=found.plan.seats.row.tolist(),
        title=f"What the room gives, {'from the model' if modelled else 'as measured'}",
        level_label="level over the subs at 1 m, free field [dB]",
        legend=False,
    )
    for line in list(axes.lines):
        line.remove()
    of = "model" if modelled else "measured"
    axes.plot(hz, gain.mean(axis=1), color=INK, linewidth=2.0, label=f"average over the seats, {of}")
    axes.plot(hz, rule.mean(axis=1), color=TARGET, linewidth=1.6, linestyle=(0, (3, 2)), label="rule of thumb")
    level_axis(axes, gain, rule.mean(axis=1))
    if len(hz) > 1:
        axes.set_xlim(hz[0] * 0.93, hz[-1] * 1.07)
    axes.set_xlabel("third-octave band [Hz]")
    handles, labels = axes.get_legend_handles_labels()
    axes.legend(handles, labels, loc="best", frameon=False, fontsize=8)
    return axes
