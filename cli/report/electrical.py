"""The report's section for the electrician: cables, circuits, heat, quantities."""

from cli.report.blocks import Bullets, Section, Table
from cli.words.electrical import basis_lines, listings
from roommodes.plan.plan import Plan
from solvers.electrical.of_plan import electrical_of


def electrical_section(plan: Plan) -> Section | None:
    """The lists, where the project says where amplifiers stand or the supply comes in; None where it does not."""
    found = electrical_of(plan)
    if not any(cable.length_m is not None for cable in found.cables):
        return None
    tables = tuple(
        Table(
            caption=table.name[0].upper() + table.name[1:],
            headers=table.headers,
            rows=tuple(tuple(row) for row in table.texts()),
            right=table.numbers,
        )
        for table in listings(found)
        if table.rows
    )
    unknown = tuple(f"Not known: {words.partition(': give ')[0]}." for words in found.unknown)
    return Section(
        key="electrical",
        heading="For the electrician: cables, circuits, heat, quantities",
        blocks=(*tables, Bullets(items=(*basis_lines(plan.project.tables.electrical), *unknown))),
    )
