"""The report as one HTML file: nothing is loaded, nothing but its own two scripts' text runs."""

import base64
import hashlib
import warnings
from importlib.resources import files
from typing import Any
from urllib.parse import quote

import matplotlib as mpl
from jinja2 import Environment, StrictUndefined
from matplotlib.figure import Figure

from cli.drawing.paper import sheet_svg
from cli.figures.common_axes import STYLE, figure_bytes, new_figure
from cli.figures.report import HIGHEST_DB, LOWEST_DB, STEP_DB
from cli.report.blocks import Bullets, Drawing, LiveMap, Picture, Report, Table, Text

DRAWING_MM = 255.0  # as wide as the page's text


def report_html(report: Report) -> bytes:
    """The page; the same report gives the same bytes."""
    style, script = (
        files("cli.report").joinpath(name).read_text(encoding="utf-8") for name in ("report.css", "report.js")
    )
    template = files("cli.report").joinpath("report.html.j2").read_text(encoding="utf-8")
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    environment.tests["block"] = lambda block, kind: type(block).__name__ == kind
    page = environment.from_string(template).render(
        report=report,
        style=style,
        script=script,
        style_hash=_hash(style),
        script_hash=_hash(script),
        image=_image,
        logo=lambda one: _address("image/png", one.data),
        steps=_steps(),
        kinds=[kind.__name__ for kind in (Text, Bullets, Table, Picture, Drawing, LiveMap)],
    )
    return page.encode("utf-8", errors="replace")


def picture_figure(picture: Picture) -> Figure:
    """A picture drawn at its own size."""
    with mpl.rc_context(STYLE):
        figure = new_figure(*picture.size_in)
        picture.draw(figure)
    return figure


def _image(block: Picture | Drawing) -> str:
    """A picture as a data address."""
    if isinstance(block, Drawing):
        return _svg(sheet_svg(block.sheet(DRAWING_MM)))
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing")  # a box stands for what the font has not
        figure = picture_figure(block)
        if not block.raster:
            return _svg(figure_bytes(figure, ".svg"))
        return _address("image/webp", figure_bytes(figure, ".webp"))


def _svg(data: bytes) -> str:
    """SVG as percent-encoded text: a fifth shorter than base64."""
    return "data:image/svg+xml," + quote(data.decode(), safe=" !$&()*+,-./:;=?@[]^_{|}~'\n")


def _address(kind: str, data: bytes) -> str:
    return f"data:{kind};base64,{base64.b64encode(data).decode('ascii')}"


def _hash(text: str) -> str:
    """What the page's policy lets run: the text exactly as it stands between the tags."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode("ascii")


def _steps() -> list[dict[str, Any]]:
    """The map's key: number and lower edge of each step."""
    count = round((HIGHEST_DB - LOWEST_DB) / STEP_DB)
    return [
        {"number": step, "label": f"{edge:+z.0f}" if (edge := LOWEST_DB + step * STEP_DB) else "0"}
        for step in range(count)
    ]
