"""The whole sheet: views, schedules, notes, scale bar and title block, at the largest scale that the paper holds."""

import textwrap
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import pairwise, product

from cli.drawing.notes import centre_words, space_lines
from cli.drawing.objects import stances, wall_parts
from cli.drawing.primitives import FRAME, Point, Sheet
from cli.drawing.views import bounds, elevation, moved, plan_view, walls_to_show
from cli.figures.lettering import LARGE_MM, LETTER_WIDTH, NORMAL_MM, SMALL_MM, fitted
from cli.terminal.output import clean
from cli.words.plan import subs_word
from cli.words.settings import channel_words
from roommodes.acoustics.checks.surfaces import the_wall
from roommodes.errors import OutsideModel
from roommodes.lengths import METRIC, Lengths, lengths_of
from roommodes.plan.plan import Plan
from roommodes.project.glass import glass_of

INCH_MM = 25.4
PAPERS = {  # lying; ISO 216, ANSI/ASME Y14.1 and the architectural series (sizes in inches, from memory)
    "A3": (420.0, 297.0),
    "A2": (594.0, 420.0),
    "A1": (841.0, 594.0),
    "A0": (1189.0, 841.0),
    "A4": (297.0, 210.0),
    "LETTER": (11.0 * INCH_MM, 8.5 * INCH_MM),
    "TABLOID": (17.0 * INCH_MM, 11.0 * INCH_MM),
    "ANSI-C": (22.0 * INCH_MM, 17.0 * INCH_MM),
    "ANSI-D": (34.0 * INCH_MM, 22.0 * INCH_MM),
    "ANSI-E": (44.0 * INCH_MM, 34.0 * INCH_MM),
    "ARCH-A": (12.0 * INCH_MM, 9.0 * INCH_MM),
    "ARCH-B": (18.0 * INCH_MM, 12.0 * INCH_MM),
    "ARCH-C": (24.0 * INCH_MM, 18.0 * INCH_MM),
    "ARCH-D": (36.0 * INCH_MM, 24.0 * INCH_MM),
    "ARCH-E": (48.0 * INCH_MM, 36.0 * INCH_MM),
}
SAME_PAPER = {"LEDGER": "TABLOID", "ANSI-A": "LETTER", "ANSI-B": "TABLOID"}
TRIED = {False: ("A3", "A2", "A1", "A0"), True: ("TABLOID", "ANSI-C", "ANSI-D", "ANSI-E")}  # by feet, without a wish
SCALES = (10.0, 20.0, 25.0, 50.0, 100.0, 200.0, 500.0)
FOOT_SCALES = (12.0, 16.0, 24.0, 32.0, 48.0, 96.0, 192.0, 384.0)  # 1" to 1/32" to the foot
FOOT_SCALE_WORDS = dict(zip(FOOT_SCALES, ('1"', '3/4"', '1/2"', '3/8"', '1/4"', '1/8"', '1/16"', '1/32"'), strict=True))
FOOT_WORKING_SCALES = (48.0, 96.0)
WORKING_SCALES = (50.0, 100.0)  # what a joiner works from; a smaller one only where no paper holds these
PLAN_SCALES = (40.0, 50.0, 75.0, 100.0, 200.0, 500.0)  # of the plan alone
MARGIN_MM, GAP_MM, TITLE_MM = 10.0, 8.0, 42.0
TITLE_ROW_MM = 8.0
COLUMN_MM = 172.0  # schedules, notes and title block
LINE_MM = 4.1


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetWishes:
    """What a person may choose about a sheet.

    Parameters
    ----------
    paper : one of PAPERS; None for the smallest that holds the sheet at a scale to work from.
    scale : 50 for 1:50; None for the largest that fits.
    revision : as in the title block.
    lengths : how dimensions are written; with feet, US papers and scales are tried where nothing is wished.
    """

    paper: str | None = None
    scale: float | None = None
    revision: str = "A"
    lengths: Lengths = METRIC


def paper_named(name: str) -> str | None:
    """The key of PAPERS for what a person calls a paper; None where there is none."""
    key = name.strip().upper().replace(" ", "-")
    key = SAME_PAPER.get(key, key)
    return key if key in PAPERS else None


