"""The figure of a plan's filters: seats before and after, and what the filters do."""

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes

from cli.figures.common_axes import (
    INK,
    ROW_COLOURS,
    SEAT_DASHES,
    STYLE,
    figure_bytes,
    frequency_axis,
    level_axis,
    new_figure,
    plain,
    seat_levels,
)
from cli.words.plan import subs_word
from cli.words.tune import tuning_of
from roommodes.filters.sections import section_response
from roommodes.plan.plan import Plan

SHARED = "#b4bcc2"


def tuning_page(plan: Plan, suffix: str) -> bytes:
    """Levels of a tuned plan before above those after, and the filters' responses below, as PNG or SVG."""
    tuning = tuning_of(plan)
    seats, hz = plan.seats, tuning.grid(plan.frequency_hz)
    middle = float(np.mean(tuning.before_db))
    with mpl.rc_context(STYLE):
        figure = new_figure(9.5, 9.0)
        upper, lower, last = figure.subplots(3, 1, height_ratios=(1.0, 1.0, 0.8))
        shown = np.concatenate([tuning.before_db, tuning.after_db]) - middle
        for axes, level, word, variation in (
            (upper, tuning.before_db, "without filters", tuning.variation_before_db),
            (lower, tuning.after_db, "with filters", tuning.variation_after_db),
        ):
            seat_levels(
                axes,
                frequency_hz=hz,
                level_db=level - middle,
                seat_name=seats.name,
                seat_row=seats.row.tolist(),
                title=f"{plain(plan.project.name, 48)}, {subs_word(plan.subs)} {word}: variation {variation:z.2f} dB",
                level_label="relative to the unfiltered average [dB]",
                legend=axes is upper,
            )
            offset = float(np.mean(level - tuning.target_db[:, None])) + middle
            target = tuning.target_db - middle + (offset - middle)
            axes.plot(hz, target, color=INK, linewidth=1.0, linestyle=(0, (1, 2)), label="target")
            level_axis(axes, shown)
            axes.set_xlabel("")
        upper.legend(loc="upper left", bbox_to_anchor=(1.01, 1.0), frameon=False, fontsize=8, handlelength=3.2)
        filter_responses(last, plan)
        return figure_bytes(figure, suffix)


def filter_responses(axes: Axes, plan: Plan) -> Axes:
    """What all filters in each sub's path of a tuned plan do to its level, and what the shared ones do."""
    tuning = tuning_of(plan)
    hz, rate = tuning.grid(plan.frequency_hz), tuning.settings.sample_rate_hz
    for sub in range(plan.subs):
        if tuning.sub_filters[sub]:
            level = 20.0 * np.log10(np.abs(section_response(tuning.of_sub(sub), hz, rate_hz=rate)))
            style = SEAT_DASHES[(sub + 1) % len(SEAT_DASHES)]
            colour = ROW_COLOURS[sub % len(ROW_COLOURS)]
            axes.plot(
                hz, level, color=colour, linestyle=style, linewidth=1.3, label=f"sub {sub + 1}, individual and common"
            )
    shared = 20.0 * np.log10(np.abs(section_response(tuning.shared, hz, rate_hz=rate)))
    axes.plot(hz, shared, color=SHARED, linewidth=4.0, zorder=1, label="common to all subs")  # the others over it
    frequency_axis(axes, hz)
    axes.set_ylabel("gain of the filters [dB]")
    axes.set_title("What the filters do", loc="left", fontsize=10)
    axes.legend(loc="upper left", bbox_to_anchor=(1.01, 1.0), frameon=False, fontsize=8, handlelength=3.2)
    return axes
