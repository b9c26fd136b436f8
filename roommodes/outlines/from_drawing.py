"""A project from a drawing of unknown origin, worked out within bounds of time and memory.

Lines that cross each other by the ten thousand, or curves of absurd size, keep the libraries at work for hours. So all
of it is done first in a process of its own that may take so much and no more (see `storage.limited`).
"""

from pathlib import Path

from roommodes.errors import FileUnusable
from roommodes.outlines.drawn_lines import read_drawing
from roommodes.outlines.project_text import project_text, took_lines
from roommodes.outlines.room_outline import Side, room_outline
from roommodes.storage.limited import Failed, Limits, try_first

LIMITS = Limits(cpu_s=8, memory_bytes=2 * 2**30)


def project_from_drawing(
    path: Path, *, layer: str | None, front: Side | None, height_m: float | None
) -> tuple[str, list[str]]:
    """The project's text, and lines that say what was taken.

    Parameters
    ----------
    path : a DXF file.
    layer, front, height_m : as asked for; None where that is left open.

    Raises
    ------
    FileUnusable : it cannot be read, or is more than can be taken as a room within bounds.
    ProjectInvalid : it holds no outline that can be a room's.
    """

    def work() -> tuple[str, list[str]]:
        drawn = read_drawing(path)
        outline = room_outline(path, drawn, layer=layer, front=front)
        return project_text(path, outline, drawn, height_m), took_lines(path, outline, drawn)

    try:
        try_first(work, LIMITS, told=FileUnusable)
    except Failed as failed:
        raise FileUnusable(f"{path}: {failed}; save the outline's layer alone as a DXF.") from None
    return work()
