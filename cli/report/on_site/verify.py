"""The page for the client after dialling in: whether it plays as promised."""

from matplotlib.figure import Figure

from cli.figures.verify import draw_levels, worst_seat
from cli.report.blocks import PICTURE_IN, Bullets, Picture, Report, Section, Table, Text, shown
from cli.report.html import report_html
from cli.report.pdf import report_pdf
from cli.words.on_site.verify import (
    basis_lines,
    difference_rows,
    levels_words,
    single_words,
    suspect_lines,
    variation_rows,
    verdict_words,
)
from cli.words.plan import subs_word
from roommodes.measured.data import MeasuredSet
from roommodes.plan.plan import Plan
from roommodes.storage.stamp import now_utc
from roommodes.version import __version__
from solvers.verification.outcome import Verified

CAUTION = Section(
    key="caution",
    heading="Before it plays loud",
    blocks=(
        Text(
            text="Loud bass harms hearing by level and time: start quietly. After a setting is changed, "
            "measure again before the system is handed over.",
        ),
    ),
)


def verify_bytes(plan: Plan, measured: MeasuredSet, found: Verified, suffix: str) -> bytes:
    """The page as .html or .pdf."""
    report = verify_report(plan, measured, found)
    return report_html(report) if suffix.lower() == ".html" else report_pdf(report, None)


def verify_report(plan: Plan, measured: MeasuredSet, found: Verified) -> Report:
    """What the page says."""
    title = plan.project.tables.title
    facts = [("Client", title.client), ("Designer", title.designer), ("Drawing", title.drawing_number)]
    headers, rows = difference_rows(found)
    singles = tuple(f"{shown(one.name, 60)}: {single_words(one)}." for one in found.singles)
    sections = [
        Section(
            key="found",
            heading="What was found",
            blocks=(
                Table(
                    caption="Variation between seats", headers=("", "dB"), rows=tuple(variation_rows(found)), right=(1,)
                ),
                *_pictures(found),
                Table(
                    caption="Level found minus promised by third octave [dB]",
                    headers=tuple(headers),
                    rows=tuple(tuple(row) for row in rows),
                    right=tuple(range(1, len(headers))),
                ),
                Text(text=levels_words(found)),
            ),
        ),
        Section(
            key="settings",
            heading="The settings",
            blocks=(Bullets(items=tuple(suspect_lines(found))), *((Bullets(items=singles),) if singles else ())),
        ),
        CAUTION,
    ]
    return Report(
        title=shown(plan.project.name, 120),
        subtitle="Measured after dialling in",
        lead=" ".join([verdict_words(found), *basis_lines(plan, found)]),
        sections=tuple(sections),
        closing=(
            f"Computed by roommodes {__version__} on {now_utc()}; plan with {subs_word(plan.subs)} of "
            f"{shown(plan.results.created_utc, 24)}, project {plan.project.sha256[:12]}; measured: "
            f"{shown(measured.name, 80)}."
        ),
        facts=tuple((label, shown(text, 120)) for label, text in facts if text),
        contents=False,
    )


def _pictures(found: Verified) -> tuple[Picture, Picture]:
    """All seats as promised and as found, and the one that is furthest off."""

    def furthest(figure: Figure) -> None:
        worst_seat(figure.add_subplot(), found)

    within = f"{found.within:.0%} of seats and third octaves within {found.allowed_db:g} dB"
    levels = Picture(
        title="Every seat as promised and as found.",
        alt=(
            f"Variation between seats {found.variation_promised_db:.1f} dB promised, {found.variation_found_db:.1f} dB "
            f"found; {within}."
        ),
        size_in=(PICTURE_IN, 6.0),
        draw=lambda figure: draw_levels(figure, found),
    )
    seat = Picture(
        title="The seat that is furthest from the promise.",
        alt="Its level as promised and as found.",
        size_in=(PICTURE_IN, 3.0),
        draw=furthest,
    )
    return levels, seat
