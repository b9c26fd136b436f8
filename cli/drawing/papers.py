"""Papers and scales, and what a person may wish of them."""

from collections.abc import Iterator
from dataclasses import dataclass

from cli.drawing.primitives import Sheet
from roommodes.lengths import METRIC, Lengths

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
WORKING_SCALE, FOOT_WORKING_SCALE = 50.0, 48.0  # the smallest to build from; a smaller one is told
PLAN_SCALES = (40.0, 50.0, 75.0, 100.0, 200.0, 500.0)  # of the plan alone
DETAIL_SCALES = {False: 10.0, True: 12.0}  # by feet


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


def paper_of(sheet: Sheet) -> str:
    """The name of the paper that a sheet is on."""
    return next((name for name, size in PAPERS.items() if size == (sheet.width_mm, sheet.height_mm)), "its own size")


def scale_words(scale: float, lengths: Lengths) -> str:
    """``1:50``; with feet ``1/4" = 1'-0" (1:48)``, where there is such a scale."""
    words = FOOT_SCALE_WORDS.get(scale) if lengths.feet else None
    return f"1:{scale:g}" if words is None else f"{words} = 1'-0\" (1:{scale:g})"


def choices(wishes: SheetWishes) -> Iterator[tuple[str, float]]:
    """Papers and scales to try, best first: the smallest paper that holds a scale to work from, then smaller scales."""
    feet = wishes.lengths.feet
    papers = (wishes.paper,) if wishes.paper else TRIED[feet]
    scales = FOOT_SCALES if feet else SCALES
    if wishes.scale:
        yield from ((paper, wishes.scale) for paper in papers)
        return
    least = working_scale(wishes.lengths)
    for paper in papers:
        yield from ((paper, scale) for scale in scales if scale <= least)
    for scale in (one for one in scales if one > least):
        yield from ((paper, scale) for paper in papers)


def working_scale(lengths: Lengths) -> float:
    """The smallest scale to build from."""
    return FOOT_WORKING_SCALE if lengths.feet else WORKING_SCALE
