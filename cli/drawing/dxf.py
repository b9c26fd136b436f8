"""Sheets as DXF: the model in real millimetres about the room's origin, blocks, named layers, sheets as paper space."""

import io
import re
from collections.abc import Mapping, Sequence
from typing import Any

from ezdxf import options  # type: ignore[attr-defined]
from ezdxf.document import Drawing
from ezdxf.enums import TextEntityAlignment
from ezdxf.filemanagement import new
from ezdxf.layouts.base import BaseLayout

from cli.drawing.extents import bounds, flat, moved
from cli.drawing.primitives import (
    DIMENSIONS,
    FRAME,
    LAYERS,
    TEXT_RAISE_MM,
    TEXTS,
    Block,
    Dimension,
    Label,
    Layer,
    Part,
    Path,
    Placed,
    Point,
    Ring,
    Sheet,
)
from cli.figures.lettering import SMALL_MM
from cli.terminal.output import clean

ON_EVERY_SHEET = (DIMENSIONS, TEXTS, FRAME)
VERSION = "R2010"
STYLE = "ROOM"
HATCH_MM = 2.2
MILLIMETRES = 4  # of $INSUNITS and of blocks
LONGEST_TEXT = 240
LINE_WIDTHS = (13, 15, 18, 20, 25, 30, 35, 40, 50, 60, 70, 80, 90, 100)  # hundredths of a mm that DXF knows
APART_MM = 1500.0  # between the views in the model, real millimetres
EDGE_MM = 1.0  # of a window on the model about its view


def sheets_dxf(sheets: Sequence[Sheet]) -> bytes:
    """Sheets as ASCII DXF; the same sheets give the same bytes with the same ezdxf."""
    fixed = options.write_fixed_meta_data_for_testing
    options.write_fixed_meta_data_for_testing = True  # no date, no random identifiers
    try:
        document = new(VERSION, setup=False, units=MILLIMETRES)
        placed = [one for sheet in sheets for one in sheet.views]
        drawn = {part.layer.name for one in placed for part in flat(one.view.parts) if isinstance(part, Path | Ring)}
        scales = sorted({one.view.scale for one in placed} | {sheet.scale for sheet in sheets})
        _set_up(document, scales, [layer for layer in LAYERS if layer.name in drawn or layer in ON_EVERY_SHEET])
        writer = _Writer(document, sheets[0].scale)
        origins = _origins(placed)
        for one, (x, y) in zip(placed, origins, strict=True):
            scale = one.view.scale
            writer.add(document.modelspace(), [moved(part, x / scale, y / scale) for part in one.view.parts], scale)
        where = {id(one): origin for one, origin in zip(placed, origins, strict=True)}
        for number, sheet in enumerate(sheets, start=1):
            _layout(document, writer, sheet, number, where)
        stream = io.StringIO()
        document.write(stream)
    finally:
        options.write_fixed_meta_data_for_testing = fixed
    return stream.getvalue().encode(document.output_encoding, errors="dxfreplace")


def harmless(text: str) -> str:
    """A text without control characters and without the codes that CAD programs read in texts."""
    shown = clean(text, LONGEST_TEXT).replace("^", "^ ")
    shown = re.sub(r"%(?=%)", "% ", shown)
    return re.sub(r"\\(?=[UuMmPpSsLlOoKkFfHhAaCcQqTtWwNn{}])", r"\\ ", shown)


def _origins(placed: Sequence[Placed]) -> list[Point]:
    """Where each view's origin lies in the model: the first at the room's, the others below one another."""
    found: list[Point] = []
    level = 0.0
    for one in placed:
        low, high = bounds(one.view.parts)
        scale = one.view.scale
        if found:
            level -= high[1] * scale + APART_MM
            shift = -low[0] * scale if one.view.scale < placed[0].view.scale else 0.0  # a detail begins at x = 0
            found.append((shift, level))
        else:
            found.append((0.0, 0.0))
        level += low[1] * scale
    return found


