"""A sheet as the bytes of a file, and what a person may choose for one."""
# ruff: noqa: PLC0415 (only what the format needs is loaded)

from cli.drawing.primitives import Sheet
from cli.drawing.sheet import SheetWishes, paper_named
from roommodes.lengths import METRIC, lengths_of
from roommodes.plan.plan import Plan


def sheet_file(sheet: Sheet, suffix: str) -> bytes:
    """A sheet as PDF, SVG or DXF, as the suffix says."""
    if suffix.lower() == ".dxf":
        from cli.drawing.dxf import sheet_dxf

        return sheet_dxf(sheet)
    from cli.drawing.paper import sheet_bytes

    return sheet_bytes(sheet, suffix)


def wishes_for(plan: Plan, suffix: str, *, paper: str | None, scale: float | None, revision: str) -> SheetWishes:
    """What a person chose for a file of this kind: lengths as the project has them, but DXF stays metric."""
    lengths = METRIC if suffix.lower() == ".dxf" else lengths_of(plan.project)
    return SheetWishes(paper=paper and paper_named(paper), scale=scale, revision=revision, lengths=lengths)
