"""A sheet as DXF: the model in real millimetres, named layers, true dimensions, and a paper layout at the scale."""

import io
import re
from typing import Any

from ezdxf import options  # type: ignore[attr-defined]
from ezdxf.document import Drawing
from ezdxf.enums import TextEntityAlignment
from ezdxf.filemanagement import new
from ezdxf.layouts.layout import Modelspace

from cli.drawing.primitives import DIMENSIONS, LAYERS, TEXT_RAISE_MM, Dimension, Label, Layer, Part, Path, Ring, Sheet
from cli.figures.lettering import SMALL_MM
from cli.terminal.output import clean

VERSION = "R2010"
STYLE = "ROOM"
HATCH_MM = 2.2
MILLIMETRES = 4  # of $INSUNITS and of blocks
LONGEST_TEXT = 240
LINE_WIDTHS = (13, 15, 18, 20, 25, 30, 35, 40, 50, 60, 70, 80, 90, 100)  # hundredths of a mm that DXF knows


def sheet_dxf(sheet: Sheet) -> bytes:
    """The sheet as ASCII DXF; the same sheet gives the same bytes."""
    fixed = options.write_fixed_meta_data_for_testing
    options.write_fixed_meta_data_for_testing = True  # no date, no random identifiers
    try:
        document = new(VERSION, setup=False, units=MILLIMETRES)
        _set_up(document, sheet)
        model = document.modelspace()
        for part in sheet.parts:
            _add(model, part, sheet.scale)
        _layout(document, sheet)
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


def _set_up(document: Drawing, sheet: Sheet) -> None:
    document.header["$MEASUREMENT"] = 1
    document.header["$LTSCALE"] = 1.0
    document.header["$PSLTSCALE"] = 0  # dashes are given in real millimetres
    for layer in LAYERS:
        pattern = "CONTINUOUS"
        if layer.dashes_mm:
            pattern = layer.name + "_DASHES"
            steps = [length * sheet.scale * (-1 if index % 2 else 1) for index, length in enumerate(layer.dashes_mm)]
            total = sum(abs(step) for step in steps)
            document.linetypes.add(pattern, pattern=[total, *steps], description=f"{layer.name} dashes")
        width = min(LINE_WIDTHS, key=lambda known: abs(known - 100 * layer.width_mm))
        document.layers.add(layer.name, color=layer.colour_index, linetype=pattern, lineweight=width)
    document.styles.add(STYLE, font="arial.ttf")
    size = sheet.scale
    style = document.dimstyles.new(STYLE)
    for key, value in {
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
    }.items():
        style.set_dxf_attrib(key, value)


def _layout(document: Drawing, sheet: Sheet) -> None:
    """A page of the paper's size with one window on the model."""
    page: Any = document.layouts.get("Layout1")  # a paper space, which its type does not say
    page.page_setup(size=(sheet.width_mm, sheet.height_mm), margins=(0, 0, 0, 0), units="mm")
    middle = (sheet.width_mm / 2.0, sheet.height_mm / 2.0)
    page.add_viewport(
        center=middle,
        size=(sheet.width_mm, sheet.height_mm),
        view_center_point=(middle[0] * sheet.scale, middle[1] * sheet.scale),
        view_height=sheet.height_mm * sheet.scale,
        dxfattribs={"layer": "FRAME"},
    )
    document.layouts.rename("Layout1", f"1 to {sheet.scale:g}")
    document.set_modelspace_vport(
        height=sheet.height_mm * sheet.scale, center=(middle[0] * sheet.scale, middle[1] * sheet.scale)
    )


def _add(model: Modelspace, part: Part, scale: float) -> None:
    def real(point: tuple[float, float]) -> tuple[float, float]:
        return (point[0] * scale, point[1] * scale)

    if isinstance(part, Path):
        points = [real(point) for point in part.points]
        model.add_lwpolyline(points, close=part.closed, dxfattribs=_attributes(part.layer, scale))
        if part.hatch:
            hatch = model.add_hatch(dxfattribs={"layer": part.layer.name})
            lines: list[Any] = [(45.0, (0.0, 0.0), (-HATCH_MM * scale * 0.7071, HATCH_MM * scale * 0.7071), [])]
            hatch.set_pattern_fill("ROOM_LINES", definition=lines, scale=1.0)
            hatch.paths.add_polyline_path(points, is_closed=True)
    elif isinstance(part, Ring):
        model.add_circle(real(part.centre), part.radius * scale, dxfattribs={"layer": part.layer.name})
    elif isinstance(part, Label):
        _add_text(model, part, scale)
    else:
        _add_dimension(model, part, scale)


def _attributes(layer: Layer, scale: float) -> dict[str, Any]:
    """A part may differ from its layer's line."""
    if layer in LAYERS:
        return {"layer": layer.name}
    return {"layer": layer.name, "ltscale": 1.0}


def _add_text(model: Modelspace, label: Label, scale: float) -> None:
    text = model.add_text(
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


def _add_dimension(model: Modelspace, part: Dimension, scale: float) -> None:
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
    dimension = model.add_linear_dim(
        base=base,
        p1=(low[0] * scale, low[1] * scale),
        p2=(high[0] * scale, high[1] * scale),
        location=None if inside else (middle[0] * scale, middle[1] * scale),
        angle=90 if upright else 0,
        dimstyle=STYLE,
        dxfattribs={"layer": DIMENSIONS.name},
    )
    dimension.render()
