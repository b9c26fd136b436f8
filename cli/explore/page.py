"""The page as one HTML file: nothing is loaded, nothing but its own script's text runs."""

import base64
import hashlib
from importlib.resources import files
from typing import Any

from jinja2 import Environment, StrictUndefined

from cli.explore.bundle import bundled
from roommodes.lengths import Lengths


def explore_html(data: dict[str, Any]) -> bytes:
    """The page; the same data give the same bytes with the same zlib."""
    own = files("cli.explore")
    page_style, picture_style, template = (
        own.joinpath(name).read_text(encoding="utf-8") for name in ("explore.css", "picture.css", "explore.html.j2")
    )
    script, worker = bundled("main"), bundled("worker")
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    page = environment.from_string(template).render(
        data=data,
        plane_height=Lengths(feet=data["feet"]).text(data["plane"]["z"]) if data["plane"] else "",
        page_style=page_style,
        picture_style=picture_style,
        script=script,
        worker=worker,
        script_hash=_hash(script),
        style_hashes=[_hash(picture_style), _hash(page_style)],
    )
    return page.encode("utf-8", errors="replace")


def _hash(text: str) -> str:
    """What the page's policy lets run: the text exactly as it stands between the tags."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode("ascii")
