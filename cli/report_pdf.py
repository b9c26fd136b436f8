"""The report as PDF: A4 pages of text, tables and pictures, and the drawing to scale as the last page."""

import io
import textwrap
import warnings
from collections.abc import Callable, Iterator, Sequence

import matplotlib as mpl
import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure, SubFigure
from matplotlib.lines import Line2D
from matplotlib.text import Text as FigureText
from numpy.typing import NDArray

from cli.drawing_paper import draw_sheet, sheet_figure
from cli.drawing_sheet import SheetWishes, drawing_sheet, plan_to_fit
from cli.figures import FAINT, INK, PAPER, STYLE, new_figure, plain
from cli.plan_file import ChosenPlan
from cli.report_blocks import Bullets, Drawing, LiveMap, Picture, Report, Table, Text

PAGE_MM = (210.0, 297.0)
MARGIN_MM, FOOT_MM = 18.0, 14.0
BODY_PT, TABLE_PT, HEADING_PT, TITLE_PT = 9.0, 7.6, 13.0, 19.0
LEADING = 1.42
MM_PER_PT = 25.4 / 72.0
LETTER_WIDTH = 0.54  # mean width of a letter of a text over its size, DejaVu Sans, on the generous side
CELL_LETTER_WIDTH = 0.6  # the same in tables, which hold more digits
BOLD_WIDER = 1.12
MOST_ROWS = 70
TOGETHER_MM = 110.0  # shorter tables are not cut in two
DRAWING_MARGIN_MM = 8.0
PICTURE_DPI = 200
PICTURE_GROWTH = 1.12


def report_pdf(report: Report, plan: ChosenPlan) -> bytes:
    """The pages; the same report gives the same bytes."""
    buffer = io.BytesIO()
    facts = {"Title": plain(f"{report.title}: {report.subtitle}", 160), "Creator": "roommodes", "Producer": "roommodes"}
    with (
        mpl.rc_context({**STYLE, "hatch.linewidth": 0.4, "pdf.fonttype": _font_type(report)}),
        warnings.catch_warnings(),
        PdfPages(buffer, metadata={**facts, "CreationDate": None, "ModDate": None}) as pages,
    ):
        warnings.filterwarnings("ignore", message="Glyph .* missing")  # a box stands for what the font has not
        writer = _Writer(plan)
        writer.write(report)
        for number, figure in enumerate(writer.pages, start=1):
            _foot(figure, plain(f"{report.title}: {report.subtitle}", 90), f"{number} of {len(writer.pages) + 1}")
            pages.savefig(figure)
        pages.savefig(sheet_figure(drawing_sheet(plan, SheetWishes())))
    return buffer.getvalue()


