"""The report as PDF: A4 or letter pages of text, tables and pictures, and the sheets to scale as the last pages."""

import io
import textwrap
import warnings
from collections.abc import Callable, Iterator, Sequence

import matplotlib as mpl
import matplotlib.image
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure

from cli.drawing.paper import draw_sheet, sheet_figure
from cli.drawing.papers import SheetWishes, scale_words
from cli.drawing.primitives import Sheet
from cli.drawing.sheet import drawing_sheets
from cli.figures.common_axes import FAINT, INK, PAPER, STYLE, new_figure, plain
from cli.report.blocks import Block, Bullets, Drawing, LiveMap, Logo, Picture, Report, Section, Table, Text
from cli.report.print import Inset, Print
from roommodes.lengths import METRIC, Lengths
from roommodes.plan.plan import Plan

A4_MM, LETTER_MM = (210.0, 297.0), (215.9, 279.4)  # ISO 216; 8 1/2 x 11 in
COLUMN_MM = 174.0  # of texts, tables and pictures, the same on both
MARGIN_MM, FOOT_MM, INDENT_MM = 18.0, 14.0, 4.0
BODY_PT, TABLE_PT, FOOT_PT, HEADING_PT, TITLE_PT = 9.0, 7.6, 7.5, 13.0, 19.0
LEADING = 1.42
MM_PER_PT = 25.4 / 72.0
LETTER_WIDTH = 0.54  # mean width of a letter of a text over its size, DejaVu Sans, on the generous side
CELL_LETTER_WIDTH = 0.6  # the same in tables, which hold more digits
BOLD_WIDER = 1.12
LOGO_MM = (45.0, 16.0)
MOST_ROWS = 70
TOGETHER_MM = 45.0  # shorter tables are not cut in two
PASSING_ROWS = 20
LEAST_ROWS = 2  # of a longer one on a page
LEAST_SHARE = 0.75  # of its size, to which a picture shrinks to stand on a page that is not full
DRAWING_MARGIN_MM = 8.0
LAYOUT_DPI = 200  # at which the letters of a picture are measured; it is drawn as lines and letters
PICTURE_GROWTH = 1.12
CAPTION_MM = 8.0  # of a picture
LEAST_OPENING_MM = 42.0  # of a section at the foot of a page


def report_pdf(report: Report, plan: Plan | None, lengths: Lengths = METRIC) -> bytes:
    """The pages, with a plan its sheets to scale at the end; the same report and libraries give the same bytes.

    Pictures and drawings are set into the pages as lines and letters, not as pixels. Fonts go in as outlines of the
    letters used (type 3), which takes half a second less than fonts that a program could take out again.
    """
    buffer = io.BytesIO()
    facts = {"Title": plain(f"{report.title}: {report.subtitle}", 160), "Creator": "roommodes", "Producer": "roommodes"}
    with (
        mpl.rc_context({**STYLE, "hatch.linewidth": 0.4, "pdf.fonttype": 3}),
        warnings.catch_warnings(),
        PdfPages(buffer, metadata={**facts, "CreationDate": None, "ModDate": None}) as pages,
    ):
        warnings.filterwarnings("ignore", message="Glyph .* missing")  # a box stands for what the font has not
        writer = _Writer(lengths)
        writer.write(report)
        sheets = () if plan is None else drawing_sheets(plan, SheetWishes(lengths=lengths))
        writer.foot(plain(f"{report.title}: {report.subtitle}", 90), further=len(sheets))
        for figure in writer.pages:
            pages.savefig(figure)
        for sheet in sheets:
            pages.savefig(sheet_figure(sheet))
    return buffer.getvalue()


