"""Memory that can still be had: of the system, below the limits on this process, and in its control group."""

import os
import sys
from collections.abc import Iterator
from pathlib import Path

UNKNOWN_FREE_BYTES = 8e9  # where the system does not tell
GROUPS = Path("/sys/fs/cgroup")
# limit, use, and what of the use is files kept for later that give way to who asks, in versions 2 and 1 of the groups
GROUP_FILES = (
    ("memory.max", "memory.current", "inactive_file"),
    ("memory.limit_in_bytes", "memory.usage_in_bytes", "total_inactive_file"),
)


def free_bytes() -> float:
    """Memory that can still be had: of the system, its limit on this process, and that of its group [bytes]."""
    found = [_available(), _below_limits(), free_in_groups(GROUPS, _own_groups())]
    return min((one for one in found if one is not None), default=UNKNOWN_FREE_BYTES)


def free_in_groups(root: Path, own: str) -> float | None:
    """What is left below the tightest limit of a process's control groups; None where nothing limits them [bytes].

    Files that the system only keeps for later count as used there, but give way: what copied a large file before would
    else leave no memory.

    Parameters
    ----------
    root : where the groups are mounted.
    own : text of the process's own list of groups, as in /proc/self/cgroup.
    """
    left = [_left_in(folder, *names) for folder, names in _folders(root, own)]
    return min((one for one in left if one is not None), default=None)


def _folders(root: Path, own: str) -> Iterator[tuple[Path, tuple[str, str, str]]]:
    """The process's groups and all above them; in a container its own group is often mounted as the root."""
    yield root, GROUP_FILES[0]
    yield root / "memory", GROUP_FILES[1]
    for line in own.splitlines():
        number, _, rest = line.partition(":")
        kinds, _, path = rest.partition(":")
        if number == "0" and not kinds:
            top, names = root, GROUP_FILES[0]
        elif "memory" in kinds.split(","):
            top, names = root / "memory", GROUP_FILES[1]
        else:
            continue
        here = top
        for part in Path(path).parts[1:]:
            here = here / part
            yield here, names


def _left_in(folder: Path, limit: str, use: str, files: str) -> float | None:
    try:
        most = (folder / limit).read_text(encoding="ascii").strip()
        if most == "max":
            return None
        used = int((folder / use).read_text(encoding="ascii"))
        return float(int(most) - max(0, used - _counted(folder / "memory.stat", files)))
    except (OSError, ValueError):
        return None


def _counted(table: Path, name: str) -> int:
    """One number of a table of names and numbers, 0 where it is missing."""
    try:
        for line in table.read_text(encoding="ascii").splitlines():
            if line.startswith(name + " "):
                return int(line.split()[1])
    except (OSError, ValueError):
        pass
    return 0


def _own_groups() -> str:
    try:
        return Path("/proc/self/cgroup").read_text(encoding="utf-8")
    except (OSError, ValueError):
        return ""


def _available() -> float | None:
    try:
        with open("/proc/meminfo", encoding="ascii") as stream:
            for line in stream:
                if line.startswith("MemAvailable:"):
                    return 1024.0 * int(line.split()[1])
    except (OSError, ValueError):
        pass
    try:
        return 0.7 * float(os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE"))
    except (AttributeError, OSError, ValueError):
        return None


def _below_limits() -> float | None:
    """Of address space and of data, in pages as /proc/self/statm counts them."""
    if not sys.platform.startswith("linux"):
        return None
    import resource  # noqa: PLC0415 (there is none on Windows)

    try:
        pages = [int(word) for word in Path("/proc/self/statm").read_text(encoding="ascii").split()]
    except (OSError, ValueError):
        return None
    size = os.sysconf("SC_PAGE_SIZE")
    limits = ((resource.RLIMIT_AS, pages[0]), (resource.RLIMIT_DATA, pages[5]))
    left = [limit - used * size for kind, used in limits if (limit := resource.getrlimit(kind)[0]) >= 0]
    return float(min(left)) if left else None
