"""The faults that a person can mend, as exceptions; each knows the exit code of the command line.

Every message says what is wrong, what was got, what is allowed and what to do next.
"""

from collections.abc import Sequence
from dataclasses import dataclass

MOST_LINES = 50  # of faults that are told


class RoommodesError(Exception):
    """Base of all faults that are reported without a traceback."""

    exit_code = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One thing wrong with a project: where it stands and what to do about it.

    Parameters
    ----------
    where : key path in the file, such as ``rows[1].x_m``; empty for the file as a whole.
    message : what is wrong, what was got, what is allowed, what to do next.
    line : 1-based line in the file, where it could be found.
    file : the file it stands in, where that is not the one that was asked for.
    """

    where: str
    message: str
    line: int | None = None
    file: str = ""


class ProjectInvalid(RoommodesError):
    """The project (or other input data) is readable but wrong; carries every fault found."""

    exit_code = 3

    def __init__(self, source: str, faults: Sequence[Fault]) -> None:
        self.source = source
        self.faults = tuple(faults)
        super().__init__("\n".join(self.lines()))

    def lines(self) -> list[str]:
        """One line per fault, ``file:line key.path: message``; after `MOST_LINES` of them, how many more there are."""
        rows = []
        for fault in self.faults[:MOST_LINES]:
            file = fault.file or self.source
            place = file if fault.line is None else f"{file}:{fault.line}"
            rows.append(f"{place} {fault.where}: {fault.message}" if fault.where else f"{place}: {fault.message}")
        if (more := len(self.faults) - MOST_LINES) > 0:
            rows.append(f"{self.source}: and {more:,} more; mend these first, then look again.")
        return rows


class FileUnusable(RoommodesError):
    """A file cannot be read, written, or has a format this version does not know."""

    exit_code = 5


class OutsideModel(RoommodesError):
    """The question lies outside the range in which the model is valid."""

    exit_code = 3


class Interrupted(RoommodesError):
    """The work was asked to stop before it had anything to keep.

    Parameters
    ----------
    text : at what it was.
    says_what_is_kept : the text also says what is kept all the same; else whoever tells it adds which files were
        written.
    """

    exit_code = 130

    def __init__(self, text: str, *, says_what_is_kept: bool = False) -> None:
        self.says_what_is_kept = says_what_is_kept
        super().__init__(text)


class OutputLost(RoommodesError):
    """What should be printed cannot be: the output is closed, or its disk full."""

    exit_code = 5


class NoSuchPlan(RoommodesError):
    """There is no plan with so many subs, or of that rank; `what` says which of the two."""

    exit_code = 2

    def __init__(self, what: str, message: str) -> None:
        self.what = what
        super().__init__(message)


class PackageMissing(RoommodesError):
    """An optional package is needed and not installed; the message says which, and how to install it."""
