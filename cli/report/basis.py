"""The report of a plan on measured responses: what in it was measured and what is the model's."""

from dataclasses import replace

from cli.report.blocks import Bullets, Picture, Section, Table, Text, shown
from cli.report.on_site.left_out import worth_blocks
from cli.words.basis import basis_words
from cli.words.on_site.estimated import SEAT_HEADERS, SEAT_LEGEND, seat_rows, sure_words
from roommodes.plan.plan import Plan
from solvers.field.uncertain import uncertain
from solvers.listening.before_after import BeforeAfter


def without_usual(plan: Plan, compared: BeforeAfter) -> BeforeAfter:
    """No usual layouts beside measured responses: they would be the model's, and differ for that alone."""
    if plan.measured is None:
        return compared
    return replace(compared, rival=None, own=None, rival_map_db=None)


def basis_section(plan: Plan) -> Section | None:
    """What was measured and what is the model's; None where all is the model's."""
    record = plan.measured
    words = basis_words(plan.results, "The pressure map and the room's modes are")
    if record is None or words is None:
        return None
    return Section(
        key="measured",
        heading="What was measured",
        blocks=(
            Text(text=words, strong=True),
            Text(
                text="Levels at the seats, variation, output, settings and filters follow from the measurements. Usual "
                "layouts were not measured, so there is nothing to compare them with."
            ),
            Bullets(items=tuple(shown(note, 400) for note in record.notes)),
            *_estimated(plan),
        ),
    )


def _estimated(plan: Plan) -> tuple[Text | Picture | Table, ...]:
    """How sure the plan is where not all was measured; empty where all was."""
    record, sure = plan.measured, uncertain(plan)
    if record is None or record.estimated is None or sure is None:
        return ()
    return (
        Text(text=sure_words(sure, promised="shown in this report"), strong=True),
        Table(caption="Estimated seats", headers=SEAT_HEADERS, rows=tuple(seat_rows(sure)), right=(1, 2)),
        Text(text=SEAT_LEGEND),
        *worth_blocks(record.estimated.left_out),
    )
