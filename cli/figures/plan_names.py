"""Names in a plan for figures: each where it meets neither another one nor a sub, a seat or the screen."""

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import product
from typing import Any

from matplotlib.axes import Axes

from cli.figures.common_axes import INK, PAPER, plain
from roommodes.lengths import lengths_of
from roommodes.project.project import Project

LETTER_SHARE, LINE_SHARE = 0.6, 1.25  # width of a letter and height of a line, of the letters' size
POINTS_PER_IN = 72.0
BESIDE_IN, LEAST_IN = 0.6, 1.0  # what the axes' marks and their name take beside them; a plan's height at least
KEPT_FREE_SIZE, BLOCK_SIZE = 7.0, 6.5  # of the letters of names of what is kept free, and of blocks [pt]
BESIDE_SHARE = 0.01  # of the room's shorter side between a thing and the name beside it

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

    def half_m(self, words: str, size: float) -> tuple[float, float]:
        """Half of what words take up on paper, along x and y [m]."""
        lines = words.split("\n")
        wide, high = LETTER_SHARE * max(map(len, lines)), LINE_SHARE * len(lines)
        return 0.5 * wide * size * self.m_per_point, 0.5 * high * size * self.m_per_point

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
        half_x, half_y = self.half_m(words, size)
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


def names_of(axes: Axes, *, below_in: float) -> Names:
    """None yet, on axes of equal scale whose ends are set.

    Parameters
    ----------
    axes : alone in their part of the figure; the layout, found when the figure is drawn, gives them all of it but
        what stands beside and below.
    below_in : what the axes' marks, their name and the key take up below them [inch].
    """
    figure = axes.get_figure(root=True)
    assert figure is not None, "axes stand on a figure"
    box, margins = axes.get_position(original=True), figure.subplotpars
    width_in, height_in = figure.get_size_inches().tolist()
    wide_in = width_in * box.width / (margins.right - margins.left) - BESIDE_IN
    high_in = max(height_in * box.height / (margins.top - margins.bottom) - below_in, LEAST_IN)
    (x_low, x_high), (y_low, y_high) = axes.get_xlim(), axes.get_ylim()
    m_per_in = max((x_high - x_low) / wide_in, (y_high - y_low) / high_in)
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
    room_m = (room.length_m, room.width_m)
    for box in project.keep_outs:
        x_m, y_m = ((box.low[axis], box.high[axis]) for axis in (0, 1))
        words = textwrap.fill(plain(box.name), 10)
        half = names.half_m(words, KEPT_FREE_SIZE)
        beside = () if _fits(half, x_m, y_m) else _beside(x_m, y_m, half, room_m)
        names.write(words, beside or _within(x_m, y_m), size=KEPT_FREE_SIZE, backed=not beside)
    names.taken += [(box.low[0], box.high[0], box.low[1], box.high[1]) for box in project.keep_outs]
    for block in room.blocks:
        x_m, y_m, (z0, z1) = ((block.low_m[axis], block.high_m[axis]) for axis in (0, 1, 2))
        if all(low < high for low, high in (x_m, y_m, (z0, z1))):
            height = f"\n+{lengths.text(z1)}" if z0 <= ears and z1 <= ears else ""
            words = textwrap.fill(plain(block.name, 24), 14) + height
            half = names.half_m(words, BLOCK_SIZE)
            inside, outside = _within(x_m, y_m), _beside(x_m, y_m, half, room_m)
            places = [*inside, *outside] if _fits(half, x_m, y_m) else [*outside, *inside]
            names.write(words, places, size=BLOCK_SIZE)
    for slope in room.slopes:
        (h0, z0), (h1, z1) = slope.from_m, slope.to_m
        spans = ((0.0, room.length_m), (0.0, room.width_m))
        across = (min(h0, h1), max(h0, h1))
        area = (across, spans[1]) if slope.axis == 0 else (spans[0], across)
        words = f"{plain(slope.name, 14)}: {lengths.text(max(z0, z1))} to {lengths.text(min(z0, z1))}"
        names.write(words, _within(*area))
    for body in project.mains_bodies:
        x, at_y = 0.5 * (body.low[0] + body.high[0]), 0.5 * (body.low[1] + body.high[1])
        off, along = 0.025 * room.width_m, 0.07 * room.length_m
        places = [
            (x, body.low[1] - off),
            (x, body.high[1] + off),
            (body.high[0] + along, at_y),
            (body.low[0] - along, at_y),
        ]
        names.write(body.name, places, size=6.0)


def _fits(half_m: tuple[float, float], x_m: tuple[float, float], y_m: tuple[float, float]) -> bool:
    """Whether words of a half size fit into a rectangle."""
    return 2.0 * half_m[0] <= x_m[1] - x_m[0] and 2.0 * half_m[1] <= y_m[1] - y_m[0]


def _beside(
    x_m: tuple[float, float], y_m: tuple[float, float], half_m: tuple[float, float], room_m: tuple[float, float]
) -> list[tuple[float, float]]:
    """Places around a rectangle for words of a half size, inside the room, with its middle or an end in line."""
    gap = BESIDE_SHARE * min(room_m)
    spans = [(*x_m, half_m[0]), (*y_m, half_m[1])]
    in_line = [(0.5 * (low + high), low + half, high - half) for low, high, half in spans]
    off = [(low - gap - half, high + gap + half) for low, high, half in spans]
    around = [*product(in_line[0], off[1]), *product(off[0], in_line[1])]
    least = [gap + half for half in half_m]
    return [
        place for place in around if all(a < at < whole - a for at, a, whole in zip(place, least, room_m, strict=True))
    ]


def _within(x_m: tuple[float, float], y_m: tuple[float, float]) -> list[tuple[float, float]]:
    """Places in a rectangle, the middle first."""
    shares = (0.5, 0.8, 0.2, 0.65, 0.35, 0.92, 0.08)
    return [(x_m[0] + a * (x_m[1] - x_m[0]), y_m[0] + b * (y_m[1] - y_m[0])) for a in shares for b in shares]
