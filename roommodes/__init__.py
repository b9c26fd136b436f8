"""Where the subwoofers go, how many, and how each is set, so that every seat hears the same even bass.

    import roommodes as rm

    project = rm.load("room.toml")              # or rm.demo(), rm.loads(text); project.with_(length_m=6.2)
    results = rm.search(project, counts=(2, 4))
    plan = results.recommended()                # or results.plan(4), results.plan(4, rank=2)
    plan.positions_m, plan.drives.gain_db, plan.drives.delay_s, plan.drives.polarity
    plan.response().level_db()                  # [frequency, seat]
    plan.with_drives(gain_db=[0, -3, 0, -3])    # what if
    plan.headroom(); plan.tolerance(); tuned = plan.tuned(); crossed = tuned.crossed()
    rm.save(crossed, "plan.h5"); rm.report(crossed, "report.html"); rm.drawing(crossed, "sheet.pdf")

`help(rm.search)` says what each name takes, gives and raises. Every result is frozen data; arrays carry their axes and
units in the docstrings. Seeds and threads are keyword arguments. Faults are exceptions below `RoommodesError`, with
sentences that say what was got and what is allowed. What is slow to load (scipy, numba, matplotlib) is loaded when it
is asked for.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from roommodes import plot as plot
    from roommodes.acoustics.air import Air as Air
    from roommodes.acoustics.curve import Curve as Curve
    from roommodes.acoustics.layering.layers import WallLaw as WallLaw
    from roommodes.acoustics.room import Room as Room
    from roommodes.acoustics.room import Surface as Surface
    from roommodes.acoustics.room import whole_face as whole_face
    from roommodes.errors import FileUnusable as FileUnusable
    from roommodes.errors import Interrupted as Interrupted
    from roommodes.errors import NoSuchPlan as NoSuchPlan
    from roommodes.errors import OutsideModel as OutsideModel
    from roommodes.errors import PackageMissing as PackageMissing
    from roommodes.errors import ProjectInvalid as ProjectInvalid
    from roommodes.errors import RoommodesError as RoommodesError
    from roommodes.front.fitting import Fitted as Fitted
    from roommodes.front.fitting import estimated as estimated
    from roommodes.front.fitting import field as field
    from roommodes.front.fitting import fit as fit
    from roommodes.front.fitting import measurements as measurements
    from roommodes.front.fitting import next_places as next_places
    from roommodes.front.fitting import with_field as with_field
    from roommodes.front.model import Transfer as Transfer
    from roommodes.front.model import compare as compare
    from roommodes.front.model import judge as judge
    from roommodes.front.model import modes as modes
    from roommodes.front.model import predict as predict
    from roommodes.front.model import transfer as transfer
    from roommodes.front.model import watcher as watcher
    from roommodes.front.pages import drawing as drawing
    from roommodes.front.pages import explore as explore
    from roommodes.front.pages import export as export
    from roommodes.front.pages import report as report
    from roommodes.front.pages import settings as settings
    from roommodes.front.projects import check as check
    from roommodes.front.projects import demo as demo
    from roommodes.front.projects import load as load
    from roommodes.front.projects import loads as loads
    from roommodes.front.projects import outline as outline
    from roommodes.front.projects import schema as schema
    from roommodes.front.projects import template as template
    from roommodes.front.searching import open as open
    from roommodes.front.searching import save as save
    from roommodes.front.searching import search as search
    from roommodes.front.studies import Study as Study
    from roommodes.front.studies import compare_strategies as compare_strategies
    from roommodes.front.studies import study as study
    from roommodes.front.studies import study_from as study_from
    from roommodes.plan.drives import Drives as Drives
    from roommodes.plan.plan import Plan as Plan
    from roommodes.plan.plan import Results as Results
    from roommodes.plan.response import Response as Response
    from roommodes.project.project import Project as Project
    from roommodes.running import Running as Running
    from roommodes.running import Step as Step
    from roommodes.shapes.solids import Block as Block
    from roommodes.shapes.solids import Slope as Slope
    from roommodes.version import __version__ as __version__

_HOMES = {  # where each name lives
    "acoustics.air": ("Air",),
    "acoustics.curve": ("Curve",),
    "acoustics.layering.layers": ("WallLaw",),
    "acoustics.room": ("Room", "Surface", "whole_face"),
    "errors": (
        "FileUnusable",
        "Interrupted",
        "NoSuchPlan",
        "OutsideModel",
        "PackageMissing",
        "ProjectInvalid",
        "RoommodesError",
    ),
    "front.fitting": ("Fitted", "estimated", "field", "fit", "measurements", "next_places", "with_field"),
    "front.model": ("Transfer", "compare", "judge", "modes", "predict", "transfer", "watcher"),
    "front.pages": ("drawing", "explore", "export", "report", "settings"),
    "front.projects": ("check", "demo", "load", "loads", "outline", "schema", "template"),
    "front.searching": ("open", "save", "search"),
    "front.studies": ("Study", "compare_strategies", "study", "study_from"),
    "plan.drives": ("Drives",),
    "plan.plan": ("Plan", "Results"),
    "plan.response": ("Response",),
    "project.project": ("Project",),
    "running": ("Running", "Step"),
    "shapes.solids": ("Block", "Slope"),
    "version": ("__version__",),
}

__all__ = [  # noqa: PLE0604 (the names are texts)
    "plot",
    *(name for names in _HOMES.values() for name in names),
]


def __getattr__(name: str) -> Any:
    """A name of the front door, loaded when it is first asked for."""
    if name == "plot":
        return import_module("roommodes.plot")
    for home, names in _HOMES.items():
        if name in names:
            value = getattr(import_module(f"roommodes.{home}"), name)
            globals()[name] = value
            return value
    raise AttributeError(f"module 'roommodes' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
