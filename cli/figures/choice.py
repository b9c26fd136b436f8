"""Figures that help to choose among the plans, and for notebooks: arrays and an Axes in, the Axes out.

Series differ by marker and by line pattern as well as by shade, so that they also read in black and white.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import FixedLocator

from cli.figures.common_axes import FAINT, INK, PAPER, plain
from roommodes.arrays import Floats
from roommodes.lengths import METRIC, Lengths

PLAN, USUAL = "#0b4a4f", "#8a4b1c"
COUNT_MARKS = ("o", "s", "^", "D", "v", "P", "X", "*")
COUNT_DASHES: tuple[Any, ...] = ("-", (0, (5, 2)), (0, (1.4, 1.4)), (0, (6, 1.6, 1.4, 1.6)))
ROOM_FOR_NUMBERS = 0.09  # of the height, below a mark


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RowSweep:
    """One row moved, the others and the settings fixed.

    Parameters
    ----------
    name : of the row.
    offset_m : (n_place,) toward the rear from where it is drawn [m].
    variation_db : (n_place,) [dB].
    """

    name: str
    offset_m: Floats
    variation_db: Floats


def variation_by_count(
    axes: Axes,
    *,
    plan_db: Mapping[int, float],
    usual_db: Mapping[int, float],
    driven_db: Mapping[int, float] | None = None,
    free_db: Mapping[int, float] | None = None,
) -> Axes:
    """Seat-to-seat variation over the number of subs: plans, usual layouts alike and driven, free weights.

    Parameters
    ----------
    axes : to draw on.
    plan_db, usual_db : number of subs -> variation of the plan, of the most even usual layout, identical settings [dB].
    driven_db : of the usual layout that is the most even with the best drives found [dB].
    free_db : with the best weights found at the plan's positions, free at every frequency [dB].
    """
    series: list[tuple[str, Mapping[int, float], dict[str, Any]]] = [
        (
            "usual layout, identical settings",
            usual_db,
            {"marker": "s", "ls": (0, (5, 2)), "color": USUAL, "mfc": PAPER},
        ),
        ("usual layout, optimised", driven_db or {}, {"marker": "D", "ls": (0, (1.4, 1.4)), "color": USUAL}),
        ("plan", plan_db, {"marker": "o", "ls": "-", "color": PLAN, "lw": 2.0}),
        (
            "free weights, plan's positions",
            free_db or {},
            {"marker": "_", "ls": ":", "color": INK, "ms": 12, "lw": 0.8},
        ),
    ]
    top = max(1.0, 1.2 * max(value for _, values, _ in series for value in values.values()))
    for name, values, look in series:
        if values:
            axes.plot(list(values), list(values.values()), label=name, **{"ms": 6, **look})
    for values, other in ((plan_db, usual_db), (usual_db, plan_db)):
        for count, value in values.items():
            above = value > other.get(count, value + 1.0)  # the higher of the two has its number above, the other below
            low = not above and value < ROOM_FOR_NUMBERS * top  # no room above the axis: beside it
            axes.annotate(
                f"{value:z.2f}",  # as the tables have it
                (count, value),
                xytext=(8.0, -3.0) if low else (0.0, 7.0 if above else -14.0),
                textcoords="offset points",
                ha="left" if low else "center",
                fontsize=8,
            )
    every = sorted({count for _, values, _ in series for count in values})
    axes.xaxis.set_major_locator(FixedLocator(every))
    axes.set_xlim(min(every) - 0.6, max(every) + 0.6)
    axes.set_ylim(0.0, top)
    axes.set_xlabel("number of subs")
    axes.set_ylabel("variation [dB]")
    _key(axes)
    _bare(axes)
    return axes


def variation_against_level(
    axes: Axes,
    *,
    fronts: Mapping[int, tuple[Floats, Floats]],
    chosen: tuple[float, float],
    level_label: str,
) -> Axes:
    """What more level costs in variation: for each number of subs the plans that none met beats in both.

    Parameters
    ----------
    axes : to draw on.
    fronts : number of subs -> level and variation of its plans, the most even first [dB].
    chosen : level and variation of the plan that is ringed [dB].
    level_label : what the levels refer to.
    """
    for place, (count, (level, variation)) in enumerate(fronts.items()):
        name = "1 sub" if count == 1 else f"{count} subs"
        axes.plot(
            level,
            variation,
            marker=COUNT_MARKS[place % len(COUNT_MARKS)],
            ls=COUNT_DASHES[place % len(COUNT_DASHES)],
            color=(PLAN, USUAL, INK)[place % 3],
            mfc=PAPER if place % 2 else None,
            ms=5,
            label=name,
        )
    axes.plot(*chosen, "o", ms=12, mfc="none", mec=INK, mew=1.4, label="this plan")
    axes.set_ylim(0.0, 1.1 * max(1.0, *(float(variation.max()) for _, variation in fronts.values())))
    axes.set_xlabel(level_label)
    axes.set_ylabel("variation [dB]")
    _key(axes)
    _bare(axes)
    return axes


def variation_over_rows(
    axes: Axes, *, sweeps: Sequence[RowSweep], best_m: Sequence[float], lengths: Lengths = METRIC
) -> Axes:
    """The variation while one row is moved, the settings fixed.

    Parameters
    ----------
    axes : to draw on.
    sweeps : one for each row that may move.
    best_m : where each of them should be [m].
    lengths : centimetres or inches.
    """
    unit, size_m = lengths.small
    for place, (sweep, best) in enumerate(zip(sweeps, best_m, strict=True)):
        axes.plot(
            sweep.offset_m / size_m,
            sweep.variation_db,
            marker=COUNT_MARKS[place % len(COUNT_MARKS)],
            ls=COUNT_DASHES[place % len(COUNT_DASHES)],
            color=(PLAN, USUAL, INK)[place % 3],
            mfc=PAPER if place % 2 else None,
            ms=5,
            label=plain(sweep.name, 24),
        )
        at = int(np.argmin(np.abs(sweep.offset_m - best)))
        ring = "where it should be" if place == 0 else None
        axes.plot(sweep.offset_m[at] / size_m, sweep.variation_db[at], "o", ms=12, mfc="none", mec=INK, label=ring)
    axes.axvline(0.0, color=INK, lw=0.8, ls=(0, (2, 2)), label="as drawn")
    axes.set_ylim(0.0, 1.15 * max(float(sweep.variation_db.max()) for sweep in sweeps))
    axes.set_xlabel(f"row moved toward the rear [{unit}]")
    axes.set_ylabel("variation [dB]")
    _key(axes)
    _bare(axes)
    return axes


def _key(axes: Axes) -> None:
    """What the series are, above the plot."""
    axes.legend(
        frameon=False, fontsize=8, loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=2, labelspacing=0.7, borderpad=0.2
    )


def _bare(axes: Axes) -> None:
    axes.grid(True, color=FAINT, linewidth=0.5)
    axes.set_axisbelow(True)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
