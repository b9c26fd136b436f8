"""What a printed page is drawn with: many plain texts and rules at once, and whole figures set into it.

A `matplotlib.text.Text` for each cell of a table would be laid out for turning, wrapping and aligning, of which a page
makes no use: one artist draws all texts of a page.
"""

from functools import cache

from matplotlib.artist import Artist
from matplotlib.backend_bases import RendererBase
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, findfont, get_font
from matplotlib.path import Path
from matplotlib.transforms import Bbox, IdentityTransform

from cli.figures.common_axes import INK

POINTS_PER_MM = 72.0 / 25.4
UNITS = 1000.0  # letters are measured at this size [pt]


class Print(Artist):
    """Texts and horizontal rules of a page; lengths in mm from its lower left corner."""

    def __init__(self) -> None:
        super().__init__()
        self._texts: list[tuple[float, float, str, float, bool, bool]] = []
        self._lines: list[tuple[float, float, float, float, str]] = []

    def text(self, x: float, y: float, text: str, size_pt: float, *, bold: bool = False, right: bool = False) -> None:
        """A text on one line from x on, or to the left of it with `right`; y is its baseline."""
        self._texts.append((x, y, text, size_pt, bold, right))

    def line(self, start: float, end: float, y: float, *, width_pt: float, colour: str) -> None:
        """A rule at a height."""
        self._lines.append((start, end, y, width_pt, colour))

    def draw(self, renderer: RendererBase) -> None:
        """Put all of them on a page of a PDF, whose unit is a point."""
        pen = renderer.new_gc()
        for start, end, y, width, colour in self._lines:
            pen.set_foreground(colour)
            pen.set_linewidth(width)
            ends = [(POINTS_PER_MM * start, POINTS_PER_MM * y), (POINTS_PER_MM * end, POINTS_PER_MM * y)]
            renderer.draw_path(pen, Path(ends), IdentityTransform())
        pen.set_foreground(INK)
        for x, y, text, size, bold, right in self._texts:
            start = POINTS_PER_MM * x - (text_width_pt(text, size, bold=bold) if right else 0.0)
            renderer.draw_text(pen, start, POINTS_PER_MM * y, text, _font(size, bold=bold), 0.0)
        pen.restore()


class Inset(Artist):
    """A figure set into a page as it is, at its own size, its lower left corner so far from the page's [mm]."""

    def __init__(self, figure: Figure, x: float, y: float) -> None:
        super().__init__()
        engine = figure.get_layout_engine()
        if engine is not None:
            engine.execute(figure)
        figure.set_layout_engine("none")
        width, height = figure.get_size_inches()
        figure.bbox_inches.set(Bbox.from_bounds(x / 25.4, y / 25.4, width, height))
        self.inner = figure

    def draw(self, renderer: RendererBase) -> None:
        """Put it on a page, whose unit is a point."""
        self.inner.set_dpi(72.0)
        self.inner.draw(renderer)


def text_width_pt(text: str, size_pt: float, *, bold: bool) -> float:
    """How long a text is, its letters side by side [pt]."""
    return sum(_advance(letter, bold=bold) for letter in text) * size_pt / UNITS


@cache
def _font(size_pt: float, *, bold: bool) -> FontProperties:
    return FontProperties(family="DejaVu Sans", weight="bold" if bold else "normal", size=size_pt)


@cache
def _advance(letter: str, *, bold: bool) -> float:
    """Width of a letter at the size of `UNITS` [pt]."""
    font = get_font(findfont(_font(UNITS, bold=bold)))
    font.set_size(UNITS, 72.0)
    return float(font.load_char(ord(letter)).linearHoriAdvance) / 65536.0
