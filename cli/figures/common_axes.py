"""Figures: arrays and an Axes in, the Axes out; nothing here reads files or global state.

Rows of seats differ by colour and by line pattern, so that a figure also reads in black and white. Colours are
the colour-blind-safe set of Okabe and Ito (Color Universal Design, 2008; from memory), in an order of our own.
"""

import io
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Circle, Polygon, Rectangle
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator, NullLocator

from roommodes.acoustics.room import AXIS_OF_WALL, Room
from roommodes.arrays import Floats
from roommodes.lengths import Lengths, lengths_of
from roommodes.places.boxes import Box
from roommodes.project.glass import GlassMark, glass_of
from roommodes.project.project import Project
from roommodes.toml.letters import unsafe

INK = "#27313a"
FAINT = "#c3c9ce"
PAPER = "#ffffff"
BAND = "#e4e9ec"
GLASS = "#56b4e9"
SUB = "#27313a"
ROW_COLOURS = ("#0072b2", "#d55e00", "#009e73", "#cc79a7", "#8a6d00", "#56b4e9")
SEAT_DASHES: tuple[Any, ...] = ("-", (0, (5, 1.6)), (0, (1.2, 1.2)), (0, (6, 1.5, 1.2, 1.5)), (0, (3, 3)))
SEAT_MARKERS = ("o", "s", "^", "D", "v", "P", "X", "*")
MOST_IN_TWO = 8  # entries of a plan's key in two columns
NARROW = 0.14  # a keep-out shorter than this share of the room
LINES_UP_TO = 10  # with more seats, each row is drawn as its mean
TICK_HZ = (16, 20, 25, 31.5, 40, 50, 63, 80, 100, 125, 160, 200, 250, 315)
STYLE: Any = {
    "svg.hashsalt": "roommodes",
    "font.family": "DejaVu Sans",
    "font.size": 9.0,
    "text.color": INK,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.8,
    "xtick.color": INK,
    "ytick.color": INK,
    "text.parse_math": False,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class SubMark:
    """One sub in a plan view: where it stands and what is dialled in."""

    position_m: tuple[float, float, float]
    drive: str


def new_figure(width_in: float, height_in: float) -> Figure:
    """An empty figure of a size in inches."""
    figure = Figure(figsize=(width_in, height_in), facecolor=PAPER, layout="constrained")
    FigureCanvasAgg(figure)
    return figure


def figure_bytes(figure: Figure, suffix: str) -> bytes:
    """The figure as PNG, SVG or PDF; the same input gives the same bytes with the same matplotlib."""
    buffer = io.BytesIO()
    kind = suffix.lstrip(".").lower()
    undated: dict[str, Any] = {"svg": {"Date": None, "Creator": "roommodes"}, "png": {"Software": "roommodes"}}
    undated["pdf"] = {"CreationDate": None, "Creator": "roommodes"}
    with mpl.rc_context(STYLE):
        figure.savefig(buffer, format=kind, dpi=150, metadata=undated[kind])
    return buffer.getvalue()


def plain(text: str, limit: int = 28) -> str:
    """Text of a user, without control characters and cut to a length that fits."""
    shown = "".join("\ufffd" if bad else letter for letter, bad in zip(text, unsafe(text), strict=True))
    return shown if len(shown) <= limit else shown[: limit - 1] + "…"


def seat_levels(
    axes: Axes,
    *,
    frequency_hz: Floats,
    level_db: Floats,
    seat_name: Sequence[str],
    seat_row: Sequence[int],
    title: str,
    level_label: str,
    legend: bool = True,
) -> Axes:
    """Level at every seat over frequency: all seats as a band, each as a line.

    Parameters
    ----------
    axes : to draw on.
    frequency_hz : (n_freq,) [Hz].
    level_db : (n_freq, n_seat) [dB].
    seat_name, seat_row : (n_seat,) names and row numbers from 0.
    title, level_label : what it shows, and what the levels refer to.
    legend : name the lines.
    """
    if len(seat_name) > 1:
        low, high = level_db.min(axis=1), level_db.max(axis=1)
        axes.fill_between(frequency_hz, low, high, color=BAND, linewidth=0, label="all seats")
    rows = np.asarray(seat_row)
    single = len(seat_name) <= LINES_UP_TO
    for row in np.unique(rows):
        colour = ROW_COLOURS[int(row) % len(ROW_COLOURS)]
        members = np.flatnonzero(rows == row)
        lines = [(plain(seat_name[int(seat)]), level_db[:, seat]) for seat in members]
        if not single:
            row_name = seat_name[int(members[0])].rsplit(" ", 1)[0]  # seats are numbered within their row
            name = f"{plain(row_name, 20)}, mean of {len(members)}"
            lines = [(name, np.asarray(level_db[:, members].mean(axis=1)))]
        for place, (name, level) in enumerate(lines):
            pattern = place if single else int(row)
            every = max(1, len(frequency_hz) // 6)
            axes.plot(
                frequency_hz,
                level,
                color=colour,
                linewidth=1.2,
                linestyle=SEAT_DASHES[pattern % len(SEAT_DASHES)],
                marker=SEAT_MARKERS[int(row) % len(SEAT_MARKERS)],
                markersize=3.6,
                markevery=(pattern * every // 5 % max(every, 1), every),
                label=name,
            )
    frequency_axis(axes, frequency_hz)
    low, high = float(level_db.min()), float(level_db.max())
    axes.set_ylim(max(low, high - 45.0) - 2.0, high + 3.0)
    axes.set_ylabel(level_label)
    axes.set_title(title, loc="left", fontsize=10)
    if legend:
        axes.legend(loc="upper left", bbox_to_anchor=(1.01, 1.0), frameon=False, fontsize=8, handlelength=3.2)
    return axes


SOLID_STYLES: Mapping[str, Mapping[str, Any]] = MappingProxyType(
    {
        "block": {"facecolor": "#c9cdd1", "edgecolor": INK, "linewidth": 1.4},
        "raised": {"facecolor": "#f1efe9", "edgecolor": INK, "linewidth": 0.9},
        "overhead": {"facecolor": "none", "edgecolor": INK, "linewidth": 0.9, "linestyle": "--"},
        "ceiling falls": {"facecolor": "#eef1f4", "edgecolor": "#8b949b", "linewidth": 0.7, "linestyle": "-."},
    }
)


def plan_view(axes: Axes, project: Project, *, subs: Sequence[SubMark], title: str, candidates: bool = False) -> Axes:
    """The room from above, front wall on the left: seats, subs, candidates, glass and what is kept free.

    Parameters
    ----------
    axes : to draw on.
    project : the room and what is in it; glass is drawn as double lines on the walls, keep-outs as hatched boxes, the
        screen at the front wall, centred.
    subs : numbered in this order; the drives are listed below the plan.
    title : what it shows.
    candidates : whether the candidates are drawn, as small dots.
    """
    room, seats, screen, glass = project.room, project.seats, project.screen, glass_of(project)
    length, width = room.length_m, room.width_m
    axes.add_patch(Rectangle((0, 0), length, width, facecolor="none", edgecolor=INK, linewidth=2.0))
    solids = _solids(axes, room, seats.position_m, lengths_of(project))
    for box in project.keep_outs:
        _keep_out(axes, box, length)
    for pane in glass:
        _glass(axes, room, pane)
    for body in project.mains_bodies:
        axes.add_patch(Polygon(body.corners_m, facecolor=PAPER, edgecolor=INK, linewidth=1.0, zorder=3))
        x, y = np.mean(body.corners_m, axis=0).tolist()
        axes.text(x, y, body.name, fontsize=6.0, ha="center", va="center", color=INK, zorder=4)
    if screen is not None:
        middle = width / 2.0
        inset = max(0.012 * length, screen.distance_m)
        axes.plot([inset] * 2, [middle - screen.width_m / 2, middle + screen.width_m / 2], color=INK, lw=3.5)
    if candidates:
        candidate_m = project.candidates.position_m
        axes.plot(candidate_m[:, 0], candidate_m[:, 1], ".", color="#7a858e", markersize=3.5, zorder=2)
    _seats(
        axes,
        seat_m=seats.position_m,
        seat_row=seats.row.tolist(),
        row_name=[row.name for row in project.rows],
        reach=min(length, width),
    )
    size = 0.055 * min(length, width)
    for number, sub in enumerate(subs, start=1):
        x, y, _ = sub.position_m
        corner = (min(max(x - size / 2, 0), length - size), min(max(y - size / 2, 0), width - size))
        axes.add_patch(Rectangle(corner, size, size, facecolor=SUB, edgecolor=PAPER, linewidth=0.8, zorder=5))
        middle_of_mark = (corner[0] + size / 2, corner[1] + size / 2)
        axes.annotate(str(number), middle_of_mark, color=PAPER, fontsize=7, ha="center", va="center", zorder=6)
    margin = 0.04 * max(length, width)
    axes.set_xlim(-margin, length + margin)
    axes.set_ylim(-margin, width + margin)
    axes.set_aspect("equal")
    room_axes(axes, lengths_of(project))
    for spine in axes.spines.values():
        spine.set_visible(False)
    axes.set_title(title, loc="left", fontsize=10)
    _plan_key(
        axes,
        subs=subs,
        candidates=candidates,
        screen=screen is not None,
        glass=bool(glass),
        kept_free=bool(project.keep_outs),
        solids=solids,
    )
    return axes


def frequency_axis(axes: Axes, frequency_hz: Floats) -> None:
    """A logarithmic axis of frequencies with ticks at nominal third-octaves."""
    low, high = float(frequency_hz[0]), float(frequency_hz[-1])
    axes.set_xscale("log")
    axes.set_xlim(low, high)
    ticks = [hz for hz in TICK_HZ if low * 0.999 <= hz <= high * 1.001]
    axes.xaxis.set_major_locator(FixedLocator(ticks))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.xaxis.set_major_formatter(FuncFormatter(lambda hz, _: f"{hz:g}"))
    axes.set_xlabel("frequency [Hz]")
    axes.grid(True, color=FAINT, linewidth=0.5)
    axes.set_axisbelow(True)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)


def room_axes(axes: Axes, lengths: Lengths) -> None:
    """Names and marks of the axes of a plan, in metres or feet."""
    unit, size_m = lengths.large
    axes.set_xlabel(f"distance from the front wall [{unit}]")
    axes.set_ylabel(f"distance from the left wall [{unit}]")
    if lengths.feet:
        for axis in (axes.xaxis, axes.yaxis):
            low, high = np.asarray(axis.get_view_interval()).tolist()
            marks = np.asarray(MaxNLocator(8, integer=True).tick_values(low / size_m, high / size_m))
            axis.set_major_locator(FixedLocator((size_m * marks).tolist()))
            axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value / size_m:g}"))


def _seats(axes: Axes, *, seat_m: Floats, seat_row: Sequence[int], row_name: Sequence[str], reach: float) -> None:
    """A head and the back of a chair behind it, numbered within its row."""
    radius = min(0.2, 0.045 * reach)
    rows = np.asarray(seat_row)
    for row in np.unique(rows):
        colour = ROW_COLOURS[int(row) % len(ROW_COLOURS)]
        for number, seat in enumerate(np.flatnonzero(rows == row), start=1):
            x, y = float(seat_m[seat, 0]), float(seat_m[seat, 1])
            back = x + 1.5 * radius
            axes.plot([back, back], [y - 1.1 * radius, y + 1.1 * radius], color=colour, linewidth=2.2, zorder=4)
            axes.add_patch(Circle((x, y), radius, facecolor=PAPER, edgecolor=colour, linewidth=1.4, zorder=4))
            axes.text(x, y, str(number), fontsize=6.5, ha="center", va="center", zorder=5)
        first = seat_m[np.flatnonzero(rows == row)]
        below = float(first[:, 1].min()) - 1.5 * radius
        label = plain(row_name[int(row)], 14)
        axes.text(float(first[0, 0]), below, label, color=colour, fontsize=7.5, ha="center", va="top", zorder=5)


def _solids(axes: Axes, room: Room, seat_m: Floats, lengths: Lengths) -> tuple[str, ...]:
    """Blocks and slopes in plan; the kinds that were drawn.

    What reaches above the lowest ears is a wall to them, what lies lower is walked on, what hangs is dashed.
    """
    ears = float(seat_m[:, 2].min())
    kinds: dict[str, None] = {}
    for slope in room.slopes:
        (h0, z0), (h1, z1) = slope.from_m, slope.to_m
        low, high = min(h0, h1), max(h0, h1)
        corner, size = (
            ((low, 0.0), (high - low, room.width_m))
            if slope.axis == 0
            else (
                (0.0, low),
                (room.length_m, high - low),
            )
        )
        axes.add_patch(Rectangle(corner, *size, **SOLID_STYLES["ceiling falls"], zorder=0.5))
        kinds["ceiling falls"] = None
        at = (corner[0] + 0.02 * room.length_m, corner[1] + 0.9 * size[1])
        words = f"{plain(slope.name, 14)}: {lengths.text(max(z0, z1))} to {lengths.text(min(z0, z1))}"
        axes.text(*at, words, fontsize=6.5, ha="left", va="center", color=INK, zorder=3)
    for block in room.blocks:
        (x0, y0, z0), (x1, y1, z1) = block.low_m, block.high_m
        if min(x1 - x0, y1 - y0, z1 - z0) <= 0.0:
            continue
        kind = "overhead" if z0 > ears else ("block" if z1 > ears else "raised")
        kinds[kind] = None
        axes.add_patch(Rectangle((x0, y0), x1 - x0, y1 - y0, **SOLID_STYLES[kind], zorder=1.2))
        words = textwrap.fill(plain(block.name, 24), 12) + (f"\n+{lengths.text(z1)}" if kind == "raised" else "")
        at = (x0 + 0.5 * (x1 - x0), y1 - 0.02 * room.width_m)
        axes.text(*at, words, fontsize=6.5, ha="center", va="top", color=INK, zorder=3)
    return tuple(kinds)


def _keep_out(axes: Axes, box: Box, length_m: float) -> None:
    (x0, y0, _), (x1, y1, _) = box.low, box.high
    shape = Rectangle((x0, y0), x1 - x0, y1 - y0, facecolor="none", edgecolor="#8b949b", hatch="////", lw=0.6)
    axes.add_patch(shape)
    across: tuple[float, Any] = ((x0 + x1) / 2, "center")
    if x1 - x0 < NARROW * length_m:  # its name may be wider: away from the nearer end wall
        across = (x1 - 0.01 * length_m, "right") if x0 + x1 > length_m else (x0 + 0.01 * length_m, "left")
    axes.text(
        across[0],
        (y0 + y1) / 2,
        textwrap.fill(plain(box.name), 10),
        fontsize=7,
        ha=across[1],
        va="center",
        bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 0.3},
    )