class _Writer:
    """Puts blocks under one another, page after page. Lengths in mm, y downward from the top of the page."""

    def __init__(self, lengths: Lengths = METRIC) -> None:
        self.lengths = lengths
        self.page_mm = LETTER_MM if lengths.feet else A4_MM
        self.left = 0.5 * (self.page_mm[0] - COLUMN_MM)
        self.pages: list[Figure] = []
        self.prints: list[Print] = []
        self.y = 0.0
        self._turn()

    def write(self, report: Report) -> None:
        """All of a report."""
        self._head(report)
        for section in report.sections:
            if section.new_page and self.y > MARGIN_MM:
                self._turn()
            self._room_for(_opening_mm(section, self.page_mm[1]))
            self._gap(3.5)
            self._rule()
            self._lines(_wrap(section.heading, HEADING_PT, bold=True), size=HEADING_PT, bold=True, after=1.5)
            self._blocks(section)
        self._gap(4.0)
        self._lines(_wrap(report.closing, 7.5), size=7.5)

    def _head(self, report: Report) -> None:
        if report.logo is not None:
            self._logo(report.logo)
        self._lines([report.subtitle], size=BODY_PT)
        self._lines(_wrap(report.title, TITLE_PT, bold=True), size=TITLE_PT, bold=True)
        facts = "    ".join(f"{label}: {text}" for label, text in report.facts)
        self._lines(_wrap(facts, BODY_PT), size=BODY_PT, after=0.4)
        self._gap(2.0 if report.facts else 0.0)
        self._lines(_wrap(report.lead, 11.0), size=11.0, after=3.0)

    def _blocks(self, section: Section) -> None:
        """The blocks in order; a picture or plan for which the page is too full lets texts and tables pass."""
        waiting: list[Picture | Drawing] = []
        for place, block in enumerate(section.blocks):
            passing = any(map(_passes, section.blocks[place + 1 :]))
            if isinstance(block, Picture | Drawing) and (waiting or (passing and not self._takes(block))):
                waiting.append(block)
                continue
            self._block(block)
            while waiting and self._takes(waiting[0]):
                self._block(waiting.pop(0))
        for block in waiting:
            self._block(block)

    def _block(self, block: Block) -> None:
        if isinstance(block, Text):
            wrapped = _wrap(block.text, BODY_PT, bold=block.strong)
            self._lines(wrapped, size=BODY_PT, bold=block.strong, after=2.0)
        elif isinstance(block, Bullets):
            for item in block.items:
                self._lines(_wrap(item, BODY_PT, indent_mm=INDENT_MM), size=BODY_PT, after=1.2, mark="•")
        elif isinstance(block, Table):
            if not block.screen_only:
                self._table(block)
        elif isinstance(block, Picture):
            self._picture(block.size_in, block.draw, block.title)
        elif isinstance(block, Drawing):
            self._drawing(block)
        else:
            assert isinstance(block, LiveMap), "the picture beside it stands for the map"

    def foot(self, text: str, *, further: int) -> None:
        """Text and number under every page; so many sheets follow."""
        self.y = self.page_mm[1] - FOOT_MM - FOOT_PT * MM_PER_PT
        for number, print_ in enumerate(self.prints, start=1):
            print_.text(self.left, self._level(FOOT_PT), text, FOOT_PT)
            of_all = f"{number} of {len(self.pages) + further}"
            print_.text(self.left + COLUMN_MM, self._level(FOOT_PT), of_all, FOOT_PT, right=True)

    @property
    def _page(self) -> Figure:
        return self.pages[-1]

    def _turn(self) -> None:
        self.pages.append(Figure(figsize=(self.page_mm[0] / 25.4, self.page_mm[1] / 25.4), facecolor=PAPER))
        self.prints.append(Print())
        self._page.add_artist(self.prints[-1])
        self.y = MARGIN_MM

    def _logo(self, logo: Logo) -> None:
        """At the top right; the texts beside it are short."""
        scale = min(LOGO_MM[0] / logo.width, LOGO_MM[1] / logo.height)
        width, height = scale * logo.width / self.page_mm[0], scale * logo.height / self.page_mm[1]
        left = 1.0 - self.left / self.page_mm[0] - width
        axes = self._page.add_axes((left, 1.0 - (MARGIN_MM - 4.0) / self.page_mm[1] - height, width, height))
        axes.set_axis_off()
        axes.imshow(mpl.image.imread(io.BytesIO(logo.data), format="png"), aspect="auto")

    @property
    def _left_over(self) -> float:
        """Down to the foot of the page [mm]."""
        return self.page_mm[1] - MARGIN_MM - FOOT_MM - self.y

    def _takes(self, picture: Picture | Drawing) -> bool:
        """Whether the page has room for a picture, made smaller as far as it may be; a drawing keeps its scale."""
        if isinstance(picture, Drawing):
            return self._sheet(picture).height_mm + CAPTION_MM <= self._left_over
        return LEAST_SHARE * _picture_mm(picture.size_in)[1] + CAPTION_MM <= self._left_over

    def _room_for(self, height: float) -> None:
        if height > self._left_over and self.y > MARGIN_MM:
            self._turn()

    def _gap(self, height: float) -> None:
        if self.y > MARGIN_MM:
            self.y += height

    def _rule(self) -> None:
        self._line(self.left, self.left + COLUMN_MM, width=1.2, colour=INK)
        self.y += 1.8

    def _line(self, start: float, end: float, *, width: float, colour: str) -> None:
        self.prints[-1].line(start, end, self.page_mm[1] - self.y, width_pt=width, colour=colour)

    def _level(self, size: float) -> float:
        """The baseline of letters whose tops stand at y, from the lower edge of the page."""
        return self.page_mm[1] - self.y - size * MM_PER_PT

    def _text(self, x: float, text: str, size: float, *, bold: bool = False, right: bool = False) -> None:
        self.prints[-1].text(x, self._level(size), plain(text, 2000), size, bold=bold, right=right)

    def _lines(
        self, lines: Sequence[str], *, size: float, bold: bool = False, after: float = 1.0, mark: str = ""
    ) -> None:
        """One line under the other, indented after a mark."""
        step = size * LEADING * MM_PER_PT
        for number, line in enumerate(lines):
            self._room_for(step)
            if mark and not number:
                self._text(self.left, mark, size)
            self._text(self.left + (INDENT_MM if mark else 0.0), line, size, bold=bold)
            self.y += step
        self.y += after

    def _table(self, table: Table) -> None:
        widths, size = _column_widths(table)
        step = size * LEADING * MM_PER_PT
        letters = [max(4, int(width / (size * CELL_LETTER_WIDTH * MM_PER_PT)) - 1) for width in widths]
        rows = [
            self._wrapped(cells, letters, bold=not number) for number, cells in enumerate((table.headers, *table.rows))
        ]
        heights = [step * max(map(len, row)) + 1.4 for row in rows[: MOST_ROWS + 1]]
        self._room_for(8.0 + sum(heights if sum(heights) < TOGETHER_MM else heights[: LEAST_ROWS + 1]))
        self._lines(_wrap(table.caption, BODY_PT, bold=True), size=BODY_PT, bold=True, after=0.6)
        for number, row in enumerate(rows[: MOST_ROWS + 1]):
            last = number == len(heights) - 2  # no row stands alone on the next page
            if number > 1 and sum(heights[number : number + 1 + last]) > self._left_over:
                self._turn()
                self._row(rows[0], widths, size, table.right, bold=True)
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
        x = self.left
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
        self._line(self.left, x, width=0.9 if bold else 0.4, colour=INK if bold else FAINT)
        self.y += 0.9

    def _picture(self, size_in: tuple[float, float], draw: Callable[[Figure], None], title: str) -> None:
        width, height = _picture_mm(size_in)
        share = min(1.0, (self._left_over - CAPTION_MM) / height)
        if share >= LEAST_SHARE:
            width, height = share * width, share * height
        self._room_for(height + CAPTION_MM)
        inner = new_figure(width / 25.4, height / 25.4)
        draw(inner)
        inner.set_dpi(LAYOUT_DPI)
        self._page.add_artist(Inset(inner, self.left, self.page_mm[1] - self.y - height))
        self.y += height + 1.0
        self._lines(_wrap(title, 8.0), size=8.0, after=2.5)

    def _sheet(self, block: Drawing) -> Sheet:
        """As wide as the page allows."""
        return block.sheet(self.page_mm[0] - self.left - DRAWING_MARGIN_MM)

    def _drawing(self, block: Drawing) -> None:
        sheet = self._sheet(block)
        self._room_for(sheet.height_mm + CAPTION_MM)
        axes = self._page.add_axes(
            (
                self.left / self.page_mm[0],
                1.0 - (self.y + sheet.height_mm) / self.page_mm[1],
                sheet.width_mm / self.page_mm[0],
                sheet.height_mm / self.page_mm[1],
            )
        )
        axes.set_axis_off()
        axes.set_xlim(0.0, sheet.width_mm)
        axes.set_ylim(0.0, sheet.height_mm)
        draw_sheet(axes, sheet)
        self.y += sheet.height_mm + 1.0
        self._lines(_wrap(f"{block.title} {scale_words(sheet.scale, self.lengths)}.", 8.0), size=8.0, after=2.5)


