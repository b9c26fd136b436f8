"""Signals that ask the program to end, before it has begun: a word, no traceback. It loads nothing else."""

import os
import signal
from types import FrameType

EXIT_INTERRUPTED = 130
ENDING = ("SIGINT", "SIGTERM", "SIGHUP")


def end_at_once() -> None:
    """Until a command handles signals in its own way (`guard`): one that is not ignored ends the program in a word."""
    for name in ENDING:
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) in (signal.SIG_DFL, signal.default_int_handler):
            signal.signal(number, _end)


def _end(number: int, frame: FrameType | None) -> None:
    try:
        os.write(2, b"interrupted\n")
    finally:
        os._exit(EXIT_INTERRUPTED)
