"""What stands beside the views: subs and parts of walls as lists, notes, legend of lines."""

import textwrap
from collections.abc import Iterable

from cli.drawing.extents import flat
from cli.drawing.notes import centre_words, space_lines
from cli.drawing.objects import stances
from cli.drawing.primitives import LAYERS, Path, Ring, Sheet
from cli.drawing.surroundings import mains_lines
from cli.figures.lettering import LETTER_WIDTH, SMALL_MM
from cli.terminal.output import clean
from cli.words.electrical import cable_lines
from cli.words.settings import channel_words
from cli.words.wall_parts import wall_parts
from roommodes.lengths import Lengths
from roommodes.plan.plan import Plan
from roommodes.project.glass import glass_of
from roommodes.project.placing.standing import hanging_words
from roommodes.shapes.nearer_wall import nearer_wall
from solvers.electrical.of_plan import electrical_of

COLUMN_MM = 172.0  # schedules, notes and title block
LINE_MM = 4.1
HEADING_MM = 3.4  # beyond a line's

TextBlock = tuple[str, list[str]]  # heading, lines


def texts_of(plan: Plan, lengths: Lengths) -> list[TextBlock]:
    """Headings and lines of the column, wrapped."""
    texts = [(f"Subs: {'' if lengths.feet else 'mm '}from finished walls", sub_lines(plan, lengths))]
    if mains := mains_lines(plan.project, lengths):
        texts.append((f"Main loudspeakers{'' if lengths.feet else ': mm'}", _wrapped(mains)))
    parts = wall_parts(plan.project)
    if parts:
        texts.append(("Parts of walls", _wrapped(f"{part.key}  {part.words(lengths)}" for part in parts)))
    found = electrical_of(plan)
    if any(cable.length_m is not None for cable in found.cables):
        decides = "A qualified electrician decides on sections, protection and circuits."
        texts.append(("Cables, copper", _wrapped([*cable_lines(found, lengths), decides])))
    texts.append(("Notes", _wrapped(_notes(plan, lengths))))
    return texts


def legend(views: Iterable[Sheet]) -> TextBlock:
    """What the lines of some views mean, by the names of their layers in CAD."""
    drawn = {part.layer.name for view in views for part in flat(view.parts) if isinstance(part, Path | Ring)}
    words = [f"{layer.name} {layer.meaning}" for layer in LAYERS if layer.name in drawn]
    return "Lines, by layer in CAD", _wrapped(["; ".join(words)])


def height_of(block: TextBlock) -> float:
    """What a list takes up under its heading [mm]."""
    return LINE_MM * (len(block[1]) + 1) + HEADING_MM


def sub_lines(plan: Plan, lengths: Lengths) -> list[str]:
    shape = plan.project.room.shape
    lines, on, fine = [], plan.wired, lengths.fine
    said = on.shared or plan.project.amplifiers
    for sub in stances(plan):
        x, y, z = sub.centre_m
        along, across = (nearer_wall(shape, sub.centre_m, axis) for axis in (0, 1))
        near = f"{fine(along.distance_m(x))} from {along.name}, {fine(across.distance_m(y))} from {across.name}"
        centre = f"{near}, {fine(z)} above floor"
        kind = f"{sub.name}, " if len(plan.project.kinds) > 1 else ""
        lines.append(f"{sub.number}  {kind}acoustic centre {centre}")
        if sub.has_cabinet:
            spans = [
                sorted(wall.distance_m(end) for end in (sub.low_m[axis], sub.high_m[axis]))
                for axis, wall in enumerate((along, across))
            ]
            spans.append([sub.low_m[2], sub.high_m[2]])
            words = " / ".join(f"{fine(low)} to {fine(high)}" for low, high in spans)
            lines.append(f"    cabinet {words}, faces {sub.faces} wall")
        if said:
            lines.append(f"    amplifier channel {channel_words(on.of(sub.number - 1))}")
    return lines


def _notes(plan: Plan, lengths: Lengths) -> list[str]:
    unit = "feet and inches, to the nearest 1/8 in" if lengths.feet else "mm"
    notes = [f"All dimensions in {unit}, from the finished face of the named wall. Check them on site before you cut."]
    for kind in sorted(set(plan.kind.tolist())):
        table = plan.project.kinds[kind]
        if table.cabinet_m is None:
            which = "" if len(plan.project.kinds) == 1 else f" of {clean(table.name, 40)}"
            notes.append(f"The project gives no cabinet{which}: only the acoustic centres are shown.")
            continue
        depth, width, height = (lengths.fine(size) for size in table.cabinet_m)
        notes.append(
            f"{clean(table.name, 40)}: {depth} deep, {width} wide, {height} high. Cross: acoustic centre, "
            f"{centre_words(table, lengths)}. Sides are given to the same walls as the centre, and above floor."
        )
        notes += space_lines(table, lengths)
    notes += hanging_words(plan.project, plan.positions_m, plan.kind)
    notes += [
        "Leave the openings for ventilation that the makers of subs and amplifiers ask for; an opening must not weaken "
        "fire protection.",
        "Cabinets are heavy: lift with two people. What stands or hangs above the floor needs fixings designed by a "
        "qualified person.",
    ]
    notes.append("Hearing: loud bass harms. Start quietly, raise the level in steps, keep to the limits of exposure.")
    if glass_of(plan.project):
        notes.append("Glass near loud bass rattles and can break: ask a glazier about the panes and their beads.")
    notes.append(
        "Electrical supply and amplifier loads: by a qualified electrician. Local codes and licensed trades decide."
    )
    return notes


def _wrapped(texts: Iterable[str]) -> list[str]:
    width = int(COLUMN_MM / (LETTER_WIDTH * SMALL_MM)) - 2
    lines: list[str] = []
    for text in texts:
        lines += textwrap.wrap(text, width, subsequent_indent="    ", break_long_words=True)
    return lines
