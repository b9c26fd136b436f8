"""Plans on the same axes: mean level with the band of the seats, and how far the seats differ, over frequency."""

from collections.abc import Sequence

import matplotlib as mpl
import numpy as np

from cli.figures.common_axes import (
    ROW_COLOURS,
    SEAT_DASHES,
    STYLE,
    figure_bytes,
    frequency_axis,
    level_axis,
    new_figure,
    plain,
)
from cli.words.what_if.side_by_side import LETTERS
from roommodes.responses.metrics import normalised
from solvers.plans.side_by_side import Seen


def side_by_side_page(names: Sequence[str], plans: Sequence[Seen], suffix: str) -> bytes:
    """The figure as PNG or SVG; levels that do not count from the same stand about their own mean."""
    unit = plans[0].plan.results.level_unit
    alike = all(one.plan.results.level_unit == unit for one in plans)
    several = all(len(one.plan.seats) > 1 for one in plans)
    with mpl.rc_context(STYLE):
        figure = new_figure(9.5, 6.4 if several else 4.2)
        ratios = (1.5, 1.0) if several else (1.0,)
        axes = figure.subplots(len(ratios), 1, sharex=True, squeeze=False, height_ratios=ratios)[:, 0]
        top = -np.inf
        for number, (letter, name, one) in enumerate(zip(LETTERS, names, plans, strict=False)):
            colour, dash = ROW_COLOURS[number % len(ROW_COLOURS)], SEAT_DASHES[number % len(SEAT_DASHES)]
            own = 0.0 if alike else float(one.mean_db.mean())
            level, mean, hz = one.level_db - own, one.mean_db - own, one.frequency_hz
            top = max(top, float(level.max()))
            if several:
                axes[0].fill_between(hz, level.min(axis=1), level.max(axis=1), color=colour, alpha=0.13, linewidth=0)
                share = normalised(one.plan.seats.weight)
                deviation = np.sqrt(((one.level_db - one.mean_db[:, None]) ** 2) @ share)
                axes[1].plot(hz, deviation, color=colour, linestyle=dash, linewidth=1.6)
            label = f"{letter}  {plain(name, 60)}" + (f": variation {one.variation_db:z.2f} dB" if several else "")
            axes[0].plot(hz, mean, color=colour, linestyle=dash, linewidth=2.0, label=label)
        widest = max(plans, key=lambda one: len(one.frequency_hz)).frequency_hz
        for one_axes in axes:
            frequency_axis(one_axes, widest)
        low = min(float((one.level_db - (0.0 if alike else one.mean_db.mean())).min()) for one in plans)
        level_axis(axes[0], np.array([low, top]))
        axes[0].set_ylabel(f"level [{unit}]" if alike else "level about its average [dB]")
        title = "Average over the seats, with quietest and loudest seat" if several else "Level at the seat"
        axes[0].set_title(title, loc="left", fontsize=10)
        axes[0].legend(loc="upper left", bbox_to_anchor=(0.0, -0.03 if several else -0.2), frameon=False, fontsize=8.5)
        if several:
            axes[0].set_xlabel("")
            axes[1].set_ylim(bottom=0.0)
            axes[1].set_ylabel("deviation [dB]")
            axes[1].set_title("Standard deviation over the seats", loc="left", fontsize=10)
        return figure_bytes(figure, suffix)
