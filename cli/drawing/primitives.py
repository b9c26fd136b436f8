"""What a sheet is drawn with: lines, texts and dimensions on named layers, all in millimetres on paper.

A sheet is built once and then put on paper (`drawing.paper`) or into a CAD file (`drawing.dxf`), so that both show
the same.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

from cli.figures.lettering import SMALL_MM, text_width

Point = tuple[float, float]
Align = Literal["left", "middle", "right"]

DIMENSION_GAP_MM = 6.5  # between dimension lines
TEXT_RAISE_MM = 0.8


@dataclass(frozen=True, slots=True, kw_only=True)
class Layer:
    """How a layer looks.

    Parameters
    ----------
    name : as a CAD program lists it.
    width_mm : of its lines, on paper.
    dashes_mm : line and gap in turn; empty for a full line.
    colour_index : in CAD, to be read on a dark and on a white ground; on paper everything is dark.
    """

    name: str
    width_mm: float
    dashes_mm: tuple[float, ...] = ()
    colour_index: int = 7


WALLS = Layer(name="WALLS", width_mm=0.7)
SOLIDS = Layer(name="BLOCKS", width_mm=0.5)
SLOPES = Layer(name="SLOPES", width_mm=0.25, dashes_mm=(6.0, 1.2, 0.8, 1.2))
WALL_PARTS = Layer(name="WALL_PARTS", width_mm=0.25, colour_index=8)
GLASS = Layer(name="GLASS", width_mm=0.25, colour_index=150)
KEEP_OUTS = Layer(name="KEEP_OUTS", width_mm=0.18, colour_index=8)
ZONES = Layer(name="SUB_ZONES", width_mm=0.18, dashes_mm=(4.0, 1.0, 0.6, 1.0), colour_index=8)
SEATS = Layer(name="SEATS", width_mm=0.25, colour_index=94)
SCREEN = Layer(name="SCREEN", width_mm=1.0)
SUBS = Layer(name="SUBS", width_mm=0.5, colour_index=1)
CENTRES = Layer(name="SUB_CENTRES", width_mm=0.18, colour_index=1)
CLEARANCE = Layer(name="SUB_CLEARANCE", width_mm=0.18, dashes_mm=(1.6, 0.9), colour_index=1)
VENTILATION = Layer(name="SUB_VENTILATION", width_mm=0.18, dashes_mm=(0.5, 0.7), colour_index=1)
DIMENSIONS = Layer(name="DIMENSIONS", width_mm=0.18)
TEXTS = Layer(name="TEXT", width_mm=0.25)
FRAME = Layer(name="FRAME", width_mm=0.35)
LAYERS = (
    WALLS,
    SOLIDS,
    SLOPES,
    WALL_PARTS,
    GLASS,
    KEEP_OUTS,
    ZONES,
    SEATS,
    SCREEN,
    SUBS,
    CENTRES,
    CLEARANCE,
    VENTILATION,
    DIMENSIONS,
    TEXTS,
    FRAME,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Path:
    """Straight lines from point to point; closed paths may be hatched."""

    layer: Layer
    points: tuple[Point, ...]
    closed: bool = False
    hatch: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Ring:
    """A circle."""

    layer: Layer
    centre: Point
    radius: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Label:
    """One line of text; `at` is the middle of its height."""

    layer: Layer = TEXTS
    at: Point
    text: str
    height: float = SMALL_MM
    align: Align = "middle"
    upright: bool = False
    backed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Dimension:
    """A distance along x or y of the sheet.

    Parameters
    ----------
    axis : 0 along the sheet's x, 1 along its y.
    start, end : the two points measured.
    line_at : where the dimension line runs, on the other axis.
    text_at : middle of the number along `axis`.
    value_mm : the real distance.
    shown : how it is written.
    """

    axis: Literal[0, 1]
    start: Point
    end: Point
    line_at: float
    text_at: float
    value_mm: float
    shown: str = ""

    @property
    def text(self) -> str:
        """The number: as `shown`, else whole millimetres."""
        return self.shown or f"{self.value_mm:.0f}"


Part = Path | Ring | Label | Dimension


@dataclass(slots=True)
class Sheet:
    """All parts of a sheet.

    Parameters
    ----------
    width_mm, height_mm : of the paper.
    scale : 50 for 1:50.
    """

    width_mm: float
    height_mm: float
    scale: float
    parts: list[Part] = field(default_factory=list)

    def path(self, layer: Layer, points: Sequence[Point], *, closed: bool = False, hatch: bool = False) -> None:
        """Add lines."""
        self.parts.append(Path(layer=layer, points=tuple(points), closed=closed, hatch=hatch))

    def box(self, layer: Layer, low: Point, high: Point, *, hatch: bool = False) -> None:
        """Add a rectangle."""
        (x0, y0), (x1, y1) = low, high
        self.path(layer, ((x0, y0), (x1, y0), (x1, y1), (x0, y1)), closed=True, hatch=hatch)

    def label(
        self,
        at: Point,
        text: str,
        *,
        height: float = SMALL_MM,
        align: Align = "middle",
        upright: bool = False,
        backed: bool = False,
    ) -> None:
        """Add a text."""
        self.parts.append(Label(at=at, text=text, height=height, align=align, upright=upright, backed=backed))


@dataclass(frozen=True, slots=True, kw_only=True)
class Measure:
    """A distance to be dimensioned: from, to (in that order seen from the wall), on the sheet [mm]; its number."""

    start: Point
    end: Point
    value_mm: float
    shown: str = ""


def dimension_rows(
    measures: Sequence[Measure], *, axis: Literal[0, 1], first_at: float, outward: Literal[1, -1]
) -> tuple[list[Dimension], float]:
    """Put measures on as few parallel dimension lines as hold them side by side, short ones nearest to the view.

    Parameters
    ----------
    measures : those along one axis on one side of a view; equal ones are drawn once.
    axis : 0 along the sheet's x, 1 along its y.
    first_at : where the first line runs, on the other axis.
    outward : +1 when further lines lie at higher coordinates, -1 when lower.

    Returns
    -------
    The dimensions, and where the next line would run.
    """
    rows: list[list[tuple[float, float]]] = []
    placed: list[Dimension] = []
    once = {(round(m.start[axis], 3), round(m.end[axis], 3)): m for m in measures}
    for measure in sorted(once.values(), key=lambda one: (abs(one.end[axis] - one.start[axis]), one.start[axis])):
        a, b = measure.start[axis], measure.end[axis]
        text_at, taken = _number_place(a, b, measure.shown or f"{measure.value_mm:.0f}")
        free = [all(taken[1] <= low or taken[0] >= high for low, high in row) for row in rows]
        number = free.index(True) if True in free else len(rows)
        if number == len(rows):
            rows.append([])
        rows[number].append(taken)
        placed.append(
            Dimension(
                axis=axis,
                start=measure.start,
                end=measure.end,
                line_at=first_at + outward * DIMENSION_GAP_MM * number,
                text_at=text_at,
                value_mm=measure.value_mm,
                shown=measure.shown,
            )
        )
    return placed, first_at + outward * DIMENSION_GAP_MM * len(rows)


def _number_place(start: float, end: float, text: str) -> tuple[float, tuple[float, float]]:
    """Where the number stands along the line, and what the dimension takes up there: beside it when too short."""
    long = text_width(text) + 1.0
    low, high = min(start, end), max(start, end)
    if high - low >= long:
        return (low + high) / 2.0, (low, high)
    if start <= end:  # beyond the end from which it is measured
        return low - long / 2.0 - 0.5, (low - long - 0.5, high)
    return high + long / 2.0 + 0.5, (low, high + long + 0.5)
