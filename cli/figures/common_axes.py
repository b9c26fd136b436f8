"""Figures: arrays and an Axes in, the Axes out; nothing here reads files or global state.

Rows of seats differ by colour and by line pattern, so that a figure also reads in black and white. Colours are
the colour-blind-safe set of Okabe and Ito (Color Universal Design, 2008; from memory), in an order of our own.
"""

import io
from collections.abc import Sequence
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, FuncFormatter, MultipleLocator, NullLocator

from roommodes.arrays import Floats
from roommodes.toml.letters import unsafe

INK = "#27313a"
FAINT = "#c3c9ce"
PAPER = "#ffffff"
BAND = "#e4e9ec"
ROW_COLOURS = ("#0072b2", "#d55e00", "#009e73", "#cc79a7", "#8a6d00", "#56b4e9")
SEAT_DASHES: tuple[Any, ...] = ("-", (0, (5, 1.6)), (0, (1.2, 1.2)), (0, (6, 1.5, 1.2, 1.5)), (0, (3, 3)))
SEAT_MARKERS = ("o", "s", "^", "D", "v", "P", "X", "*")
LINES_UP_TO = 10  # with more seats, each row is drawn as its average and range
DPI, SVG_DPI = 150, 72
WEBP_QUALITY = 90  # a third of what PNG takes
STEP_DB, SPAN_DB = 5.0, 50.0  # of every axis of levels at the seats: whole steps, at most so much
NEAR_TICK = 0.2  # octaves: the band's ends have ticks of their own unless one is so near
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


def new_figure(width_in: float, height_in: float) -> Figure:
    """An empty figure of a size in inches."""
    figure = Figure(figsize=(width_in, height_in), facecolor=PAPER, layout="constrained")
    FigureCanvasAgg(figure)
    return figure


def figure_bytes(figure: Figure, suffix: str) -> bytes:
    """The figure as PNG, SVG, PDF or WebP; the same input gives the same bytes with the same matplotlib.

    Drawn once, at which its layout is found: `Figure.savefig` draws twice, for the same bytes.
    """
    buffer, kind = io.BytesIO(), suffix.lstrip(".").lower()
    canvas: Any
    with mpl.rc_context(STYLE):
        if kind == "svg":
            return _svg(figure)
        figure.set_dpi(DPI)
        if kind == "pdf":
            from matplotlib.backends.backend_pdf import FigureCanvasPdf  # noqa: PLC0415 (few figures need it)

            canvas = FigureCanvasPdf(figure)
            canvas.print_pdf(buffer, metadata={"CreationDate": None, "Creator": "roommodes"})
        elif kind == "webp":
            import PIL.WebPImagePlugin  # noqa: F401, PLC0415 (else those of all formats are loaded to find it)

            canvas = FigureCanvasAgg(figure)
            canvas.print_webp(buffer, pil_kwargs={"quality": WEBP_QUALITY})
        else:
            canvas = FigureCanvasAgg(figure)
            canvas.print_png(buffer, metadata={"Software": "roommodes"})
    return buffer.getvalue()


