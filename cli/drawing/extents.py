"""How far the parts of a sheet reach, and where a text finds room among them."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from cli.drawing.primitives import LEADERS, TEXT_RAISE_MM, Block, Dimension, Label, Part, Path, Point, Ring, Sheet
from cli.figures.lettering import SMALL_MM, text_width
from roommodes.arrays import Floats

Area = tuple[Point, Point]  # lower left and upper right corner

TEXT_GAP_MM = 0.4  # between two texts
LINE_STEP_MM = SMALL_MM + 1.1
GRID_MM = 1.5
GRID_CHUNK = 256  # places that are tried at once
LEADER_INTO_MM = 2.0  # a line to a thing ends so far within it
LEADER_FROM_MM = 6.0  # a text further from its place than this has a line to it


def flat(parts: Iterable[Part]) -> Iterator[Path | Ring | Label | Dimension]:
    """The parts, those of blocks one by one."""
    for part in parts:
        if isinstance(part, Block):
            yield from part.parts
        else:
            yield part


def extent(part: Part) -> list[Point]:
    """Points around a part."""
    if isinstance(part, Path):
        return list(part.points)
    if isinstance(part, Ring):
        (x, y), r = part.centre, part.radius
        return [(x - r, y - r), (x + r, y + r)]
    if isinstance(part, Label):
        half, high = text_width(part.text, part.height), part.height
        back = {"left": 0.0, "middle": 0.5, "right": 1.0}[part.align]
        x, y = part.at
        if part.upright:
            return [(x - high / 2, y - half * back), (x + high / 2, y + half * (1 - back))]
        return [(x - half * back, y - high / 2), (x + half * (1 - back), y + high / 2)]
    if isinstance(part, Block):
        return [point for one in part.parts for point in extent(one)]
    low, high_ = number_box(part)
    ends = [(one, part.line_at) if part.axis == 0 else (part.line_at, one) for one in _ends(part)]
    return [low, high_, *ends]


def number_box(part: Dimension) -> Area:
    """What the number of a dimension takes up."""
    half = text_width(part.text) / 2.0
    raised = part.line_at + TEXT_RAISE_MM if part.axis == 0 else part.line_at - TEXT_RAISE_MM - SMALL_MM
    low, high = (part.text_at - half, raised), (part.text_at + half, raised + SMALL_MM)
    return (low, high) if part.axis == 0 else ((low[1], low[0]), (high[1], high[0]))


def _ends(part: Dimension) -> tuple[float, float]:
    return part.start[part.axis], part.end[part.axis]


def bounds(parts: Sequence[Part]) -> Area:
    """The corners of all that is drawn."""
    xs, ys = zip(*(point for part in parts for point in extent(part)), strict=True)
    return (min(xs), min(ys)), (max(xs), max(ys))


def moved(part: Part, dx: float, dy: float) -> Part:
    """The same part elsewhere on the sheet."""

    def shift(point: Point) -> Point:
        return (point[0] + dx, point[1] + dy)

    if isinstance(part, Path):
        return replace(part, points=tuple(map(shift, part.points)))
    if isinstance(part, Ring):
        return replace(part, centre=shift(part.centre))
    if isinstance(part, Label):
        return replace(part, at=shift(part.at))
    if isinstance(part, Block):
        inner = (moved(one, dx, dy) for one in part.parts)
        return replace(part, at=shift(part.at), parts=tuple(one for one in inner if isinstance(one, Path | Ring)))
    along, off = (dx, dy) if part.axis == 0 else (dy, dx)
    return replace(
        part, start=shift(part.start), end=shift(part.end), line_at=part.line_at + off, text_at=part.text_at + along
    )


def text_areas(parts: Iterable[Part]) -> list[tuple[str, Area]]:
    """Every text with what it takes up, numbers of dimensions too."""
    found = []
    for part in flat(parts):
        if isinstance(part, Dimension):
            found.append((part.text, number_box(part)))
        elif isinstance(part, Label):
            low, high = extent(part)
            found.append((part.text, (low, high)))
    return found


def meet(one: Area, other: Area) -> bool:
    """Whether two areas have more than an edge in common."""
    return all(one[0][k] < other[1][k] - 1e-9 and one[1][k] > other[0][k] + 1e-9 for k in (0, 1))


@dataclass(slots=True)
class Crowd:
    """What stands in a view already.

    Parameters
    ----------
    area : within which texts may be placed.
    texts : what texts take up; no other text may lie there.
    things : what is drawn and should not be written over.
    """

    area: Area
    texts: list[Area] = field(default_factory=list)
    things: list[Area] = field(default_factory=list)

    def meets(self, at: Point, half: Point) -> bool:
        """Whether a text about a point would meet something."""
        area = ((at[0] - half[0], at[1] - half[1]), (at[0] + half[0], at[1] + half[1]))
        return any(meet(area, other) for other in (*self.texts, *self.things))

    def place(
        self,
        sheet: Sheet,
        lines: Sequence[str],
        places: Sequence[Point],
        *,
        upright: bool = False,
        anchor: Point | None = None,
        over: Area | None = None,
        droppable: bool = False,
    ) -> bool:
        """Write lines about the first free place of some, else near them; gives whether it was written.

        Parameters
        ----------
        places : middles of the text, best first.
        anchor : what it belongs to: where the text stands away from it, a line leads there.
        over : a thing that the text may stand on: what it names; the line leads to its nearest part.
        droppable : not written where none of the places is free.
        """
        wide, tall = max(map(text_width, lines)), SMALL_MM + LINE_STEP_MM * (len(lines) - 1)
        half = np.array([tall, wide] if upright else [wide, tall]) / 2.0 + TEXT_GAP_MM
        others = [thing for thing in self.things if thing != over]
        at = self._free(np.array(places), half, others)
        if at is None and droppable:
            return False
        at = at or self._near(places[0], half, others)
        if anchor is not None and over is not None:  # the line ends in the nearest part of it
            rim = tuple(min(LEADER_INTO_MM, (over[1][k] - over[0][k]) / 2.0) for k in (0, 1))
            near = tuple(float(np.clip(at[k], over[0][k] + rim[k], over[1][k] - rim[k])) for k in (0, 1))
            anchor = (near[0], near[1])
        if anchor is not None:
            edge = tuple(float(np.clip(anchor[k], at[k] - half[k], at[k] + half[k])) for k in (0, 1))
            if float(np.hypot(edge[0] - anchor[0], edge[1] - anchor[1])) > LEADER_FROM_MM:
                sheet.path(LEADERS, [(edge[0], edge[1]), anchor])
        for number, line in enumerate(lines):
            lower = (tall - SMALL_MM) / 2.0 - LINE_STEP_MM * number
            sheet.label((at[0], at[1] + lower), line, upright=upright, backed=True)
        self.texts.append(
            ((at[0] - half[0], at[1] - half[1]), (at[0] + half[0], at[1] + half[1])),
        )
        return True

    def _free(self, points: Floats, half: Floats, things: Sequence[Area]) -> Point | None:
        """The first of the points (n, 2) about which a text of a half size meets nothing."""
        low, high = np.array(self.area)
        within = np.all((points - half >= low - 1e-9) & (points + half <= high + 1e-9), axis=1)
        clear = within & ~_met(points, half, self.texts) & ~_met(points, half, things)
        return _first(points, clear)

    def _near(self, place: Point, half: Floats, things: Sequence[Area]) -> Point:
        """The nearest place to one where it meets nothing, else no text; the place itself where there is none."""
        (x0, y0), (x1, y1) = self.area
        grid = np.stack(
            np.meshgrid(np.arange(x0, x1, GRID_MM), np.arange(y0, y1, GRID_MM), indexing="ij"), axis=-1
        ).reshape(-1, 2)
        order = np.argsort(np.round(np.linalg.norm(grid - np.array(place), axis=1), 6), kind="stable")
        grid = grid[order]
        for clear_of in (things, ()):
            for start in range(0, len(grid), GRID_CHUNK):
                found = self._free(grid[start : start + GRID_CHUNK], half, clear_of)
                if found is not None:
                    return found
        return place


def _met(points: Floats, half: Floats, areas: Sequence[Area]) -> NDArray[np.bool_]:
    """Which of the texts about the points (n, 2) meet one of the areas: (n,)."""
    if not areas:
        return np.zeros(len(points), dtype=np.bool_)
    low, high = (np.array([area[end] for area in areas]) for end in (0, 1))
    cuts = (points[:, None] - half < high - 1e-9) & (points[:, None] + half > low + 1e-9)
    return np.asarray(np.all(cuts, axis=2).any(axis=1))


def _first(points: Floats, good: NDArray[np.bool_]) -> Point | None:
    if not good.any():
        return None
    x, y = points[int(np.argmax(good))].tolist()
    return (x, y)


def all_parts(sheet: Sheet) -> list[Part]:
    """What is drawn on the paper, the placed views' parts where they stand."""
    placed = (moved(part, *one.at) for one in sheet.views for part in one.view.parts)
    return [*sheet.parts, *placed]
