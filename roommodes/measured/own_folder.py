"""A manifest reads below its own folder alone: whoever wrote it does not choose what else of this machine is read."""

import os
from collections.abc import Iterator
from pathlib import Path

from roommodes.measured.manifest import ManifestTables
from roommodes.project.valid_parts import Found
from roommodes.toml.values import shown

NEXT = "Copy it there; if you trust the manifest, allow any folder (--any-folder, or any_folder=True)."


def is_below(folder: Path, name: str) -> bool:
    """Whether a name, looked for in a folder, ends there or below it once every symbolic link is followed."""
    try:
        home = os.path.realpath(folder)
        return Path(os.path.realpath(os.path.join(home, name))).is_relative_to(home)
    except ValueError:  # a zero byte: no file anywhere has such a name, and reading says so
        return True


def files_elsewhere(tables: ManifestTables, folder: Path, *, written: int) -> Iterator[tuple[str, Found]]:
    """Every file of a manifest that lies elsewhere, with its fault; those of a pattern share one.

    Parameters
    ----------
    tables : with the responses of `file_pattern`.
    folder : the manifest's.
    written : so many responses stand in the manifest itself; the further ones are the pattern's.
    """
    calibration = tables.microphone.calibration
    if calibration is not None and not is_below(folder, calibration):
        yield calibration, Found(("microphone", "calibration"), _text(calibration))
    made: list[str] = []
    for index, one in enumerate(tables.responses):
        if is_below(folder, one.file):
            continue
        if index >= written:
            made.append(one.file)
        else:
            yield one.file, Found(("responses", index, "file"), _text(one.file))
    more = f" and {len(made) - 1} more" if len(made) > 1 else ""
    for name in made:
        yield name, Found(("file_pattern",), _text(made[0], more))


def _text(name: str, more: str = "") -> str:
    return f"got {shown(name)}{more}; allowed: files in the manifest's folder or below it. {NEXT}"
