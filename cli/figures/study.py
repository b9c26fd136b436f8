"""Figures of a study: arrays and an Axes in, the Axes out."""

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes

from cli.figures.common_axes import BAND, FAINT, INK, ROW_COLOURS, SEAT_DASHES, SEAT_MARKERS, plain
from roommodes.arrays import Floats

NAME_LENGTH = 34


def distributions(axes: Axes, *, values: Floats, names: Sequence[str], label: str, title: str) -> Axes:
    """For each strategy the share of rooms that stay at or below a value.

    Parameters
    ----------
    axes : to draw on.
    values : (n_room, n_strategy), NaN where there is none.
    names : (n_strategy,).
    label, title : what the values are, and what it shows.
    """
    for place, name in enumerate(names):
        there = np.sort(values[np.isfinite(values[:, place]), place])
        if not len(there):
            continue
        share = np.arange(len(there) + 1) / len(there)
        axes.step(
            np.concatenate([there[:1], there]),
            100.0 * share,
            where="post",
            color=ROW_COLOURS[place % len(ROW_COLOURS)],
            linestyle=SEAT_DASHES[place % len(SEAT_DASHES)],
            marker=SEAT_MARKERS[place % len(SEAT_MARKERS)],
            markevery=max(1, len(there) // 6),
            markersize=3.6,
            linewidth=1.3,
            label=plain(name, NAME_LENGTH),
        )
    axes.set_ylim(0.0, 100.0)
    axes.set_xlabel(label)
    axes.set_ylabel("share of rooms at or below [%]")
    axes.set_title(title, loc="left", fontsize=10)
    _tidy(axes)
    axes.legend(loc="upper left", bbox_to_anchor=(1.01, 1.0), frameon=False, fontsize=8, handlelength=3.2)
    return axes


def differences(
    axes: Axes,
    *,
    values: Sequence[Floats],
    names: Sequence[str],
    means: Sequence[tuple[float, float, float]],
    within_db: float,
    title: str,
) -> Axes:
    """For each pair one row: every room as a dot, the mean with its interval as a bar.

    Parameters
    ----------
    axes : to draw on.
    values : for each pair (n,) differences [dB].
    names : for each pair.
    means : for each pair (mean, low, high) [dB].
    within_db : margin in which the cheaper does as well; shaded.
    title : what it shows.
    """
    spread = np.random.default_rng(1)
    for row, (dots, (mean, low, high)) in enumerate(zip(values, means, strict=True)):
        height = row + spread.uniform(-0.28, 0.28, len(dots))
        colour = ROW_COLOURS[row % len(ROW_COLOURS)]
        axes.plot(dots, height, ".", color=colour, markersize=3.0, alpha=0.55, linestyle="")
        axes.plot([low, high], [row, row], color=INK, linewidth=3.0, solid_capstyle="butt")
        axes.plot([mean], [row], marker="D", color=INK, markersize=5.0)
    axes.axvline(0.0, color=INK, linewidth=0.8)
    everything = np.concatenate([*values, [0.0, within_db]])
    margin = 0.05 * float(np.ptp(everything)) + 0.05
    axes.set_xlim(float(everything.min()) - margin, float(everything.max()) + margin)
    axes.axvspan(axes.get_xlim()[0], within_db, color=BAND, linewidth=0)
    axes.set_yticks(range(len(names)), [plain(name, 2 * NAME_LENGTH) for name in names])
    axes.set_ylim(len(names) - 0.5, -0.5)
    axes.set_xlabel("variation, the cheaper minus the dearer, in the same room [dB]")
    axes.set_title(title, loc="left", fontsize=10)
    _tidy(axes)
    return axes


def effect(
    axes: Axes, *, of: Floats, values: Floats, groups: Sequence[str], label: str, title: str, logarithmic: bool = True
) -> Axes:
    """The difference of one pair over a property of the room, one mark per room, groups by colour and mark.

    Parameters
    ----------
    axes : to draw on.
    of : (n_room,) the property.
    values : (n_room,) the difference, NaN where there is none [dB].
    groups : (n_room,) name of the group each room is in.
    label, title : what the property is, and what it shows.
    logarithmic : whether the property is drawn on a logarithmic scale.
    """
    there = np.isfinite(values) & np.isfinite(of)
    labels = np.array(groups)
    kinds = list(dict.fromkeys(groups))
    for place, kind in enumerate(kinds):
        part = there & (labels == kind)
        axes.plot(
            of[part],
            values[part],
            linestyle="",
            marker=SEAT_MARKERS[place % len(SEAT_MARKERS)],
            markersize=3.8,
            color=ROW_COLOURS[place % len(ROW_COLOURS)],
            alpha=0.75,
            label=plain(kind, NAME_LENGTH),
        )
    axes.axhline(0.0, color=INK, linewidth=0.8)
    if logarithmic:
        axes.set_xscale("log")
        axes.minorticks_off()
        low, high = float(of[there].min()), float(of[there].max())
        ticks = np.geomspace(low, high, 4) if high > 1.05 * low else np.array([low])
        axes.set_xticks(ticks, [f"{tick:.3g}" for tick in ticks])
    axes.set_xlabel(label)
    axes.set_ylabel("difference [dB]")
    axes.set_title(title, loc="left", fontsize=10)
    _tidy(axes)
    if len(kinds) > 1:
        axes.legend(loc="best", frameon=False, fontsize=7.5)
    return axes


def _tidy(axes: Axes) -> None:
    axes.grid(True, color=FAINT, linewidth=0.5)
    axes.set_axisbelow(True)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
