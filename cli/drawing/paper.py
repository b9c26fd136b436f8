"""A sheet on paper: SVG or PDF of the paper's true size, so that a ruler reads the scale."""

import io
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import Circle, PathPatch, Polygon
from matplotlib.path import Path as FigurePath

from cli.drawing.extents import all_parts, flat
from cli.drawing.primitives import DIMENSIONS, TEXT_RAISE_MM, Dimension, Label, Layer, Path, Point, Ring, Sheet
from cli.figures.common_axes import INK, PAPER, STYLE, figure_bytes, plain
from cli.figures.lettering import SMALL_MM

POINTS_PER_MM = 72.0 / 25.4
CAP_HEIGHT = 0.73  # height of capitals over the font size, DejaVu Sans
TICK_MM, TICK_WIDTH_MM = 1.1, 0.4
BEYOND_MM = 1.2  # how far extension lines run past the dimension line
LONGEST_TEXT = 240
UNDER = 0.8  # lines of dimensions end at heads, which are filled


def sheet_figure(sheet: Sheet) -> Figure:
    """The sheet as a figure of its own size."""
    figure = Figure(figsize=(sheet.width_mm / 25.4, sheet.height_mm / 25.4), facecolor=PAPER)
    FigureCanvasAgg(figure)
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_axis_off()
    axes.set_xlim(0.0, sheet.width_mm)
    axes.set_ylim(0.0, sheet.height_mm)
    draw_sheet(axes, sheet)
    return figure


def sheet_svg(sheet: Sheet) -> bytes:
    """SVG of one sheet; the same sheet gives the same bytes with the same matplotlib."""
    with _drawn():
        return figure_bytes(sheet_figure(sheet), ".svg")


def sheets_pdf(sheets: Sequence[Sheet]) -> bytes:
    """PDF with a page for each sheet; the same sheets give the same bytes with the same matplotlib."""
    from matplotlib.backends.backend_pdf import PdfPages  # noqa: PLC0415 (a tenth of a second, and only PDF needs it)

    facts = {"CreationDate": None, "ModDate": None, "Creator": "roommodes", "Producer": "roommodes"}
    buffer = io.BytesIO()
    with _drawn(), PdfPages(buffer, metadata=facts) as pages:
        for sheet in sheets:
            pages.savefig(sheet_figure(sheet))
    return buffer.getvalue()


@contextmanager
def _drawn() -> Iterator[None]:
    with mpl.rc_context({**STYLE, "hatch.linewidth": 0.4}), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing")  # a box stands for what the font has not
        yield


def draw_sheet(axes: Axes, sheet: Sheet) -> Axes:
    """Every part of a sheet, the axes being in millimetres of paper."""
    thin: list[list[Point]] = []  # lines of all dimensions, drawn at once
    wide: list[list[Point]] = []
    for part in flat(all_parts(sheet)):
        if isinstance(part, Path):
            shape = Polygon(part.points, closed=part.closed, fill=False, joinstyle="miter", **_line(part.layer))
            if part.hatch:
                shape.set_hatch("/////")
            axes.add_artist(shape)
        elif isinstance(part, Ring):
            axes.add_artist(Circle(part.centre, part.radius, facecolor=PAPER, **_line(part.layer)))
        elif isinstance(part, Label):
            _text(axes, part)
        else:
            _dimension(axes, part, thin, wide)
    for lines, width_mm in ((thin, DIMENSIONS.width_mm), (wide, TICK_WIDTH_MM)):
        if lines:
            joined = FigurePath.make_compound_path(*map(FigurePath, lines))
            style = _line(DIMENSIONS) | {"linewidth": width_mm * POINTS_PER_MM, "zorder": UNDER}
            axes.add_artist(PathPatch(joined, fill=False, **style))
    return axes


def _line(layer: Layer) -> dict[str, Any]:
    width = layer.width_mm * POINTS_PER_MM
    style: Any = "-"
    if layer.dashes_mm:
        style = (0, tuple(length / layer.width_mm for length in layer.dashes_mm))
    return {"linewidth": width, "linestyle": style, "edgecolor": INK}


def _text(axes: Axes, label: Label) -> None:
    across = {"left": "left", "middle": "center", "right": "right"}[label.align]
    upright: dict[str, Any] = {"ha": across, "va": "center_baseline"}
    if label.upright:
        upright = {"ha": "center", "va": {"left": "bottom", "middle": "center", "right": "top"}[label.align]}
    box = {"facecolor": PAPER, "edgecolor": "none", "pad": 0.8} if label.backed else None
    axes.text(
        *label.at,
        plain(label.text, LONGEST_TEXT),
        fontsize=label.height * POINTS_PER_MM / CAP_HEIGHT * 0.86,
        rotation=90 if label.upright else 0,
        bbox=box,
        **upright,
    )


def _dimension(axes: Axes, part: Dimension, thin: list[list[Point]], wide: list[list[Point]]) -> None:
    """Its number, and its lines to those that are drawn thin and wide."""

    def point(along: float, off: float) -> tuple[float, float]:
        return (along, off) if part.axis == 0 else (off, along)

    ends = (part.start[part.axis], part.end[part.axis])
    reach = (min(*ends, part.text_at), max(*ends, part.text_at))
    thin.append([point(reach[0], part.line_at), point(reach[1], part.line_at)])
    for end, place in zip((part.start, part.end), ends, strict=True):
        foot = end[1 - part.axis]
        past = BEYOND_MM if part.line_at > foot else -BEYOND_MM
        thin.append([point(place, foot), point(place, part.line_at + past)])
        (x, y) = point(place, part.line_at)
        wide.append([(x - TICK_MM, y - TICK_MM), (x + TICK_MM, y + TICK_MM)])
    raised = part.line_at + TEXT_RAISE_MM if part.axis == 0 else part.line_at - TEXT_RAISE_MM
    aligned: dict[str, Any] = {"ha": "center", "va": "bottom"} if part.axis == 0 else {"ha": "right", "va": "center"}
    axes.text(
        *point(part.text_at, raised),
        part.text,
        fontsize=SMALL_MM * POINTS_PER_MM / CAP_HEIGHT * 0.86,
        rotation=0 if part.axis == 0 else 90,
        bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 0.4},  # extension lines of others end at it
        **aligned,
    )
