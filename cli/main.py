"""The `roommodes` command: wiring alone. What a command needs is imported when it runs."""
# ruff: noqa: PLC0415 (imports wait until they are needed: --help stays quick)

import gc
import os
import sys
from typing import Annotated

import typer

from cli.commands.on_demand import CommandsOnDemand
from cli.terminal.ending import EXIT_INTERRUPTED
from cli.terminal.guard import interrupted_words
from cli.terminal.output import say_error
from cli.terminal.streams import begin, silence
from roommodes.errors import OutputLost

COLLECT_AFTER = 50_000  # objects

app = typer.Typer(
    name="roommodes",
    cls=CommandsOnDemand,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    no_args_is_help=True,
    add_completion=False,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)


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
    """Where the subwoofers of a cinema or listening room go, how many, and how each is set.

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