def drawing_sheet(plan: Plan, wishes: SheetWishes) -> Sheet:
    """A sheet to build from.

    Raises
    ------
    OutsideModel : the room does not fit on the paper at the scale asked for, or at any.
    """
    for paper, scale in _choices(wishes):
        width, height = PAPERS[paper]
        sheet = Sheet(width_mm=width, height_mm=height, scale=scale)
        if _views(sheet, plan, wishes.lengths):
            break
    else:
        wanted = f"1:{wishes.scale:g}" if wishes.scale else "any scale"
        raise OutsideModel(
            f"the room and its schedules do not fit on {wishes.paper or 'any paper'} at {wanted}; allowed: "
            f"{', '.join(PAPERS)} and scales such as {', '.join(f'{scale:g}' for scale in SCALES)}. Take larger paper "
            "or a smaller scale."
        )
    _column(sheet, plan, wishes)
    sheet.box(FRAME, (MARGIN_MM, MARGIN_MM), (width - MARGIN_MM, height - MARGIN_MM))
    return sheet


def _choices(wishes: SheetWishes) -> Iterator[tuple[str, float]]:
    """Papers and scales to try, best first: the smallest paper that holds a scale to work from, then smaller scales."""
    feet = wishes.lengths.feet
    papers = (wishes.paper,) if wishes.paper else TRIED[feet]
    scales = FOOT_SCALES if feet else SCALES
    working = FOOT_WORKING_SCALES if feet else WORKING_SCALES
    if wishes.scale:
        yield from product(papers, (wishes.scale,))
        return
    for larger, smaller in pairwise((0.0, *working, scales[-1])):
        yield from product(papers, [scale for scale in scales if larger < scale <= smaller])


def paper_of(sheet: Sheet) -> str:
    """The name of the paper that a sheet is on."""
    return next((name for name, size in PAPERS.items() if size == (sheet.width_mm, sheet.height_mm)), "its own size")


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


def _views(sheet: Sheet, plan: Plan, lengths: Lengths) -> bool:
    """Lay out the three views; False where they do not fit."""
    scale = sheet.scale
    length, width, height = (1e3 * side / scale for side in plan.project.room.size_m)
    if length + COLUMN_MM > sheet.width_mm or width + height > sheet.height_mm:
        return False  # without drawing it, which takes its time
    side_wall, end_wall = walls_to_show(plan)
    views = [
        plan_view(plan, scale, lengths),
        *(elevation(plan, scale, wall, lengths) for wall in (side_wall, end_wall)),
    ]
    titles = [f"Elevation: {the_wall(wall)} from inside" for wall in (side_wall, end_wall)]
    titles.insert(0, "Plan, seen from above")
    boxes = [bounds(view.parts) for view in views]
    (plan_w, plan_h), (side_w, side_h), (end_w, end_h) = (
        (high[0] - low[0], high[1] - low[1] + NORMAL_MM + 4.0) for low, high in boxes
    )
    inner_w, inner_h = sheet.width_mm - 2 * MARGIN_MM - 2 * GAP_MM, sheet.height_mm - 2 * MARGIN_MM - 2 * GAP_MM
    left = max(plan_w, side_w)
    right = max(COLUMN_MM, end_w)
    if left + GAP_MM + right > inner_w or plan_h + GAP_MM + side_h > inner_h:
        return False
    title_mm = _title_mm(plan)
    if end_h + GAP_MM + title_mm + _column_height(plan, lengths) > inner_h:
        return False
    top = sheet.height_mm - MARGIN_MM - GAP_MM
    column = sheet.width_mm - MARGIN_MM - GAP_MM - right
    x = MARGIN_MM + GAP_MM
    places = (
        (x, top - plan_h),
        (x, top - plan_h - GAP_MM - side_h),
        (column, MARGIN_MM + title_mm + GAP_MM),
    )
    for view, title, (low, high), (to_x, to_y) in zip(views, titles, boxes, places, strict=True):
        dx, dy = to_x - low[0], to_y - low[1]
        sheet.parts.extend(moved(part, dx, dy) for part in view.parts)
        words = f"{title}, {scale_words(scale, lengths)}"
        sheet.label((low[0] + dx, high[1] + dy + 4.0), words, height=NORMAL_MM, align="left")
    return True


