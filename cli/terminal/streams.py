"""The program's own output: closed, on a full disk or to a terminal that went away, it ends in words."""

import io
import os
import sys
from typing import NoReturn, TypeVar

from roommodes.errors import OutputLost

Stream = TypeVar("Stream", bound=io.TextIOWrapper)


class Output(io.TextIOWrapper):
    """Standard output that says what it could not write."""

    def write(self, text: str, /) -> int:
        """Print; OutputLost where that cannot be."""
        try:
            return super().write(text)
        except BrokenPipeError:
            raise
        except OSError as error:
            self._lost(error)

    def flush(self) -> None:
        """The same for what was kept back."""
        try:
            super().flush()
        except BrokenPipeError:
            raise
        except OSError as error:
            self._lost(error)

    def _lost(self, error: OSError) -> NoReturn:
        silence(1)  # Python flushes once more at its end
        raise OutputLost(f"standard output cannot be written: {(error.strerror or str(error)).lower()}") from None


class Errors(io.TextIOWrapper):
    """Standard error: where it cannot be written, nobody can be told, and the exit code still is."""

    def write(self, text: str, /) -> int:
        """Print what can be printed."""
        try:
            return super().write(text)
        except OSError:
            silence(2)
            return len(text)

    def flush(self) -> None:
        """The same for what was kept back."""
        try:
            super().flush()
        except OSError:
            silence(2)


class NoOutput(io.StringIO):
    """Standard output of a program that was started without one."""

    def write(self, text: str, /) -> int:
        """Raise OutputLost: there is no output."""
        raise OutputLost("standard output is closed; open it, or send it to a file")


def silence(descriptor: int) -> None:
    """From now on whatever is written there goes nowhere."""
    nowhere = os.open(os.devnull, os.O_RDWR)
    os.dup2(nowhere, descriptor)
    os.close(nowhere)


def begin() -> None:
    """Make standard output and error ready; a closed one is filled, so that no file is opened in its place."""
    closed = [descriptor for descriptor in (0, 1, 2) if not _is_open(descriptor)]
    for _ in closed:
        os.open(os.devnull, os.O_RDWR)  # takes the lowest that is free, which is the next of these
    if 2 in closed or sys.stderr is None:
        sys.stderr = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115 (for as long as the program runs)
    elif isinstance(sys.stderr, io.TextIOWrapper):
        sys.stderr = _wrapped(Errors, sys.stderr)
    if 1 in closed or sys.stdout is None:
        sys.stdout = NoOutput()
    elif isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout = _wrapped(Output, sys.stdout)


def _wrapped(kind: type[Stream], own: io.TextIOWrapper) -> Stream:
    """The same stream as another kind; a poor terminal shows ? and does not stop the program."""
    return kind(own.buffer, encoding=own.encoding, errors="replace", line_buffering=own.line_buffering)


def _is_open(descriptor: int) -> bool:
    try:
        os.fstat(descriptor)
    except OSError:
        return False
    return True
