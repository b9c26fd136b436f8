"""The figure of mixes of kinds: variation and level over the price; arrays and Axes in, the Axes out."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from matplotlib.axes import Axes
from matplotlib.ticker import FuncFormatter, MaxNLocator

from cli.figures.choice import PLAN, USUAL
from cli.figures.common_axes import FAINT, INK, PAPER, plain

NEAR = 0.03  # of the axis: numbers of marks nearer than this would meet


@dataclass(frozen=True, slots=True, kw_only=True)
class MixPoints:
    """Mixes of kinds of subwoofer: first those that no cheaper one beats, then those that are beaten.

    Parameters
    ----------
    price : of each, in the project's currency.
    variation_db, level_db : seat-to-seat variation, average over the seats of the highest clean level [dB].
    louder : for each of those not beaten, numbered from 1, whether its level alone speaks for it.
    chosen : which one is ringed; None for none.
    """

    price: Sequence[float]
    variation_db: Sequence[float]
    level_db: Sequence[float]
    louder: Sequence[bool]
    chosen: int | None


def variation_against_price(
    panels: Sequence[Axes], points: MixPoints, *, price_label: str, level_label: str
) -> Sequence[Axes]:
    """Above the variation over the price, below the level; the least variation for the money as steps.

    Parameters
    ----------
    panels : two to draw on, one above the other.
    points : the mixes.
    price_label, level_label : what the axes count.
    """
    upper, lower = panels
    n = len(points.louder)
    looks: tuple[tuple[list[int], str, dict[str, Any]], ...] = (
        (
            [k for k in range(n) if not points.louder[k]],
            "more even than all that cost no more",
            {"marker": "o", "color": PLAN},
        ),
        (
            [k for k in range(n) if points.louder[k]],
            "less even, but louder",
            {"marker": "^", "color": PLAN, "mfc": PAPER},
        ),
        (list(range(n, len(points.price))), "neither", {"marker": "D", "color": USUAL, "mfc": PAPER, "ms": 4}),
    )
    for axes, values in ((upper, points.variation_db), (lower, points.level_db)):
        for which, label, look in looks:
            if which:
                at = [points.price[k] for k in which]
                there = [values[k] for k in which]
                axes.plot(at, there, label=label, **{"ms": 6, "ls": "", **look})
        if points.chosen is not None:
            this = points.chosen
            axes.plot(points.price[this], values[this], "o", ms=12, mfc="none", mec=INK, mew=1.4, label="this plan")
        axes.grid(True, color=FAINT, linewidth=0.5)
        axes.set_axisbelow(True)
        for side in ("top", "right"):
            axes.spines[side].set_visible(False)
    _steps(upper, points)
    upper.set_ylim(0.0, 1.2 * max(1.0, *points.variation_db))
    upper.set_ylabel("variation\n[dB]")
    upper.legend(frameon=False, fontsize=8, loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=2, borderpad=0.2)
    low, high = min(points.level_db), max(points.level_db)
    lower.set_ylim(low - 0.2 * (high - low) - 1.0, high + 0.2 * (high - low) + 1.0)
    lower.yaxis.set_major_locator(MaxNLocator(nbins=5, integer=True))
    lower.set_ylabel(level_label)
    lower.set_xlim(0.0, 1.08 * max(*points.price, 1.0))
    lower.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:,.0f}"))
    lower.set_xlabel(plain(price_label, 60))
    for axes, values in ((upper, points.variation_db), (lower, points.level_db)):
        _numbers(axes, points, values)
    return panels


def _steps(axes: Axes, points: MixPoints) -> None:
    """The least variation that the money buys: down where a dearer mix is more even."""
    every = zip(points.price, points.variation_db, points.louder, strict=False)
    best = [(price, variation) for price, variation, louder in every if not louder]
    ends = [*(price for price, _ in best[1:]), 1.08 * max(points.price)]
    at = [value for (price, _), end in zip(best, ends, strict=True) for value in (price, end)]
    axes.plot(at, [variation for _, variation in best for _ in "ab"], color=PLAN, lw=1.2, zorder=1)


def _numbers(axes: Axes, points: MixPoints, values: Sequence[float]) -> None:
    """Numbers of those not beaten: beside a mark, below it where it is even, above it where it is louder."""
    wide = axes.get_xlim()[1] - axes.get_xlim()[0]
    before = -wide
    for number, (price, value, louder) in enumerate(zip(points.price, values, points.louder, strict=False), start=1):
        left = price - before < NEAR * wide and number % 2 == 0  # two at nearly one price have one on each side
        before = price
        axes.annotate(
            str(number),
            (price, value),
            xytext=(-6.0 if left else 6.0, 4.0 if louder else -11.0),
            textcoords="offset points",
            ha="right" if left else "left",
            fontsize=8,
        )