def _set_up(document: Drawing, scales: Sequence[float], layers: Sequence[Layer]) -> None:
    document.header["$MEASUREMENT"] = 1
    document.header["$LTSCALE"] = 1.0
    document.header["$PSLTSCALE"] = 0  # dashes go by each line's own factor
    for layer in layers:
        pattern = "CONTINUOUS"
        if layer.dashes_mm:
            pattern = layer.name + "_DASHES"
            steps = [length * (-1 if index % 2 else 1) for index, length in enumerate(layer.dashes_mm)]
            total = sum(abs(step) for step in steps)
            document.linetypes.add(pattern, pattern=[total, *steps], description=f"{layer.name} dashes")
        width = min(LINE_WIDTHS, key=lambda known: abs(known - 100 * layer.width_mm))
        entry = document.layers.add(layer.name, color=layer.colour_index, linetype=pattern, lineweight=width)
        entry.description = layer.meaning
    document.styles.add(STYLE, font="arial.ttf")
    for scale in scales:
        style = document.dimstyles.new(_dimension_style(scale))
        for key, value in _dimension_values(scale).items():
            style.set_dxf_attrib(key, value)


def _dimension_style(scale: float) -> str:
    return f"{STYLE}_{scale:g}"


def _dimension_values(size: float) -> dict[str, Any]:
    return {
        "dimtxsty": STYLE,
        "dimtxt": SMALL_MM * size,
        "dimgap": TEXT_RAISE_MM * size,
        "dimtsz": 1.1 * size,
        "dimasz": 2.0 * size,
        "dimexo": 0.0,
        "dimexe": 1.2 * size,
        "dimscale": 1.0,
        "dimlfac": 1.0,
        "dimdec": 0,
        "dimrnd": 0.0,
        "dimlunit": 2,
        "dimzin": 8,
        "dimtad": 1,
        "dimtih": 0,
        "dimtoh": 0,
        "dimtix": 1,
        "dimtofl": 1,
        "dimtfill": 1,  # the ground of the drawing behind a number: other lines end at it
    }


def _layout(document: Drawing, writer: "_Writer", sheet: Sheet, number: int, where: Mapping[int, Point]) -> None:
    """A page of the paper's size with its texts and frame, and a window on the model for each view."""
    name = f"Sheet {number}"
    if number == 1:
        document.layouts.rename("Layout1", name)
    page: Any = document.layouts.get(name) if number == 1 else document.layouts.new(name)
    page.page_setup(size=(sheet.width_mm, sheet.height_mm), margins=(0, 0, 0, 0), units="mm")
    writer.add(page, sheet.parts, 1.0)
    for one in sheet.views:
        low, high = bounds(one.view.parts)
        size = (high[0] - low[0] + 2 * EDGE_MM, high[1] - low[1] + 2 * EDGE_MM)
        middle = ((low[0] + high[0]) / 2.0, (low[1] + high[1]) / 2.0)
        origin, scale = where[id(one)], one.view.scale
        page.add_viewport(
            center=(middle[0] + one.at[0], middle[1] + one.at[1]),
            size=size,
            view_center_point=(middle[0] * scale + origin[0], middle[1] * scale + origin[1]),
            view_height=size[1] * scale,
            dxfattribs={"layer": "FRAME"},
        )
    if number == 1 and sheet.views:
        low, high = bounds(sheet.views[0].view.parts)
        centre = tuple(sheet.scale * (a + b) / 2.0 for a, b in zip(low, high, strict=True))
        document.set_modelspace_vport(height=1.2 * sheet.scale * (high[1] - low[1]), center=(centre[0], centre[1]))


class _Writer:
    """Writes parts in real millimetres; objects of one look share a block."""

    def __init__(self, document: Drawing, scale: float) -> None:
        self.document = document
        self.scale = scale
        self.blocks: dict[tuple[Any, ...], str] = {}

    def add(self, space: BaseLayout, parts: Sequence[Part], scale: float) -> None:
        """Parts on paper in a space that is so much larger."""
        for part in parts:
            if isinstance(part, Block):
                self._insert(space, part, scale)
            elif isinstance(part, Path | Ring):
                _add_line(space, part, scale)
            elif isinstance(part, Label):
                _add_text(space, part, scale)
            else:
                _add_dimension(space, part, scale)

    def _insert(self, space: BaseLayout, part: Block, scale: float) -> None:
        """A block with the values of its attributes; made where none looks so."""
        about = [moved(one, -part.at[0], -part.at[1]) for one in part.parts]
        look = (part.kind, scale, *(_look(one) for one in about))
        tags = [tag for tag, _ in part.attributes]
        if look not in self.blocks:
            number = sum(key[0] == part.kind for key in self.blocks) + 1
            self.blocks[look] = f"{part.kind}_{number}"
            block = self.document.blocks.new(self.blocks[look])
            for one in about:
                assert isinstance(one, Path | Ring), "what a block holds"
                _add_line(block, one, scale)
            for tag in tags:
                block.add_attdef(tag, (0.0, 0.0), height=SMALL_MM * scale, dxfattribs=_hidden(part.layer))
        place = (part.at[0] * scale, part.at[1] * scale)
        insert = space.add_blockref(self.blocks[look], place, dxfattribs={"layer": part.layer.name})
        for tag, value in part.attributes:
            insert.add_attrib(
                tag, harmless(value), place, dxfattribs={**_hidden(part.layer), "height": SMALL_MM * scale}
            )


