"""The fixed-drive kernel: checked against its NumPy twin, then timed on one core against vectorised NumPy.

    python -m benchmarks.search_kernels

The plain alternative is what anybody would write: 20 lg |sum of the columns| and its variance over the seats, as array
operations on blocks of layouts in NumPy's own precision, in the block size that does best. Beside it the same tuned:
complex64, log2 of |.|^2, moments by einsum. The ceiling is the kernel's vector operations over the machine's measured
rate of fused multiply-adds: no code of this shape can be faster on it. Times are CPU seconds of the one thread.

At last the value of a plan with its slopes, which polishes ask for: float32 lanes against the polish's own NumPy.
"""

from collections.abc import Callable
from functools import partial
from itertools import combinations
from math import inf
from statistics import median
from time import thread_time
from typing import Any

import numba
import numpy as np
from threadpoolctl import threadpool_limits

from benchmarks.rooms_seeded import seeded_room
from solvers.search import numpy_twins as reference
from solvers.search.columns import columns_of, grid_of
from solvers.search.kernels import fixed as kernels_fixed
from solvers.search.kernels import quick as kernels_quick
from solvers.search.polish import value_and_slope
from solvers.search.state import random_drives
from solvers.search.sweep import sweeper_of
from solvers.search.workbench import DB2_PER_UNIT

N_CANDIDATE, N_SEAT, SUBS, REPEATS = 40, 8, 4, 7
POLISHED_SUBS, POLISHED_SEATS = 8, 18
NUMPY_LAYOUTS = 4000  # of the plain alternative, per run
LEAST_RATIO = 20.0
OPERATIONS = 20  # of vectors, a point: 2 sums, |.|^2 in 2, floor, log2 in 12, 3 for both moments

Scores = Callable[[np.ndarray, np.ndarray, np.ndarray, int], np.ndarray]


def plain_scores(transfer: np.ndarray, layouts: np.ndarray, seat_weight: np.ndarray, block: int) -> np.ndarray:
    """Vectorised NumPy: (column, seat, f) complex128, (layout, n) -> (layout,), in the kernel's units."""
    cost = np.empty(len(layouts))
    for i in range(0, len(layouts), block):
        level = 20.0 * np.log10(np.abs(transfer[layouts[i : i + block]].sum(axis=1)))
        mean = np.average(level, axis=1, weights=seat_weight)
        spread = np.average((level - mean[:, None]) ** 2, axis=1, weights=seat_weight)
        cost[i : i + block] = spread.mean(axis=1) / DB2_PER_UNIT
    return cost


def tuned_scores(transfer: np.ndarray, layouts: np.ndarray, seat_weight: np.ndarray, block: int) -> np.ndarray:
    """The same tuned: (column, seat, f) complex64, (layout, n) -> (layout,)."""
    cost = np.empty(len(layouts), dtype=np.float32)
    for i in range(0, len(layouts), block):
        pressure = transfer[layouts[i : i + block]].sum(axis=1)
        level = np.log2(pressure.real**2 + pressure.imag**2)
        mean = np.einsum("lsf,s->lf", level, seat_weight)
        square = np.einsum("lsf,lsf,s->lf", level, level, seat_weight)
        cost[i : i + block] = (square - mean * mean).mean(axis=1)
    return cost


@numba.njit(nogil=True, fastmath={"contract", "nsz"})
def fused(values: Any, times: int) -> None:
    """16 fused multiply-adds on each of the values, so many times over, eight chains side by side: (8, n) float32."""
    c = np.float32(0.3)
    for _ in range(times):
        for i in range(values.shape[1]):
            t0, t1, t2, t3 = values[0, i], values[1, i], values[2, i], values[3, i]
            t4, t5, t6, t7 = values[4, i], values[5, i], values[6, i], values[7, i]
            y0, y1, y2, y3, y4, y5, y6, y7 = t0, t1, t2, t3, t4, t5, t6, t7
            for _ in range(16):
                y0 = y0 * t0 + c
                y1 = y1 * t1 + c
                y2 = y2 * t2 + c
                y3 = y3 * t3 + c
                y4 = y4 * t4 + c
                y5 = y5 * t5 + c
                y6 = y6 * t6 + c
                y7 = y7 * t7 + c
            values[0, i] = y0 + y1 + y2 + y3 + y4 + y5 + y6 + y7


def fused_per_second() -> float:
    """Fused multiply-adds of float32 that one core does in a second, at best."""
    begin = np.full((8, 128), 0.01, dtype=np.float32)
    times = 20000
    took = []
    for _ in range(REPEATS + 1):
        values = begin.copy()
        begun = thread_time()
        fused(values, times)
        took.append(thread_time() - begun)
    return 16.0 * begin.size * times / min(took[1:])


