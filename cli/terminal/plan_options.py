"""Options and arguments of the commands that make something from a plan file."""

from pathlib import Path
from typing import Annotated

import typer

PlanFile = Annotated[
    Path, typer.Argument(metavar="PLAN", help="Plan file (HDF5), as optimise wrote it.", show_default=False)
]
Subs = Annotated[
    int | None,
    typer.Option("--subs", metavar="N", help="With how many subs; left out: as settled, else as recommended."),
]
Rank = Annotated[
    int | None,
    typer.Option("--rank", min=1, help="1 for the best plan with so many subs, 2 for the next; else as settled, or 1."),
]
Rate = Annotated[float, typer.Option("--rate", metavar="HZ", help="Sample rate of the processor.")]


PLAN_SUFFIXES = (".h5", ".hdf5")


def suffix_fault(path: Path, allowed: tuple[str, ...]) -> str | None:
    """What is wrong with a file name whose suffix chooses the format, or None."""
    if path.suffix.lower() in allowed:
        return None
    got = f"got {path.suffix!r}" if path.suffix else f"got {path.name!r} without one"
    return f"the format follows from the suffix: {got}; allowed: {', '.join(allowed)}"
