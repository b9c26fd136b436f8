"""The title block with its scale bar."""

from cli.drawing.papers import INCH_MM, SheetWishes, paper_of, scale_words
from cli.drawing.primitives import FRAME, Point, Sheet
from cli.figures.lettering import LARGE_MM, NORMAL_MM, SMALL_MM, fitted
from cli.terminal.output import clean
from cli.words.plan import subs_word
from roommodes.lengths import Lengths
from roommodes.plan.plan import Plan

TITLE_MM, TITLE_ROW_MM = 42.0, 8.0


def _title_cells(plan: Plan) -> list[tuple[str, str]]:
    """Rows of what the project says in [title], the lowest first; none where it says nothing."""
    title = plan.project.tables.title
    facts = (("Drawing", title.drawing_number), ("Client", title.client), ("Designer", title.designer))
    words = [f"{label}: {clean(text, 120)}" for label, text in facts if text]
    rows = [(words[at], words[at + 1] if at + 1 < len(words) else "") for at in range(0, len(words), 2)]
    return rows[::-1]


def title_mm(plan: Plan) -> float:
    """Height of the title block."""
    return TITLE_MM + TITLE_ROW_MM * len(_title_cells(plan))


def title_block(sheet: Sheet, plan: Plan, wishes: SheetWishes, corners: tuple[Point, Point], number: str) -> None:
    """Name, client, scale, revision and which sheet it is, within two corners."""
    low, high = corners
    sheet.box(FRAME, low, high)
    (x0, y0), (x1, y1) = low, high
    results = plan.results
    cells = (
        (f"Project {plan.project.sha256[:12]}", f"Seed {results.seed}"),
        (f"Computed {clean(results.created_utc[:10], 12)}, roommodes {clean(results.software_version, 20)}", number),
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
