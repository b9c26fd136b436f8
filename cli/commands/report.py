"""`roommodes report`: the plan for people who were not there, as one page or as a PDF."""
# ruff: noqa: PLC0415 (imports wait until they are needed: --help stays quick)

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.terminal.guard import guarded, interruptible
from cli.terminal.options import Debug, Force, Json, Quiet
from cli.terminal.output import Page, counted, print_json
from cli.terminal.plan_options import PlanFile, Rank, Subs, suffix_fault
from cli.terminal.progress import progress
from cli.terminal.targets import check_targets

if TYPE_CHECKING:
    from cli.report.blocks import Report
    from cli.words.chosen_plan import ChosenPlan
    from roommodes.running import Running
    from solvers.listening.before_after import BeforeAfter
    from solvers.listening.room import RoomFindings

SUFFIXES = (".html", ".pdf")
RATE_HZ = 48000.0


@guarded
def report(
    file: PlanFile,
    output: Annotated[
        Path | None, typer.Option("--output", "-o", metavar="REPORT", help="A .html or .pdf file.", show_default=False)
    ] = None,
    subs: Subs = None,
    rank: Rank = None,
    force: Force = False,
    as_json: Json = False,
    quiet: Quiet = False,
    debug: Debug = False,
) -> None:
    """Write a report of a plan: what to build, what every seat will hear, and what it rests on.

    The .html file needs no network and works on a phone; the .pdf ends with the drawing to scale.

    Example: roommodes report plan.h5 -o report.html
    """
    from cli.words.basis import responses_word
    from cli.words.chosen_plan import choose_plan
    from roommodes.storage.whole_file import write_whole

    target = output or file.with_suffix(".html")
    if fault := suffix_fault(target, SUFFIXES):
        raise typer.BadParameter(fault, param_hint="--output")
    plan = choose_plan(file, subs=subs, rank=rank)
    check_targets({"--output": target}, inputs=[file], force=force)
    with interruptible() as stop_asked, progress(quiet=quiet, cancelled=stop_asked) as running:
        compared, found = model_numbers(plan, running, target.suffix)
    data = report_bytes(plan, compared, found, target.suffix)
    write_whole(target, data, force=force)
    if as_json:
        print_json(
            {"written": str(target), "bytes": len(data), "subs": plan.count, "responses": responses_word(plan.results)}
        )
    elif not quiet:
        Page().line(f"Wrote {target} ({len(data) / 1e3:.0f} kB), with {counted(plan.count, 'sub')}.")


def model_numbers(plan: "ChosenPlan", running: "Running", suffix: str = ".html") -> "tuple[BeforeAfter, RoomFindings]":
    """What the model must say anew: usual layouts, the listening plane, the room's modes."""
    from solvers.listening.before_after import before_after, side_by_side

    running = running.under(words="interrupted; nothing was written")
    # both at once, since each has stretches that keep one processor only busy; the other imports beside them
    with side_by_side() as pool:
        comparing = pool.submit(
            before_after,
            plan.project,
            plan.results,
            positions_m=plan.positions_m,
            gain_db=plan.gain_db,
            delay_s=plan.delay_s,
            polarity=plan.polarity,
            running=running,
        )
        from solvers.listening.room import examine

        examining = pool.submit(examine, plan.project, running=running)
        _drawing_imports(suffix)
        return comparing.result(), examining.result()


def _drawing_imports(suffix: str) -> None:
    """What the report is drawn with, read while the model is at work."""
    if suffix.lower() == ".pdf":
        import cli.report.pdf
    else:
        import cli.report.html
    import cli.report.plan
    import cli.report.room  # noqa: F401


def report_bytes(plan: "ChosenPlan", compared: "BeforeAfter", found: "RoomFindings", suffix: str) -> bytes:
    """The report as HTML or PDF, once the model's numbers are there."""
    content = report_content(plan, compared, found)
    if suffix.lower() == ".pdf":
        from cli.report.pdf import report_pdf

        return report_pdf(content, plan)
    from cli.report.html import report_html

    return report_html(content)


def report_content(plan: "ChosenPlan", compared: "BeforeAfter", found: "RoomFindings") -> "Report":
    """All that the report says, in order."""
    from cli.report.basis import basis_section, without_usual
    from cli.report.blocks import Report, shown
    from cli.report.choice import count_section, front_section, row_section
    from cli.report.loudness import loudness_section
    from cli.report.plan import heard_section, lead_sentence, place_section, values_section
    from cli.report.room import assumed_section, caution_section, map_section, modes_section, unknown_section
    from cli.words.settings import plan_filters
    from cli.words.tuned import tuned_values

    results, project = plan.results, plan.project
    compared = without_usual(plan, compared)
    which = "" if plan.rank == 0 else f", plan {plan.rank + 1} in rank"
    values = tuned_values(plan, RATE_HZ) or plan.values(RATE_HZ, plan_filters(plan, RATE_HZ))
    sections = (
        basis_section(plan),
        place_section(plan),
        heard_section(plan, compared),
        map_section(plan, compared),
        count_section(plan, compared),
        front_section(plan),
        row_section(plan),
        loudness_section(plan),
        values_section(plan, values),
        modes_section(plan, found),
        assumed_section(plan),
        unknown_section(found),
        caution_section(plan),
    )
    return Report(
        title=shown(project.name, 120),
        subtitle=f"Subwoofer plan{which}",
        lead=lead_sentence(plan, compared),
        sections=tuple(section for section in sections if section),
        closing=(
            f"Computed by roommodes {shown(results.software_version, 20)} on {shown(results.created_utc, 24)}, seed "
            f"{results.seed}. Project fingerprint (SHA-256) {project.sha256}. The plan file holds the project, the "
            "transfer functions and the plans; with it alone the search can be run again."
        ),
    )
