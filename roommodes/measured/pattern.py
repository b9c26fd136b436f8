"""A manifest for a project: one pattern for all file names; the manifest's text, with the order of measuring."""

from collections.abc import Sequence
from typing import Any

import numpy as np

from roommodes.measured.manifest import FilterTable, ManifestTables, MeasuredSubTable, ResponseTable
from roommodes.project.project import Project
from roommodes.toml.text import quoted, toml_text

SUB, SEAT, MICROPHONE = "{sub}", "{seat}", "{microphone}"
FIRST_LEVEL = """# Safety first. Before the first sweep: every output muted, the amplifiers' level at its lowest, nobody
# in front of a sub. Begin 30 dB below what you listen at, one short sweep, and raise the level in steps of 6 dB until
# the response stands 20 dB above the room's noise; louder tells nothing more. Sweeps through large subs harm hearing
# and drivers by level and time. Wear hearing protection; the limits are those of your local rules."""
ORDER = """# Order: one sub alone at all seats before the next one is unmuted. The microphone stands where the ears will
# be, and nothing else changes: doors, curtains, levels, processor. One time zero for all files (a loopback, or one
# recording)."""


def with_pattern(tables: ManifestTables, project: Project) -> ManifestTables:
    """The manifest with a response for every sub at every seat and place that it does not name itself.

    Parameters
    ----------
    tables : as they were read; without `file_pattern` they come back as they are. With `exchanged` no microphone stood
        at a seat.
    project : whose seats are meant.
    """
    pattern = tables.file_pattern
    if pattern is None:
        return tables
    named = {(one.sub, one.where, one.microphone) for one in tables.responses}
    places = {place.name for place in tables.places}
    further = [
        ResponseTable(
            sub=sub.name,
            seat=None if where in places else where,
            place=where if where in places else None,
            microphone=microphone,
            file=file_of(pattern, sub.name, where, microphone),
        )
        for sub in tables.subs
        for where in (*(() if tables.exchanged else project.seats.name), *(place.name for place in tables.places))
        for microphone in range(1, tables.microphones + 1)
        if (sub.name, where, microphone) not in named
    ]
    return tables.model_copy(update={"responses": (*tables.responses, *further)})


def file_of(pattern: str, sub: str, seat: str, microphone: int = 1) -> str:
    """The name of one file."""
    return pattern.replace(SUB, sub).replace(SEAT, seat).replace(MICROPHONE, str(microphone))


def manifest_for(project: Project, *, pattern: str = "{sub}-{seat}.txt") -> str:
    """The text of a manifest for a project: its subs, its seats by a pattern, and the order of measuring.

    Parameters
    ----------
    project : its [layout] gives the subs; without one, each zone gives one sub in its middle, to be moved.
    pattern : of the files' names, with {sub} and {seat}.
    """
    subs, mains, seats = _subs(project), _mains(project), project.seats.name
    lines = [
        "# Measurements for a project of roommodes.",
        "#",
        *FIRST_LEVEL.splitlines(),
        "#",
        *ORDER.splitlines(),
        *_turns([name for name, _ in subs], [name for name, _ in mains], seats),
        "",
        "format = 1",
        f"name = {quoted(project.name + ', first measurement')}",
        f"file_pattern = {quoted(pattern)}   # every sub at every seat; .txt, .wav (one channel) or .csv",
        f"#   for example {file_of(pattern, subs[0][0], seats[0])}",
        "# microphones = 3   # about each seat; then {microphone} stands in file_pattern too",
        "",
        "[reference]",
        'level = "relative"     # one unknown scale for all files; "pascal": sound pressure, in tables dB re 20 uPa',
        '# checked = ["polarity"] # checked by hand for every sub, so not doubted: polarity, level, time',
        "",
        "[microphone]",
        '# calibration = "microphone.txt"   # frequency, dB, and degrees if known; divided out',
        "",
        "# What is set in the processor while you measure is divided out: gain, delay, polarity, filters.",
        *(("# Main loudspeakers stand among the subs; the project's [mains] says which they are.",) if mains else ()),
    ]
    for name, place in (*subs, *mains):
        at = ", ".join(f"{round(float(value), 3):g}" for value in place)
        lines += ["[[subs]]", f"name = {quoted(name)}"]
        lines += [f"position_m = [{at}]   # acoustic centre"] if at else []
        lines += ["gain_db = 0", "delay_ms = 0", "polarity = 1"]
        lines += ['# checked = ["polarity"]   # once checked by hand, of this sub alone', ""]
    return "\n".join(lines)


