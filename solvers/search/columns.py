"""What the kernels work on: columns (a sub, or a mirrored pair with one drive), frequencies in padded blocks.

Variation is blind to a factor per frequency, so each frequency is scaled to a mean power of one over seats and
candidates: float32 then serves for screening whatever the room's resonances. Final figures never come from here.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations, islice, product
from math import ceil, comb

import numpy as np
from numpy.typing import NDArray

from roommodes.arrays import Complexes, Floats, Integers
from roommodes.places.positions import SAME_M
from roommodes.responses.metrics import normalised
from solvers.search.problem import KindWishes, Problem, Wishes

Singles = NDArray[np.float32]
Bools = NDArray[np.bool_]

NEVER = -1  # the group of a pair whose two stand too near each other
FIXED = 1000  # groups from here on hold one column each, that every layout has
LANES = 16  # float32 numbers in the widest register of common processors
SLACK_M = 1e-9
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
    group : (n_column,) what kind of slot it fills: its size, or a number of its own where it is fixed.
    clash : (n_column, n_column) which cannot be in one layout, the diagonal included.
    zone_size, zone_limit : (n_column, n_zone) subs it adds to each zone, (n_zone,) most subs there; after the zones
        come kinds of subwoofer and money, where these are limited.
    fewest_drives : whether as many subs as can must stand in pairs.
    """

    transfer: Complexes
    seat_weight: Floats
    members: tuple[tuple[int, ...], ...]
    size: Integers
    group: Integers
    clash: Bools
    zone_size: Integers
    zone_limit: Integers
    fewest_drives: bool = False

    @property
    def count(self) -> int:
        """Number of columns."""
        return len(self.members)

    def fits(self, layouts: Integers) -> Bools:
        """Which of the layouts (n_layout, n) keep the distances and the zones' limits."""
        good = np.all(self.zone_size[layouts].sum(axis=1) <= self.zone_limit, axis=1)
        for i, j in combinations(range(layouts.shape[1]), 2):
            good &= ~self.clash[layouts[:, i], layouts[:, j]]
        return np.asarray(good)

    def beside(self, chosen: Integers, later: Sequence[int] = ()) -> Bools:
        """(n_column,) which columns may join those chosen; `later` are the groups of slots still to be filled.

        What these take at least of a zone or of the budget is kept for them.
        """
        kept = np.zeros_like(self.zone_limit)
        for group in later:
            kept += self.zone_size[self.group == group].min(axis=0)
        total = self.zone_size[chosen].sum(axis=0) + self.zone_size + kept
        crowded = np.any((total > self.zone_limit) & (self.zone_size > 0), axis=1)
        return np.asarray(~self.clash[:, chosen].any(axis=1) & ~crowded)


def columns_of(problem: Problem) -> Columns:
    """One column per candidate; with mirrored layouts one per pair and one per candidate on the centre plane; where
    two subs share a drive one for any two candidates, and one per candidate for the sub that is left over."""
    members = _members(problem)
    heard = problem.seat_weight > 0.0
    scaled = problem.transfer[:, heard]
    scale = np.sqrt(np.mean(np.abs(scaled) ** 2, axis=(1, 2)))
    scaled = scaled / np.where(scale > 0.0, scale, 1.0)[:, None, None]
    transfer = np.empty((*scaled.shape[:2], len(members)), dtype=np.complex128)
    for k, group in enumerate(members):
        transfer[:, :, k] = scaled[:, :, list(group)].sum(axis=2)
    size = np.array([len(group) for group in members], dtype=np.int64)
    zone_size, zone_limit = _zones(problem.wishes, members)
    clash, too_near = _clashes(problem.wishes, members, problem.n_candidate)
    return Columns(
        transfer=transfer,
        seat_weight=normalised(problem.seat_weight[heard]),
        members=tuple(members),
        size=size,
        group=np.array(
            [
                FIXED + k if any(c in problem.wishes.fixed for c in group) else (NEVER if too_near[k] else len(group))
                for k, group in enumerate(members)
            ],
            dtype=np.int64,
        ),
        clash=clash,
        zone_size=zone_size,
        zone_limit=zone_limit,
        fewest_drives=problem.paired and problem.mirror_of is None,
    )


def _members(problem: Problem) -> list[tuple[int, ...]]:
    """The candidates of each column."""
    singles: list[tuple[int, ...]] = [(c,) for c in range(problem.n_candidate)]
    if problem.mirror_of is not None:
        return [(c,) if m == c else (c, int(m)) for c, m in enumerate(problem.mirror_of) if m >= c]
    if problem.paired:
        free = [c for c in range(problem.n_candidate) if c not in problem.wishes.fixed]
        kinds = problem.wishes.kinds
        alike = [pair for pair in combinations(free, 2) if kinds is None or len({*kinds.kind[list(pair)]}) == 1]
        return [*singles, *alike]
    return singles


