"""The report of a plan on measured responses: what in it was measured and what is the model's."""

from dataclasses import replace

from cli.report.blocks import Bullets, Picture, Section, Table, Text, shown
from cli.words.basis import basis_words
from roommodes.plan.plan import Plan
from solvers.listening.before_after import BeforeAfter

ALL_MEASURED = "Every response behind this plan was measured; none is estimated. "
TOLD = (
    "How far a level between the measured places can be trusted: each of them predicted from the others by an estimate "
    "from the measurements (left to within), by the model alone, whose maps this report draws, and by interpolation "
    "alone."
)
FITTED = " The room was fitted to measurements: at other places the errors may be larger."
NOT_TOLD = (
    "How far the model can be trusted between the measured places is not told: that takes four measured places and not "
    "very many, in a room that is a box."
)


def without_usual(plan: Plan, compared: BeforeAfter) -> BeforeAfter:
    """No usual layouts beside measured responses: they would be the model's, and differ for that alone."""
    if plan.measured is None:
        return compared
    return replace(compared, rival=None, own=None, rival_map_db=None)


def basis_section(plan: Plan, *, told: bool = False) -> Section | None:
    """What was measured and what is the model's; None where all is the model's.

    Parameters
    ----------
    plan : the plan.
    told : another section shows what an estimate from the measurements is worth.
    """
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
            *(() if told else _all_measured(plan)),
        ),
    )


def _estimated(plan: Plan) -> tuple[Text | Picture | Table, ...]:
    """How sure the plan is where not all was measured; empty where all was."""
    record = plan.measured
    if record is None or record.estimated is None:
        return ()
    from cli.report.on_site.left_out import worth_blocks  # noqa: PLC0415 (few plans need it)
    from cli.words.on_site.estimated import SEAT_HEADERS, SEAT_LEGEND, seat_rows, sure_words  # noqa: PLC0415 (as above)
    from solvers.field.uncertain import uncertain  # noqa: PLC0415 (as above)

    sure = uncertain(plan)
    if sure is None:
        return ()
    return (
        Text(text=sure_words(sure, promised="shown in this report"), strong=True),
        Table(caption="Estimated seats", headers=SEAT_HEADERS, rows=tuple(seat_rows(sure)), right=(1, 2)),
        Text(text=SEAT_LEGEND),
        *worth_blocks(record.estimated.left_out),
    )


def _all_measured(plan: Plan) -> tuple[Text | Picture | Table, ...]:
    """What the model is worth where all was measured; empty where some was estimated."""
    if plan.measured is None or plan.measured.estimated is not None:
        return ()
    from cli.report.on_site.left_out import worth_blocks  # noqa: PLC0415 (few plans need it)
    from roommodes.estimates.fitted import was_fitted  # noqa: PLC0415 (as above)
    from solvers.field.at_seats import worth_at_seats  # noqa: PLC0415 (as above)

    table = worth_at_seats(plan.results)
    if table is None:
        return (Text(text=ALL_MEASURED + NOT_TOLD),)
    return (Text(text=ALL_MEASURED + TOLD + (FITTED if was_fitted(plan.project) else "")), *worth_blocks(table))