def _hidden(layer: Layer) -> dict[str, Any]:
    return {"layer": layer.name, "flags": 1, "style": STYLE}  # listed, not shown


def _look(part: Part) -> tuple[Any, ...]:
    if isinstance(part, Ring):
        return (part.layer.name, *(round(value, 4) for value in (*part.centre, part.radius)))
    assert isinstance(part, Path), "what a block holds"
    return (part.layer.name, part.closed, *(round(value, 4) for point in part.points for value in point))


def _add_line(space: BaseLayout, part: Path | Ring, scale: float) -> None:
    def real(point: Point) -> Point:
        return (point[0] * scale, point[1] * scale)

    look = {"layer": part.layer.name, "ltscale": scale}
    if isinstance(part, Ring):
        space.add_circle(real(part.centre), part.radius * scale, dxfattribs=look)
        return
    points = [real(point) for point in part.points]
    space.add_lwpolyline(points, close=part.closed, dxfattribs=look)
    if part.hatch:
        hatch = space.add_hatch(dxfattribs={"layer": part.layer.name})
        lines: list[Any] = [(45.0, (0.0, 0.0), (-HATCH_MM * scale * 0.7071, HATCH_MM * scale * 0.7071), [])]
        hatch.set_pattern_fill("ROOM_LINES", definition=lines, scale=1.0)
        hatch.paths.add_polyline_path(points, is_closed=True)


def _add_text(space: BaseLayout, label: Label, scale: float) -> None:
    if label.backed:  # over lines: with the ground of the drawing behind it
        look = {"layer": label.layer.name, "style": STYLE, "char_height": label.height * scale, "attachment_point": 5}
        escaped = re.sub(r"([\\{}])", r"\\\1", harmless(label.text))
        over = space.add_mtext(escaped, dxfattribs={**look, "rotation": 90 if label.upright else 0})
        over.set_location((label.at[0] * scale, label.at[1] * scale))
        over.set_bg_color("canvas", scale=1.2)
        return
    text = space.add_text(
        harmless(label.text),
        height=label.height * scale,
        rotation=90 if label.upright else 0,
        dxfattribs={"layer": label.layer.name, "style": STYLE},
    )
    place = {
        "left": TextEntityAlignment.MIDDLE_LEFT,
        "middle": TextEntityAlignment.MIDDLE_CENTER,
        "right": TextEntityAlignment.MIDDLE_RIGHT,
    }
    text.set_placement((label.at[0] * scale, label.at[1] * scale), align=place[label.align])


def _add_dimension(space: BaseLayout, part: Dimension, scale: float) -> None:
    upright = part.axis == 1
    base = (part.line_at * scale, 0.0) if upright else (0.0, part.line_at * scale)
    off = part.line_at + (-1 if upright else 1) * (TEXT_RAISE_MM + SMALL_MM / 2.0)
    middle = (off, part.text_at) if upright else (part.text_at, off)
    inside = (
        min(part.start[part.axis], part.end[part.axis])
        <= part.text_at
        <= max(part.start[part.axis], part.end[part.axis])
    )
    low, high = sorted((part.start, part.end), key=lambda point: point[part.axis])  # else numbers change sides
    dimension = space.add_linear_dim(
        base=base,
        p1=(low[0] * scale, low[1] * scale),
        p2=(high[0] * scale, high[1] * scale),
        location=None if inside else (middle[0] * scale, middle[1] * scale),
        angle=90 if upright else 0,
        dimstyle=_dimension_style(scale),
        dxfattribs={"layer": DIMENSIONS.name},
    )
    dimension.render()
