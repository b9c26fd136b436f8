"""Figures of the report, and for notebooks: arrays and an Axes in, the Axes out.

Before and after differ by pattern as well as by shade; quiet and loud places differ by lightness alone, in steps of
3 dB whose edges are drawn, so that a figure also reads in black and white.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import BoundaryNorm, ListedColormap
from matplotlib.patches import Rectangle
from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

from cli.figures.common_axes import FAINT, INK, PAPER, TICK_HZ, band_label
from roommodes.acoustics.built_modes import BuiltMode, strongest
from roommodes.arrays import Floats
from roommodes.responses.metrics import normalised

AFTER_FILL, AFTER_LINE = "#a9c9c4", "#0b4a4f"
BEFORE_LINE = "#8a4b1c"
STEP_DB = 3.0
STEP_Y_DB = 5.0
LOWEST_DB, HIGHEST_DB = -24.0, 12.0  # of the map, relative to the average over the seats
RAMP = ("#10233b", "#1c4a66", "#2f7580", "#62a08f", "#a9c59b", "#f6efd8")  # quiet to loud: lighter all the way
FEW_SEATS = 12  # more have smaller numbers in the map
LABEL_OCTAVES, LABEL_HEIGHT = 0.17, 0.12  # two labels nearer than this would meet
KIND_MARKS = ("^", "o", "s", "D", "v")  # the pressure mode, axial, tangential, oblique, like none of a box
KINDS = ("pressure (all air alike)", "axial (two walls)", "tangential (four)", "oblique (six)", "of this shape")
OF_THIS_SHAPE = len(KINDS) - 1
SOLID = "#c9cdd1"


def ramp_colours(count: int) -> list[tuple[float, float, float]]:
    """`count` shades from quiet to loud, evenly along the ramp, as (red, green, blue) from 0 to 1."""
    anchors = np.array([[int(code[i : i + 2], 16) / 255.0 for i in (1, 3, 5)] for code in RAMP])
    places = np.linspace(0.0, len(RAMP) - 1.0, count)
    columns = [np.interp(places, np.arange(len(RAMP)), anchors[:, channel]) for channel in range(3)]
    return [(float(r), float(g), float(b)) for r, g, b in zip(*columns, strict=True)]


def bands_before_after(
    axes: Axes,
    *,
    frequency_hz: Floats,
    before_db: Floats | None,
    after_db: Floats,
    seat_weight: Floats,
    before_name: str,
    after_name: str,
) -> Axes:
    """The band of all seats and the average over them, before and after, each about its own average over the band.

    Parameters
    ----------
    axes : to draw on.
    frequency_hz : (n_freq,) [Hz].
    before_db, after_db : (n_freq, n_seat) [dB]; no `before_db` draws the plan alone.
    seat_weight : (n_seat,).
    before_name, after_name : for the key.
    """
    weight = normalised(seat_weight)
    mean = "average over the seats" if len(weight) > 1 else "the seat"
    if before_db is not None:
        level = before_db - float(np.mean(before_db @ weight))
        low, high = level.min(axis=1), level.max(axis=1)
        shade: dict[str, Any] = {"facecolor": "none", "edgecolor": BEFORE_LINE, "hatch": "\\\\\\\\", "linewidth": 0.9}
        axes.fill_between(
            frequency_hz, low, high, label=f"{before_name}: all seats" if len(weight) > 1 else before_name, **shade
        )
        axes.plot(frequency_hz, level @ weight, color=BEFORE_LINE, lw=1.6, ls=(0, (5, 2)), label=mean)
    highest = 0.0 if before_db is None else float(level.max())
    level = after_db - float(np.mean(after_db @ weight))
    highest = max(highest, float(level.max()))
    axes.fill_between(
        frequency_hz,
        level.min(axis=1),
        level.max(axis=1),
        facecolor=AFTER_FILL,
        edgecolor=AFTER_LINE,
        linewidth=0.9,
        alpha=0.92,
        label=f"{after_name}: all seats" if len(weight) > 1 else after_name,
    )
    axes.plot(frequency_hz, level @ weight, color=AFTER_LINE, lw=2.2, label=mean)
    _frequencies(axes, frequency_hz)
    axes.set_ylim(-30.0, max(20.0, STEP_Y_DB * np.ceil(highest / STEP_Y_DB)))  # nulls may go on below
    axes.set_ylabel("level about its average over the band [dB]", fontsize=8.5)
    axes.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), frameon=False, fontsize=8, ncols=2)
    return axes


def modes_built(axes: Axes, *, modes: Sequence[BuiltMode]) -> Axes:
    """Decay time over frequency: each mode as built, with a line from where rigid walls would put it.

    Of several that grew from one mode of rigid walls only the strongest has its line.

    Parameters
    ----------
    axes : to draw on.
    modes : of the room.
    """
    strong = strongest(modes).values()
    for kind, (mark, name) in enumerate(zip(KIND_MARKS, KINDS, strict=True)):
        chosen = [mode for mode in modes if _kind(mode) == kind]
        if not chosen:
            continue
        for mode in (one for one in chosen if kind and one in strong):
            axes.plot([mode.rigid_hz, mode.frequency_hz], [mode.decay_time_s] * 2, color=FAINT, lw=1.4, zorder=1)
        axes.plot(
            [mode.frequency_hz for mode in chosen],
            [mode.decay_time_s for mode in chosen],
            mark,
            ls="",
            color=(INK, AFTER_LINE, BEFORE_LINE, INK, AFTER_LINE)[kind],
            mfc=PAPER if kind == 2 else None,
            markersize=6,
            label=name,
        )
    placed: list[tuple[float, float]] = []  # octaves, height of what has its label
    height = max((mode.decay_time_s for mode in modes), default=1.0)
    axial = [mode for mode in modes if _kind(mode) <= 1]
    for mode in sorted(axial, key=lambda one: one.decay_time_s):
        place, level = float(np.log2(mode.frequency_hz)), mode.decay_time_s / height
        raised = sum(abs(place - x) < LABEL_OCTAVES and abs(level - y) < LABEL_HEIGHT for x, y in placed)
        placed.append((place, level))
        axes.annotate(
            "{} {} {}".format(*(mode.textbook or ())),
            (mode.frequency_hz, mode.decay_time_s),
            xytext=(0, 6 + 9 * raised),
            textcoords="offset points",
            fontsize=7,
            ha="center",
            bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 0.4, "alpha": 0.8},
        )
    if modes:
        shown = [hz for mode in modes for hz in (mode.rigid_hz, mode.frequency_hz) if hz > 0.0]
        _frequencies(axes, np.array([np.floor(0.9 * min(shown)), np.ceil(1.05 * max(shown))]).clip(1.0))
        axes.set_ylim(0.0, 1.25 * max(mode.decay_time_s for mode in modes))
        axes.legend(frameon=False, fontsize=8, loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=3)
    axes.set_ylabel("decay time T60 [s]")
    return axes


def _kind(mode: BuiltMode) -> int:
    """Along how many axes the mode of a box that it looks like has half waves; 4 where it looks like none."""
    return OF_THIS_SHAPE if mode.textbook is None else sum(n > 0 for n in mode.textbook)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LevelMap:
    """Levels over the listening plane at one frequency, with what stands in it.

    Parameters
    ----------
    x_m, y_m : (n_x,), (n_y,) [m].
    level_db : (n_x, n_y) relative to the average over the seats [dB].
    seat_m, seat_db : (n_seat, 3) [m], (n_seat,) about their mean [dB]; written into the seats.
    sub_m : (n_sub, 3) [m], numbered from 1.
    solid_m : rectangles of the plane that are not air: low x, low y, high x, high y [m].
    hardly : (n_x, n_y) 1 where the level is hardly known, 0 elsewhere; None where it is known everywhere.
    room_m : length and width of the room, where the map does not reach its walls [m].
    """

    x_m: Floats
    y_m: Floats
    level_db: Floats
    seat_m: Floats
    seat_db: Floats
    sub_m: Floats
    solid_m: Sequence[tuple[float, float, float, float]] = ()
    hardly: Floats | None = None
    room_m: tuple[float, float] | None = None


def pressure_map(axes: Axes, shown: LevelMap, *, title: str) -> Axes:
    """The listening plane from above, front wall to the left: level in steps of 3 dB."""
    x_m, y_m, seat_m = shown.x_m, shown.y_m, shown.seat_m
    edges = np.arange(LOWEST_DB, HIGHEST_DB + STEP_DB / 2, STEP_DB)
    shades = ListedColormap(ramp_colours(len(edges) - 1))
    clipped = np.clip(shown.level_db.T, LOWEST_DB + 1e-6, HIGHEST_DB - 1e-6)
    axes.contourf(x_m, y_m, clipped, levels=edges, cmap=shades, norm=BoundaryNorm(edges, len(edges) - 1))
    axes.contour(x_m, y_m, clipped, levels=edges[1:-1], colors=INK, linewidths=0.25, linestyles="solid")
    if shown.hardly is not None and shown.hardly.any():
        axes.contourf(x_m, y_m, shown.hardly.T, levels=[0.5, 1.5], colors="none", hatches=["...."])
        axes.contour(x_m, y_m, shown.hardly.T, levels=[0.5], colors=PAPER, linewidths=0.8)
    for x0, y0, x1, y1 in shown.solid_m:
        axes.add_patch(Rectangle((x0, y0), x1 - x0, y1 - y0, facecolor=SOLID, edgecolor=INK, lw=0.8, hatch="////"))
    size_pt, pad = (6.5, 0.25) if len(seat_m) <= FEW_SEATS else (5.8, 0.12)
    for (x, y, _), value in zip(seat_m, shown.seat_db, strict=True):
        ring = {"boxstyle": f"round,pad={pad}", "facecolor": PAPER, "edgecolor": INK, "linewidth": 0.6}
        axes.text(
            x,
            y,
            f"{value:+z.0f}" if round(value) else "0",
            fontsize=size_pt,
            ha="center",
            va="center",
            bbox=ring,
            color=INK,
        )
    length, width = shown.room_m or (x_m[-1], y_m[-1])
    size = 0.07 * min(length, width)
    for number, (x, y, _) in enumerate(shown.sub_m, start=1):
        axes.add_patch(
            Rectangle((x - size / 2, y - size / 2), size, size, facecolor=INK, edgecolor=PAPER, lw=0.8, zorder=4)
        )
        axes.text(x, y, str(number), color=PAPER, fontsize=5.5, ha="center", va="center", zorder=5)
    axes.set_aspect("equal")
    axes.set_xlim(0.0, length)
    axes.set_ylim(0.0, width)
    axes.set_xticks([])
    axes.set_yticks([])
    axes.set_title(title, loc="left", fontsize=8)
    return axes


def level_key(axes: Axes) -> Axes:
    """The key of `pressure_map`: every step with its edges."""
    edges = np.arange(LOWEST_DB, HIGHEST_DB + STEP_DB / 2, STEP_DB)
    for edge, colour in zip(edges[:-1], ramp_colours(len(edges) - 1), strict=True):
        axes.add_patch(Rectangle((edge, 0.0), STEP_DB, 1.0, facecolor=colour, edgecolor=INK, linewidth=0.4))
    axes.set_xlim(LOWEST_DB, HIGHEST_DB)
    axes.set_ylim(0.0, 1.0)
    axes.set_yticks([])
    axes.xaxis.set_major_locator(FixedLocator(edges[::2].tolist()))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:+z.0f}" if value else "0"))
    axes.tick_params(labelsize=7)
    axes.set_xlabel("level relative to the average over the seats [dB]", fontsize=8)
    return axes


def _frequencies(axes: Axes, frequency_hz: Floats) -> None:
    low, high = float(frequency_hz[0]), float(frequency_hz[-1])
    axes.set_xscale("log")
    axes.set_xlim(low, high)
    axes.xaxis.set_major_locator(FixedLocator([hz for hz in TICK_HZ if low * 0.999 <= hz <= high * 1.001]))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.xaxis.set_major_formatter(FuncFormatter(lambda hz, _: f"{hz:g}"))
    axes.set_xlabel(band_label(low, high))
    _bare(axes)


def _bare(axes: Axes) -> None:
    axes.grid(True, color=FAINT, linewidth=0.5)
    axes.set_axisbelow(True)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