def _clashes(wishes: Wishes, members: Sequence[tuple[int, ...]], n_candidate: int) -> tuple[Bools, Bools]:
    """Which columns cannot stand together, and which pairs are too near in themselves."""
    near = np.zeros((n_candidate, n_candidate), dtype=np.bool_)
    if wishes.position_m is not None:
        gap = np.abs(wishes.position_m[:, None] - wishes.position_m)
        if wishes.least_distance_m > 0.0:
            near |= np.linalg.norm(gap, axis=2) < wishes.least_distance_m - SLACK_M
        if wishes.cabinet_m is not None:
            near |= np.all(gap < np.array(wishes.cabinet_m) - SLACK_M, axis=2)
        if wishes.kinds is not None:
            near |= overlapping(wishes.kinds, wishes.position_m)
    np.fill_diagonal(near, True)
    inside = np.zeros((len(members), n_candidate), dtype=np.float32)
    for k, group in enumerate(members):
        inside[k, list(group)] = 1.0
    clash = (inside @ near.astype(np.float32)) @ inside.T > 0.0
    too_near = np.array([any(near[a, b] for a, b in combinations(group, 2)) for group in members])
    return clash, too_near


def overlapping(kinds: KindWishes, position_m: Floats) -> Bools:
    """Which candidates are at one place, or so near that their cabinets would overlap: (n_candidate, n_candidate)."""
    gap = np.abs(position_m[:, None] - position_m)
    middle = position_m - np.array([0.0, 0.0, 1.0]) * kinds.up_m[kinds.kind][:, None]
    size = kinds.size_m[kinds.kind]
    touch = np.abs(middle[:, None] - middle) < (size[:, None] + size) / 2.0 - SLACK_M
    return np.asarray(np.all(gap < SAME_M, axis=2) | np.all(touch, axis=2))


def _zones(wishes: Wishes, members: Sequence[tuple[int, ...]]) -> tuple[Integers, Integers]:
    """What each column adds to what is limited, and the limits: subs by zone, subs by kind, money."""
    size, limit = np.zeros((len(members), 0), dtype=np.int64), np.zeros(0, dtype=np.int64)
    if wishes.zone is not None and wishes.zone_limit is not None:
        limit = np.array(wishes.zone_limit, dtype=np.int64)
        size = np.zeros((len(members), len(limit)), dtype=np.int64)
        for k, group in enumerate(members):
            for c in group:
                size[k, wishes.zone[c]] += 1
    kinds = wishes.kinds
    if kinds is not None and kinds.most is not None:
        own = [np.bincount(kinds.kind[list(group)], minlength=len(kinds.most)) for group in members]
        size, limit = np.column_stack([size, np.array(own, dtype=np.int64)]), np.append(limit, kinds.most)
    if kinds is not None and kinds.budget is not None:
        cost = np.array([kinds.cost(np.array(group)) for group in members], dtype=np.int64)
        size, limit = np.column_stack([size, cost]), np.append(limit, kinds.budget)
    return np.ascontiguousarray(size), limit


def patterns(columns: Columns, count: int) -> tuple[tuple[int, ...], ...]:
    """The ways to make up `count` subs: for each the groups of its slots, fixed ones first, then pairs."""
    fixed = tuple(int(g) for g in columns.group if g >= FIXED)
    rest = count - int(columns.size[columns.group >= FIXED].sum())
    available = {size: int(np.sum(columns.group == size)) for size in (1, 2)}
    found = []
    for pairs in range(rest // 2, -1, -1) if rest >= 0 else ():
        singles = rest - 2 * pairs
        if pairs <= available[2] and singles <= available[1]:
            found.append(fixed + (2,) * pairs + (1,) * singles)
            if columns.fewest_drives:
                break
    return tuple(found)


def layouts_possible(columns: Columns, count: int) -> int:
    """How many layouts there are for a count, those that clash included."""
    return sum(layouts_of(columns, pattern) for pattern in patterns(columns, count))


def layouts_of(columns: Columns, pattern: tuple[int, ...]) -> int:
    """How many layouts there are of one pattern, those that clash included."""
    ways = 1
    for size in (1, 2):
        ways *= comb(int(np.sum(columns.group == size)), pattern.count(size))
    return ways


def every_layout(columns: Columns, pattern: tuple[int, ...]) -> Iterator[tuple[int, ...]]:
    """All layouts of one pattern, clashes included, in the order of a dictionary; columns in the order of its slots."""
    pools = []
    for group in dict.fromkeys(pattern):
        pools.append(combinations(np.flatnonzero(columns.group == group).tolist(), pattern.count(group)))
    if len(pools) == 1:
        return pools[0]
    return (tuple(c for part in parts for c in part) for parts in product(*pools))


def layout_blocks(columns: Columns, pattern: tuple[int, ...], size: int) -> Iterator[Integers]:
    """The same in arrays of (size, n) at most, without those that clash."""
    layouts = every_layout(columns, pattern)
    while block := list(islice(layouts, size)):
        array = np.array(block, dtype=np.int64).reshape(len(block), len(pattern))
        fitting = array[columns.fits(array)]
        if len(fitting):
            yield fitting


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Grid:
    """Columns as the sweeping kernels take them, on all frequencies or on some.

    Parameters
    ----------
    re, im : (n_column, n_block, n_seat, n_point) float32.
    hz : (n_block, n_point) float64 [Hz].
    weight : (n_block, n_point) float32, sum 1, zero on padding.
    """

    re: Singles
    im: Singles
    hz: Floats
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
        hz=np.ascontiguousarray(frequency_hz[index]),
        weight=weight,
    )
