"""The fixed-drive kernel: checked against its NumPy twin, then timed on one core against vectorised NumPy.

    python -m benchmarks.search_kernels

The plain alternative does the same in float32 with every trick NumPy has: the sums over all subs but the last are
kept, and whole blocks of layouts go through one set of array operations.
"""

from itertools import combinations
from statistics import median
from time import perf_counter

import numpy as np
from threadpoolctl import threadpool_limits

from benchmarks.rooms_seeded import seeded_room
from solvers import kernels_fixed, reference
from solvers.columns import columns_of, grid_of

N_CANDIDATE, N_SEAT, SUBS, REPEATS = 40, 8, 4, 7
NUMPY_LAYOUTS = 4000  # of the plain alternative, per run
LEAST_RATIO = 10.0


def numpy_scores(transfer: np.ndarray, layouts: np.ndarray, seat_weight: np.ndarray, block: int) -> np.ndarray:
    """Vectorised NumPy in complex64: (column, seat, f), (layout, n) -> (layout,)."""
    cost = np.empty(len(layouts), dtype=np.float32)
    prefix, back = np.unique(layouts[:, :-1], axis=0, return_inverse=True)
    partial = transfer[prefix].sum(axis=1)
    for i in range(0, len(layouts), block):
        pressure = partial[back[i : i + block]] + transfer[layouts[i : i + block, -1]]
        level = np.log2(pressure.real**2 + pressure.imag**2)
        mean = np.einsum("lsf,s->lf", level, seat_weight)
        square = np.einsum("lsf,lsf,s->lf", level, level, seat_weight)
        cost[i : i + block] = (square - mean * mean).mean(axis=1)
    return cost


def main() -> int:
    """Verify, time, print; 1 when the kernel is wrong or slower than ten times NumPy."""
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
    plain_transfer = np.ascontiguousarray(columns.transfer.transpose(2, 1, 0)).astype(np.complex64)
    part = layouts[:NUMPY_LAYOUTS]
    plain = numpy_scores(plain_transfer, part, seat_weight, 64)
    kernels_fixed.score_layouts(re, im, seat_weight, weight, part, cost[: len(part)])
    apart = float(np.max(np.abs(plain / cost[: len(part)] - 1.0)))
    print(f"check     NumPy in complex64 against the kernel: {apart:.1e} at most (allowed 1e-4)")
    if worst > 1e-5 or apart > 1e-4:
        print("NOT TIMED: the kernel misses its twin")
        return 1

    def timed_kernel() -> float:
        begun = perf_counter()
        kernels_fixed.score_layouts(re, im, seat_weight, weight, layouts, cost)
        return (perf_counter() - begun) / len(layouts)

    with threadpool_limits(1):
        block = min((16, 64, 256, 1024), key=lambda size: _numpy_time(plain_transfer, part, seat_weight, size))
        pairs = [(timed_kernel(), _numpy_time(plain_transfer, part, seat_weight, block)) for _ in range(REPEATS)]
    kernel_s, numpy_s = median(k for k, _ in pairs), median(n for _, n in pairs)
    ratio = median(n / k for k, n in pairs)
    print(f"case      {SUBS} of {N_CANDIDATE} candidates, {N_SEAT} seats, {len(hz)} frequencies, one core")
    print(f"kernel    {1e-6 / kernel_s:6.2f} million layouts/s")
    print(f"NumPy     {1e-6 / numpy_s:6.2f} million layouts/s (complex64, blocks of {block} layouts, its best)")
    print(f"ratio     {ratio:6.1f}  (median of {REPEATS} runs in turn; {LEAST_RATIO:.0f} or better wanted)")
    return 0 if ratio >= LEAST_RATIO else 1


def _numpy_time(transfer: np.ndarray, layouts: np.ndarray, seat_weight: np.ndarray, block: int) -> float:
    begun = perf_counter()
    numpy_scores(transfer, layouts, seat_weight, block)
    return (perf_counter() - begun) / len(layouts)


if __name__ == "__main__":
    raise SystemExit(main())
