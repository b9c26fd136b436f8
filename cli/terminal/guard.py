"""What happens when a command cannot do its work: one line per fault, the right exit code, no traceback."""

import contextlib
import functools
import inspect
import os
import signal
import sys
import threading
import traceback
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from types import FrameType
from typing import Any

import typer
from typer.models import ParameterInfo

from cli.terminal.ending import ENDING, EXIT_INTERRUPTED
from cli.terminal.output import say_error, warn
from cli.terminal.streams import silence
from roommodes.errors import Interrupted, ProjectInvalid, RoommodesError
from roommodes.storage.ordinary_file import HDF5_SIGNATURE, starts_with
from roommodes.storage.seal import is_sealed
from roommodes.storage.whole_file import noting_written

EXIT_INTERNAL = 1
EXIT_UNUSABLE = 5
AGAIN_S = 0.05  # until a signal that was swallowed is sent again


def guarded(command: Callable[..., None]) -> Callable[..., None]:
    """Wrap a command so that every fault and every signal ends as lines on stderr and an exit code."""
    _leave_reading_to_the_command(command)

    @functools.wraps(command)
    def wrapper(*arguments: Any, **options: Any) -> None:
        with noting_written() as written:
            try:
                with _signals_as_interrupts() as came:
                    command(*arguments, **options)
                    _note_unsealed(options)
                    sys.stdout.flush()
                    if came():  # one that was lost in the depths of a library
                        raise KeyboardInterrupt
            except (typer.Exit, typer.Abort, typer.TyperException):
                raise
            except BrokenPipeError:  # whoever read our output has heard enough; Python would complain while closing it
                with contextlib.suppress(OSError, ValueError):
                    silence(sys.stdout.fileno())
                raise typer.Exit(0) from None
            except (Exception, KeyboardInterrupt) as error:
                if options.get("debug"):
                    traceback.print_exc()
                lines, code = _told(error, written.paths())
                say_error(lines)
                raise typer.Exit(code) from None

    return wrapper


def interrupted_words(written: Sequence[Path], text: str = "interrupted") -> str:
    """What an interrupt left behind."""
    return f"{text}; " + (f"written: {', '.join(map(str, written))}" if written else "nothing was written")


def _told(error: BaseException, written: Sequence[Path]) -> tuple[list[str], int]:
    """A fault in lines, and the exit code."""
    if isinstance(error, RoommodesError):
        lines = error.lines() if isinstance(error, ProjectInvalid) else [str(error)]
        if isinstance(error, Interrupted) and not error.says_what_is_kept:
            lines = [interrupted_words(written, str(error))]
        return lines, error.exit_code
    if isinstance(error, KeyboardInterrupt):
        return [interrupted_words(written)], EXIT_INTERRUPTED
    if isinstance(error, OSError):
        return [_of_the_system(error)], EXIT_UNUSABLE
    if isinstance(error, MemoryError):
        return ["this machine has not enough free memory for it; close other programs, or ask for less"], EXIT_UNUSABLE
    return [
        f"internal fault: {type(error).__name__}: {error}; this is a mistake in the program, not in your input: run "
        "again with --debug and report what it prints"
    ], EXIT_INTERNAL


def _of_the_system(error: OSError) -> str:
    """What the system refused, in one sentence."""
    try:
        os.getcwd()
    except OSError:
        return "the working folder was deleted or moved away; change to one that exists"
    where = f"{error.filename}: " if error.filename else ""
    return f"{where}the system refused it: {(error.strerror or str(error)).lower()}"


def _leave_reading_to_the_command(command: Callable[..., None]) -> None:
    """A file that may not be read is told by who opens it (exit code 5), not while options are parsed (2)."""
    for parameter in inspect.signature(command).parameters.values():
        for entry in getattr(parameter.annotation, "__metadata__", ()):
            if isinstance(entry, ParameterInfo):
                entry.readable = False


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
    """Turn the first signal to end into a wish to stop, and the second into an immediate end.

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
            with contextlib.suppress(OSError):  # at once: what was interrupted may itself be printing
                os.write(2, notice.encode() + b"\n")

    with _handlers(ask):
        yield asked.is_set


@contextlib.contextmanager
def _signals_as_interrupts() -> Iterator[Callable[[], bool]]:
    """SIGTERM and SIGHUP end a command as Ctrl-C does, so that temporaries are taken away; yields whether one came.

    A signal is raised as an exception wherever the program is at, and some places swallow it (callbacks of libraries,
    finalizers). Then it is sent once more, until it gets through.
    """
    came = threading.Event()

    def stop(signal_number: int, frame: FrameType | None) -> None:
        came.set()
        raise KeyboardInterrupt

    def swallowed(what: Any) -> None:
        if issubclass(what.exc_type, KeyboardInterrupt):
            again = threading.Timer(AGAIN_S, os.kill, (os.getpid(), signal.SIGINT))
            again.daemon = True
            again.start()
        else:
            before(what)

    before, sys.unraisablehook = sys.unraisablehook, swallowed
    try:
        with _handlers(stop):
            yield came.is_set
    finally:
        sys.unraisablehook = before


@contextlib.contextmanager
def _handlers(handler: Callable[[int, FrameType | None], None]) -> Iterator[None]:
    """Handle the signals that ask a program to end; one that is ignored (nohup, a job in the background) stays so."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    asked = [number for name in ENDING if (number := getattr(signal, name, None)) is not None]
    before = {number: signal.getsignal(number) for number in asked}
    mine = [number for number, old in before.items() if old not in (signal.SIG_IGN, None)]
    for number in mine:
        signal.signal(number, handler)
    try:
        yield
    finally:
        for number in mine:
            signal.signal(number, before[number])
