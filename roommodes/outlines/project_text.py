"""A project's text about a drawing's outline, and what was taken and left, in sentences."""

import textwrap
from collections import Counter
from collections.abc import Sequence
from importlib.resources import files
from math import floor
from pathlib import Path
from string import Template

from shapely import LineString, Point, box, union_all
from shapely.geometry.base import BaseGeometry

from roommodes.outlines.drawn_lines import UNITS, Drawn
from roommodes.outlines.room_outline import Outline
from roommodes.toml.letters import spelled_out
from roommodes.toml.text import quoted

HEIGHT_M = 2.4  # where nobody says
INSET_M = 0.3  # of a cabinet's middle from a wall
CABINET_M = 0.22  # free from a cabinet's middle to what it must not reach into
SEAT_M = 0.7  # from one seat to the next
FROM_WALLS_M = 0.5  # of seats
SPACING_M = 0.3
MOST_SPACINGS = 20
SHOWN = 4
NEAR_M2 = 0.05  # the floor's area off by less is not told
ENDS = ("front", "rear")
SIDES = (*ENDS, "left", "right")


def project_text(path: Path, outline: Outline, drawn: Drawn, height_m: float | None) -> str:
    """The project file.

    Parameters
    ----------
    path : the drawing.
    outline : what was taken of it.
    drawn : all that it holds.
    height_m : of the room [m]; None: `HEIGHT_M`, and the file says so.
    """
    length, width = (_down(side) for side in outline.size_m)
    height = HEIGHT_M if height_m is None else height_m
    x, ys = _seats(outline)
    took = "\n".join(
        line
        for said in took_lines(path, outline, drawn)
        for line in textwrap.wrap(said, 116, initial_indent="# ", subsequent_indent="# ")
    )
    template = Template(files("roommodes.outlines").joinpath("outline.toml").read_text(encoding="utf-8"))
    return template.substitute(
        took=took.removeprefix("#"),
        name=quoted(spelled_out(path.stem, 80)),
        length=f"{length:.2f}".ljust(21),
        width=f"{width:.2f}",
        height=f"{height:g}".ljust(21),
        height_from="assumed: a plan has no height; measure it" if height_m is None else "as given",
        row_x=f"{x:.2f}".ljust(26),
        row_y=", ".join(f"{y:.2f}" for y in ys),
        zones="".join(_zones(outline)),
        blocks="".join(
            _block(number, piece, (length, width, height)) for number, piece in enumerate(outline.outside, 1)
        ),
    )


def took_lines(path: Path, outline: Outline, drawn: Drawn) -> list[str]:
    """What was taken from a drawing, and what was left."""
    length, width = outline.size_m
    unit = UNITS[outline.unit]
    if outline.unit_stated is None:
        unit += " (it states none; of the usual ones the first that gives a room)"
    elif outline.unit_stated != outline.unit:
        unit += f" (it states {UNITS[outline.unit_stated]}, which gives no room's size)"
    lines = [
        f"Taken from {path.name}: the closed line on layer {spelled_out(outline.layer, 60)!r}, read in {unit}; the box "
        f"about it is {length:.2f} x {width:.2f} m. The front wall is at the drawing's {outline.front}."
    ]
    if abs(outline.turned_deg) > 0.05:
        lines.append(f"The drawing was turned by {outline.turned_deg:.1f} degrees to stand straight.")
    if outline.wall_m is not None:
        lines.append(
            f"The layer draws walls with two lines, {outline.wall_m:.2f} m apart: the inner one, the room's "
            "face, was taken."
        )
    if outline.outside:
        lines.append(_outside_words(outline))
    return lines + _left_lines(outline, drawn)


def _outside_words(outline: Outline) -> str:
    """What stands for what of the box lies outside, and by how much the model's floor is off the drawing's."""
    length, width = outline.size_m
    share = outline.outside_m2 / (length * width)
    taken = float(union_all([box(*piece) for piece in outline.outside]).area)
    blocks = "1 block" if len(outline.outside) == 1 else f"{len(outline.outside)} blocks"
    words = (
        f"The outline is no rectangle: {outline.outside_m2:.1f} m2 of the box ({100 * share:.0f} %) lie outside. "
        f"{blocks} of brick, floor to ceiling, {'stands' if len(outline.outside) == 1 else 'stand'} there: no sound, "
        "and no sub."
    )
    if abs(taken - outline.outside_m2) > NEAR_M2:
        words += (
            f" Slanted and round walls became steps that take {taken - outline.outside_m2:.1f} m2 off the floor of "
            f"{length * width - outline.outside_m2:.1f} m2: modes near the real ones, no more."
        )
    return words


