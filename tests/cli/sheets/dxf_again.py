"""What a DXF file holds, read again."""

import io

import ezdxf
import numpy as np

from cli.drawing.dxf import sheets_dxf
from cli.drawing.primitives import Placed, Sheet


def drawn_boxes(model: object, layer: str) -> list[tuple[np.ndarray, np.ndarray]]:
    """Low and high corners of the closed lines on a layer, those in blocks where they are inserted."""
    lines = list(model.query(f'LWPOLYLINE[layer=="{layer}"]'))
    lines += [e for one in model.query("INSERT") for e in one.virtual_entities() if e.dxf.layer == layer]
    points = [np.array(one.get_points("xy")) for one in lines if one.dxftype() == "LWPOLYLINE" and one.closed]
    return [(one.min(axis=0), one.max(axis=0)) for one in points]


def view_dxf(view: Sheet) -> ezdxf.document.Drawing:
    """A view by itself as DXF, read again."""
    sheet = Sheet(width_mm=420.0, height_mm=297.0, scale=view.scale)
    sheet.views.append(Placed(title="view", view=view, at=(0.0, 0.0)))
    return ezdxf.read(io.StringIO(sheets_dxf([sheet]).decode()))


def words_of(document: ezdxf.document.Drawing) -> list[str]:
    """All texts of model and sheets."""
    spaces = [document.layout(name) for name in document.layout_names()]
    texts = [text.dxf.text for space in spaces for text in space.query("TEXT")]
    return texts + [text.plain_text() for space in spaces for text in space.query("MTEXT")]
