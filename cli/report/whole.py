"""The whole report: what the model must say anew, all sections in order, and the file's bytes."""
# ruff: noqa: PLC0415 (imports wait while the model is at work)

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from cli.report.blocks import Report, Section
    from roommodes.plan.plan import Plan
    from roommodes.plan.starting_values import StartingValues
    from roommodes.running import Running
    from solvers.listening.before_after import BeforeAfter
    from solvers.listening.room import RoomFindings


def model_numbers(plan: "Plan", running: "Running", suffix: str = ".html") -> "tuple[BeforeAfter, RoomFindings]":
    """What is asked of the model for a report: usual layouts, the listening plane, the room's modes."""
    from solvers.listening.before_after import before_after, side_by_side
    from solvers.project_transfer import require_project_fits

    running = running.under(words="interrupted")
    require_project_fits(plan.project)
    # both at once, since each has stretches that keep one processor only busy; the other imports beside them
    with side_by_side() as pool:
        comparing = pool.submit(before_after, plan, running=running)
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


def report_bytes(
    plan: "Plan",
    compared: "BeforeAfter",
    found: "RoomFindings",
    suffix: str,
    estimated: "Section | None" = None,
    running: "Running | None" = None,
) -> bytes:
    """The report as HTML or PDF, once the model's numbers are there.

    Parameters
    ----------
    plan, compared, found : what it says.
    suffix : ".html" or ".pdf".
    estimated : a field's section, if any.
    running : where filters are kept.
    """
    content = report_content(plan, compared, found, estimated, running)
    if suffix.lower() == ".pdf":
        from cli.report.pdf import report_pdf
        from roommodes.lengths import lengths_of

        return report_pdf(content, plan, lengths_of(plan.project))
    from cli.report.html import report_html

    return report_html(content)


def report_content(
    plan: "Plan",
    compared: "BeforeAfter",
    found: "RoomFindings",
    estimated: "Section | None" = None,
    running: "Running | None" = None,
) -> "Report":
    """The report of a plan, its sections in order; parameters are those of `report_bytes`."""
    from cli.report.basis import basis_section, without_usual
    from cli.report.beside_mains import mains_section
    from cli.report.blocks import Report, shown
    from cli.report.choice import count_section, front_section, row_section
    from cli.report.electrical import electrical_section
    from cli.report.loudness import loudness_section
    from cli.report.plan import heard_section, lead_words, place_section, values_section
    from cli.report.room import (
        assumed_section,
        caution_section,
        checks_section,
        map_section,
        modes_section,
        unknown_section,
    )
    from roommodes.running import Running
    from solvers.loudness.of_plan import plan_headroom

    results, project = plan.results, plan.project
    compared = without_usual(plan, compared)
    which = "" if plan.rank == 1 else f", plan {plan.rank} in rank"
    headroom = plan_headroom(plan) if results.limit_db is not None and not plan.wired.faults else None
    sections = (
        basis_section(plan, told=estimated is not None),
        place_section(plan),
        heard_section(plan, compared),
        mains_section(plan),
        map_section(plan, compared),
        estimated,
        count_section(plan, compared),
        front_section(plan),
        row_section(plan),
        loudness_section(plan, headroom),
        values_section(plan, _values(plan, running or Running())),
        electrical_section(plan),
        modes_section(plan, found),
        checks_section(plan, found),
        assumed_section(plan),
        unknown_section(plan, found),
        caution_section(plan),
    )
    return Report(
        title=shown(project.name, 120),
        subtitle=f"Subwoofer plan{which}",
        lead=lead_words(plan, headroom),
        sections=tuple(section for section in sections if section),
        closing=(
            f"Computed by roommodes {shown(results.software_version, 20)} on {shown(results.created_utc, 24)}, seed "
            f"{results.seed}. Project fingerprint (SHA-256) {project.sha256}. The plan file holds the project, the "
            "transfer functions and the plans; from it alone the search can be repeated."
        ),
    )


def _values(plan: "Plan", running: "Running") -> "StartingValues":
    """What is dialled in, with filters."""
    from roommodes.plan.starting_values import starting_values
    from solvers.tuning.path_filters import path_filters

    rate_hz = plan.project.processor.rate_hz
    return starting_values(plan, rate_hz=rate_hz, filters=path_filters(plan, rate_hz, running))


def short_bytes(
    plans: "Sequence[Plan]", suffix: str, running: "Running", *, cover: bool, folder: "Path"
) -> tuple[bytes, list[str]]:
    """The two pages of each plan, with a cover on request, and what was wrong with the logo.

    Parameters
    ----------
    plans : of one file.
    suffix : ".html" or ".pdf".
    running : progress, cancelling.
    cover : begin with a page that lists them.
    folder : in which the logo stands.
    """
    from cli.report.basis import without_usual
    from cli.report.logo import read_logo
    from cli.report.short import ShortPlan, short_report
    from solvers.listening.before_after import before_after
    from solvers.loudness.of_plan import plan_headroom

    name = plans[0].project.tables.title.logo
    logo, fault = read_logo(name, folder) if name else (None, None)
    pages = [
        ShortPlan(
            plan=plan,
            compared=without_usual(plan, before_after(plan, running=running)),
            headroom=plan_headroom(plan) if plan.results.limit_db is not None and not plan.wired.faults else None,
        )
        for plan in plans
    ]
    content = short_report(pages, cover=cover, logo=logo)
    if suffix.lower() == ".pdf":
        from cli.report.pdf import report_pdf
        from roommodes.lengths import lengths_of

        data = report_pdf(content, None, lengths_of(plans[0].project))
    else:
        from cli.report.html import report_html

        data = report_html(content)
    return data, [fault] if fault else []
