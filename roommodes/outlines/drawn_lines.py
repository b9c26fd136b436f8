"""The lines of a DXF drawing by layer, as they stand in its model space."""

import io
import logging
from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

from ezdxf import recover
from ezdxf.entities.dxfgfx import DXFGraphic
from ezdxf.lldxf.const import DXFError
from ezdxf.path import make_path

from roommodes.errors import FileUnusable
from roommodes.storage.ordinary_file import Unreadable, ordinary_bytes

MOST_BYTES = 60_000_000
MOST_LINES = 100_000  # entities
DRAWN = ("LINE", "LWPOLYLINE", "POLYLINE", "ARC", "CIRCLE", "ELLIPSE", "SPLINE")
UNITS = {1: "inches", 2: "feet", 4: "millimetres", 5: "centimetres", 6: "metres", 14: "decimetres"}  # $INSUNITS
UNIT_M = {1: 0.0254, 2: 0.3048, 4: 0.001, 5: 0.01, 6: 1.0, 14: 0.1}
FARTHEST = 1e12  # of a point from the origin; beyond, numbers are not a drawing's
CHORD = 2e-4  # of the drawing's size, how far a curve may be from its chords

Line = tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """What a drawing holds.

    Parameters
    ----------
    lines : by layer, each a chain of points (x, y) in the drawing's units.
    unit : what the drawing says of them, one of `UNITS`; None where it says nothing that is known here.
    left : how many entities of other kinds the model space holds, by kind.
    """

    lines: Mapping[str, tuple[Line, ...]]
    unit: int | None
    left: Mapping[str, int]


def read_drawing(path: Path) -> Drawn:
    """The lines of a DXF file.

    Raises
    ------
    FileUnusable : it cannot be read, is no DXF, or holds more than anybody draws for one room.
    """
    try:
        data = ordinary_bytes(path, most_bytes=MOST_BYTES)
    except Unreadable as fault:
        words = {
            "missing": "there is no such file; check the name.",
            "folder": "this is a folder; give the drawing in it.",
            "special": "this is not an ordinary file; give a DXF drawing.",
            "empty": "the file is empty; export the drawing again.",
            "too large": f"it is larger than {MOST_BYTES // 1_000_000} MB; save the outline's layer alone as a DXF.",
        }
        raise FileUnusable(f"{path}: {words.get(fault.why, f'it cannot be read ({fault.detail}).')}") from None
    if data.startswith((b"AC10", b"%PDF")):
        raise FileUnusable(f"{path}: this is no DXF; export the drawing as DXF.")
    try:
        with _quiet_library():
            document, _ = recover.read(io.BytesIO(data))
            space = document.modelspace()
            unit = int(document.header.get("$INSUNITS", 0))
    except MemoryError:
        raise
    except Exception as fault:  # whatever a damaged drawing makes of a library that repairs what it can
        said = " ".join(str(fault).split())[:120]
        raise FileUnusable(f"{path}: it cannot be read as DXF ({said}); export the drawing again.") from None
    if len(space) > MOST_LINES:
        raise FileUnusable(
            f"{path}: it holds {len(space)} entities; allowed: {MOST_LINES}. Save the outline's layer alone."
        )
    found: dict[str, list[Line]] = {}
    left: Counter[str] = Counter()
    for entity in space:
        with _quiet_library():
            line = _line(entity) if entity.dxftype() in DRAWN else None
        if line is None:
            left[entity.dxftype()] += 1
        else:
            found.setdefault(entity.dxf.layer, []).append(line)
    return Drawn(
        lines=MappingProxyType({layer: tuple(lines) for layer, lines in found.items()}),
        unit=unit if unit in UNITS else None,
        left=MappingProxyType(dict(left)),
    )


@contextmanager
def _quiet_library() -> Iterator[None]:
    """Without what the library says of every repair on standard error."""
    logger = logging.getLogger("ezdxf")
    before = logger.disabled
    logger.disabled = True
    try:
        yield
    finally:
        logger.disabled = before


def _line(entity: DXFGraphic) -> Line | None:
    """An entity as a chain of points; None where it has no length or cannot be taken."""
    try:
        path = make_path(entity)
        corners = [(float(point.x), float(point.y)) for point in path.control_vertices()]
        size = max((max(axis) - min(axis) for axis in zip(*corners, strict=True)), default=0.0)
        points = tuple((float(point.x), float(point.y)) for point in path.flattening(max(CHORD * size, 1e-9)))
    except (DXFError, ValueError, TypeError, ArithmeticError, LookupError, AttributeError):
        return None
    finite = all(abs(value) < FARTHEST for point in points for value in point)
    return points if len(points) > 1 and size > 0.0 and finite else None
