"""What the model will take, known before it is begun: memory and time, and whether this machine has them.

The largest arrays are the sums' terms, 8 bytes for every mode of the box, the matrices between boundary modes, and
the results. How many of each there are at a time was counted in the code and held against measured peaks (15 to 20 m
halls, and 60 m up to 300 Hz).
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from roommodes.errors import OutsideModel
from roommodes.memory import free_bytes

BOX_BYTES = 64.0  # for each mode of the box, at every frequency of a block
PREPARED_BOX_BYTES = 80.0  # the same while the sums at the nodes are made
BOUNDARY_BYTES = 80.0  # for each pair of boundary modes, at every frequency of a block
PREPARED_BOUNDARY_BYTES = 72.0  # the same at the nodes
LARGEST_BYTES = 80.0  # for each pair of boundary modes of the largest family, while the nodes' sums are made
TABLE_BYTES = 24.0  # for each pair of cosines along a wall that is held at a time, at the three nodes
POINT_BYTES = 80.0  # for each point and boundary mode
PAIR_BYTES = 80.0  # for each seat and source
IMAGE_BYTES = 3000.0  # for each seat and source while the nodes' sums are made, images of one in the walls
RESULT_BYTES = 16.0  # for each seat and source at each frequency
MOST_OF_FREE = 0.85
ALWAYS_BYTES = 100e6  # is begun whatever the system says is free: no more than Python takes with its libraries
SOLVED_PER_S = 1e10  # operations of one processor
MOST_HOURS = 12.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Effort:
    """What one answer of the model needs.

    Parameters
    ----------
    box : modes of the box, summed at every frequency.
    boundary : boundary modes.
    largest : of them in the largest family.
    table : pairs of cosines along walls, in all tables that are held at a time.
    seats, sources : points.
    at_once : frequencies to a block.
    frequencies : all of them.
    part_bytes : what the sums over points may take at a time, at most [bytes].
    prepared : operations before the first frequency.
    """

    box: int
    boundary: int
    largest: int = 0
    table: int = 0
    seats: int = 0
    sources: int = 0
    at_once: int = 1
    frequencies: int = 1
    part_bytes: float = 0.0
    prepared: float = 0.0

    @property
    def points(self) -> int:
        """Seats and sources together."""
        return self.seats + self.sources

    def _sums_bytes(self, parts: float) -> float:
        """Of the sums over points, so many parts at a time [bytes]."""
        return min(parts * self.part_bytes, 24.0 * self.points * self.box)

    @property
    def _pairs_bytes(self) -> float:
        """Of the matrices that have points, for each frequency of a block [bytes]."""
        return POINT_BYTES * self.points * self.boundary + PAIR_BYTES * self.seats * self.sources

    @property
    def block_bytes(self) -> float:
        """Of one block of frequencies [bytes]."""
        one = BOX_BYTES * self.box + BOUNDARY_BYTES * self.boundary**2 + self._pairs_bytes
        return self.at_once * one + self._sums_bytes(2.0)

    @property
    def result_bytes(self) -> float:
        """Of what is answered [bytes]."""
        return RESULT_BYTES * self.frequencies * self.seats * self.sources

    @property
    def least_bytes(self) -> float:
        """With one block at a time [bytes]."""
        low = PREPARED_BOX_BYTES * self.box + self._sums_bytes(2.0)
        images = min(IMAGE_BYTES * self.seats * self.sources, 3.0 * self.part_bytes)
        whole = TABLE_BYTES * self.table + max(images, self._sums_bytes(3.0))
        matrices = PREPARED_BOUNDARY_BYTES * self.boundary**2 + LARGEST_BYTES * self.largest**2
        prepared = matrices + self._pairs_bytes + max(low, whole)
        kept = 8.0 * self.box + 24.0 * (self.boundary**2 + self.points * self.boundary + self.seats * self.sources)
        return self.result_bytes + max(prepared, kept + self.block_bytes)

    @property
    def hours(self) -> float:
        """Of one processor, about [h]."""
        sums = self.box * (200.0 + 3.0 * self.boundary + 4.0 * self.seats * self.sources + 24.0 * self.points)
        walls = 8.0 / 3.0 * float(self.boundary) ** 3
        return (self.prepared + self.frequencies * (walls + sums)) / SOLVED_PER_S / 3600.0

    def lower(self, ratio: float) -> "Effort":
        """The same up to a frequency that is lower by a ratio below 1."""
        return replace(
            self,
            box=round(self.box * ratio**3),
            boundary=round(self.boundary * ratio**1.5),
            largest=round(self.largest * ratio**1.5),
            at_once=1,
            prepared=self.prepared * ratio**1.5,  # most of it goes with pairs of boundary modes, their tables stay
        )

    def blocks(self, wanted: int) -> int:
        """How many blocks may be worked on side by side, 1 to `wanted`."""
        left = MOST_OF_FREE * free_bytes() - self.least_bytes
        return max(1, min(wanted, 1 + int(max(left, 0.0) / self.block_bytes)))


def room_bytes() -> float:
    """What may be begun here [bytes]."""
    return max(MOST_OF_FREE * free_bytes(), ALWAYS_BYTES)


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
    free = room_bytes()
    size = " x ".join(f"{value:g}" for value in size_m)
    about = f"the room of {size} m up to {round(highest_hz, 1):g} Hz would take"
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
        return "Give a smaller room, walls with fewer regions, or fewer seats and places for subs."
    return f"Up to about {fits} Hz it fits: lower the end of band_hz, or give a smaller room."
