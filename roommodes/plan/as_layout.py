"""Positions and drives written into a project as its [layout]."""

from collections.abc import Sequence

from roommodes.arrays import Floats
from roommodes.errors import Fault, ProjectInvalid
from roommodes.places.layout import Layout
from roommodes.plan.drives import Drives
from roommodes.project.layout_text import with_layout
from roommodes.project.project import Project
from roommodes.subwoofer.tables import SubwooferTable
from roommodes.toml.values import shown


def kind_in(project: Project, kinds: Sequence[SubwooferTable]) -> tuple[int, ...]:
    """Which of a project's kinds of subwoofer some subs are, by name: (n_sub,); the first where it has one alone.

    Raises
    ------
    ProjectInvalid : it has no kind of that name.
    """
    known = [kind.name for kind in project.kinds]
    if len(known) == 1 and len({kind.name for kind in kinds}) == 1:
        return (0,) * len(kinds)
    if missing := [name for name in dict.fromkeys(kind.name for kind in kinds) if name not in known]:
        message = (
            f"there is no {', '.join(map(shown, missing))}, which the plan has; it has {', '.join(map(shown, known))}"
        )
        raise ProjectInvalid(project.source, [Fault(where="subwoofers", message=f"{message}.")])
    return tuple(known.index(kind.name) for kind in kinds)


def project_with(
    project: Project, positions_m: Floats, drives: Drives, kinds: Sequence[SubwooferTable], *, comment: str
) -> Project:
    """A project with these as its layout; delays count from the earliest, all else in its text stays as it is.

    Parameters
    ----------
    project : whose text is changed.
    positions_m : (n_sub, 3) acoustic centres [m].
    drives, kinds : of each sub.
    comment : a line above the table, where there is none yet.

    Raises
    ------
    ProjectInvalid : a sub cannot stand there, or the project does not have its kind.
    """
    from_earliest = drives.from_earliest()
    layout = Layout(
        positions_m=tuple((float(x), float(y), float(z)) for x, y, z in positions_m),
        gain_db=tuple(from_earliest.gain_db.tolist()),
        delay_ms=tuple((1e3 * from_earliest.delay_s).tolist()),
        polarity=tuple(from_earliest.polarity.tolist()),
        kind=kind_in(project, kinds),
    )
    return with_layout(project, layout, comment=comment, source=f"{project.source} with a plan")
