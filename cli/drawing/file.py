"""Sheets as the bytes of files, and what a person may choose for them."""
# ruff: noqa: PLC0415 (only what the format needs is loaded)

from collections.abc import Sequence
from pathlib import Path

from cli.drawing.papers import SheetWishes, paper_named
from cli.drawing.primitives import Sheet
from roommodes.lengths import METRIC, lengths_of
from roommodes.plan.plan import Plan


def sheet_files(sheets: Sequence[Sheet], target: Path) -> dict[Path, bytes]:
    """Sheets as PDF or DXF in one file, as SVG in one file each: path -> bytes."""
    suffix = target.suffix.lower()
    if suffix == ".dxf":
        from cli.drawing.dxf import sheets_dxf

        return {target: sheets_dxf(sheets)}
    from cli.drawing.paper import sheet_svg, sheets_pdf

    if suffix == ".pdf":
        return {target: sheets_pdf(sheets)}
    return dict(zip(sheet_paths(target, len(sheets)), map(sheet_svg, sheets), strict=True))


def sheet_paths(target: Path, sheets: int) -> list[Path]:
    """Where so many sheets go: ``plan.svg``, ``plan-2.svg`` and so on; one file for all as PDF or DXF."""
    if target.suffix.lower() != ".svg":
        return [target]
    further = (target.with_name(f"{target.stem}-{number}{target.suffix}") for number in range(2, sheets + 1))
    return [target, *further]


def wishes_for(plan: Plan, suffix: str, *, paper: str | None, scale: float | None, revision: str) -> SheetWishes:
    """What a person chose for a file of this kind: lengths as the project has them, but DXF stays metric."""
    lengths = METRIC if suffix.lower() == ".dxf" else lengths_of(plan.project)
    return SheetWishes(paper=paper and paper_named(paper), scale=scale, revision=revision, lengths=lengths)
