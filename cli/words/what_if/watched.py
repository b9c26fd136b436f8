"""What `watch` says after a save: what changed in the project, figures beside those before, modes that moved."""

from collections.abc import Sequence
from typing import Any

from cli.terminal.output import Page
from cli.words.room import mode_name
from cli.words.what_if.differences import difference_lines, differences_json
from cli.words.what_if.side_by_side import print_bands, print_figures, seen_json
from roommodes.acoustics.built_modes import BuiltMode
from roommodes.lengths import lengths_of
from roommodes.project.differences import Difference, differences, layout_differences
from solvers.plans.side_by_side import Seen
from solvers.plans.watched import Look

MOVED_HZ, MOVED_S = 0.05, 0.02  # less is not told
SHOWN = 8  # modes


def print_look(page: Page, now: Look, seen: Seen | None, before: Look | None, seen_before: Seen | None) -> None:
    """One save.

    Parameters
    ----------
    page : what it is printed on.
    now, seen : the project, and its layout over the band; None without a layout.
    before, seen_before : the same of the save before; None at the first, or where bands have nothing in common.
    """
    if before is not None:
        lines = difference_lines(_changed(before, now), "before", "now", lengths_of(now.project))
        for line in lines:
            page.line(line, mark="- ")
    if seen is None:
        page.line("No [layout]: add one with positions_m to see what the seats hear.")
    elif seen_before is None:
        print_figures(page, ["", "now"], [seen])
        print_bands(page, [""], [seen])
    else:
        print_figures(page, ["", "before", "now", "change"], [seen_before, seen])
        print_bands(page, ["before", "now"], [seen_before, seen])
    if before is None or "modes" in now.computed:
        page.line(modes_words(now.modes, () if before is None else before.modes))


def _changed(before: Look, now: Look) -> tuple[Difference, ...]:
    """What a save changed, the layout too."""
    return (
        *differences(before.project, now.project),
        *layout_differences(before.project, now.project),
    )


def modes_words(now: Sequence[BuiltMode], before: Sequence[BuiltMode]) -> str:
    """The lowest modes; with those before, the ones that moved."""
    if not before:
        shown = [f"({mode_name(mode)}) {mode.frequency_hz:.1f} Hz, {mode.decay_time_s:.2f} s" for mode in now[:SHOWN]]
        more = f"; {len(now) - SHOWN} more" if len(now) > SHOWN else ""
        return f"Modes: {'; '.join(shown)}{more}." if shown else "Modes: none so low."
    old, new = _numbered(before), _numbered(now)
    moved = []
    for key, mode in new.items():
        one = old.get(key)
        if one is None:
            moved.append(f"({mode_name(mode)}) new at {mode.frequency_hz:.1f} Hz, {mode.decay_time_s:.2f} s")
        elif (
            abs(mode.frequency_hz - one.frequency_hz) > MOVED_HZ or abs(mode.decay_time_s - one.decay_time_s) > MOVED_S
        ):
            moved.append(
                f"({mode_name(mode)}) {one.frequency_hz:.1f} to {mode.frequency_hz:.1f} Hz, {one.decay_time_s:.2f} to "
                f"{mode.decay_time_s:.2f} s"
            )
    gone = [mode for key, mode in old.items() if key not in new]
    moved += [f"({mode_name(mode)}) gone, was at {mode.frequency_hz:.1f} Hz" for mode in gone]
    if not moved:
        return "Modes: none moved."
    more = f"; {len(moved) - SHOWN} more" if len(moved) > SHOWN else ""
    return f"Modes that moved: {'; '.join(moved[:SHOWN])}{more}."


def _numbered(modes: Sequence[BuiltMode]) -> dict[tuple[tuple[int, ...], int], BuiltMode]:
    """Modes by their numbers, those that the walls split in their order."""
    found: dict[tuple[tuple[int, ...], int], BuiltMode] = {}
    for mode in modes:
        place = sum(number == mode.number for number, _ in found)
        found[mode.number, place] = mode
    return found


def look_json(now: Look, seen: Seen | None, before: Look | None, seconds: float) -> dict[str, Any]:
    """The same as one line of JSON."""
    return {
        "valid": True,
        "seconds": seconds,
        "computed": list(now.computed),
        "changed": [] if before is None else differences_json(_changed(before, now)),
        "layout": None if seen is None else seen_json(seen),
        "modes": [
            {
                "number": list(mode.number),
                "frequency_hz": mode.frequency_hz,
                "decay_time_s": mode.decay_time_s,
            }
            for mode in now.modes
        ],
    }
