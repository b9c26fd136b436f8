"""Options and arguments of the commands that make something from a plan file."""
# ruff: noqa: PLC0415 (imports wait until they are needed: --help stays quick)

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from roommodes.plan.plan import Plan, Results

PlanFile = Annotated[
    Path, typer.Argument(metavar="PLAN", help="Plan file (HDF5), as optimise wrote it.", show_default=False)
]
Subs = Annotated[
    int | None,
    typer.Option("--subs", metavar="N", help="Number of subs; left out: as settled, else as recommended."),
]
MOST_EVEN, LOUDEST = "most-even", "loudest"  # of a front of variation against output


@dataclass(frozen=True, slots=True)
class PickedRank:
    """A plan's rank as a person gave it: a number from 1, or a name on the front."""

    number: int | None
    name: str = ""


def _picked(text: str) -> PickedRank:
    if text in {MOST_EVEN, LOUDEST}:
        return PickedRank(None, text)
    if text.isascii() and text.isdigit() and len(text) < 10 and int(text) >= 1:
        return PickedRank(int(text))
    raise typer.BadParameter(f"got {text!r}; allowed: a whole number from 1, {MOST_EVEN}, {LOUDEST}")


Rank = Annotated[
    PickedRank | None,
    typer.Option(
        "--rank",
        metavar="RANK",
        parser=_picked,
        help="1 for the best plan with that many subs, 2 for the next, then as optimise lists its front; also "
        f"{MOST_EVEN} or {LOUDEST}, of that front; left out: as settled, or 1.",
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


def choose_plan(
    file: Path, *, subs: int | None = None, rank: int | PickedRank | None = None, asked: str = ""
) -> "Plan":
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
        if isinstance(rank, PickedRank):
            rank = rank.number or _named(results, subs, rank.name)
        return results.plan(subs, rank)
    except NoSuchPlan as fault:
        raise typer.BadParameter(str(fault), param_hint=asked or f"--{fault.what}") from None


def _named(results: "Results", subs: int | None, name: str) -> int:
    """The rank of the most even or the loudest plan of a front; of all plans where the file has no front."""
    from roommodes.plan.front_ranks import front_ranks

    count = results.plan(subs).subs
    table, front = results.plans[count], results.choices.fronts.get(count)
    ranks = list(range(1, len(table) + 1)) if front is None else front_ranks(table, front)
    of = table if front is None else front
    best = of.output_db.argmax() if name == LOUDEST else of.variation_db.argmin()
    return ranks[int(best)]


PAGES = (".html", ".pdf")
PLAN_SUFFIXES = (".h5", ".hdf5")


def suffix_fault(path: Path, allowed: tuple[str, ...]) -> str | None:
    """What is wrong with a file name whose suffix chooses the format, or None."""
    if path.suffix.lower() in allowed:
        return None
    got = f"got {path.suffix!r}" if path.suffix else f"got {path.name!r} without one"
    return f"the format follows from the suffix: {got}; allowed: {', '.join(allowed)}"
