"""The logo in the head of a report: a picture beside the plan file, made small, without what else its file holds."""

import io
import warnings
from pathlib import Path

from PIL import Image

from cli.report.blocks import Logo
from roommodes.storage.ordinary_file import Unreadable, ordinary_bytes

MOST_BYTES = 5_000_000
MOST_PIXELS = 40_000_000
SIZE_PX = (700, 260)


def read_logo(name: str, folder: Path) -> tuple[Logo | None, str | None]:
    """The logo, or what is wrong with it in words; a report does without.

    Parameters
    ----------
    name : of the file, as the project gives it.
    folder : that of the plan file.
    """
    path = folder / name
    try:
        data = ordinary_bytes(path, most_bytes=MOST_BYTES)
        with warnings.catch_warnings():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            with Image.open(io.BytesIO(data), formats=("PNG", "JPEG")) as picture:
                if picture.width * picture.height > MOST_PIXELS:
                    return None, f"{path}: the logo has more than {MOST_PIXELS // 1_000_000} million pixels; left out."
                small = picture.convert("RGBA")
    except Unreadable:
        return None, f"{path}: the logo cannot be read; put it beside the plan file. Left out."
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError, Image.DecompressionBombWarning):
        return None, f"{path}: this is no PNG or JPEG picture; the logo is left out."
    small.thumbnail(SIZE_PX)
    buffer = io.BytesIO()
    small.save(buffer, format="png")
    return Logo(data=buffer.getvalue(), width=small.width, height=small.height), None
