"""The room from above for figures: seats, subs, where subs may stand, parts of walls, blocks and what is kept free."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Circle, Polygon, Rectangle
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator
from matplotlib.transforms import ScaledTranslation

from cli.figures.common_axes import INK, PAPER, ROW_COLOURS, plain
from cli.figures.plan_names import Names, names_of, write_names
from cli.words.wall_parts import wall_parts
from roommodes.acoustics.room import AXIS_OF_WALL, Room
from roommodes.arrays import Floats
from roommodes.lengths import Lengths, lengths_of
from roommodes.places.sight import Picture
from roommodes.project.glass import GlassMark, glass_of
from roommodes.project.project import Project

GLASS, PART, ZONE = "#56b4e9", "#d8c7a3", "#dbe7d3"
SUB = "#27313a"
KEY_BELOW_IN = 0.5  # from the axis to the key: its marks and its name
KEY_LINE_IN = 0.165  # from one line of the key to the next
MOST_IN_TWO = 16  # entries of a plan's key in two columns
KEPT_FREE: Mapping[str, Any] = MappingProxyType(
    {"facecolor": "none", "edgecolor": "#8b949b", "hatch": "////", "linewidth": 0.6}
)
MAIN_POINT: Mapping[str, Any] = MappingProxyType(
    {"linestyle": "", "marker": "D", "markersize": 6.0, "markerfacecolor": PAPER, "markeredgecolor": INK}
)
STRIP, LETTER = 0.02, 0.035  # of the shorter side: a part of a wall outside it; from one letter to the next


@dataclass(frozen=True, slots=True, kw_only=True)
class SubMark:
    """One sub in a plan view: where it stands and what is dialled in, for the key; empty: told elsewhere."""

    position_m: tuple[float, float, float]
    drive: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Shown:
    """What a plan shows beside subs and seats, for its key; `solids` are kinds, `parts` letters with their meaning."""

    candidates: bool
    screen: bool
    glass: bool
    mains: bool
    kept_free: bool
    zones: bool
    solids: Sequence[str]
    parts: Sequence[str]


SOLID_STYLES: Mapping[str, Mapping[str, Any]] = MappingProxyType(
    {
        "block": {"facecolor": "#c9cdd1", "edgecolor": INK, "linewidth": 1.4},
        "raised": {"facecolor": "#f1efe9", "edgecolor": INK, "linewidth": 0.9},
        "overhead": {"facecolor": "none", "edgecolor": INK, "linewidth": 0.9, "linestyle": "--"},
        "ceiling falls": {"facecolor": "#eef1f4", "edgecolor": "#8b949b", "linewidth": 0.7, "linestyle": "-."},
    }
)


def plan_view(axes: Axes, project: Project, *, subs: Sequence[SubMark], title: str, candidates: bool = False) -> Axes:
    """The room from above, front wall on the left: seats, subs, zones, parts of walls, blocks and what is kept free.

    Parameters
    ----------
    axes : to draw on.
    project : the room and what is in it; parts of walls are strips with the drawing's letters, glass in blue, keep-outs
        hatched boxes; the screen stands at the front wall, centred.
    subs : numbered in this order; the drives that they name are listed below the plan.
    title : what it shows.
    candidates : whether the candidates are drawn, as small dots.
    """
    room, seats, screen, glass = project.room, project.seats, project.screen, glass_of(project)
    length, width = room.length_m, room.width_m
    margin = (0.06 if glass or project.tables.regions else 0.04) * max(length, width)
    axes.set_xlim(-margin, length + margin)
    axes.set_ylim(-margin, width + margin)
    axes.set_aspect("equal", anchor="N")  # the key below has what is left
    axes.add_patch(Rectangle((0, 0), length, width, facecolor="none", edgecolor=INK, linewidth=2.0, zorder=1.6))
    zones = _zones(axes, project)
    solids = _solids(axes, room, seats.position_m)
    for (x0, y0, _), (x1, y1, _) in ((box.low, box.high) for box in project.keep_outs):
        axes.add_patch(Rectangle((x0, y0), x1 - x0, y1 - y0, **KEPT_FREE, zorder=1.5))
    for pane in glass:
        _glass(axes, room, pane)
    points = project.mains.positions_m if project.mains and not project.mains_bodies else ()
    shown = _Shown(
        candidates=candidates,
        screen=screen is not None,
        glass=bool(glass),
        mains=bool(points),
        kept_free=bool(project.keep_outs),
        solids=solids,
        zones=zones,
        parts=_parts(axes, project),
    )
    names = names_of(axes, below_in=KEY_BELOW_IN + KEY_LINE_IN * _plan_key(axes, subs, shown))
    for body in project.mains_bodies:
        axes.add_patch(Polygon(body.corners_m, facecolor=PAPER, edgecolor=INK, linewidth=1.0, zorder=3))
        names.taken.append((body.low[0], body.high[0], body.low[1], body.high[1]))
    for x, y, _ in points:
        axes.plot([x], [y], **MAIN_POINT, zorder=3.5)
        reach = names.m_per_point * MAIN_POINT["markersize"] / 2.0
        names.taken.append((x - reach, x + reach, y - reach, y + reach))
    if screen is not None:
        _screen(axes, room, screen.picture, names)
    if candidates:
        candidate_m = project.candidates.position_m
        axes.plot(candidate_m[:, 0], candidate_m[:, 1], ".", color="#7a858e", markersize=3.5, zorder=2)
    _seats(
        axes,
        seat_m=seats.position_m,
        seat_row=seats.row.tolist(),
        row_name=[row.name for row in project.rows],
        reach=min(length, width),
        names=names,
    )
    _subs(axes, room, subs, names)
    write_names(names, project)
    room_axes(axes, lengths_of(project))
    for spine in axes.spines.values():
        spine.set_visible(False)
    axes.set_title(title, loc="left", fontsize=10)
    return axes


def _screen(axes: Axes, room: Room, picture: Picture, names: Names) -> None:
    """The picture, and the false wall that it stands on."""
    length, width, middle = room.length_m, room.width_m, room.width_m / 2.0
    at = max(0.012 * length, picture.at_m)
    if picture.false_wall:
        axes.plot([at] * 2, [0.0, width], color=INK, lw=1.0, ls=(0, (5, 1.6)))
    ends = (middle - picture.width_m / 2, middle + picture.width_m / 2)
    axes.plot([at] * 2, ends, color=INK, lw=3.5)
    names.taken.append((at - 0.01 * length, at + 0.01 * length, *((0.0, width) if picture.false_wall else ends)))


def _subs(axes: Axes, room: Room, subs: Sequence[SubMark], names: Names) -> None:
    """Numbered squares, within the walls."""
    length, width, size = room.length_m, room.width_m, 0.055 * min(room.length_m, room.width_m)
    for number, sub in enumerate(subs, start=1):
        x, y, _ = sub.position_m
        corner = (min(max(x - size / 2, 0), length - size), min(max(y - size / 2, 0), width - size))
        axes.add_patch(Rectangle(corner, size, size, facecolor=SUB, edgecolor=PAPER, linewidth=0.8, zorder=5))
        names.taken.append((corner[0], corner[0] + size, corner[1], corner[1] + size))
        middle_of_mark = (corner[0] + size / 2, corner[1] + size / 2)
        axes.annotate(str(number), middle_of_mark, color=PAPER, fontsize=7, ha="center", va="center", zorder=6)


def room_axes(axes: Axes, lengths: Lengths) -> None:
    """Names and marks of the axes of a plan, in metres or feet."""
    unit, size_m = lengths.large
    axes.set_xlabel(f"distance from the front wall [{unit}]")
    axes.set_ylabel(f"distance from the left wall [{unit}]")
    if lengths.feet:
        for axis in (axes.xaxis, axes.yaxis):
            low, high = np.asarray(axis.get_view_interval()).tolist()
            marks = np.asarray(MaxNLocator(8, integer=True).tick_values(low / size_m, high / size_m))
            axis.set_major_locator(FixedLocator((size_m * marks).tolist()))
            axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value / size_m:g}"))


def _seats(
    axes: Axes, *, seat_m: Floats, seat_row: Sequence[int], row_name: Sequence[str], reach: float, names: Names
) -> None:
    """A head and the back of a chair behind it, numbered within its row."""
    radius = min(0.2, 0.045 * reach)
    rows = np.asarray(seat_row)
    for row in np.unique(rows):
        colour = ROW_COLOURS[int(row) % len(ROW_COLOURS)]
        for number, seat in enumerate(np.flatnonzero(rows == row), start=1):
            x, y = float(seat_m[seat, 0]), float(seat_m[seat, 1])
            back = x + 1.5 * radius
            axes.plot([back, back], [y - 1.1 * radius, y + 1.1 * radius], color=colour, linewidth=2.2, zorder=4)
            axes.add_patch(Circle((x, y), radius, facecolor=PAPER, edgecolor=colour, linewidth=1.4, zorder=4))
            axes.text(x, y, str(number), fontsize=6.5, ha="center", va="center", zorder=5)
            names.taken.append((x - radius, back, y - 1.1 * radius, y + 1.1 * radius))
    for row in np.unique(rows):
        own = seat_m[rows == row]
        (x, below), above = own[int(np.argmin(own[:, 1])), :2].tolist(), float(own[:, 1].max())
        places = [(x, below - 2.0 * radius), (x, above + 2.0 * radius), (x, below - 3.0 * radius)]
        names.write(plain(row_name[int(row)], 14), places, size=7.5, colour=ROW_COLOURS[int(row) % len(ROW_COLOURS)])


def _solids(axes: Axes, room: Room, seat_m: Floats) -> tuple[str, ...]:
    """Blocks and slopes in plan; the kinds that were drawn.

    What reaches above the lowest ears is a wall to them, what lies lower is walked on, what hangs is dashed.
    """
    ears = float(seat_m[:, 2].min())
    kinds: dict[str, None] = {}
    for slope in room.slopes:
        (h0, _), (h1, _) = slope.from_m, slope.to_m
        low, high = min(h0, h1), max(h0, h1)
        corner, size = (
            ((low, 0.0), (high - low, room.width_m))
            if slope.axis == 0
            else (
                (0.0, low),
                (room.length_m, high - low),
            )
        )
        axes.add_patch(Rectangle(corner, *size, **SOLID_STYLES["ceiling falls"], zorder=0.5))
        kinds["ceiling falls"] = None
    for block in room.blocks:
        (x0, y0, z0), (x1, y1, z1) = block.low_m, block.high_m
        if min(x1 - x0, y1 - y0, z1 - z0) <= 0.0:
            continue
        kind = "overhead" if z0 > ears else ("block" if z1 > ears else "raised")
        kinds[kind] = None
        over = 1.4 if kind == "block" else 1.2  # zones on a riser are seen, none in a column
        axes.add_patch(Rectangle((x0, y0), x1 - x0, y1 - y0, **SOLID_STYLES[kind], zorder=over))
    return tuple(kinds)


def _zones(axes: Axes, project: Project) -> bool:
    """Where subs may stand, heights left out; whether there is a zone."""
    least = 0.5 * STRIP * min(project.room.length_m, project.room.width_m)  # half the width of a line or a point
    for zone in project.zones:
        (x0, y0, _), (x1, y1, _) = zone.low, zone.high
        x0, x1 = (x0 - least, x1 + least) if x1 - x0 < 2 * least else (x0, x1)
        y0, y1 = (y0 - least, y1 + least) if y1 - y0 < 2 * least else (y0, y1)
        axes.fill_between([x0, x1], [y0, y0], [y1, y1], color=ZONE, linewidth=0, zorder=1.3)
    return bool(project.zones)


def _parts(axes: Axes, project: Project) -> tuple[str, ...]:
    """Parts of upright walls with their letters; what every letter stands for, those that a plan does not show too."""
    room = project.room
    thickness, step = (share * min(room.length_m, room.width_m) for share in (STRIP, LETTER))
    letters: dict[str, list[str]] = {}
    taken: list[tuple[str, float, float]] = []
    for part in wall_parts(project):
        normal, side = AXIS_OF_WALL.get(part.wall, (2, 0))
        own = letters.setdefault(part.name, [])
        if normal == 2:
            own.append(f"{part.key} ({plain(part.wall, 20)})")
            continue
        own.append(part.key)
        (low, _), (high, _) = part.from_m, part.to_m
        wall, outward = room.size_m[normal] * side, 1.0 if side else -1.0
        if not part.glass:
            across = sorted((wall, wall + outward * thickness))
            x, y = (across, (low, high)) if normal == 0 else ((low, high), across)
            axes.fill_between(x, [y[0]] * 2, [y[1]] * 2, facecolor=PART, edgecolor=INK, linewidth=0.7, zorder=3)
        behind = sum(name == part.wall and low < to and start < high for name, start, to in taken)
        taken.append((part.wall, low, high))
        along, off = 0.5 * (low + high), wall + outward * (thickness + step * (0.6 + behind))
        place = (off, along) if normal == 0 else (along, off)
        axes.text(*place, part.key, fontsize=6.5, ha="center", va="center", zorder=5)
    return tuple(f"{', '.join(keys)}: {plain(name, 34)}" for name, keys in letters.items())


def _glass(axes: Axes, room: Room, pane: GlassMark) -> None:
    normal, side = AXIS_OF_WALL.get(pane.wall, (2, 0))
    if normal == 2:
        return  # floor, ceiling, or a face of a block or slope
    across = room.size_m[normal] * side
    thickness = STRIP * min(room.length_m, room.width_m) * (1 if side else -1)
    corners = [(pane.from_m, across), (pane.to_m, across), (pane.to_m, across + thickness)]
    corners.append((pane.from_m, across + thickness))
    points = corners if normal == 1 else [(second, first) for first, second in corners]
    axes.add_patch(Polygon(points, closed=True, facecolor=GLASS, edgecolor=INK, linewidth=0.9, zorder=3))


def _plan_key(axes: Axes, subs: Sequence[SubMark], shown: _Shown) -> int:
    """The key below the plan; how many lines it has."""
    handles: list[Any] = []
    told = [f"sub {number}: {sub.drive}" for number, sub in enumerate(subs, start=1) if sub.drive]
    for label in told or ["sub"] * bool(subs):
        handles.append(Line2D([], [], linestyle="", marker="s", color=SUB, markersize=6, label=label))
    if shown.zones:
        handles.append(Rectangle((0, 0), 1, 1, facecolor=ZONE, label="where subs may stand"))
    if shown.candidates:
        handles.append(Line2D([], [], linestyle="", marker=".", color="#7a858e", label="candidate"))
    if shown.screen:
        handles.append(Line2D([], [], color=INK, linewidth=3.5, label="screen"))
    if shown.mains:
        handles.append(Line2D([], [], **MAIN_POINT, label="main loudspeaker"))
    if shown.glass:
        handles.append(Rectangle((0, 0), 1, 1, facecolor=GLASS, edgecolor=INK, linewidth=0.9, label="glass"))
    if shown.kept_free:
        handles.append(Rectangle((0, 0), 1, 1, **KEPT_FREE, label="kept free"))
    for kind in shown.solids:
        handles.append(Rectangle((0, 0), 1, 1, **SOLID_STYLES[kind], label=kind))
    for words in shown.parts:
        handles.append(Line2D([], [], linestyle="", label=words))
    columns = 2 if len(handles) <= MOST_IN_TWO else 3
    if handles:
        axes.legend(
            handles=handles,
            loc="upper left",
            bbox_to_anchor=(0.0, 0.0),
            bbox_transform=axes.transAxes + ScaledTranslation(0.0, -KEY_BELOW_IN, axes.figure.dpi_scale_trans),
            frameon=False,
            fontsize=8,
            ncols=columns,
            columnspacing=1.2,
            borderaxespad=0.0,
        )
    return -(-len(handles) // columns)
