"""What a sheet is drawn with: lines, texts and dimensions on named layers, all in millimetres on paper.

Views are drawn once about the room's origin and placed on sheets, which go on paper (`drawing.paper`) or into a CAD
file (`drawing.dxf`), so that both show the same.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

from cli.figures.lettering import SMALL_MM

Point = tuple[float, float]
Align = Literal["left", "middle", "right"]

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
    meaning : what is on it, for the legend and for CAD.
    """

    name: str
    width_mm: float
    dashes_mm: tuple[float, ...] = ()
    colour_index: int = 7
    meaning: str = ""


WALLS = Layer(name="WALLS", width_mm=0.7, meaning="finished faces of walls, floor and ceiling")
SOLIDS = Layer(name="BLOCKS", width_mm=0.5, meaning="risers, stages, columns; dashed where they hang")
SLOPES = Layer(name="SLOPES", width_mm=0.25, dashes_mm=(6.0, 1.2, 0.8, 1.2), meaning="where the ceiling falls")
WALL_PARTS = Layer(name="WALL_PARTS", width_mm=0.25, colour_index=8, meaning="doors and other parts of walls")
GLASS = Layer(name="GLASS", width_mm=0.25, colour_index=150, meaning="glass")
KEEP_OUTS = Layer(name="KEEP_OUTS", width_mm=0.18, colour_index=8, meaning="keep free: hatched")
ZONES = Layer(
    name="SUB_ZONES",
    width_mm=0.18,
    dashes_mm=(4.0, 1.0, 0.6, 1.0),
    colour_index=8,
    meaning="where acoustic centres of subs may be",
)
SEATS = Layer(name="SEATS", width_mm=0.25, colour_index=94, meaning="seats: heads at ear height")
SCREEN = Layer(name="SCREEN", width_mm=1.0, meaning="picture")
FALSE_WALL = Layer(name="FALSE_WALL", width_mm=0.25, dashes_mm=(5.0, 1.2), meaning="false wall that lets sound through")
SIGHT = Layer(name="SIGHT_LINES", width_mm=0.13, dashes_mm=(3.0, 1.2), colour_index=94, meaning="sight lines")
MAINS = Layer(name="MAINS", width_mm=0.35, colour_index=30, meaning="main loudspeakers")
ELECTRICAL = Layer(name="ELECTRICAL", width_mm=0.35, colour_index=6, meaning="amplifiers and supply")
CABLES = Layer(
    name="CABLES", width_mm=0.25, dashes_mm=(2.4, 0.8), colour_index=6, meaning="cables, along the walls as counted"
)
SUBS = Layer(name="SUBS", width_mm=0.5, colour_index=1, meaning="cabinets of subs")
CENTRES = Layer(name="SUB_CENTRES", width_mm=0.18, colour_index=1, meaning="cross: acoustic centre")
CLEARANCE = Layer(
    name="SUB_CLEARANCE", width_mm=0.18, dashes_mm=(1.6, 0.9), colour_index=1, meaning="free space: driver, port"
)
VENTILATION = Layer(
    name="SUB_VENTILATION", width_mm=0.18, dashes_mm=(0.5, 0.7), colour_index=1, meaning="free space: ventilation"
)
DIMENSIONS = Layer(name="DIMENSIONS", width_mm=0.18, meaning="dimensions")
LEADERS = Layer(name="LEADERS", width_mm=0.13, colour_index=8, meaning="lines from a name to its object")
BREAKS = Layer(name="BREAK_LINES", width_mm=0.13, dashes_mm=(8.0, 1.5, 1.5, 1.5), meaning="where a detail ends")
TEXTS = Layer(name="TEXT", width_mm=0.25, meaning="texts")
FRAME = Layer(name="FRAME", width_mm=0.35, meaning="frame, title block, scale bar")
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
    FALSE_WALL,
    SIGHT,
    MAINS,
    ELECTRICAL,
    CABLES,
    SUBS,
    CENTRES,
    CLEARANCE,
    VENTILATION,
    DIMENSIONS,
    LEADERS,
    BREAKS,
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """An object of its own: in CAD a block with attributes.

    Parameters
    ----------
    kind : first part of its name in CAD.
    at : its insertion point.
    parts : its lines, where they stand on the sheet.
    attributes : names and values that CAD programs list; not drawn.
    """

    layer: Layer
    kind: str
    at: Point
    parts: tuple[Path | Ring, ...]
    attributes: tuple[tuple[str, str], ...]


Part = Path | Ring | Label | Dimension | Block


@dataclass(slots=True)
class Sheet:
    """All parts of a sheet, or of a view by itself.

    Parameters
    ----------
    width_mm, height_mm : of the paper; 0 for a view.
    scale : 50 for 1:50.
    parts : what is drawn on the paper itself.
    views : what is placed on it.
    """

    width_mm: float
    height_mm: float
    scale: float
    parts: list[Part] = field(default_factory=list)
    views: list["Placed"] = field(default_factory=list)

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
class Placed:
    """A view on a sheet.

    Parameters
    ----------
    title : what it shows.
    view : its parts about the room's origin, and its scale.
    at : where that origin lies on the sheet [mm].
    """

    title: str
    view: Sheet
    at: Point
