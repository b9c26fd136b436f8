"""Sheets for people: report, drawing, settings, the page to explore, and responses in open formats."""
# ruff: noqa: PLC0415 (what draws waits until it is asked)

from __future__ import annotations

from pathlib import Path
from warnings import warn

from roommodes.errors import FileUnusable, OutsideModel
from roommodes.estimates.field_file import FieldFile
from roommodes.plan.plan import Plan, Results
from roommodes.running import Running
from roommodes.storage.whole_file import check_target, write_whole


def report(
    plan: Plan | Results,
    path: str | Path,
    *,
    short: bool = False,
    field: FieldFile | None = None,
    logo_folder: str | Path = ".",
    force: bool = False,
    running: Running | None = None,
) -> None:
    """Write a report of a plan: what to build, what every seat will hear, what it rests on; `roommodes report`.

    Parameters
    ----------
    plan : the plan; or, for the short report, all results of a search, after a page that lists their plans.
    path : a .html page that needs no network, or a .pdf that ends with the drawing to scale.
    short : two pages for the client instead: verdict, places, what the plan does, what to do.
    field : from ``open("field.h5", "field")``, over a grid of places: maps that rest on the measurements as well.
    logo_folder : where the logo file stands that the project's `[title]` names; for the short report.
    force : an existing file may be replaced.
    running : progress, cancelling, threads.

    Raises
    ------
    FileUnusable : another suffix; the file exists, or cannot be written.
    OutsideModel : all results, but not the short report.
    ProjectInvalid : the field is no grid, or not the plan's.
    Interrupted : when cancelled.

    Warns
    -----
    UserWarning : the logo cannot be shown.
    """
    from cli.report.whole import model_numbers, report_bytes, short_bytes

    target = _target(path, (".html", ".pdf"), force=force)
    running = running or Running()
    if short:
        plans = [plan] if isinstance(plan, Plan) else [plan.plan(subs, 1) for subs in plan.plans]
        cover = not isinstance(plan, Plan)
        data, warnings = short_bytes(plans, target.suffix, running, cover=cover, folder=Path(logo_folder).absolute())
        for text in warnings:
            warn(text, stacklevel=2)
    elif isinstance(plan, Plan):
        from cli.report.on_site.field import field_section

        estimated = field_section(plan, field)
        compared, found = model_numbers(plan, running, target.suffix)
        data = report_bytes(plan, compared, found, target.suffix, estimated)
    else:
        raise OutsideModel("report: got all results; allowed: one plan, such as results.recommended(), or short=True")
    write_whole(target, data, force=force)


def drawing(
    plan: Plan,
    path: str | Path,
    *,
    paper: str | None = None,
    scale: float | None = None,
    revision: str = "A",
    force: bool = False,
) -> None:
    """Draw a plan to scale with dimensions, for the people who build it; the same as `roommodes drawing`.

    Parameters
    ----------
    plan : the plan.
    path : a .pdf or .dxf file for all sheets, or a .svg file for the first; others beside it as name-2.svg and so on.
    paper : "A4" to "A0", "letter", "tabloid", "ansi-c" to "ansi-e", "arch-a" to "arch-e"; left out, the smallest of A3
        to A0 that fits, or of tabloid to ANSI E where the project asks for feet.
    scale : 50 for 1:50; left out, the largest that fits.
    revision : for the title block.
    force : an existing file may be replaced.

    Raises
    ------
    FileUnusable : another suffix; the file exists, or cannot be written.
    OutsideModel : no such paper or scale.
    """
    from cli.drawing.file import sheet_files, sheet_paths, wishes_for
    from cli.drawing.papers import PAPERS, paper_named
    from cli.drawing.sheet import drawing_sheets

    target = _target(path, (".pdf", ".svg", ".dxf"), force=force)
    if paper is not None and paper_named(paper) is None:
        raise OutsideModel(f"paper: got {paper!r}; allowed: {', '.join(PAPERS)}")
    if scale is not None and not 1.0 <= scale <= 1000.0:
        raise OutsideModel(f"scale: got {scale:g}; allowed: 1 to 1000, such as 50 for 1:50")
    wishes = wishes_for(plan, target.suffix, paper=paper, scale=scale, revision=revision)
    sheets = drawing_sheets(plan, wishes)
    for further in sheet_paths(target, len(sheets))[1:]:
        check_target(further, force=force)
    for one, data in sheet_files(sheets, target).items():
        write_whole(one, data, force=force)


