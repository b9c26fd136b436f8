"""The table of commands: name, module, summary. A command's module is imported when the command is called.

The list of commands in `roommodes --help` is printed from this table, so that it costs no import but typer's.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any, NamedTuple

import typer
import typer.main
from typer.core import TyperCommand, TyperGroup

if TYPE_CHECKING:
    from typer._click import Command, Context


class Entry(NamedTuple):
    """One command: its name, which is its function's too, the module of that function, and what it does."""

    name: str
    module: str
    summary: str


COMMANDS = (
    Entry("demo", "cli.commands.demo", "Plan an invented room, and draw the figure."),
    Entry("new", "cli.commands.new", "Write a commented starter project or manifest."),
    Entry("check", "cli.commands.check", "List a project's faults, or the room's modes and warnings."),
    Entry("predict", "cli.commands.predict", "Predict the level at every seat from a layout."),
    Entry("optimise", "cli.commands.optimise", "Find the subs' positions and settings: the plan."),
    Entry("tune", "cli.commands.tune", "Find filters for a plan."),
    Entry("crossover", "cli.commands.crossover", "Find delay and polarity of the subs against the mains."),
    Entry("rows", "cli.commands.rows", "Compare the rows of seats under one setting."),
    Entry("decay", "cli.commands.decay", "Show how long the bass rings, and when it arrives."),
    Entry("report", "cli.commands.report", "Write a report of a plan: HTML or PDF."),
    Entry("explore", "cli.commands.what_if.explore", "Write a page on which subs can be dragged."),
    Entry("watch", "cli.commands.what_if.watch", "Check a project again on every save."),
    Entry("compare", "cli.commands.what_if.compare", "Compare plans and layouts side by side."),
    Entry("judge", "cli.commands.what_if.judge", "Judge a plan in another project's room."),
    Entry("layout", "cli.commands.what_if.layout", "Write a plan into a project as its [layout]."),
    Entry("drawing", "cli.commands.drawing", "Draw a plan to scale with dimensions: PDF, SVG, DXF."),
    Entry("electrical", "cli.commands.electrical", "List cables, circuits, heat and quantities."),
    Entry("settings", "cli.commands.settings", "Show a plan's gains, delays, polarities and filters."),
    Entry("headroom", "cli.commands.headroom", "Show how loud a plan plays clean at every seat."),
    Entry("tolerance", "cli.commands.tolerance", "Try plans in rooms not built exactly as drawn."),
    Entry("export", "cli.commands.export", "Write the seats' responses in an open format."),
    Entry("fit", "cli.commands.fit", "Correct a project's walls, loss and size by measurements."),
    Entry("field", "cli.commands.on_site.field", "Estimate the field where nobody measured."),
    Entry("verify", "cli.commands.on_site.verify", "Compare a measurement with what the plan promised."),
    Entry("study", "cli.commands.study", "Compare strategies over a family of rooms."),
    Entry("schema", "cli.commands.schema", "Print the project file's JSON Schema, for editors."),
)


class CommandsOnDemand(TyperGroup):
    """A group that holds names and summaries; the command itself is imported when it is called."""

    def __init__(self, **attributes: Any) -> None:
        named = {entry.name: TyperCommand(entry.name, help=entry.summary) for entry in COMMANDS}
        super().__init__(**{**attributes, "commands": named})

    def resolve_command(self, ctx: "Context", args: list[str]) -> "tuple[str | None, Command | None, list[str]]":
        """Return the command that the arguments name, imported, and the rest of them."""
        name, command, rest = super().resolve_command(ctx, args)
        for entry in COMMANDS:
            if entry.name == name:
                alone = typer.Typer(rich_markup_mode=None, pretty_exceptions_enable=False, add_completion=False)
                alone.command(entry.name)(getattr(import_module(entry.module), entry.name))
                command = typer.main.get_command(alone)
        return name, command, rest
