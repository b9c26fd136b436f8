"""The short report for a client: two pages a plan, with a cover where a file's plans go out together."""

from collections.abc import Sequence
from dataclasses import dataclass

from matplotlib.figure import Figure

from cli.figures.pages import sub_marks
from cli.figures.room_plan import plan_view
from cli.report.blocks import Block, Bullets, Logo, Picture, Report, Section, Table, Text, shown
from cli.report.choice import mean_words
from cli.report.plan import heard_picture, lead_words
from cli.words.headroom_words import band_names
from cli.words.plan import cautions_of, from_walls, polarity_word, subs_word
from roommodes.lengths import ROUNDED, lengths_of
from roommodes.plan.plan import Plan
from solvers.listening.before_after import BeforeAfter
from solvers.loudness.of_plan import PlanHeadroom

PLAN_IN = (6.0, 3.7)


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
                f"{plan.variation_db:z.1f} dB",
                mean_words(plan.output_db, plan.subs, plan),
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
        Text(text=f"{finding}. An equaliser changes what all seats have in common, not what differs between them.")
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
            title="The room from above, front wall to the left. The drawing with dimensions is a sheet of its own.",
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


def _draw_plan(figure: Figure, plan: Plan) -> None:
    plan_view(figure.subplots(), plan.project, subs=sub_marks(plan), title="")


def _do_blocks(plan: Plan) -> tuple[Bullets, ...]:
    number, lengths = plan.project.tables.title.drawing_number, lengths_of(plan.project)
    exact = "fractions of an inch" if lengths.feet else "millimetres"
    them = "the sub" if plan.subs == 1 else "the subs"
    return (
        Bullets(
            items=(
                f"Place {them} to the {exact} of the drawing{f' {shown(number, 60)}' if number else ''}; check "
                "every dimension on site first." + (f" {ROUNDED}" if lengths.feet else ""),
                "Have the calibrator dial in the starting values, measure at every seat, and correct them: all figures "
                "here are predicted, and no room is built quite as it is drawn.",
                *cautions_of(plan),
            )
        ),
    )
