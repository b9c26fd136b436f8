"""Checks of the files that a command writes: none is an input or named twice, none is replaced unasked."""
# ruff: noqa: PLC0415 (imports wait until they are needed: --help stays quick)

from collections.abc import Iterable, Mapping
from pathlib import Path

import typer


def check_targets(
    targets: Mapping[str, Path | None], *, inputs: Iterable[Path], force: bool, needed_bytes: int = 0
) -> None:
    """Before any work: make sure that every file can be written, and that none of them is an input.

    Parameters
    ----------
    targets : option -> the file that it names; None where it was left out.
    inputs : all files that the command reads, those that they name included.
    force : files that exist may be replaced, but never an input.
    needed_bytes : about how large the first will be [bytes].

    Raises
    ------
    typer.BadParameter : a target is an input, or named twice.
    FileUnusable : it exists, or cannot be written.
    """
    from roommodes.storage.whole_file import check_target

    given = {option: path for option, path in targets.items() if path is not None}
    refuse_inputs(given, inputs)
    for place, path in enumerate(given.values()):
        check_target(path, force=force, needed_bytes=0 if place else needed_bytes)


def refuse_inputs(targets: Mapping[str, Path], inputs: Iterable[Path]) -> None:
    """Refuse a target that is one of the inputs, under whatever name, or that is named by two options."""
    read = list(inputs)
    options = list(targets)
    for place, (option, path) in enumerate(targets.items()):
        if any(_same(path, one) for one in read):
            raise typer.BadParameter(f"{path} is read by this command; write to another file", param_hint=option)
        for other in options[:place]:
            if _same(path, targets[other]):
                text = f"{path} is what {other} names too; give each a name of its own"
                raise typer.BadParameter(text, param_hint=option)


def refuse_folders(targets: Mapping[str, Path], folders: Iterable[Path]) -> None:
    """Refuse a target in one of these folders, whose files this command reads."""
    read = list(folders)
    for option, path in targets.items():
        for folder in read:
            if _same(_folder_of(path), folder):
                text = f"{path} is in {folder}, where finished rooms are kept; write to another folder"
                raise typer.BadParameter(text, param_hint=option)


def _folder_of(path: Path) -> Path:
    try:
        return path.resolve().parent
    except (OSError, RuntimeError, ValueError):
        return path.parent


def beside(file: Path, suffix: str) -> Path:
    """The name that a command chooses for what it makes from a file: the file's own with another suffix."""
    return file.with_suffix(suffix) if file.name else Path(f"unnamed{suffix}")


def _same(one: Path, other: Path) -> bool:
    """Whether two names mean one file: by links, dots and letter case too."""
    try:
        return one.resolve() == other.resolve() or one.samefile(other)
    except (OSError, RuntimeError, ValueError):  # one of them is not there, or its links lead round
        return False
