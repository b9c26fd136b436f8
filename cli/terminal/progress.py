"""Progress of long work on stderr: a bar with the time left, on a terminal, for work over a second."""
# ruff: noqa: PLC0415 (imports wait until they are needed: --help stays quick)

import contextlib
import sys
import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

from cli.terminal.output import clean, console

if TYPE_CHECKING:
    from rich.progress import Progress, TaskID

    from roommodes.running import Running, Step

SHOW_AFTER_S = 1.0


@contextlib.contextmanager
def progress(
    *, quiet: bool, cancelled: Callable[[], bool] | None = None, threads: int | None = None
) -> Iterator["Running"]:
    """Yield what long work is given: a bar shows how far it is, unless `quiet` or where stderr is no terminal.

    Parameters
    ----------
    quiet : draw nothing.
    cancelled, threads : as for `Running`.
    """
    from cli.terminal.kept import kept_here
    from roommodes.running import Running

    running = Running(cancelled=cancelled, threads=threads, kept=kept_here())
    if quiet or not sys.stderr.isatty():
        yield running
        return
    bars = _Bars()
    try:
        yield replace(running, report=bars.take)
    finally:
        bars.close()


class _Bars:
    """One bar per stage, kept on the screen while the job runs and wiped at its end."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._progress: Progress | None = None
        self._closed = False
        self._tasks: dict[str, TaskID] = {}
        self._steps: dict[str, Step] = {}  # the last of every stage
        self._timer = threading.Timer(SHOW_AFTER_S, self._show)
        self._timer.daemon = True
        self._timer.start()

    def take(self, step: "Step") -> None:
        """Show where the job is."""
        with self._lock:
            self._steps[step.stage] = step
            if self._progress is not None:
                self._draw(step)

    def close(self) -> None:
        """Wipe the bars and give the cursor back."""
        self._timer.cancel()
        with self._lock:
            self._closed = True
            if self._progress is not None:
                self._progress.stop()

    def _show(self) -> None:
        """The work has taken long enough to be worth a bar."""
        from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

        with self._lock:
            if self._closed:
                return
            self._progress = Progress(
                TextColumn("{task.description}", markup=False),
                BarColumn(),
                TaskProgressColumn(),
                TimeRemainingColumn(),
                TextColumn("{task.fields[note]}", markup=False),
                console=console(sys.stderr),
                transient=True,
            )
            self._progress.start()
            for step in self._steps.values():
                self._draw(step)

    def _draw(self, step: "Step") -> None:
        assert self._progress is not None, "drawn only once it is shown"
        if step.stage not in self._tasks:
            self._tasks[step.stage] = self._progress.add_task(clean(step.stage), total=1.0, note="")
        self._progress.update(self._tasks[step.stage], completed=step.fraction, note=clean(step.note))