def _svg(figure: Figure) -> bytes:
    """By one renderer, so that no text is measured twice."""
    from matplotlib.backends import backend_svg  # noqa: PLC0415 (figures in pixels do not need it)

    text = io.StringIO()
    figure.set_dpi(SVG_DPI)
    width, height = (SVG_DPI * side for side in figure.get_size_inches())
    make: Any = backend_svg.RendererSVG
    renderer = make(width, height, text, image_dpi=DPI, metadata={"Date": None, "Creator": "roommodes"})
    canvas: Any = backend_svg.FigureCanvasSVG(figure)
    canvas.get_renderer = lambda: renderer  # what the layout measures with
    figure.draw(renderer)
    renderer.finalize()
    return text.getvalue().encode()


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
    """Level at every seat over frequency, each a line on the band of all; of many each row's average and range.

    Parameters
    ----------
    axes : to draw on.
    frequency_hz : (n_freq,) [Hz].
    level_db : (n_freq, n_seat) [dB].
    seat_name, seat_row : (n_seat,) names and row numbers from 0.
    title, level_label : what it shows, and what the levels refer to.
    legend : name the lines.
    """
    rows = np.asarray(seat_row)
    single = len(seat_name) <= LINES_UP_TO
    if single and len(seat_name) > 1:
        low, high = level_db.min(axis=1), level_db.max(axis=1)
        axes.fill_between(frequency_hz, low, high, color=BAND, linewidth=0, label="all seats")
    for row in np.unique(rows):
        members = np.flatnonzero(rows == row)
        if single:
            for place, seat in enumerate(members):
                _seat_line(axes, frequency_hz, level_db[:, seat], row=int(row), place=place, name=seat_name[int(seat)])
            continue
        colour, own = ROW_COLOURS[int(row) % len(ROW_COLOURS)], level_db[:, members]
        axes.fill_between(frequency_hz, own.min(axis=1), own.max(axis=1), color=colour, alpha=0.16, linewidth=0)
        name = f"{plain(row_name(seat_name[int(members[0])]), 20)}: average and range of {len(members)} seats"
        _seat_line(axes, frequency_hz, own.mean(axis=1), row=int(row), place=int(row), name=name)
    frequency_axis(axes, frequency_hz)
    level_axis(axes, level_db)
    axes.set_ylabel(level_label)
    axes.set_title(title, loc="left", fontsize=10)
    if legend:
        axes.legend(loc="upper left", bbox_to_anchor=(1.01, 1.0), frameon=False, fontsize=8, handlelength=3.2)
    return axes


def row_name(seat: str) -> str:
    """The row of a seat: seats are numbered within their row."""
    return seat.rsplit(" ", 1)[0]


def level_limits(*level_db: Floats) -> tuple[float, float]:
    """Ends of an axis of levels: whole steps about all of them, deep nulls as far as the span goes [dB]."""
    low, high = min(float(one.min()) for one in level_db), max(float(one.max()) for one in level_db)
    top = STEP_DB * np.ceil((high + 1.0) / STEP_DB)
    return float(max(STEP_DB * np.floor((low - 1.0) / STEP_DB), top - SPAN_DB)), float(top)


def level_axis(axes: Axes, *level_db: Floats) -> None:
    """The upright axis for levels, the same for the same levels in every figure."""
    low, high = level_limits(*level_db)
    axes.set_ylim(low, high)
    axes.yaxis.set_major_locator(MultipleLocator(STEP_DB if high - low <= 8.0 * STEP_DB else 2.0 * STEP_DB))


def _seat_line(axes: Axes, frequency_hz: Floats, level_db: Floats, *, row: int, place: int, name: str) -> None:
    """One line of a row: colour and marker say the row, dashes the place in it."""
    every = max(1, len(frequency_hz) // 6)
    axes.plot(
        frequency_hz,
        level_db,
        color=ROW_COLOURS[row % len(ROW_COLOURS)],
        linewidth=1.2,
        linestyle=SEAT_DASHES[place % len(SEAT_DASHES)],
        marker=SEAT_MARKERS[(row + place // len(SEAT_DASHES)) % len(SEAT_MARKERS)],
        markersize=3.6,
        markevery=(place * every // 5 % every, every),
        label=plain(name, 48),
    )


def frequency_axis(axes: Axes, frequency_hz: Floats) -> None:
    """A logarithmic axis of frequencies with ticks at nominal third-octaves; its label names the band."""
    low, high = float(frequency_hz[0]), float(frequency_hz[-1])
    axes.set_xscale("log")
    axes.set_xlim(low, high)
    ticks = [hz for hz in TICK_HZ if low * 0.999 <= hz <= high * 1.001]
    ticks += [end for end in (low, high) if all(abs(np.log2(end / hz)) > NEAR_TICK for hz in ticks)]
    axes.xaxis.set_major_locator(FixedLocator(ticks))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.xaxis.set_major_formatter(FuncFormatter(lambda hz, _: f"{hz:.4g}"))
    axes.set_xlabel(band_label(low, high))
    axes.grid(True, color=FAINT, linewidth=0.5)
    axes.set_axisbelow(True)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)


def band_label(low_hz: float, high_hz: float) -> str:
    """An axis of frequencies with the band that a figure shows."""
    return f"frequency [Hz], band {low_hz:.4g} to {high_hz:.4g} Hz"
