"""Plans from whatever holds one: a plan file, a project with a layout, a layout that the page of explore saved."""
# ruff: noqa: PLC0415 (imports wait until they are needed: --help stays quick)

import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from cli.terminal.output import clean, counted
from cli.terminal.plan_options import PLAN_SUFFIXES, choose_plan

if TYPE_CHECKING:
    from roommodes.plan.plan import Plan
    from roommodes.running import Running

PROJECT_SUFFIX, LAYOUT_SUFFIX = ".toml", ".json"
SOURCE_HELP = "A plan file (PLAN.h5, PLAN.h5:SUBS, PLAN.h5:SUBS:RANK), a project with a [layout], or a layout file."


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """A plan and where it comes from.

    Parameters
    ----------
    file : that was read.
    subs, rank : as asked for; None where that was left open.
    asked : as the person named it.
    """

    file: Path
    asked: str
    subs: int | None = None
    rank: int | None = None

    def plan(self, running: "Running") -> "Plan":
        """Read it; a layout is worked out by the model first.

        Raises
        ------
        typer.BadParameter : the file holds no such plan.
        FileUnusable, ProjectInvalid, OutsideModel, Interrupted : as reading and the model raise them.
        """
        from roommodes.project.layout_file import read_layout
        from roommodes.project.reading import load_project
        from solvers.plans.by_hand import predict_layout

        suffix = self.file.suffix.lower()
        if suffix in PLAN_SUFFIXES:
            return choose_plan(self.file, subs=self.subs, rank=self.rank, asked=self.asked)
        project = read_layout(self.file).own_project() if suffix == LAYOUT_SUFFIX else load_project(self.file)
        return predict_layout(project, running=running)

    def label(self, plan: "Plan") -> str:
        """What the plan is called beside others."""
        subs = counted(plan.subs, "sub")
        if self.file.suffix.lower() not in PLAN_SUFFIXES:
            return f"{clean(self.file.name, 40)}, {subs}"
        rank = "best found" if plan.rank == 1 else f"rank {plan.rank}"
        return f"{clean(self.file.name, 40)}, {subs}, {rank}"


def source_of(text: str, *, hint: str) -> Source:
    """A file as an argument names it, with numbers of subs and rank behind colons where it is a plan file.

    Raises
    ------
    typer.BadParameter : it has another suffix, or numbers where none belong.
    """
    file, subs, rank = Path(text), None, None
    found = re.fullmatch(r"(.+?):(\d{1,4})(?::(\d{1,4}))?", text)
    if found and not file.exists():
        file, subs, rank = Path(found[1]), int(found[2]), int(found[3]) if found[3] else None
    suffix = file.suffix.lower()
    if suffix not in (*PLAN_SUFFIXES, PROJECT_SUFFIX, LAYOUT_SUFFIX):
        allowed = ", ".join((*PLAN_SUFFIXES, PROJECT_SUFFIX, LAYOUT_SUFFIX))
        raise typer.BadParameter(f"got {text!r}; what a file holds follows from its suffix: {allowed}", param_hint=hint)
    if subs is not None and suffix not in PLAN_SUFFIXES:
        raise typer.BadParameter(f"got {text!r}; only plan files hold several plans to number", param_hint=hint)
    if rank == 0:
        raise typer.BadParameter(f"got {text!r}; ranks begin at 1", param_hint=hint)
    return Source(file=file, asked=clean(text, 80), subs=subs, rank=rank)
