"""How far a job is, and that it was asked to stop: what every job reports alike."""

from collections.abc import Callable
from dataclasses import dataclass

from roommodes.errors import RoommodesError


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """How far a job is.

    Parameters
    ----------
    stage : what is being done, in words.
    fraction : 0 to 1 of that stage.
    note : the best so far, in words.
    """

    stage: str
    fraction: float
    note: str = ""


Report = Callable[[Step], None]
Cancelled = Callable[[], bool]


class Interrupted(RoommodesError):
    """The job was asked to stop before it had anything to keep."""

    exit_code = 130
