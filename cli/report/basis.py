"""The report of a plan on measured responses: what in it was measured and what is the model's."""

from dataclasses import replace

from cli.report.blocks import Bullets, Section, Text, shown
from cli.words.basis import basis_words
from roommodes.plan.plan import Plan
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
        ),
    )
