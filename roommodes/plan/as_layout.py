"""Positions and drives written into a project as its [layout]."""

from roommodes.arrays import Floats
from roommodes.plan.drives import Drives
from roommodes.project.layout_text import with_layout
from roommodes.project.project import Layout, Project


def project_with(project: Project, positions_m: Floats, drives: Drives, *, comment: str) -> Project:
    """A project with these as its layout; delays count from the earliest, all else in its text stays as it is.

    Parameters
    ----------
    project : whose text is changed.
    positions_m : (n_sub, 3) acoustic centres [m].
    drives : of each sub.
    comment : a line above the table, where there is none yet.

    Raises
    ------
    ProjectInvalid : a sub cannot stand there.
    """
    from_earliest = drives.from_earliest()
    layout = Layout(
        positions_m=tuple((float(x), float(y), float(z)) for x, y, z in positions_m),
        gain_db=tuple(from_earliest.gain_db.tolist()),
        delay_ms=tuple((1e3 * from_earliest.delay_s).tolist()),
        polarity=tuple(from_earliest.polarity.tolist()),
    )
    return with_layout(project, layout, comment=comment, source=f"{project.source} with a plan")
