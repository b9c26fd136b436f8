"""A command in which a signal comes while a finalizer runs, where Python can raise nothing:

python -m tests.disturbances.lost_signal BEFORE-OR-AFTER
"""

import os
import signal
import sys
import time
from pathlib import Path

import typer

from cli.terminal.guard import guarded
from roommodes.storage.whole_file import write_whole


class Final:
    def __del__(self) -> None:
        os.kill(os.getpid(), signal.SIGTERM)
        time.sleep(0.01)


@guarded
def command(when: str) -> None:
    """Write a file, and meet a signal before or after."""
    if when == "before":
        one = Final()
        del one
        time.sleep(5.0)
    write_whole(Path("out.bin"), b"all of it", force=False)
    one = Final()
    del one


if __name__ == "__main__":
    app = typer.Typer()
    app.command()(command)
    app(sys.argv[1:])
