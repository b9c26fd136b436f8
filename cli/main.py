"""The `roommodes` command: wiring alone. What a command needs is imported when it runs."""
# ruff: noqa: PLC0415 (imports wait until they are needed: --help stays quick)

import gc
import os
import sys
from typing import Annotated

import typer

from cli.commands.check import check
from cli.commands.crossover import crossover
from cli.commands.decay import decay
from cli.commands.demo import demo
from cli.commands.drawing import drawing
from cli.commands.export import export
from cli.commands.fit import fit
from cli.commands.headroom import headroom
from cli.commands.new import new
from cli.commands.optimise import optimise
from cli.commands.predict import predict
from cli.commands.report import report
from cli.commands.rows import rows
from cli.commands.schema import schema
from cli.commands.settings import settings
from cli.commands.study import study
from cli.commands.tolerance import tolerance
from cli.commands.tune import tune
from cli.commands.what_if.compare import compare
from cli.commands.what_if.explore import explore
from cli.commands.what_if.judge import judge
from cli.commands.what_if.layout import layout
from cli.commands.what_if.watch import watch
from cli.terminal.guard import EXIT_INTERRUPTED, interrupted_words
from cli.terminal.output import say_error
from cli.terminal.streams import begin, silence
from roommodes.errors import OutputLost

COLLECT_AFTER = 50_000  # objects

app = typer.Typer(
    name="roommodes",
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    no_args_is_help=True,
    add_completion=False,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
for command in (
    demo,
    new,
    check,
    predict,
    optimise,
    tune,
    crossover,
    rows,
    decay,
    report,
    explore,
    watch,
    compare,
    judge,
    layout,
    drawing,
    settings,
    headroom,
    tolerance,
    export,
    fit,
    study,
    schema,
):
    app.command()(command)


def _print_version(asked: bool) -> None:
    if asked:
        from roommodes.version import __version__

        print(f"roommodes {__version__}")
        raise typer.Exit


@app.callback()
def main(
    version: Annotated[
        bool, typer.Option("--version", callback=_print_version, is_eager=True, help="Print the version and end.")
    ] = False,
) -> None:
    """Where the subwoofers of a cinema or listening room go, how many, and how each is driven.

    Start with `roommodes demo`, or with `roommodes new room.toml`; then `check`, `predict` and `optimise` it.
    """


def run() -> None:
    """Entry point.

    Looking for garbage in cycles takes a tenth of a short command's time, so it is done less often here, and not once
    more at the end, when the system takes everything back.
    """
    gc.set_threshold(COLLECT_AFTER)
    try:
        _run()
    finally:
        gc.freeze()


def _run() -> None:
    begin()
    os.environ["MPLBACKEND"] = "agg"  # figures are drawn without any window, whatever other programs are told
    try:
        try:
            app()
        finally:
            sys.stdout.flush()
    except BrokenPipeError:
        silence(1)
        sys.exit(0)
    except KeyboardInterrupt:
        say_error([interrupted_words([])])
        sys.exit(EXIT_INTERRUPTED)
    except OutputLost as lost:  # of a help text or a version
        say_error([str(lost)])
        sys.exit(lost.exit_code)


if __name__ == "__main__":
    run()
