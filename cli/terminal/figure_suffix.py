"""Which files a figure can be written to."""

from pathlib import Path

SUFFIXES = (".png", ".svg")


def suffix_fault(path: Path) -> str | None:
    """What is wrong with a figure's file name, or None."""
    if path.suffix.lower() in SUFFIXES:
        return None
    got = f"got {path.suffix!r}" if path.suffix else f"got {path.name!r} without one"
    return f"the figure's format follows from its suffix: {got}; allowed are {' and '.join(SUFFIXES)}"
