"""The reply of a worker: the bytes of a job file, or a reason why there is none.

Only bytes cross, in these three forms; whoever takes them reads them as data. No exception crosses: one that cannot be
made anew on the other side would be lost, and one made by a stranger could run anything there.
"""

from collections.abc import Callable
from dataclasses import dataclass

from roommodes.errors import RoommodesError

Work = Callable[[str, str], bytes]

FAILED = b"roommodes job failed: "
OTHER_SOFTWARE = b"roommodes other software: "
MOST_REASON = 2000  # bytes


class OtherSoftware(RoommodesError):
    """A worker was given a job that other software planned; the text is the worker's own software."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reply:
    """The reply of a worker.

    Parameters
    ----------
    data : the job file's bytes, not checked yet; None where there are none.
    reason : why not.
    software : of a worker that has other software than the one that planned the job; else empty.
    """

    data: bytes | None = None
    reason: str = ""
    software: str = ""


def replied(work: Work, text: str, key: str) -> bytes:
    """Do a job and give back bytes, whatever happens; what workers run."""
    try:
        return work(text, key)
    except OtherSoftware as other:
        return OTHER_SOFTWARE + str(other).encode()[:MOST_REASON]
    except Exception as error:
        return FAILED + reason_of(error).encode(errors="replace")[:MOST_REASON]


def taken(data: object) -> Reply:
    """The record in the bytes of a worker."""
    if not isinstance(data, bytes):
        return Reply(reason="what came back is no result")
    if data.startswith(FAILED):
        return Reply(reason=data[len(FAILED) :][:MOST_REASON].decode(errors="replace"))
    if data.startswith(OTHER_SOFTWARE):
        software = data[len(OTHER_SOFTWARE) :][:MOST_REASON].decode(errors="replace")
        return Reply(reason="a worker has other software", software=software or "unknown")
    return Reply(data=data)


def reason_of(error: BaseException) -> str:
    """A failure in one line."""
    text = " ".join(str(error).split())
    return text if isinstance(error, RoommodesError) else f"{type(error).__name__}: {text}"
