"""The short report for a client: two pages a plan, with a cover where a file's plans go out together."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from matplotlib.figure import Figure

from cli.figures.pages import sub_marks
from cli.figures.room_plan import plan_view
from cli.report.blocks import Block, Bullets, Logo, Picture, Report, Section, Table, Text, shown
from cli.report.choice import mean_words
from cli.report.plan import crossover_blocks, filter_blocks, heard_picture, lead_words
from cli.report.with_filters import filtered, mean_output_db, seat_variation_db, with_words
from cli.words.basis import subs_stand
from cli.words.headroom_words import band_names
from cli.words.plan import cautions_of, from_walls, polarity_word, subs_word
from roommodes.lengths import ROUNDED, lengths_of
from roommodes.plan.plan import Plan
from roommodes.plan.starting_values import starting_values
from solvers.listening.before_after import BeforeAfter
from solvers.loudness.of_plan import PlanHeadroom
from solvers.tuning.path_filters import path_filters

PLAN_IN = (6.0, 4.1)
ELSEWHERE = "This plan has filters or a crossover besides: its own report lists them."


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ShortPlan:
    """A plan with what its two pages say of it.

    Parameters
    ----------
    plan : of the file.
    compared : with the usual layout; `rival` is None beside measured responses.
    headroom : where the project says how loud a sub plays.
    """

    plan: Plan
    compared: BeforeAfter
    headroom: PlanHeadroom | None


def short_report(plans: Sequence[ShortPlan], *, cover: bool, logo: Logo | None) -> Report:
    """The pages of the short report.

    Parameters
    ----------
    plans : in the order of the pages; the first is that of the lead without a cover.
    cover : begin with a page that lists them.
    logo : for the head.
    """
    first = plans[0].plan
    title = first.project.tables.title
    facts = [("Client", title.client), ("Designer", title.designer), ("Drawing", title.drawing_number)]
    lead = lead_words(first, plans[0].headroom)
    sections: list[Section] = []
    if cover:
        chosen = first.results.recommended_subs
        lead = f"{len(plans)} plans, the same room and seats. Recommended: the plan with {subs_word(chosen)}."
        sections.append(_cover(plans))
    for number, one in enumerate(plans):
        sections += _sections(one, number, cover=cover)
    return Report(
        title=shown(first.project.name, 120),
        subtitle="Subwoofer plans" if cover else "Subwoofer plan",
        lead=lead,
        sections=tuple(sections),
        closing=(
            f"Computed by roommodes {shown(first.results.software_version, 20)} on "
            f"{shown(first.results.created_utc, 24)}; project {first.project.sha256[:12]}, seed {first.results.seed}."
        ),
        facts=(
            *((label, shown(text, 120)) for label, text in facts if text),
            ("Date", shown(first.results.created_utc[:10], 12)),
        ),
        logo=logo,
        contents=cover,
    )


def _cover(plans: Sequence[ShortPlan]) -> Section:
    """The plans of the file beside each other."""
    rows = []
    for number, one in enumerate(plans):
        plan = one.plan
        head = "not known"
        if one.headroom is not None:
            found = one.headroom.headroom
            head = f"{found.least_db:+z.1f} dB at {band_names(one.headroom)[found.worst]} Hz"
        recommended = "recommended" if plan.subs == plan.results.recommended_subs else ""
        rows.append(
            (
                subs_word(plan.subs),
                f"{seat_variation_db(plan):z.1f} dB",
                mean_words(mean_output_db(plan), plan.subs, plan),
                head,
                recommended,
                f"{2 + 2 * number} and {3 + 2 * number}",
            )
        )
    headers = ("plan", "variation between seats", "average level over the seats", "against the target", "", "pages")
    return Section(
        key="plans",
        heading="The plans",
        blocks=(
            Table(caption="Plans in this document", headers=headers, rows=tuple(rows), stacked=True),
            Text(
                text="Variation: the standard deviation of the level over the seats, smaller is more even. Against the "
                "target: the margin in the worst third-octave, average over the seats; below 0 it is not reached."
            ),
        ),
    )


def _sections(one: ShortPlan, number: int, *, cover: bool) -> list[Section]:
    """Both pages of a plan."""
    plan = one.plan
    word = subs_word(plan.subs)
    before, key = (f"{word}: ", f"-{number + 1}") if cover else ("", "")
    finding, picture = heard_picture(plan, one.compared)
    heard: list[Text] = [
        Text(
            text=f"{finding}. An equaliser changes what all seats have in common, not what differs between them. "
            f"{with_words(plan)}".rstrip()
        )
    ]
    if plan.results.level_unit == "dB SPL":
        heard.append(
            Text(text="These are the highest clean levels, not levels to listen at: they harm hearing within minutes.")
        )
    where = "where it stands" if plan.subs == 1 else "where they stand"
    verdict = (Text(text=lead_words(plan, one.headroom)),) if cover else ()
    parts: list[tuple[str, str, tuple[Block, ...], bool]] = [
        ("place", f"the verdict, and {where}" if cover else where, (*verdict, *_place_blocks(plan)), cover),
        ("heard", "what it does" if plan.subs == 1 else "what they do", (picture, *heard), True),
        ("do", "what to do", _do_blocks(plan), False),
    ]
    if cover and (filtered(plan) or plan.crossover is not None):  # a page more would move the others
        parts[-1] = ("do", "what to do", (*_do_blocks(plan), Text(text=ELSEWHERE)), False)
    elif further := _further_settings(plan):
        parts.append(("further", "filters and crossover" if plan.crossover else "filters", tuple(further), True))
    return [
        Section(
            key=f"{name}{key}",
            heading=f"{before}{heading}" if before else heading.capitalize(),
            blocks=blocks,
            new_page=new_page,
        )
        for name, heading, blocks, new_page in parts
    ]


def _place_blocks(plan: Plan) -> tuple[Picture | Table, ...]:
    room, drives, lengths = plan.project.room, plan.drives, lengths_of(plan.project)
    values = zip(plan.positions_m, drives.gain_db, drives.delay_s, drives.polarity, strict=True)
    rows = tuple(
        (
            str(number),
            from_walls(point, room, lengths),
            f"{gain if abs(gain) >= 0.05 else 0.0:z.1f} dB",
            f"{1e3 * delay:z.2f} ms",
            polarity_word(sign),
        )
        for number, (point, gain, delay, sign) in enumerate(values, start=1)
    )
    return (
        Picture(
            title="The room from above, front wall to the left."
            + ("" if subs_stand(plan.results) else " The drawing with dimensions is a sheet of its own."),
            alt=f"Plan of the room with {subs_word(plan.subs)}: {'; '.join(row[1] for row in rows)}.",
            size_in=PLAN_IN,
            draw=lambda figure: _draw_plan(figure, plan),
        ),
        Table(
            caption="Middle of each sub, and starting values for the signal processor",
            headers=("sub", "place", "gain", "delay", "polarity"),
            rows=rows,
            right=(2, 3),
            stacked=True,
        ),
    )


def _further_settings(plan: Plan) -> list[Table | Text]:
    """Filters and crossover, where the plan has them."""
    rate_hz = plan.project.processor.rate_hz
    values = starting_values(plan, rate_hz=rate_hz, filters=path_filters(plan, rate_hz))
    return [*(filter_blocks(plan, values) if filtered(plan) else ()), *crossover_blocks(plan, values)]


def _draw_plan(figure: Figure, plan: Plan) -> None:
    subs = [replace(mark, drive="") for mark in sub_marks(plan)]  # the table below tells them
    plan_view(figure.subplots(), plan.project, subs=subs, title="")


def _do_blocks(plan: Plan) -> tuple[Bullets, ...]:
    number, lengths = plan.project.tables.title.drawing_number, lengths_of(plan.project)
    exact = "fractions of an inch" if lengths.feet else "millimetres"
    them = "the sub" if plan.subs == 1 else "the subs"
    if subs_stand(plan.results):
        todo = [
            f"Leave {them} as measured: where one is moved, turned or set otherwise, measure it again.",
            "Have the calibrator dial in the starting values and measure at every seat: the figures here follow from "
            "the measurements, and a microphone never stands twice in quite the same place.",
        ]
    else:
        todo = [
            f"Place {them} to the {exact} of the drawing{f' {shown(number, 60)}' if number else ''}; check every "
            f"dimension on site first.{f' {ROUNDED}' if lengths.feet else ''}",
            "Have the calibrator dial in the starting values, measure at every seat, and correct them: all figures "
            "here are predicted, and no room is built exactly as drawn.",
        ]
    return (Bullets(items=(*todo, *cautions_of(plan))),)
