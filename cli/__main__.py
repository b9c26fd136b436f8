"""The program's start. Signals and threads are seen to before anything else is loaded."""

import os

from cli.terminal.ending import end_at_once

THREADS, COMMON_THREADS = "OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"


def run() -> None:
    """Entry point."""
    end_at_once()
    _one_thread_a_matrix()
    from cli.main import run as run_command  # noqa: PLC0415

    run_command()


def _one_thread_a_matrix() -> None:
    """Keep the linear algebra's own threads out, unless the environment asks for some.

    Work is shared out by frequencies, rooms and starts. More threads in each small matrix would wait for each other at
    full load. NumPy reads the number when it is loaded, and so does every program that is started.
    """
    if COMMON_THREADS not in os.environ:
        os.environ.setdefault(THREADS, "1")


if __name__ == "__main__":
    run()
