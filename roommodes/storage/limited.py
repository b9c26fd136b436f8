"""Work on data of unknown origin, tried first in a process of its own with limits on time and memory.

A damaged or hostile file can make a library loop without end, ask for all memory, or crash. A child process that does
the same work first takes that upon itself; forked, it costs a few milliseconds beside the work.
"""

import contextlib
import faulthandler
import gc
import os
import select
import signal
import sys
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from typing import NoReturn

_PIECE = 65_536
DONE, OTHER, TOLD, TOO_MUCH = b"d", b"o", b"t", b"m"  # how the child's answer begins


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What the work may take.

    Parameters
    ----------
    cpu_s : of a processor [s].
    wait_s : by the clock; the machine may be busy [s].
    memory_bytes : beyond what this process holds already.
    """

    cpu_s: int = 10
    wait_s: float = 120.0
    memory_bytes: int = 3 * 2**30


class Failed(Exception):
    """The work took too much in the child, or crashed it; says so in a few words."""


def try_first(work: Callable[[], object], limits: Limits, *, told: type[Exception]) -> bool:
    """Do some work in a child process and drop its result.

    Parameters
    ----------
    work : must not depend on other threads of this process.
    limits : what it may take.
    told : an exception of the work that ends it here too, with the same text; after any other, the work may be done
        here, where it will raise it again.

    Returns
    -------
    Whether the work was done to its end; False where the system is not Linux: then nothing was tried.

    Raises
    ------
    Failed : it took too much, or crashed.
    """
    if not sys.platform.startswith("linux"):
        return False
    reading, writing = os.pipe()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # forking beside threads: the child uses none of them
        child = os.fork()
    if child == 0:
        _be_the_child(work, told, writing, limits)
    os.close(writing)
    answer = b""
    try:
        while select.select([reading], [], [], limits.wait_s)[0] and (piece := os.read(reading, _PIECE)):
            answer += piece
    finally:
        os.close(reading)
        if not answer:  # out of time, interrupted, or dead
            with contextlib.suppress(OSError):
                os.kill(child, signal.SIGKILL)
        status = _reaped(child)
    kind, text = answer[:1], answer[1:].decode("utf-8", errors="replace")
    if kind == DONE:
        return True
    if kind == OTHER:
        return False
    if kind == TOLD:
        raise told(text)
    if kind == TOO_MUCH:
        raise Failed(text)
    killed = os.WTERMSIG(status) if os.WIFSIGNALED(status) else 0
    raise Failed(
        f"reading it takes over {limits.cpu_s} s"
        if killed in (signal.SIGXCPU, signal.SIGKILL)
        else "reading it crashes the library that reads such files"
    )


def _be_the_child(work: Callable[[], object], told: type[Exception], writing: int, limits: Limits) -> NoReturn:
    """Work, tell how it ended, and end without any of the parent's business."""
    import resource  # noqa: PLC0415 (there is none on Windows)

    try:
        gc.disable()
        faulthandler.disable()
        os.dup2(os.open(os.devnull, os.O_WRONLY), 2)  # what a crashing library says there helps nobody
        for one in (signal.SIGINT, signal.SIGHUP):  # of a whole terminal: the parent ends this process
            signal.signal(one, signal.SIG_IGN)
        signal.signal(signal.SIGTERM, signal.SIG_DFL)
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        resource.setrlimit(resource.RLIMIT_CPU, (limits.cpu_s, limits.cpu_s + 5))
        with open("/proc/self/statm", encoding="ascii") as stream:
            held = int(stream.read().split()[0]) * os.sysconf("SC_PAGE_SIZE")
        _, most = resource.getrlimit(resource.RLIMIT_AS)
        wanted = held + limits.memory_bytes
        resource.setrlimit(resource.RLIMIT_AS, (wanted if most < 0 else min(wanted, most), most))
        try:
            work()
            answer = DONE
        except MemoryError:
            answer = TOO_MUCH + f"reading it takes over {limits.memory_bytes / 2**30:g} GiB of memory".encode()
        except told as error:
            answer = TOLD + str(error).encode(errors="replace")[:_PIECE]
        except Exception:
            answer = OTHER
        os.write(writing, answer)
    finally:
        os._exit(0)


def _reaped(child: int) -> int:
    try:
        return os.waitpid(child, 0)[1]
    except ChildProcessError:  # somebody else took it
        return 0
