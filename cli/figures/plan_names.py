"""Names in a plan for figures: each where it meets neither another one nor a sub, a seat or the screen."""

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from matplotlib.axes import Axes

from cli.figures.common_axes import INK, PAPER, plain
from roommodes.lengths import lengths_of
from roommodes.project.project import Project

LETTER_SHARE, LINE_SHARE = 0.6, 1.25  # width of a letter and height of a line, of the letters' size
POINTS_PER_IN = 72.0
SMALL_BLOCK = 0.12  # of the room's shorter side: a smaller block has its name beside it

Corners = tuple[float, float, float, float]  # lower and higher x, lower and higher y [m]


@dataclass(slots=True)
class Names:
    """The names of a plan, placed one after the other.

    Parameters
    ----------
    axes : to write on.
    m_per_point : of the room on paper, about.
    taken : what nothing is written over [m].
    """

    axes: Axes
    m_per_point: float
    taken: list[Corners] = field(default_factory=list)

    def write(
        self,
        words: str,
        places: Sequence[tuple[float, float]],
        *,
        size: float = 6.5,
        colour: str = INK,
        backed: bool = False,
    ) -> None:
        """Words about the first free of some places [m]; where none is free, about that with the least in its way."""
        lines = words.split("\n")
        half_x = 0.5 * LETTER_SHARE * size * max(map(len, lines)) * self.m_per_point
        half_y = 0.5 * LINE_SHARE * size * len(lines) * self.m_per_point
        (x_low, x_high), (y_low, y_high) = self.axes.get_xlim(), self.axes.get_ylim()
        boxes = []
        for at_x, at_y in places:
            x = min(max(at_x, x_low + half_x), x_high - half_x)
            y = min(max(at_y, y_low + half_y), y_high - half_y)
            boxes.append((x - half_x, x + half_x, y - half_y, y + half_y))
        best = min(boxes, key=lambda box: sum(_overlap(box, other) for other in self.taken))
        self.taken.append(best)
        ground: dict[str, Any] = {"facecolor": PAPER, "edgecolor": "none", "pad": 0.8} if backed else {}
        self.axes.text(
            0.5 * (best[0] + best[1]),
            0.5 * (best[2] + best[3]),
            words,
            fontsize=size,
            color=colour,
            ha="center",
            va="center",
            zorder=6,
            bbox=ground or None,
        )


def names_of(axes: Axes) -> Names:
    """None yet, on axes of equal scale whose ends are set."""
    figure = axes.get_figure(root=True)
    assert figure is not None, "axes stand on a figure"
    box, (wide_in, high_in) = axes.get_position(), figure.get_size_inches()
    (x_low, x_high), (y_low, y_high) = axes.get_xlim(), axes.get_ylim()
    m_per_in = max((x_high - x_low) / (box.width * wide_in), (y_high - y_low) / (box.height * high_in))
    return Names(axes=axes, m_per_point=m_per_in / POINTS_PER_IN)


def _overlap(one: Corners, other: Corners) -> float:
    """Area that two boxes share [m2]."""
    wide = min(one[1], other[1]) - max(one[0], other[0])
    high = min(one[3], other[3]) - max(one[2], other[2])
    return max(0.0, wide) * max(0.0, high)


def write_names(names: Names, project: Project) -> None:
    """What is kept free, blocks, slopes and main loudspeakers by their names, where they meet nothing."""
    room, lengths = project.room, lengths_of(project)
    ears = float(project.seats.position_m[:, 2].min())
    for box in project.keep_outs:
        (x0, y0, _), (x1, y1, _) = box.low, box.high
        names.write(textwrap.fill(plain(box.name), 10), _within((x0, x1), (y0, y1)), size=7.0, backed=True)
    for block in room.blocks:
        (x0, y0, z0), (x1, y1, z1) = block.low_m, block.high_m
        if min(x1 - x0, y1 - y0, z1 - z0) > 0.0:
            height = f"\n+{lengths.text(z1)}" if z0 <= ears and z1 <= ears else ""
            aside = [(0.5 * (x0 + x1), y) for y in (y0 - 0.03 * room.width_m, y1 + 0.03 * room.width_m)]
            places = [*_within((x0, x1), (y0, y1)), *aside]
            if min(x1 - x0, y1 - y0) < SMALL_BLOCK * min(room.length_m, room.width_m):
                inside = [(x, y) for x, y in aside if 0.0 < y < room.width_m]
                places = [*inside, *places]
            names.write(textwrap.fill(plain(block.name, 24), 14) + height, places)
    for slope in room.slopes:
        (h0, z0), (h1, z1) = slope.from_m, slope.to_m
        spans = ((0.0, room.length_m), (0.0, room.width_m))
        across = (min(h0, h1), max(h0, h1))
        area = (across, spans[1]) if slope.axis == 0 else (spans[0], across)
        words = f"{plain(slope.name, 14)}: {lengths.text(max(z0, z1))} to {lengths.text(min(z0, z1))}"
        names.write(words, _within(*area))
    for body in project.mains_bodies:
        x, at_y, beside = 0.5 * (body.low[0] + body.high[0]), 0.5 * (body.low[1] + body.high[1]), 0.07 * room.length_m
        off = 0.025 * room.width_m
        places = [
            (x, body.low[1] - off),
            (x, body.high[1] + off),
            (body.high[0] + beside, at_y),
            (body.low[0] - beside, at_y),
        ]
        names.write(body.name, places, size=6.0)


def _within(x_m: tuple[float, float], y_m: tuple[float, float]) -> list[tuple[float, float]]:
    """Places in a rectangle, the middle first."""
    shares = (0.5, 0.8, 0.2, 0.65, 0.35, 0.92, 0.08)
    return [(x_m[0] + a * (x_m[1] - x_m[0]), y_m[0] + b * (y_m[1] - y_m[0])) for a in shares for b in shares]
