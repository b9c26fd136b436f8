"""What a sub can do by itself, in words and as plain data: for `check`, before anything is searched."""

from typing import Any

import numpy as np

from cli.terminal.output import Page, name
from cli.words.headroom_words import box_words
from cli.words.kinds.mixes import money
from roommodes.project.project import Project
from roommodes.responses.third_octaves import bands_within, exact_hz, nominal_hz
from roommodes.subwoofer.kinds import responses_known
from roommodes.subwoofer.limits import Limits, boxed_driver, limits_of
from roommodes.subwoofer.tables import SubwooferTable


def print_subwoofer(page: Page, project: Project) -> None:
    """Box and highest clean level by third-octave, of each kind."""
    for kind, table in enumerate(project.kinds):
        page.heading(f"{'The sub' if len(project.kinds) == 1 else f'Kind {kind + 1}'}: {name(table.name)}")
        _print_kind(page, project, kind)
    if len(project.kinds) > 1:
        page.line()
        page.line(
            "Kinds stand side by side as driven by the same voltage, each with the response of its driver in its box."
            if responses_known(project.kinds)
            else "Not every kind gives its driver: kinds count as set to the same level at 1 m, with the same phase."
        )


def _print_kind(page: Page, project: Project, kind: int) -> None:
    table = project.kinds[kind]
    if table.price is not None and len(project.kinds) > 1:
        page.line(f"Price: {money(table.price, project)}.")
    found = _limits(project, table)
    if found is None:
        page.line("Nothing is said of how loud it plays: levels count from one sub at 1 m, and there is no headroom.")
        return
    if table.driver is not None:
        page.line(box_words(project, kind))
    bands, limits = found
    headers = ["Hz", *(f"{nominal_hz(band):g}" for band in bands)]
    rows = [["highest clean level", *(f"{level:.0f}" for level in limits.highest_db)]]
    page.table(headers, rows, right=tuple(range(1, len(headers))))
    reasons = [str(limits.kinds[first]) for first in limits.first]
    spans = []
    for start in range(len(bands)):
        if start == 0 or reasons[start] != reasons[start - 1]:
            spans.append(f"{reasons[start]} from {nominal_hz(bands[start]):g} Hz")
    page.line(f"At 1 m in free field, dB SPL rms of a sine. What limits it: {', '.join(spans)}.")


def subwoofer_json(project: Project) -> dict[str, Any] | list[dict[str, Any]]:
    """The same as plain data; of several kinds a list."""
    each = [_kind_json(project, table) for table in project.kinds]
    return each if len(each) > 1 else each[0]


def _kind_json(project: Project, table: SubwooferTable) -> dict[str, Any]:
    found = _limits(project, table)
    box = boxed_driver(table, project.room.air)
    return {
        "name": table.name,
        **({"price": table.price} if len(project.kinds) > 1 else {}),
        "box": None
        if box is None
        else {
            "closed_resonance_hz": box.closed_resonance_hz,
            "closed_q": box.closed_q,
            "tuning_hz": box.tuning_hz,
            "port_length_m": None if box.port is None else box.port.length_m,
            "reference_efficiency": box.driver.reference_efficiency(box.air),
        },
        "limits": None
        if found is None
        else [
            {"nominal_hz": nominal_hz(band), "highest_1m_db": float(level), "limited_by": str(found[1].kinds[first])}
            for band, level, first in zip(found[0], found[1].highest_db, found[1].first, strict=True)
        ],
    }


def _limits(project: Project, table: SubwooferTable) -> tuple[tuple[int, ...], Limits] | None:
    """The bands of the search and the limits at their centres."""
    bands = bands_within(np.geomspace(*project.search.band_hz, 200))
    limits = limits_of(table, np.array([exact_hz(band) for band in bands]), project.room.air)
    return None if limits is None else (bands, limits)