def _column(sheet: Sheet, plan: Plan, wishes: SheetWishes) -> None:
    """Schedules and notes at the top right, title block at the bottom right."""
    right = sheet.width_mm - MARGIN_MM
    left = right - GAP_MM - COLUMN_MM
    y = sheet.height_mm - MARGIN_MM - GAP_MM - 2.0
    for heading, lines in _texts(plan, wishes.lengths):
        sheet.label((left, y), heading, height=NORMAL_MM, align="left")
        y -= LINE_MM + 1.4
        for line in lines:
            sheet.label((left, y), line, align="left")
            y -= LINE_MM
        y -= 2.0
    _title_block(sheet, plan, wishes, (right - COLUMN_MM - GAP_MM, MARGIN_MM), (right, MARGIN_MM + _title_mm(plan)))


def _column_height(plan: Plan, lengths: Lengths) -> float:
    return sum(LINE_MM * (len(lines) + 1) + 3.4 for _, lines in _texts(plan, lengths)) + 4.0


def _texts(plan: Plan, lengths: Lengths) -> list[tuple[str, list[str]]]:
    """Headings and lines of the column, wrapped."""
    texts = [(f"Subs: {'' if lengths.feet else 'mm '}from finished walls", _sub_lines(plan, lengths))]
    parts = wall_parts(plan.project)
    if parts:
        texts.append(("Parts of walls", _wrapped(f"{part.key}  {part.words(lengths)}" for part in parts)))
    texts.append(("Notes", _wrapped(_notes(plan, lengths))))
    return texts


def _sub_lines(plan: Plan, lengths: Lengths) -> list[str]:
    length, width, _ = plan.project.room.size_m
    lines, on, fine = [], plan.wired, lengths.fine
    said = on.shared or plan.project.amplifiers
    for sub in stances(plan):
        x, y, z = sub.centre_m
        along = (
            ("front wall", x, sub.low_m[0], sub.high_m[0])
            if x <= length / 2
            else (
                "rear wall",
                length - x,
                length - sub.high_m[0],
                length - sub.low_m[0],
            )
        )
        across = (
            ("left wall", y, sub.low_m[1], sub.high_m[1])
            if y <= width / 2
            else (
                "right wall",
                width - y,
                width - sub.high_m[1],
                width - sub.low_m[1],
            )
        )
        centre = f"{fine(along[1])} from {along[0]}, {fine(across[1])} from {across[0]}, {fine(z)} above floor"
        lines.append(f"{sub.number}  acoustic centre {centre}")
        if sub.has_cabinet:
            spans = [(along[2], along[3]), (across[2], across[3]), (sub.low_m[2], sub.high_m[2])]
            words = " / ".join(f"{fine(low)} to {fine(high)}" for low, high in spans)
            lines.append(f"    cabinet {words}, faces {sub.faces} wall")
        if said:
            lines.append(f"    amplifier channel {channel_words(on.of(sub.number - 1))}")
    return lines


def _notes(plan: Plan, lengths: Lengths) -> list[str]:
    table = plan.project.subwoofer
    unit = "feet and inches, to the nearest 1/8 in" if lengths.feet else "mm"
    notes = [f"All dimensions in {unit}, from the finished face of the named wall. Check them on site before you cut."]
    if table.cabinet_m is None:
        notes.append("The project gives no cabinet: only the acoustic centres are shown.")
    else:
        depth, width, height = (lengths.fine(size) for size in table.cabinet_m)
        notes.append(
            f"{clean(table.name, 40)}: {depth} deep, {width} wide, {height} high. Cross: acoustic centre, "
            f"{centre_words(table, lengths)}. Sides are given to the same walls as the centre, and above floor."
        )
        notes += space_lines(table, lengths)
    notes += [
        "Leave the openings for ventilation that the makers of subs and amplifiers ask for; an opening must not weaken "
        "fire protection.",
        "Cabinets are heavy: lift with two people. What stands or hangs above the floor needs fixings designed by a "
        "qualified person.",
    ]
    if glass_of(plan.project):
        notes.append("Glass near loud bass rattles and can break: ask a glazier about the panes and their beads.")
    notes.append("Mains and amplifier loads: by a qualified electrician. Local codes and licensed trades decide.")
    return notes