def settings(
    plan: Plan,
    path: str | Path,
    *,
    rate_hz: float | None = None,
    filters: bool = True,
    force: bool = False,
) -> None:
    """Write what is dialled into the processor as a table; the same as `roommodes settings -o`.

    Parameters
    ----------
    plan : the plan; its `settings()` gives the same as data.
    path : a .csv or .json file, .txt for plain lists of filters, or .toml for the next measurement's manifest.
    rate_hz : sample rate of the processor; left out, as in the project's [processor] [Hz].
    filters : the plan's own if it was tuned, else cuts common to all subs.
    force : an existing file may be replaced.

    Raises
    ------
    FileUnusable : another suffix; the file exists, or cannot be written.
    OutsideModel : a sample rate that no processor has.
    """
    from cli.words.settings import settings_bytes

    target = _target(path, (".csv", ".json", ".txt", ".toml"), force=force)
    values = plan.settings(rate_hz=rate_hz, filters=filters)
    write_whole(target, settings_bytes(plan, values, target.suffix), force=force)


def explore(plan: Plan, path: str | Path, *, force: bool = False, running: Running | None = None) -> None:
    """Write a page on which subs are dragged and every seat's level follows; the same as `roommodes explore`.

    Parameters
    ----------
    plan : the plan with which the page opens; the others of its results can be chosen on it.
    path : a .html file that needs no network. What it saves is read by ``open(path, "layout")``.
    force : an existing file may be replaced.
    running : progress, cancelling, threads.

    Raises
    ------
    FileUnusable : another suffix; the file exists, or cannot be written.
    Interrupted, OutsideModel : when cancelled; the model cannot take this project.
    """
    from cli.explore.data import page_data
    from cli.explore.field import page_field
    from cli.explore.page import explore_html

    target = _target(path, (".html",), force=force)
    field = page_field(plan.results, running or Running())
    write_whole(target, explore_html(page_data(plan, field)), force=force)


def export(
    plan: Plan,
    path: str | Path,
    *,
    sub: int | None = None,
    seconds: float = 2.0,
    rate_hz: int | None = None,
    force: bool = False,
    running: Running | None = None,
) -> None:
    """Write the seats' responses in an open format, for other programs; the same as `roommodes export`.

    Parameters
    ----------
    plan : the plan.
    path : .sofa (AES69) for the transfer functions of its subs, undriven; .wav for impulse responses, a channel per
        seat, as driven and filtered; .csv or .zip for predicted curves of every seat, one table or one text file each.
    sub : WAV: one sub alone and undriven, from 1.
    seconds : WAV: length [s].
    rate_hz : WAV: sample rate, a whole number; left out, as in the project's [processor] [Hz].
    force : an existing file may be replaced.
    running : progress, cancelling, threads.

    Raises
    ------
    FileUnusable : another suffix; the package sofar is not installed; the file exists, or cannot be written.
    Interrupted, OutsideModel : when cancelled; the model cannot take it.
    """
    from cli.formats.curves import curves_csv, curves_zip
    from cli.formats.sofa_wav import sofa_bytes, wav_bytes
    from solvers.listening.curves import plan_curves

    target = _target(path, (".sofa", ".wav", ".csv", ".zip"), force=force)
    if target.suffix.lower() == ".sofa":
        data = sofa_bytes(plan)
    elif target.suffix.lower() in {".csv", ".zip"}:
        curves = plan_curves(plan, running=running or Running())
        data = curves_csv(curves) if target.suffix.lower() == ".csv" else curves_zip(plan, curves)
    else:
        rate = int(rate_hz or plan.project.processor.rate_hz)
        impulse = plan.impulses(sub=sub, seconds=seconds, rate_hz=rate, running=running)
        data = wav_bytes(impulse.samples, rate)
    write_whole(target, data, force=force)


def _target(path: str | Path, allowed: tuple[str, ...], *, force: bool) -> Path:
    """The file, if its suffix is one of those allowed and it can be written."""
    target = Path(path)
    if target.suffix.lower() not in allowed:
        raise FileUnusable(f"{path}: the format follows from the suffix; allowed: {', '.join(allowed)}")
    check_target(target, force=force)
    return target
