"""What the kernels work on: columns (a sub, or a mirrored pair with one drive), frequencies in padded blocks.

Variation is blind to a factor per frequency, so each frequency is scaled to a mean power of one over seats and
candidates: float32 then serves for screening whatever the room's resonances. Final figures never come from here.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations, islice, product
from math import ceil, comb

import numpy as np
from numpy.typing import NDArray

from roommodes.metrics import normalised
from solvers.problem import Complexes, Floats, Integers, Problem

Singles = NDArray[np.float32]
Bools = NDArray[np.bool_]

LANES = 16  # float32 numbers in the widest register of common processors
BLOCK_POINTS = 32  # frequencies per block: enough to fill the registers, few enough to give up early


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Columns:
    """The choices for one sub, or for one pair that shares a drive.

    Parameters
    ----------
    transfer : (n_freq, n_seat, n_column) complex128, each frequency scaled to a mean power of one; seats of
        weight zero left out.
    seat_weight : (n_seat,) sum 1.
    members : for each column the candidates it stands for, rising.
    size : (n_column,) number of members.
    clash : (n_column, n_column) which cannot be in one layout, the diagonal included.
    """

    transfer: Complexes
    seat_weight: Floats
    members: tuple[tuple[int, ...], ...]
    size: Integers
    clash: Bools

    @property
    def count(self) -> int:
        """Number of columns."""
        return len(self.members)


def columns_of(problem: Problem) -> Columns:
    """One column per candidate; with mirrored layouts one per pair and one per candidate on the centre plane."""
    members: list[tuple[int, ...]]
    if problem.mirror_of is None:
        members = [(c,) for c in range(problem.n_candidate)]
    else:
        members = [(c,) if m == c else (c, int(m)) for c, m in enumerate(problem.mirror_of) if m >= c]
    heard = problem.seat_weight > 0.0
    scaled = problem.transfer[:, heard]
    scale = np.sqrt(np.mean(np.abs(scaled) ** 2, axis=(1, 2)))
    scaled = scaled / np.where(scale > 0.0, scale, 1.0)[:, None, None]
    transfer = np.empty((*scaled.shape[:2], len(members)), dtype=np.complex128)
    for k, group in enumerate(members):
        transfer[:, :, k] = scaled[:, :, list(group)].sum(axis=2)
    return Columns(
        transfer=transfer,
        seat_weight=normalised(problem.seat_weight[heard]),
        members=tuple(members),
        size=np.array([len(group) for group in members], dtype=np.int64),
        clash=np.eye(len(members), dtype=np.bool_),
    )


def patterns(columns: Columns, count: int) -> tuple[tuple[int, ...], ...]:
    """The ways to make up `count` subs: for each the sizes of its slots, largest first."""
    available = {size: int(np.sum(columns.size == size)) for size in (1, 2)}
    found = []
    for pairs in range(count // 2, -1, -1):
        singles = count - 2 * pairs
        if pairs <= available[2] and singles <= available[1]:
            found.append((2,) * pairs + (1,) * singles)
    return tuple(found)


def layouts_possible(columns: Columns, count: int) -> int:
    """How many layouts there are for a count."""
    return sum(layouts_of(columns, pattern) for pattern in patterns(columns, count))


def layouts_of(columns: Columns, pattern: tuple[int, ...]) -> int:
    """How many layouts there are of one pattern."""
    ways = 1
    for size in (1, 2):
        ways *= comb(int(np.sum(columns.size == size)), pattern.count(size))
    return ways


def every_layout(columns: Columns, pattern: tuple[int, ...]) -> Iterator[tuple[int, ...]]:
    """All layouts of one pattern in the order of a dictionary, as columns in the order of its slots."""
    pools = []
    for size in sorted(set(pattern), reverse=True):
        pools.append(combinations(np.flatnonzero(columns.size == size).tolist(), pattern.count(size)))
    if len(pools) == 1:
        return pools[0]
    return (tuple(c for part in parts for c in part) for parts in product(*pools))


def layout_blocks(columns: Columns, pattern: tuple[int, ...], size: int) -> Iterator[Integers]:
    """The same in arrays of (size, n) at most."""
    layouts = every_layout(columns, pattern)
    while block := list(islice(layouts, size)):
        yield np.array(block, dtype=np.int64)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Grid:
    """Columns as the sweeping kernels take them, on all frequencies or on some.

    Parameters
    ----------
    re, im : (n_column, n_block, n_seat, n_point) float32.
    omega : (n_block, n_point) float64 [rad/s].
    weight : (n_block, n_point) float32, sum 1, zero on padding.
    """

    re: Singles
    im: Singles
    omega: Floats
    weight: Singles


def grid_of(columns: Columns, frequency_hz: Floats, *, at_most: int | None = None) -> Grid:
    """Deal the frequencies out to blocks so that each block spans the band.

    Parameters
    ----------
    columns : transfer on all frequencies.
    frequency_hz : (n_freq,) [Hz].
    at_most : take only so many frequencies, evenly spread.
    """
    n_all = len(frequency_hz)
    if at_most is None or at_most >= n_all:
        chosen = np.arange(n_all)
    else:
        chosen = np.round(np.linspace(0, n_all - 1, at_most)).astype(np.int64)
    n = len(chosen)
    n_block = max(1, ceil(n / BLOCK_POINTS))
    n_point = ceil(ceil(n / n_block) / LANES) * LANES
    index = np.full((n_block, n_point), chosen[0], dtype=np.int64)
    weight = np.zeros((n_block, n_point), dtype=np.float32)
    for k in range(n_block):
        part = chosen[k::n_block]
        index[k, : len(part)] = part
        weight[k, : len(part)] = 1.0 / n
    blocked = columns.transfer[index].transpose(3, 0, 2, 1)  # block, point, seat, column -> column, block, seat, point
    return Grid(
        re=np.ascontiguousarray(blocked.real, dtype=np.float32),
        im=np.ascontiguousarray(blocked.imag, dtype=np.float32),
        omega=np.ascontiguousarray(2.0 * np.pi * frequency_hz[index]),
        weight=weight,
    )