class _Writer:
    """Puts blocks under one another, page after page. Lengths in mm, y downward from the top of the page."""

    def __init__(self, plan: ChosenPlan) -> None:
        self.plan = plan
        self.pages: list[Figure] = []
        self.y = 0.0
        self._turn()

    def write(self, report: Report) -> None:
        """All of a report."""
        self._lines([report.subtitle], size=BODY_PT)
        self._lines(_wrap(report.title, TITLE_PT, bold=True), size=TITLE_PT, bold=True)
        self._lines(_wrap(report.lead, 11.0), size=11.0, after=3.0)
        for section in report.sections:
            self._room_for(42.0)
            self._gap(3.5)
            self._rule()
            self._lines(_wrap(section.heading, HEADING_PT, bold=True), size=HEADING_PT, bold=True, after=1.5)
            for block in section.blocks:
                if isinstance(block, Text):
                    wrapped = _wrap(block.text, BODY_PT, bold=block.strong)
                    self._lines(wrapped, size=BODY_PT, bold=block.strong, after=2.0)
                elif isinstance(block, Bullets):
                    for item in block.items:
                        wrapped = _wrap(item, BODY_PT, indent="•  ", further="    ")
                        self._lines(wrapped, size=BODY_PT, after=1.2)
                elif isinstance(block, Table):
                    if not block.screen_only:
                        self._table(block)
                elif isinstance(block, Picture):
                    self._picture(block.size_in, block.draw, block.title)
                elif isinstance(block, Drawing):
                    self._drawing(block)
                else:
                    assert isinstance(block, LiveMap), "the picture beside it stands for the map"
        self._gap(4.0)
        self._lines(_wrap(report.closing, 7.5), size=7.5)

    @property
    def _page(self) -> Figure:
        return self.pages[-1]

    def _turn(self) -> None:
        self.pages.append(Figure(figsize=(PAGE_MM[0] / 25.4, PAGE_MM[1] / 25.4), facecolor=PAPER))
        self.y = MARGIN_MM

    def _room_for(self, height: float) -> None:
        if self.y + height > PAGE_MM[1] - MARGIN_MM - FOOT_MM and self.y > MARGIN_MM:
            self._turn()

    def _gap(self, height: float) -> None:
        if self.y > MARGIN_MM:
            self.y += height

    def _rule(self) -> None:
        self._line(MARGIN_MM, PAGE_MM[0] - MARGIN_MM, width=1.2, colour=INK)
        self.y += 1.8

    def _line(self, start: float, end: float, *, width: float, colour: str) -> None:
        level = 1.0 - self.y / PAGE_MM[1]
        line = Line2D([start / PAGE_MM[0], end / PAGE_MM[0]], [level, level], color=colour, linewidth=width)
        self._page.add_artist(line)

    def _text(self, x: float, text: str, size: float, *, bold: bool = False, right: bool = False) -> None:
        baseline = 1.0 - (self.y + size * MM_PER_PT) / PAGE_MM[1]
        self._page.add_artist(
            FigureText(
                x / PAGE_MM[0],
                baseline,
                plain(text, 2000),
                fontsize=size,
                fontweight="bold" if bold else "normal",
                ha="right" if right else "left",
                va="baseline",
                transform=self._page.transFigure,
                figure=self._page,
            )
        )

    def _lines(self, lines: Sequence[str], *, size: float, bold: bool = False, after: float = 1.0) -> None:
        step = size * LEADING * MM_PER_PT
        for line in lines:
            self._room_for(step)
            self._text(MARGIN_MM, line, size, bold=bold)
            self.y += step
        self.y += after

    def _table(self, table: Table) -> None:
        widths, size = _column_widths(table)
        step = size * LEADING * MM_PER_PT
        letters = [max(4, int(width / (size * CELL_LETTER_WIDTH * MM_PER_PT)) - 1) for width in widths]
        rows = [
            self._wrapped(cells, letters, bold=not number) for number, cells in enumerate((table.headers, *table.rows))
        ]
        height = sum(step * max(map(len, row)) + 1.4 for row in rows[:MOST_ROWS])
        self._room_for(8.0 + (height if height < TOGETHER_MM else 5.0 * step))
        self._lines(_wrap(table.caption, BODY_PT, bold=True), size=BODY_PT, bold=True, after=0.6)
        for number, row in enumerate(rows[: MOST_ROWS + 1]):
            self._row(row, widths, size, table.right, bold=number == 0)
        if len(table.rows) > MOST_ROWS:
            self._lines([f"{len(table.rows) - MOST_ROWS} more rows are in the page for screens."], size=size)
        self.y += 3.0

    @staticmethod
    def _wrapped(cells: Sequence[str], letters: Sequence[int], *, bold: bool) -> list[list[str]]:
        """The lines of every cell; the first column is bold in all rows."""
        return [
            textwrap.wrap(plain(cell, 2000), max(4, int(most / (BOLD_WIDER if bold or not column else 1.0)))) or [""]
            for column, (cell, most) in enumerate(zip(cells, letters, strict=True))
        ]

    def _row(
        self,
        wrapped: Sequence[Sequence[str]],
        widths: Sequence[float],
        size: float,
        right: Sequence[int],
        *,
        bold: bool,
    ) -> None:
        step = size * LEADING * MM_PER_PT
        height = step * max(len(lines) for lines in wrapped)
        self._room_for(height + 1.4)
        top = self.y
        x = MARGIN_MM
        for column, (lines, width) in enumerate(zip(wrapped, widths, strict=True)):
            self.y = top
            for line in lines:
                if column in right:
                    self._text(x + width - 2.0, line, size, bold=bold, right=True)
                else:
                    self._text(x, line, size, bold=bold or column == 0)
                self.y += step
            x += width
        self.y = top + height + 0.5
        self._line(MARGIN_MM, x, width=0.9 if bold else 0.4, colour=INK if bold else FAINT)
        self.y += 0.9

    def _picture(self, size_in: tuple[float, float], draw: Callable[[Figure], None], title: str) -> None:
        width = min(PAGE_MM[0] - 2 * MARGIN_MM, PICTURE_GROWTH * size_in[0] * 25.4)
        height = width * size_in[1] / size_in[0]
        self._room_for(height + 8.0)
        with mpl.rc_context(STYLE):
            inner = new_figure(*size_in)
            draw(inner)
            inner.set_dpi(PICTURE_DPI)
            inner.canvas.draw()
        assert isinstance(inner.canvas, FigureCanvasAgg), "new_figure draws pixels"
        self._image(np.asarray(inner.canvas.buffer_rgba())[:, :, :3], width, height)  # type: ignore[no-untyped-call]
        self._lines(_wrap(title, 8.0), size=8.0, after=2.5)

    def _image(self, pixels: NDArray[np.uint8], width: float, height: float) -> None:
        axes = self._page.add_axes(
            (
                MARGIN_MM / PAGE_MM[0],
                1.0 - (self.y + height) / PAGE_MM[1],
                width / PAGE_MM[0],
                height / PAGE_MM[1],
            )
        )
        axes.imshow(pixels, aspect="auto", interpolation="none")
        axes.set_axis_off()
        self.y += height + 1.0

    def _drawing(self, block: Drawing) -> None:
        sheet = plan_to_fit(self.plan, PAGE_MM[0] - MARGIN_MM - DRAWING_MARGIN_MM)
        self._room_for(sheet.height_mm + 8.0)
        axes = self._page.add_axes(
            (
                MARGIN_MM / PAGE_MM[0],
                1.0 - (self.y + sheet.height_mm) / PAGE_MM[1],
                sheet.width_mm / PAGE_MM[0],
                sheet.height_mm / PAGE_MM[1],
            )
        )
        axes.set_axis_off()
        axes.set_xlim(0.0, sheet.width_mm)
        axes.set_ylim(0.0, sheet.height_mm)
        draw_sheet(axes, sheet)
        self.y += sheet.height_mm + 1.0
        self._lines(_wrap(f"{block.title} 1:{sheet.scale:g}.", 8.0), size=8.0, after=2.5)