def _left_lines(outline: Outline, drawn: Drawn) -> list[str]:
    lines = []
    if outline.others:
        shown = [f"{spelled_out(layer, 40)!r} {a:.2f} x {b:.2f} m" for layer, a, b in outline.others[:SHOWN]]
        more = f" and {len(outline.others) - SHOWN} more" if len(outline.others) > SHOWN else ""
        lines.append(f"Other closed lines, left: {', '.join(shown)}{more}. Name another layer with --layer.")
    kinds = [f"{count} {kind}" for kind, count in sorted(drawn.left.items())]
    if kinds:
        lines.append(f"Also left: {', '.join(kinds[:8])}" + (" and others." if len(kinds) > 8 else "."))
    lines.append("Not in the drawing, assumed: height, walls, doors, windows, seats. Go through them.")
    return lines


def _down(value: float) -> float:
    """To the nearest centimetre."""
    return floor(value * 100 + 0.5) / 100


def _zones(outline: Outline) -> list[str]:
    """Zones along the straight walls, a cabinet's place in from them; across the room's ends where none is straight."""
    taken = [box(*piece).buffer(CABINET_M, join_style="mitre") for piece in outline.outside]
    free = outline.polygon.buffer(1e-3 - INSET_M, join_style="mitre").difference(union_all(taken))
    lines = []
    for side, start, end in sorted(outline.walls(), key=lambda wall: SIDES.index(wall[0])):
        inward = {"front": (1, 0), "rear": (-1, 0), "left": (0, 1), "right": (0, -1)}[side]
        along = LineString([(x + INSET_M * inward[0], y + INSET_M * inward[1]) for x, y in (start, end)])
        lines.append((side, _longest(along.intersection(free))))
    if not any(side in ENDS and line.length > SPACING_M for side, line in lines):
        length, width = outline.size_m
        lines = [
            (side, _longest(LineString([(part * length, 0.0), (part * length, width)]).intersection(free)))
            for side, part in (("front", 0.2), ("rear", 0.8))
        ]
    kept = [(side, line) for side, line in lines if line.length > SPACING_M]
    counts = Counter(side for side, _ in kept)
    found, seen = [], Counter[str]()
    for side, line in kept:
        seen[side] += 1
        name = f"{side} wall" + (f" {seen[side]}" if counts[side] > 1 else "")
        start, end = sorted((round(x, 3), round(y, 3)) for x, y in (line.coords[0], line.coords[-1]))
        found.append(_zone(name, start, end, SPACING_M * (1 if side in ENDS else 2)))
    return found


def _longest(lines: BaseGeometry) -> LineString:
    """The longest of the pieces of a straight line; one of no length where there is none."""
    parts = [part for part in getattr(lines, "geoms", [lines]) if isinstance(part, LineString)]
    return max(parts, key=lambda part: float(part.length), default=LineString())


def _zone(name: str, start: Sequence[float], end: Sequence[float], spacing: float) -> str:
    run = max(abs(end[0] - start[0]), abs(end[1] - start[1]))
    spacing = max(spacing, _down(run / MOST_SPACINGS))
    return (
        f'\n[[zones]]\nname = "{name}"\nfrom_m = [{start[0]:.2f}, {start[1]:.2f}, 0.0]\n'
        f'to_m = [{end[0]:.2f}, {end[1]:.2f}, 0.0]\nspacing_m = {spacing:g}\nstands = "floor"\n'
    )


def _block(number: int, piece: Sequence[float], size: Sequence[float]) -> str:
    x0, y0, x1, y1 = (max(_down(value), 0.0) for value in piece)
    return (
        f'\n[[blocks]]                      # no air: outside the outline\nname = "outside the outline {number}"\n'
        f"from_m = [{x0:.2f}, {y0:.2f}, 0.0]\n"
        f"to_m = [{min(x1, size[0]):.2f}, {min(y1, size[1]):.2f}, {size[2]:g}]\n"
        'construction = "brick"          # of its faces, assumed\n'
    )


def _seats(outline: Outline) -> tuple[float, list[float]]:
    """Ears of a row near two thirds of the length, within the outline: x and each y [m]."""
    length, width = outline.size_m
    free = outline.polygon.buffer(-FROM_WALLS_M)
    for count in (3, 2, 1):
        tried = [
            (abs(fx - 0.64) + abs(fy - 0.5), _down(fx * length), _down(fy * width))
            for fx in (0.4, 0.48, 0.56, 0.64, 0.72, 0.8)
            for fy in (0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8)
        ]
        for _, x, middle in sorted(tried):
            ys = [_down(middle + SEAT_M * (seat - (count - 1) / 2)) for seat in range(count)]
            if all(free.covers(Point(x, y)) for y in ys):
                return x, ys
    inside = outline.polygon.representative_point()
    return _down(inside.x), [_down(inside.y)]
