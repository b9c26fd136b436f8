"""The target of filters and of the sum with the mains, as an option gives it: points, or a table in a file."""
# ruff: noqa: PLC0415 (imports wait until they are needed: --help stays quick)

from pathlib import Path
from typing import TYPE_CHECKING

import typer

if TYPE_CHECKING:
    from roommodes.acoustics.curve import Curve

MOST_DB = 30.0  # off the middle of the curve
HZ = (1.0, 20000.0)
BAND_HZ = (10.0, 300.0)


def curve_file(text: str | None) -> list[Path]:
    """The file that the option names, if it names one."""
    if text is None:
        return []
    path = Path(text)
    points = ":" in path.name or "," in text or not path.suffix
    return [] if points and not path.is_file() else [path]


def band_of(text: str | None) -> tuple[float, float] | None:
    """``20:160`` as the lowest and the highest frequency [Hz]; a usage error says what is allowed."""
    if text is None:
        return None
    try:
        low, high = (float(part) for part in text.split(":"))
    except ValueError:
        low, high = 0.0, 0.0
    if not (BAND_HZ[0] <= low and 1.2 * low <= high <= BAND_HZ[1]):
        message = f"got {text!r}; allowed: two frequencies from {BAND_HZ[0]:g} to {BAND_HZ[1]:g} Hz, such as 20:160"
        raise typer.BadParameter(message, param_hint="--band")
    return low, high


def target_curve(text: str | None) -> "Curve":
    """``20:4,120:0``, or the name of a table with a frequency and a level on each line, as a curve; flat for None.

    Raises
    ------
    FileUnusable : the file cannot be read, or is no table of frequencies and levels.
    typer.BadParameter : what was given is no curve.
    """
    from roommodes.acoustics.curve import Curve

    if text is None:
        return Curve((1000.0,), (0.0,))
    points = _of_file(curve_file(text)[0]) if curve_file(text) else _of_words(text)
    rising = sorted(points.items())
    return Curve(tuple(hz for hz, _ in rising), tuple(level for _, level in rising))


def _of_words(text: str) -> dict[float, float]:
    points: dict[float, float] = {}
    try:
        for word in text.split(","):
            hz, level = (float(part) for part in word.split(":"))
            if not (HZ[0] <= hz <= HZ[1] and abs(level) <= MOST_DB) or hz in points:
                raise ValueError
            points[hz] = level
    except ValueError:
        raise typer.BadParameter(
            f"got {text!r}; allowed: frequencies from 1 to 20000 Hz, each once, with levels from {-MOST_DB:g} to "
            f"{MOST_DB:g} dB, such as 20:4,60:2,120:0, or the name of a table of frequency and level",
            param_hint="--target",
        ) from None
    return points


def _of_file(path: Path) -> dict[float, float]:
    """A table's points, its offset taken out."""
    import numpy as np

    from roommodes.errors import FileUnusable
    from roommodes.measured.files import FileFaulty, read_bytes
    from roommodes.measured.text_table import read_calibration

    if not path.exists():
        raise FileUnusable(f"{path}: there is no such file; check the name, or give points such as 20:4,60:2,120:0.")
    try:
        found = read_calibration(read_bytes(path), fewest=1)
    except FileFaulty as fault:
        first = fault.faults[0]
        line = f":{first.line}" if first.line else ""
        raise FileUnusable(f"{path}{line}: {first.message}") from None
    level = 20.0 * np.log10(np.abs(found.value))
    level = level - 0.5 * (level.min() + level.max())
    inside = (found.hz >= HZ[0]) & (found.hz <= HZ[1])
    if not inside.any() or np.abs(level).max() > MOST_DB:
        raise FileUnusable(
            f"{path}: it spans {2 * np.abs(level).max():.0f} dB from {found.hz[0]:g} to {found.hz[-1]:g} Hz; allowed: "
            f"up to {2 * MOST_DB:g} dB, with points from 1 to 20000 Hz. Is it a target curve?"
        )
    return dict(zip(found.hz[inside].tolist(), level[inside].tolist(), strict=True))