def _wrapped(texts: Iterable[str]) -> list[str]:
    width = int(COLUMN_MM / (0.86 * LETTER_WIDTH * SMALL_MM))
    lines: list[str] = []
    for text in texts:
        lines += textwrap.wrap(text, width, subsequent_indent="    ", break_long_words=True)
    return lines


def _title_cells(plan: Plan) -> list[tuple[str, str]]:
    """Rows of what the project says in [title], the lowest first; none where it says nothing."""
    title = plan.project.tables.title
    facts = (("Drawing", title.drawing_number), ("Client", title.client), ("Designer", title.designer))
    words = [f"{label}: {clean(text, 120)}" for label, text in facts if text]
    rows = [(words[at], words[at + 1] if at + 1 < len(words) else "") for at in range(0, len(words), 2)]
    return rows[::-1]


def _title_mm(plan: Plan) -> float:
    """Height of the title block."""
    return TITLE_MM + TITLE_ROW_MM * len(_title_cells(plan))


def _title_block(sheet: Sheet, plan: Plan, wishes: SheetWishes, low: Point, high: Point) -> None:
    sheet.box(FRAME, low, high)
    (x0, y0), (x1, y1) = low, high
    results = plan.results
    cells = (
        (f"Project {plan.project.sha256[:12]}", f"Seed {results.seed}"),
        (f"Computed {clean(results.created_utc[:10], 12)}", f"roommodes {clean(results.software_version, 20)}"),
        (
            f"Scale {scale_words(sheet.scale, wishes.lengths)} on {paper_of(sheet)}",
            f"Revision {clean(wishes.revision, 20)}",
        ),
        *_title_cells(plan),
    )
    rows = [y0 + TITLE_ROW_MM * number for number in range(1, len(cells) + 1)]
    for y in rows:
        sheet.path(FRAME, [(x0, y), (x1, y)])
    half = (x0 + x1) / 2.0
    sheet.path(FRAME, [(half, y0), (half, rows[-1])])
    pad = 3.0
    name = fitted(clean(plan.project.name), x1 - x0 - 2 * pad, LARGE_MM)
    sheet.label((x0 + pad, y1 - 6.0), name, height=LARGE_MM, align="left")
    stand = "where it stands" if plan.subs == 1 else "where they stand"
    what = f"{subs_word(plan.subs)}: {stand}" + (f" (plan {plan.rank} in rank)" if plan.row else "")
    sheet.label((x0 + pad, y1 - 13.5), what, height=NORMAL_MM, align="left")
    for y, (left, right) in zip(rows[::-1], cells[::-1], strict=True):
        for x, words in ((x0, left), (half, right)):
            sheet.label((x + pad, y - 4.0), fitted(words, half - x0 - 2 * pad, SMALL_MM), align="left")
    _scale_bar(sheet, (x1 - 62.0, y1 - 16.6), wishes.lengths)


def scale_words(scale: float, lengths: Lengths) -> str:
    """``1:50``; with feet ``1/4" = 1'-0" (1:48)``, where there is such a scale."""
    words = FOOT_SCALE_WORDS.get(scale) if lengths.feet else None
    return f"1:{scale:g}" if words is None else f"{words} = 1'-0\" (1:{scale:g})"


def _scale_bar(sheet: Sheet, at: Point, lengths: Lengths) -> None:
    """Metres or feet in alternating fields, about 50 mm long."""
    metre, unit = (12.0 * INCH_MM / sheet.scale, "ft") if lengths.feet else (1e3 / sheet.scale, "m")
    step = next((step for step in (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0) if step * metre >= 9.0), 10.0)
    fields = max(2, int(50.0 / (step * metre)))
    x, y = at
    for number in range(fields):
        low = (x + number * step * metre, y)
        sheet.box(FRAME, low, (low[0] + step * metre, y + 1.6), hatch=number % 2 == 0)
    for number in range(0, fields + 1, fields):
        sheet.label((x + number * step * metre, y + 4.0), f"{number * step:g} {unit}")
    sheet.label((x + step * metre, y + 4.0), f"{step:g}")