def _picture_mm(size_in: tuple[float, float]) -> tuple[float, float]:
    """Width and height of a picture on the page."""
    width = min(COLUMN_MM, PICTURE_GROWTH * size_in[0] * 25.4)
    return width, width * size_in[1] / size_in[0]


def _opening_mm(section: Section, page_height_mm: float) -> float:
    """What a section needs so that its heading does not stand alone: with a picture after short texts, all up to it."""
    height = 12.0
    for place, block in enumerate(section.blocks):
        if isinstance(block, Text):
            height += len(_wrap(block.text, BODY_PT, bold=block.strong)) * BODY_PT * LEADING * MM_PER_PT + 2.0
        elif isinstance(block, Picture):
            if height > LEAST_OPENING_MM or any(map(_passes, section.blocks[place + 1 :])):
                break
            whole = height + LEAST_SHARE * _picture_mm(block.size_in)[1] + CAPTION_MM
            return whole if whole < page_height_mm - 2 * MARGIN_MM - FOOT_MM else LEAST_OPENING_MM
        elif not isinstance(block, LiveMap):
            break
    return LEAST_OPENING_MM


def _passes(block: Block) -> bool:
    """Whether a block may stand before a picture that waits for a page; long tables would keep it waiting too long."""
    if isinstance(block, Table):
        return not block.screen_only and len(block.rows) <= PASSING_ROWS
    return isinstance(block, Text | Bullets)


def _wrap(text: str, size: float, *, bold: bool = False, indent_mm: float = 0.0) -> list[str]:
    letter = size * LETTER_WIDTH * MM_PER_PT * (BOLD_WIDER if bold else 1.0)
    width = int((COLUMN_MM - indent_mm) / letter)
    return textwrap.wrap(plain(text, 4000), width)


def _column_widths(table: Table) -> tuple[list[float], float]:
    """Widths that share the page by what the columns hold, and the size of the letters."""
    room = COLUMN_MM
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
