"""What happens when a command cannot do its work: one line per fault, the right exit code, no traceback."""

import contextlib
import functools
import os
import signal
import sys
import threading
import traceback
from collections.abc import Callable, Iterator
from pathlib import Path
from types import FrameType
from typing import Any

import typer

from cli.terminal.output import say_error, warn
from roommodes.errors import ProjectInvalid, RoommodesError
from roommodes.storage.ordinary_file import starts_with
from roommodes.storage.seal import is_sealed

EXIT_INTERNAL = 1
HDF5_SIGNATURE = b"\x89HDF\r\n\x1a\n"
EXIT_INTERRUPTED = 130
INTERRUPTED = "interrupted; nothing was written"


def guarded(command: Callable[..., None]) -> Callable[..., None]:
    """Wrap a command so that every fault ends as lines on stderr and an exit code."""

    @functools.wraps(command)
    def wrapper(*arguments: Any, **options: Any) -> None:
        try:
            with _termination_as_interrupt():
                command(*arguments, **options)
                _note_unsealed(options)
                sys.stdout.flush()
        except (typer.Exit, typer.Abort, typer.TyperException):
            raise
        except RoommodesError as error:
            if options.get("debug"):
                traceback.print_exc()
            say_error(error.lines() if isinstance(error, ProjectInvalid) else [str(error)])
            raise typer.Exit(error.exit_code) from None
        except KeyboardInterrupt:
            say_error([INTERRUPTED])
            raise typer.Exit(EXIT_INTERRUPTED) from None
        except BrokenPipeError:
            # Whoever read our output has heard enough. Python would complain once more while closing stdout.
            with contextlib.suppress(OSError, ValueError):
                os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            raise typer.Exit(0) from None
        except Exception as error:
            if options.get("debug"):
                traceback.print_exc()
            say_error(
                [
                    f"internal fault: {type(error).__name__}: {error}; this is a mistake in the program, not in your "
                    "input: run again with --debug and report what it prints"
                ]
            )
            raise typer.Exit(EXIT_INTERNAL) from None

    return wrapper


def _note_unsealed(options: dict[str, Any]) -> None:
    """Say that the file a command rests on carries no checksum, if it is an HDF5 file without."""
    file = options.get("file")
    if not isinstance(file, Path) or options.get("quiet") or is_sealed(file) or not starts_with(file, HDF5_SIGNATURE):
        return
    warn(
        [
            f"{file} carries no checksum: an earlier version wrote it, or another program changed it. Damage to it may "
            "go unseen; a plan that is made anew has one"
        ]
    )


@contextlib.contextmanager
def interruptible(notice: str | None = None) -> Iterator[Callable[[], bool]]:
    """Turn the first SIGINT or SIGTERM into a wish to stop, and the second into an immediate end.

    Parameters
    ----------
    notice : said on stderr when stopping is asked for, where that takes more than a moment.

    Yields
    ------
    A function that says whether stopping was asked for.
    """
    asked = threading.Event()

    def ask(signal_number: int, frame: FrameType | None) -> None:
        if asked.is_set():
            raise KeyboardInterrupt
        asked.set()
        if notice:
            say_error([notice])

    with _handlers(ask, signal.SIGINT, signal.SIGTERM):
        yield asked.is_set


@contextlib.contextmanager
def _termination_as_interrupt() -> Iterator[None]:
    """SIGTERM ends a command as Ctrl-C does, so that temporaries are taken away."""

    def stop(signal_number: int, frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    with _handlers(stop, signal.SIGTERM):
        yield


@contextlib.contextmanager
def _handlers(handler: Callable[[int, FrameType | None], None], *numbers: signal.Signals) -> Iterator[None]:
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = {number: signal.signal(number, handler) for number in numbers}
    try:
        yield
    finally:
        for number, old in before.items():
            signal.signal(number, old)