def _glass(axes: Axes, room: Room, pane: GlassMark) -> None:
    normal, side = AXIS_OF_WALL.get(pane.wall, (2, 0))
    if normal == 2:
        return  # floor, ceiling, or a face of a block or slope
    across = room.size_m[normal] * side
    thickness = 0.02 * min(room.length_m, room.width_m) * (1 if side else -1)
    corners = [(pane.from_m, across), (pane.to_m, across), (pane.to_m, across + thickness)]
    corners.append((pane.from_m, across + thickness))
    points = corners if normal == 1 else [(second, first) for first, second in corners]
    axes.add_patch(Polygon(points, closed=True, facecolor=GLASS, edgecolor=INK, linewidth=0.9, zorder=3))


def _plan_key(
    axes: Axes,
    *,
    subs: Sequence[SubMark],
    candidates: bool,
    screen: bool,
    glass: bool,
    kept_free: bool,
    solids: Sequence[str],
) -> None:
    handles: list[Any] = []
    for number, sub in enumerate(subs, start=1):
        label = f"sub {number}: {sub.drive}"
        handles.append(Line2D([], [], linestyle="", marker="s", color=SUB, markersize=6, label=label))
    if candidates:
        handles.append(Line2D([], [], linestyle="", marker=".", color="#7a858e", label="candidate"))
    if screen:
        handles.append(Line2D([], [], color=INK, linewidth=3.5, label="screen"))
    if glass:
        handles.append(Rectangle((0, 0), 1, 1, facecolor=GLASS, edgecolor=INK, linewidth=0.9, label="glass"))
    if kept_free:
        handles.append(Rectangle((0, 0), 1, 1, facecolor="none", edgecolor="#8b949b", hatch="////", label="kept free"))
    for kind in solids:
        handles.append(Rectangle((0, 0), 1, 1, **SOLID_STYLES[kind], label=kind))
    if handles:
        axes.legend(
            handles=handles,
            loc="upper left",
            bbox_to_anchor=(0.0, -0.16),
            frameon=False,
            fontsize=8,
            ncols=2 if len(handles) <= MOST_IN_TWO else 3,
            columnspacing=1.2,
            borderaxespad=0.0,
        )