def _font_type(report: Report) -> int:
    """How fonts are embedded: 3 takes half a second less, 42 keeps letters beyond Latin-1 searchable."""
    return 42 if any(ord(letter) > 255 for letter in report.title) else 3


def _foot(figure: Figure | SubFigure, left: str, right: str) -> None:
    for x, text, side in ((MARGIN_MM, left, "left"), (PAGE_MM[0] - MARGIN_MM, right, "right")):
        figure.text(x / PAGE_MM[0], FOOT_MM / PAGE_MM[1], text, fontsize=7.5, ha=side, color=INK)


def _wrap(text: str, size: float, *, bold: bool = False, indent: str = "", further: str = "") -> list[str]:
    letter = size * LETTER_WIDTH * MM_PER_PT * (BOLD_WIDER if bold else 1.0)
    width = int((PAGE_MM[0] - 2 * MARGIN_MM) / letter)
    return textwrap.wrap(plain(text, 4000), width, initial_indent=indent, subsequent_indent=further)


def _column_widths(table: Table) -> tuple[list[float], float]:
    """Widths that share the page by what the columns hold, and the size of the letters."""
    room = PAGE_MM[0] - 2 * MARGIN_MM
    size = TABLE_PT if len(table.headers) <= 12 else TABLE_PT * 12.0 / len(table.headers)
    letter = size * CELL_LETTER_WIDTH * MM_PER_PT
    longest = [max(BOLD_WIDER * len(column[0]), *map(len, column[1:])) for column in _columns(table)]
    longest[0] *= BOLD_WIDER
    words = [max(len(word) for cell in column for word in (cell.split() or [""])) for column in _columns(table)]
    wanted = [(most + 2) * letter for most in longest]
    if sum(wanted) <= room:
        return wanted, size
    least = [(min(most, 24) * BOLD_WIDER + 3) * letter for most in words]
    spare = max(0.0, room - sum(least))
    beyond = [max(0.0, want - low) for want, low in zip(wanted, least, strict=True)]
    share = spare / sum(beyond) if sum(beyond) else 0.0
    widths = [low + min(1.0, share) * more for low, more in zip(least, beyond, strict=True)]
    shrink = min(1.0, room / sum(widths))
    return [width * shrink for width in widths], size * shrink


def _columns(table: Table) -> Iterator[list[str]]:
    for column in range(len(table.headers)):
        yield [table.headers[column], *(row[column] for row in table.rows)]
