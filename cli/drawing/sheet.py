"""The sheets: views placed on as few as hold them, with schedules, notes and a title block each."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from itertools import groupby, product

from cli.drawing.detail import detail, detailed_subs
from cli.drawing.extents import Area, bounds, meet, moved
from cli.drawing.papers import (
    DETAIL_SCALES,
    PAPERS,
    SCALES,
    SheetWishes,
    choices,
    scale_words,
    working_scale,
)
from cli.drawing.primitives import FRAME, Placed, Point, Sheet
from cli.drawing.texts import COLUMN_MM, LINE_MM, TextBlock, height_of, legend, texts_of
from cli.drawing.title_block import title_block, title_mm
from cli.drawing.views import elevation, plan_view, section, walls_to_show
from cli.figures.lettering import NORMAL_MM, text_width
from roommodes.acoustics.checks.surfaces import the_wall
from roommodes.errors import OutsideModel
from roommodes.lengths import METRIC, Lengths, lengths_of
from roommodes.plan.plan import Plan

PLAN_SCALES = (40.0, 50.0, 75.0, 100.0, 200.0, 500.0)  # of the plan alone
MARGIN_MM, GAP_MM = 10.0, 8.0
TITLED_MM = NORMAL_MM + 4.0  # of a view's title over it
LEAST_TAKEN = 0.45  # of a sheet, by what stands on it; with less it looks empty
MOST_SHEETS = 4  # more only where no larger paper takes fewer


@dataclass(slots=True)
class _Page:
    """A sheet that is being filled: what is taken of it, and what is on it."""

    sheet: Sheet
    taken: list[Area] = field(default_factory=list)

    @property
    def filled(self) -> float:
        """The part of the sheet that is taken."""
        inner = (self.sheet.width_mm - 2 * MARGIN_MM) * (self.sheet.height_mm - 2 * MARGIN_MM)
        return sum((high[0] - low[0]) * (high[1] - low[1]) for low, high in self.taken) / inner

    @property
    def nearly_empty(self) -> bool:
        """Whether little of the sheet is taken."""
        return self.filled < LEAST_TAKEN

    def room_for(self, size: Point) -> Point | None:
        """Lower left corner of a free rectangle, the highest first, then the leftmost; None where there is none."""
        left, low = MARGIN_MM + GAP_MM, MARGIN_MM + GAP_MM
        right, top = self.sheet.width_mm - left, self.sheet.height_mm - low
        xs = sorted({left, *(area[1][0] + GAP_MM for area in self.taken)})
        tops = sorted({top, *(area[0][1] - GAP_MM for area in self.taken)}, reverse=True)
        for y in tops:
            for x in xs:
                area = ((x, y - size[1]), (x + size[0], y))
                if area[1][0] > right or area[0][1] < low:
                    continue
                if not any(meet(_wider(area), other) for other in self.taken):
                    return area[0]
        return None


@dataclass(slots=True, kw_only=True)
class _Pages:
    """The sheets of a drawing while they are filled.

    `new` makes an empty one; `spread`: what is placed goes to the emptiest that has room, not to the first.
    """

    pages: list[_Page]
    new: Callable[[], _Page]
    spread: bool

    def take(self, size: Point) -> tuple[Sheet, Point] | None:
        """Room on a sheet, or on a new one: the sheet, and the lower left corner there."""
        tried = sorted(self.pages, key=lambda one: one.filled) if self.spread else self.pages
        for page in (*tried, None):
            one = page or self.new()
            if (at := one.room_for(size)) is not None:
                if page is None:
                    self.pages.append(one)
                one.taken.append((at, (at[0] + size[0], at[1] + size[1])))
                return one.sheet, at
        return None


def _wider(area: Area) -> Area:
    gap = GAP_MM - 1e-6
    return (area[0][0] - gap, area[0][1] - gap), (area[1][0] + gap, area[1][1] + gap)


def drawing_sheets(plan: Plan, wishes: SheetWishes) -> tuple[Sheet, ...]:
    """The sheets to build from: the plan first, then walls, the section through the rows, and a detail.

    Raises
    ------
    OutsideModel : the room does not fit on the paper at the scale asked for, or at any.
    """
    best = _best_pages(plan, wishes)
    if not best:
        wanted = f"1:{wishes.scale:g}" if wishes.scale else "any scale"
        raise OutsideModel(
            f"the views of the room do not fit on {wishes.paper or 'any paper'} at {wanted}; allowed: "
            f"{', '.join(PAPERS)} and scales such as {', '.join(f'{one:g}' for one in SCALES)}. Take larger paper "
            "or a smaller scale."
        )
    for number, page in enumerate(best, start=1):
        _finish(page.sheet, plan, wishes, f"Sheet {number} of {len(best)}")
    return tuple(page.sheet for page in best)


def _best_pages(plan: Plan, wishes: SheetWishes) -> list[_Page]:
    """Pages on the smallest paper that takes few sheets at a scale to work from, at its largest scale that leaves no
    sheet nearly empty; where each does, at the one with the fewest sheets; none where nothing fits.
    """
    best: list[_Page] = []
    drawn: dict[float, list[tuple[str, Sheet]]] = {}
    least = working_scale(wishes.lengths)
    for paper, tried in groupby(choices(wishes), key=lambda one: (one[0], one[1] > least)):
        for _, scale in tried:
            if best and scale > least:
                return best
            if not _may_fit(plan, paper[0], scale):
                continue
            if scale not in drawn:
                drawn[scale] = list(_views(plan, scale, wishes.lengths))
            pages = _fewest_pages(plan, wishes, drawn[scale], paper[0], scale)
            if pages and (not best or len(pages) < len(best)):
                best = pages
            if pages and len(pages) <= MOST_SHEETS and not any(page.nearly_empty for page in pages):
                return pages
        if best and len(best) <= MOST_SHEETS:
            return best
    return best


def _fewest_pages(
    plan: Plan, wishes: SheetWishes, views: list[tuple[str, Sheet]], paper: str, scale: float
) -> list[_Page]:
    """By the order that takes the fewest sheets, the lists beside the plan or where room is left; none if none fits.

    Where that leaves a sheet nearly empty, views are spread over as many sheets, so that the emptiest is fuller.
    """
    ways = list(product(_orders(views), (True, False)))
    found = [_pages(plan, wishes, order, paper, scale, beside=beside) for order, beside in ways]
    best = min((one for one in found if one), key=len, default=[])
    if not any(page.nearly_empty for page in best):
        return best
    spread = (_pages(plan, wishes, order, paper, scale, beside=True, sheets=len(best)) for order in _orders(views))
    return max([best, *(one for one in spread if len(one) == len(best))], key=_least_filled)


def _least_filled(pages: list[_Page]) -> float:
    return min(page.filled for page in pages)


def below_working_scale(sheets: tuple[Sheet, ...], lengths: Lengths) -> str:
    """What is told where the scale is smaller than people build from; empty where it is not."""
    scale, least = sheets[0].scale, working_scale(lengths)
    if scale <= least:
        return ""
    return (
        f"{scale_words(scale, lengths)} is smaller than {scale_words(least, lengths)}, the smallest scale to build "
        "from: take larger paper (--paper), or leave paper and scale out."
    )


def _may_fit(plan: Plan, paper: str, scale: float) -> bool:
    """Whether the bare outline of the room fits, which is told without drawing it."""
    length, width, height = (1e3 * side / scale for side in plan.project.room.size_m)
    wide, high = (side - 2 * (MARGIN_MM + GAP_MM) for side in PAPERS[paper])
    return max(length, width) <= wide and max(width, height) <= high


def _views(plan: Plan, scale: float, lengths: Lengths) -> Iterator[tuple[str, Sheet]]:
    """Every view with its title."""
    yield "Plan, seen from above", plan_view(plan, scale, lengths)
    for wall in walls_to_show(plan):
        yield f"Elevation: {the_wall(wall)} from inside", elevation(plan, scale, wall, lengths)
    yield "Section through the rows, toward the right wall", section(plan, scale, lengths)
    for sub in detailed_subs(plan):
        large, which = DETAIL_SCALES[lengths.feet], f"sub {sub.number}"
        which += f" ({sub.name})" if len(plan.project.kinds) > 1 else ""
        for title, above in (("from above", True), ("from the side", False)):
            yield f"Detail: {which} {title}", detail(plan, sub, large, lengths, from_above=above)


def _orders(views: list[tuple[str, Sheet]]) -> Iterator[list[tuple[str, Sheet]]]:
    """The plan, then the others as they are read, by height, by width, by area: which often takes fewer sheets."""
    yield views
    sizes = {}
    for title, view in views:
        (x0, y0), (x1, y1) = bounds(view.parts)
        sizes[title] = (y1 - y0, x1 - x0, (y1 - y0) * (x1 - x0))
    for by in range(3):
        yield [views[0], *sorted(views[1:], key=lambda one: -sizes[one[0]][by])]


def _pages(
    plan: Plan,
    wishes: SheetWishes,
    ordered: list[tuple[str, Sheet]],
    paper: str,
    scale: float,
    *,
    beside: bool,
    sheets: int = 1,
) -> list[_Page]:
    """Views in their order, then schedules and notes, on sheets of a paper; none where one of them does not fit.

    `beside`: schedules and notes stand beside the plan where they all have room there. `sheets`: as many are begun,
    the plan on the first, and what follows goes to the emptiest that has room.
    """
    width, height = PAPERS[paper]
    foot = title_mm(plan)
    right = width - MARGIN_MM

    def new_page() -> _Page:
        sheet = Sheet(width_mm=width, height_mm=height, scale=scale)
        low = (right - GAP_MM - COLUMN_MM, MARGIN_MM)
        return _Page(sheet=sheet, taken=[(low, (right, MARGIN_MM + foot))])

    pages = _Pages(pages=[new_page() for _ in range(sheets)], new=new_page, spread=sheets > 1)
    texts = [*texts_of(plan, wishes.lengths), legend(view for _, view in ordered)]
    column = height - 2 * MARGIN_MM - 2 * GAP_MM - foot - 4.0
    plan_low, plan_high = bounds(ordered[0][1].parts)
    fits_beside = plan_high[0] - plan_low[0] + COLUMN_MM + 2 * MARGIN_MM + 3 * GAP_MM <= width
    for title, view in ordered:
        if not _place(pages, title, view, wishes.lengths):
            return []
        if view is ordered[0][1] and beside and fits_beside and sum(map(height_of, texts)) <= column:
            _write_column(pages.pages[0], texts, right - GAP_MM - COLUMN_MM)
            texts = []
    for block in _cut(texts, column - 20.0):
        if not _place_text(pages, block):
            return []
    return pages.pages


def _place(pages: _Pages, title: str, view: Sheet, lengths: Lengths) -> bool:
    """A view where there is room for it."""
    low, high = bounds(view.parts)
    words = f"{title}, {scale_words(view.scale, lengths)}"
    size = (max(high[0] - low[0], text_width(words, NORMAL_MM)), high[1] - low[1] + TITLED_MM)
    if (found := pages.take(size)) is None:
        return False
    sheet, at = found
    sheet.views.append(Placed(title=words, view=view, at=(at[0] - low[0], at[1] - low[1])))
    sheet.label((at[0], at[1] + size[1] - NORMAL_MM), words, height=NORMAL_MM, align="left")
    return True


def _place_text(pages: _Pages, block: TextBlock) -> bool:
    """A list or notes where a column is free."""
    size = (COLUMN_MM, height_of(block) + 2.0)
    if (found := pages.take(size)) is None:
        return False
    sheet, at = found
    _write(sheet, block, (at[0], at[1] + size[1] - 2.0))
    return True


def _cut(texts: list[TextBlock], most_mm: float) -> Iterator[TextBlock]:
    """Lists in pieces that are no higher than so much."""
    lines_each = max(4, int(most_mm / LINE_MM) - 2)
    for heading, lines in texts:
        for start in range(0, max(1, len(lines)), lines_each):
            yield heading + (", continued" if start else ""), lines[start : start + lines_each]


def _write_column(page: _Page, texts: list[TextBlock], left: float) -> None:
    """All lists under one another at the top right."""
    top = page.sheet.height_mm - MARGIN_MM - GAP_MM
    y = top - 2.0
    for block in texts:
        y = _write(page.sheet, block, (left, y))
    page.taken.append(((left, y), (left + COLUMN_MM, top)))


def _write(sheet: Sheet, block: TextBlock, at: Point) -> float:
    """A list under its heading; gives where the next one may begin."""
    (x, y), (heading, lines) = at, block
    sheet.label((x, y), heading, height=NORMAL_MM, align="left")
    y -= LINE_MM + 1.4
    for line in lines:
        sheet.label((x, y), line, align="left")
        y -= LINE_MM
    return y - 2.0


def _finish(sheet: Sheet, plan: Plan, wishes: SheetWishes, number: str) -> None:
    """Title block and frame."""
    right = sheet.width_mm - MARGIN_MM
    low = (right - GAP_MM - COLUMN_MM, MARGIN_MM)
    title_block(sheet, plan, wishes, (low, (right, MARGIN_MM + title_mm(plan))), number)
    sheet.box(FRAME, (MARGIN_MM, MARGIN_MM), (right, sheet.height_mm - MARGIN_MM))


def plan_alone(plan: Plan, scale: float, lengths: Lengths = METRIC) -> Sheet:
    """The view from above with its dimensions, on a sheet of just its size."""
    view = plan_view(plan, scale, lengths)
    low, high = bounds(view.parts)
    parts = [moved(part, 3.0 - low[0], 3.0 - low[1]) for part in view.parts]
    return Sheet(width_mm=high[0] - low[0] + 6.0, height_mm=high[1] - low[1] + 6.0, scale=scale, parts=parts)


def plan_to_fit(plan: Plan, width_mm: float) -> Sheet:
    """`plan_alone` at the largest scale that is no wider than so much; at the smallest where none is."""
    lengths = lengths_of(plan.project)
    sheets = (plan_alone(plan, scale, lengths) for scale in PLAN_SCALES)
    return next((sheet for sheet in sheets if sheet.width_mm <= width_mm), plan_alone(plan, PLAN_SCALES[-1], lengths))
