"""What the model will take, known before it is begun: memory and time, and whether this machine has them.

The largest arrays are the sums' terms, 8 bytes for every mode of the box, and the matrices between boundary modes. How
many of each there are at a time was counted in the code and held against measured peaks (15 to 20 m halls, and 60 m up
to 300 Hz).
"""

import os
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from roommodes.errors import OutsideModel

BOX_BYTES = 64.0  # for each mode of the box, at every frequency of a block
PREPARED_BOX_BYTES = 80.0  # the same while the sums at the nodes are made
BOUNDARY_BYTES = 80.0  # for each pair of boundary modes, at every frequency of a block
PREPARED_BOUNDARY_BYTES = 72.0  # the same at the nodes
FIXED_BYTES = 400e6  # tables of cosines along walls, the program itself
MOST_OF_FREE = 0.85
UNKNOWN_FREE_BYTES = 8e9  # where the system does not tell
SOLVED_PER_S = 1e10  # operations of one processor
MOST_HOURS = 12.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Effort:
    """What one answer of the model needs.

    Parameters
    ----------
    box : modes of the box, summed at every frequency.
    boundary : boundary modes.
    at_once : frequencies to a block.
    frequencies : all of them.
    """

    box: int
    boundary: int
    at_once: int = 1
    frequencies: int = 1

    @property
    def block_bytes(self) -> float:
        """Of one block of frequencies [bytes]."""
        return self.at_once * (BOX_BYTES * self.box + BOUNDARY_BYTES * self.boundary**2)

    @property
    def least_bytes(self) -> float:
        """With one block at a time [bytes]."""
        prepared = PREPARED_BOX_BYTES * self.box + PREPARED_BOUNDARY_BYTES * self.boundary**2
        kept = 8.0 * self.box + 24.0 * self.boundary**2
        return FIXED_BYTES + max(prepared, kept + self.block_bytes)

    @property
    def hours(self) -> float:
        """Of one processor, about [h]."""
        one = 8.0 / 3.0 * float(self.boundary) ** 3 + 200.0 * self.box
        return self.frequencies * one / SOLVED_PER_S / 3600.0

    def lower(self, ratio: float) -> "Effort":
        """The same up to a frequency that is lower by a ratio below 1."""
        return replace(self, box=round(self.box * ratio**3), boundary=round(self.boundary * ratio**1.5), at_once=1)

    def blocks(self, wanted: int) -> int:
        """How many blocks may be worked on side by side, 1 to `wanted`."""
        left = MOST_OF_FREE * free_bytes() - self.least_bytes
        return max(1, min(wanted, 1 + int(max(left, 0.0) / self.block_bytes)))


def require_room_for(effort: Effort, size_m: Sequence[float], highest_hz: float) -> None:
    """Refuse what this machine cannot do, saying what it can.

    Parameters
    ----------
    effort : what is needed.
    size_m : of the room [m].
    highest_hz : up to where [Hz].

    Raises
    ------
    OutsideModel : it would take more memory than is free, or more time than anybody waits.
    """
    free = MOST_OF_FREE * free_bytes()
    size = " x ".join(f"{value:g}" for value in size_m)
    about = f"the room of {size} m up to {highest_hz:g} Hz would take"
    if effort.least_bytes > free:
        fits = _highest(lambda ratio: effort.lower(ratio).least_bytes <= free)
        raise OutsideModel(
            f"{about} about {effort.least_bytes / 1e9:.1f} GB of memory; {free / 1e9:.1f} GB can be had here. "
            + _advice(fits, highest_hz)
        )
    if effort.hours > MOST_HOURS:
        fits = _highest(lambda ratio: effort.lower(ratio).hours <= MOST_HOURS)
        raise OutsideModel(
            f"{about} about {effort.hours:,.0f} hours of a processor; at most {MOST_HOURS:g} are begun. "
            + _advice(fits, highest_hz)
        )


def _highest(fits: Callable[[float], bool]) -> float:
    """The largest ratio that fits, 0 to 1."""
    low, high = 0.0, 1.0
    for _ in range(12):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if fits(middle) else (low, middle)
    return low


def _advice(ratio: float, highest_hz: float) -> str:
    fits = int(0.95 * ratio * highest_hz)
    if fits < 10:
        return "Give a smaller room, or walls with fewer regions."
    return f"Up to about {fits} Hz it fits: lower the end of band_hz, or give a smaller room."


def free_bytes() -> float:
    """Memory that can still be had: of the system, its limit on this process, and that of its group [bytes]."""
    found = [_available(), _below_limit(), _below_group()]
    return min((one for one in found if one is not None), default=UNKNOWN_FREE_BYTES)


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


def _below_limit() -> float | None:
    if not sys.platform.startswith("linux"):
        return None
    import resource  # noqa: PLC0415 (there is none on Windows)

    limit = resource.getrlimit(resource.RLIMIT_AS)[0]
    if limit < 0:
        return None
    try:
        with open("/proc/self/statm", encoding="ascii") as stream:
            return float(limit - int(stream.read().split()[0]) * os.sysconf("SC_PAGE_SIZE"))
    except (OSError, ValueError):
        return None


def _below_group() -> float | None:
    """Of a container, where it is limited (control groups, version 2)."""
    try:
        with open("/sys/fs/cgroup/memory.max", encoding="ascii") as stream:
            most = stream.read().strip()
        with open("/sys/fs/cgroup/memory.current", encoding="ascii") as stream:
            used = int(stream.read())
        return None if most == "max" else float(int(most) - used)
    except (OSError, ValueError):
        return None