def _turns(subs: Sequence[str], mains: Sequence[str], seats: Sequence[str]) -> list[str]:
    """Who plays alone, one after the other."""
    at_all = f"At {len(seats)} seats: {', '.join(seats)}."
    turns = []
    for name in subs:
        others = ", ".join(other for other in subs if other != name)
        turns.append(f"{name} alone{f'; muted: {others}' if others else ''}; mains muted. {at_all}")
    for name in mains:
        other = "; the other mains muted" if len(mains) > 1 else ""
        turns.append(f"{name} alone{other}; subs muted, crossover off. {at_all}")
    turns.append(f"{subs[0]} at {seats[0]} once more: it must lie on the first within a few tenths of a decibel.")
    return [f"#   {number}. {turn}" for number, turn in enumerate(turns, start=1)]


def chained_manifest(
    project: Project,
    subs: Sequence[MeasuredSubTable],
    *,
    seats: Sequence[str],
    before: ManifestTables | None,
    left_in: bool,
    crossover: bool,
) -> str:
    """The text of a manifest whose chain holds settings, for the measurement after they were dialled in.

    Parameters
    ----------
    project : whose seats are meant.
    subs : with the chain that is set now.
    seats : names of those that are measured.
    before : the manifest of the measurement before, whose references, microphone and processing stay; None: none.
    left_in : whether the chain stays in the responses.
    crossover : whether the settings have one; it is none of `subs` where the chain is divided out.
    """
    name = project.name + (", as set" if left_in else ", again")
    tree: dict[str, Any] = {"format": 1, "name": name}
    if before is not None:
        for key in ("reference", "grid", "processing", "microphone"):
            if kept := getattr(before, key).model_dump(exclude_unset=True, exclude_none=True):
                tree[key] = kept
    tree["reference"] = {**tree.get("reference", {}), "chain": "left in" if left_in else "divided out"}
    tree["subs"] = [_sub_tree(sub) for sub in subs]
    tree["responses"] = [
        {"sub": sub.name, "seat": seat, "file": file_of("{sub}-{seat}.txt", sub.name, seat)}
        for sub in subs
        for seat in seats
    ]
    what = (
        "The settings stay in the responses: they show what was reached, and a further search adds to the settings."
        if left_in
        else "The settings are divided out: a further search replaces them."
    )
    lines = [
        "# The measurement after the settings below were dialled in; the same seats, one sub alone at a time.",
        f"# {what}",
    ]
    if crossover and not left_in:
        lines.append("# Switch the crossover off while you measure: beyond it too little is left to divide it out.")
    return "\n".join([*lines, "#", *FIRST_LEVEL.splitlines(), "#", *ORDER.splitlines(), "", toml_text(tree)])


def _sub_tree(sub: MeasuredSubTable) -> dict[str, Any]:
    tree = sub.model_dump(exclude_none=True, exclude={"checked", "filters"})
    tree["filters"] = [_filter_tree(one) for one in sub.filters]
    if not sub.together:  # as left out
        del tree["together"]
    return tree


def _filter_tree(one: FilterTable) -> dict[str, Any]:
    keys = {"kind", "frequency_hz", "rate_hz"}
    if "shelf" in one.kind:
        keys |= {"gain_db", "slope"}
    elif not one.kind.startswith("first-order"):
        keys |= {"q", "gain_db"} if one.kind == "peaking" else {"q"}
    return one.model_dump(include=keys)


def _subs(project: Project) -> Sequence[tuple[str, Sequence[float]]]:
    """Names and positions of what is measured."""
    if project.layout is not None:
        return [(f"sub {number}", place) for number, place in enumerate(project.layout.positions_m, start=1)]
    return [(zone.name, 0.5 * (np.array(zone.low) + np.array(zone.high))) for zone in project.zones]


def _mains(project: Project) -> list[tuple[str, Sequence[float]]]:
    """Names and positions of the main loudspeakers that the project wants measured; empty where it has no positions."""
    mains = project.mains
    if mains is None:
        return []
    places = mains.positions_m if len(mains.positions_m) == len(mains.measured) else ((),) * len(mains.measured)
    return list(zip(mains.measured, places, strict=True))
