"""Options and arguments of the commands that make something from a plan file."""
# ruff: noqa: PLC0415 (imports wait until they are needed: --help stays quick)

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from roommodes.plan.plan import Plan

PlanFile = Annotated[
    Path, typer.Argument(metavar="PLAN", help="Plan file (HDF5), as optimise wrote it.", show_default=False)
]
Subs = Annotated[
    int | None,
    typer.Option("--subs", metavar="N", help="Number of subs; left out: as settled, else as recommended."),
]
Rank = Annotated[
    int | None,
    typer.Option(
        "--rank",
        min=1,
        help="1 for the best plan with that many subs, 2 for the next, then as optimise lists its front; left out: as "
        "settled, or 1.",
    ),
]
Rate = Annotated[
    float | None,
    typer.Option("--rate", metavar="HZ", help="Sample rate of the processor; that of the project if left out."),
]

Field = Annotated[
    Path | None,
    typer.Option(
        "--field", metavar="FIELD.h5", help="What roommodes field estimated from the plan's own measurements."
    ),
]


def choose_plan(file: Path, *, subs: int | None = None, rank: int | None = None, asked: str = "") -> "Plan":
    """Read a plan file and choose a plan of it; left open, the one that was settled, else the recommended one.

    Parameters
    ----------
    file : the plan file.
    subs, rank : which of its plans.
    asked : as the person named it; empty where options say it.

    Raises
    ------
    FileUnusable : the file cannot be read.
    ProjectInvalid : the project in it is not valid.
    typer.BadParameter : it has no such plan.
    """
    from roommodes.errors import FileUnusable, NoSuchPlan
    from roommodes.plan.file import read_results

    results = read_results(file)
    if not results.plans:
        raise FileUnusable(f"{file}: holds no plan; run optimise again and let it finish")
    try:
        return results.plan(subs, rank)
    except NoSuchPlan as fault:
        raise typer.BadParameter(str(fault), param_hint=asked or f"--{fault.what}") from None


PAGES = (".html", ".pdf")
PLAN_SUFFIXES = (".h5", ".hdf5")


def suffix_fault(path: Path, allowed: tuple[str, ...]) -> str | None:
    """What is wrong with a file name whose suffix chooses the format, or None."""
    if path.suffix.lower() in allowed:
        return None
    got = f"got {path.suffix!r}" if path.suffix else f"got {path.name!r} without one"
    return f"the format follows from the suffix: {got}; allowed: {', '.join(allowed)}"