def slopes_ratio() -> float:
    """Value and slopes of a plan of eight subs at 18 seats: checked, timed and printed; inf where the check fails."""
    problem = seeded_room(2, n_candidate=N_CANDIDATE, n_seat=POLISHED_SEATS)
    columns = columns_of(problem)
    tables = sweeper_of(problem, columns, at_most=None, reward=0.0).tables
    state = random_drives(np.arange(POLISHED_SUBS), problem.drives, np.random.default_rng(1))
    x = np.concatenate([state.gain_db, 1e3 * state.delay_s])
    transfer = columns.transfer[:, :, state.column]
    slope, curvature = np.empty(len(x)), np.empty((len(x), len(x)))
    scratch = kernels_quick.scratch_of(tables, POLISHED_SUBS)

    def quick() -> float:
        return float(kernels_quick.value_quick(tables, state.column, state.polarity, x, 0.0, scratch, slope, curvature))

    def plain() -> tuple[float, np.ndarray, np.ndarray]:
        return value_and_slope(transfer, problem.frequency_hz, columns.seat_weight, state.polarity, x, reward=0.0)

    value, expected = quick(), plain()
    apart = max(
        abs(value / expected[0] - 1.0),
        float(np.abs(slope - expected[1]).max() / np.abs(expected[1]).max()),
        float(np.abs(curvature - expected[2]).max() / np.abs(expected[2]).max()),
    )
    print(f"check     value, slopes and curvature against the twin: {apart:.1e} at most (allowed 1e-4)")
    if apart > 1e-4:
        return inf
    times = []
    for _ in range(REPEATS):
        pair = []
        for one, often in ((quick, 2000), (plain, 50)):
            begun = thread_time()
            for _ in range(often):
                one()
            pair.append((thread_time() - begun) / often)
        times.append(pair)
    ours, numpy = (1e6 * median(column) for column in zip(*times, strict=True))
    print(f"slopes    {ours:.1f} us a plan, called from Python; NumPy {numpy:.0f} us, {numpy / ours:.0f} times")
    return numpy / ours


def main() -> int:
    """Verify, time, print; 1 when the kernel is wrong or slower than wanted."""
    problem = seeded_room(1, n_candidate=N_CANDIDATE, n_seat=N_SEAT)
    columns = columns_of(problem)
    hz = problem.frequency_hz
    grid = grid_of(columns, hz)
    blocks, points = grid.weight.shape
    # blocks of frequencies side by side: (column, seat, point)
    re = grid.re.transpose(0, 2, 1, 3).reshape(N_CANDIDATE, N_SEAT, blocks * points).copy()
    im = grid.im.transpose(0, 2, 1, 3).reshape(N_CANDIDATE, N_SEAT, blocks * points).copy()
    weight = grid.weight.reshape(-1).copy()
    seat_weight = columns.seat_weight.astype(np.float32)
    layouts = np.array(list(combinations(range(N_CANDIDATE), SUBS)), dtype=np.int64)
    cost = np.empty(len(layouts), dtype=np.float32)

    kernels_fixed.score_layouts(re, im, seat_weight, weight, layouts[:2000], cost[:2000])
    expected = reference.score_layouts(columns.transfer, columns.seat_weight, layouts[:2000])
    worst = float(np.max(np.abs(cost[:2000] / expected - 1.0)))
    print(f"check     kernel against its float64 twin, 2000 layouts: {worst:.1e} at most (allowed 1e-5)")
    whole = np.ascontiguousarray(columns.transfer.transpose(2, 1, 0))
    transfer_of = {plain_scores: whole, tuned_scores: whole.astype(np.complex64)}
    part = layouts[:NUMPY_LAYOUTS]
    kernels_fixed.score_layouts(re, im, seat_weight, weight, part, cost[: len(part)])
    apart = 0.0
    for scores, transfer in transfer_of.items():
        other = scores(transfer, part, seat_weight, 64)
        apart = max(apart, float(np.max(np.abs(other / cost[: len(part)] - 1.0))))
    print(f"check     both NumPy alternatives against the kernel: {apart:.1e} at most (allowed 1e-4)")
    if worst > 1e-5 or apart > 1e-4:
        print("NOT TIMED: the kernel misses its twin")
        return 1

    def kernel_rate() -> float:
        begun = thread_time()
        kernels_fixed.score_layouts(re, im, seat_weight, weight, layouts, cost)
        return len(layouts) / (thread_time() - begun)

    def rate(scores: Scores, block: int) -> float:
        begun = thread_time()
        scores(transfer_of[scores], part, seat_weight, block)
        return len(part) / (thread_time() - begun)

    with threadpool_limits(1):
        sizes = (16, 64, 256, 1024)
        blocks_of = {one: max(sizes, key=partial(rate, one)) for one in transfer_of}
        runs = [(kernel_rate(), *(rate(s, block) for s, block in blocks_of.items())) for _ in range(REPEATS)]
        peak = fused_per_second()
    ours, plain, tuned = (median(column) for column in zip(*runs, strict=True))
    ratio = median(k / n for k, n, _ in runs)
    ceiling = peak / (OPERATIONS * N_SEAT * blocks * points)
    print(f"case      {SUBS} of {N_CANDIDATE} candidates, {N_SEAT} seats, {len(hz)} frequencies, one core")
    print(f"kernel    {1e-6 * ours:6.2f} million layouts/s")
    print(f"NumPy     {1e-6 * plain:6.2f} million layouts/s (complex128, blocks of {blocks_of[plain_scores]})")
    print(f"ratio     {ratio:6.1f}  (median of {REPEATS} runs in turn; {LEAST_RATIO:.0f} wanted)")
    print(f"tuned     {1e-6 * tuned:6.2f} million layouts/s (complex64); {median(k / n for k, _, n in runs):.1f} times")
    print(
        f"ceiling   {1e-6 * ceiling:6.2f} million layouts/s: {OPERATIONS} vector operations a point at the measured "
        f"{1e-9 * peak:.0f} billion numbers/s; the kernel reaches {100.0 * ours / ceiling:.0f} %, tuned "
        f"NumPy {100.0 * tuned / ceiling:.0f} %"
    )
    return 0 if slopes_ratio() < inf and ratio >= LEAST_RATIO else 1


if __name__ == "__main__":
    raise SystemExit(main())
