"""Dimension lines about a view: what is measured from where, side by side on as few lines as hold them."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Literal

from cli.drawing.extents import Area, meet, number_box
from cli.drawing.objects import Stance
from cli.drawing.primitives import Dimension, Point, Sheet
from cli.drawing.view import View
from cli.figures.lettering import text_width

Axis = Literal[0, 1]
DIMENSION_GAP_MM = 6.5  # between dimension lines
FIRST_ROW_MM = 9.0  # from the outline to the first dimension line: room for the marks of wall parts
SAME_M = 5e-4


@dataclass(frozen=True, slots=True, kw_only=True)
class Measure:
    """A distance to be dimensioned: from, to (in that order seen from the wall), on the sheet [mm]; its number."""

    start: Point
    end: Point
    value_mm: float
    shown: str = ""


@dataclass(slots=True)
class Measures:
    """What is measured in a view: along its x and its y, below or left of it and above or right of it."""

    view: View
    sides: dict[tuple[Axis, int], list[Measure]] = field(default_factory=dict)

    def add(self, axis: Axis, start: Point, end: Point, *, side: int) -> None:
        """A distance along an axis of the sheet, on the lower (0) or higher (1) side of the view."""
        value_m = abs(end[axis] - start[axis]) / self.view.mm_per_m
        if value_m < SAME_M:
            return
        measure = Measure(start=start, end=end, value_mm=value_m * 1e3, shown=self.view.lengths.fine(value_m))
        self.sides.setdefault((axis, side), []).append(measure)

    def point(self, axis: Axis, at: Point, *, from_end: bool, side: int | None = None) -> None:
        """From the near end of the view, or from the far one, to a point; on the side that is nearer."""
        size = self.view.size
        base = _on(at, axis, size[axis] if from_end else 0.0)
        self.add(axis, base, at, side=int(at[1 - axis] > size[1 - axis] / 2.0) if side is None else side)

    def span(self, axis: Axis, low: Point, high: Point, *, from_end: bool, side: int | None = None) -> None:
        """From an end of the view to the near edge of a rectangle, and the rectangle's own size."""
        size = self.view.size
        if side is None:
            side = int((low[1 - axis] + high[1 - axis]) > size[1 - axis])
        edge = high if side else low
        near, far = (high[axis], low[axis]) if from_end else (low[axis], high[axis])
        self.add(axis, _on(edge, axis, size[axis] if from_end else 0.0), _on(edge, axis, near), side=side)
        self.add(axis, _on(edge, axis, near), _on(edge, axis, far), side=side)

    def sub(self, axis: Axis, sub: Stance, *, from_end: bool) -> None:
        """Centre, cabinet and free spaces of a sub."""
        view = self.view
        centre = view.at(sub.centre_m)
        side = int(centre[1 - axis] > view.size[1 - axis] / 2.0)
        self.point(axis, centre, from_end=from_end, side=side)
        if not sub.has_cabinet:
            return
        low, high = view.corners(sub.low_m, sub.high_m)
        self.span(axis, low, high, from_end=from_end, side=side)
        edge = high if side else low
        along = view.across if axis == 0 else view.up
        for space in sub.spaces:
            if space.axis == along:
                a, b = view.corners(space.low_m, space.high_m)
                self.add(axis, _on(edge, axis, a[axis]), _on(edge, axis, b[axis]), side=side)

    def draw(self, sheet: Sheet, *, whole: bool = True, ends: tuple[Point, Point] | None = None) -> None:
        """All dimension lines, those of the room outermost."""
        size = self.view.size
        low, high = ends or ((0.0, 0.0), size)
        taken: list[Area] = []
        for axis in (0, 1):
            one: Axis = 0 if axis == 0 else 1
            for side in (0, 1):
                outward: Literal[1, -1] = 1 if side else -1
                at = (high[1 - axis] + FIRST_ROW_MM) if side else (low[1 - axis] - FIRST_ROW_MM)
                measures = self.sides.get((one, side), [])
                placed, at = dimension_rows(measures, axis=one, first_at=at, outward=outward, taken=taken)
                sheet.parts.extend(placed)
                if side == 0 and whole:
                    value_m = size[axis] / self.view.mm_per_m
                    shown = self.view.lengths.fine(value_m)
                    room = Measure(
                        start=(0.0, 0.0), end=_on((0.0, 0.0), one, size[axis]), value_mm=1e3 * value_m, shown=shown
                    )
                    sheet.parts.extend(dimension_rows([room], axis=one, first_at=at, outward=outward, taken=taken)[0])


def dimension_rows(
    measures: Iterable[Measure], *, axis: Axis, first_at: float, outward: Literal[1, -1], taken: list[Area]
) -> tuple[list[Dimension], float]:
    """Put measures on as few parallel dimension lines as hold them side by side, short ones nearest to the view.

    Parameters
    ----------
    measures : those along one axis on one side of a view; equal ones are drawn once.
    axis : 0 along the sheet's x, 1 along its y.
    first_at : where the first line runs, on the other axis.
    outward : +1 when further lines lie at higher coordinates, -1 when lower.
    taken : what numbers take up already; those of the new ones are added.

    Returns
    -------
    The dimensions, and where the next line would run.
    """
    rows: list[list[tuple[float, float]]] = []
    placed: list[Dimension] = []
    once = {tuple(sorted((round(m.start[axis], 3), round(m.end[axis], 3)))): m for m in measures}
    for measure in sorted(once.values(), key=lambda one: (abs(one.end[axis] - one.start[axis]), one.start[axis])):
        found, number, interval = _free_row(measure, rows, axis, (first_at, outward * DIMENSION_GAP_MM), taken)
        while number >= len(rows):
            rows.append([])
        rows[number].append(interval)
        taken.append(number_box(found))
        placed.append(found)
    return placed, first_at + outward * DIMENSION_GAP_MM * len(rows)


def _free_row(
    measure: Measure,
    rows: Sequence[Sequence[tuple[float, float]]],
    axis: Axis,
    levels: tuple[float, float],
    taken: Sequence[Area],
) -> tuple[Dimension, int, tuple[float, float]]:
    """The dimension on the first line that has room for it, the line's number, and what it takes up along it."""
    a, b = measure.start[axis], measure.end[axis]
    first, step = levels
    number = 0
    while True:
        row = rows[number] if number < len(rows) else ()
        for text_at, interval in _number_places(a, b, measure.shown or f"{measure.value_mm:.0f}"):
            found = Dimension(
                axis=axis,
                start=measure.start,
                end=measure.end,
                line_at=first + step * number,
                text_at=text_at,
                value_mm=measure.value_mm,
                shown=measure.shown,
            )
            clear = all(interval[1] <= low or interval[0] >= high for low, high in row)
            if clear and not any(meet(number_box(found), other) for other in taken):
                return found, number, interval
        number += 1


def _number_places(start: float, end: float, text: str) -> list[tuple[float, tuple[float, float]]]:
    """Where the number may stand along the line, and what the dimension takes up there: beside it when too short."""
    long = text_width(text) + 1.0
    low, high = min(start, end), max(start, end)
    if high - low >= long:
        return [((low + high) / 2.0, (low, high))]
    before = (low - long / 2.0 - 0.5, (low - long - 0.5, high))
    after = (high + long / 2.0 + 0.5, (low, high + long + 0.5))
    return [before, after] if start <= end else [after, before]  # beyond the end from which it is measured first


def _on(point: Point, axis: int, value: float) -> Point:
    return (value, point[1]) if axis == 0 else (point[0], value)
