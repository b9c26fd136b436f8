"""The fixed-drive kernel (`search_kernels`), then the joint search against scipy's differential evolution on the same
objective: time to the same variation.

    python -m benchmarks.search_speed

Each side searches a layout of four subs with all their delays, gains and polarities. Differential evolution (the
settings that did best on drives alone: vectorised, deferred updating, polarity and position as rounded unknowns)
gets ten times the time of the search on one thread, in as many restarts as fit; the best value it reached at each
moment is kept. The objective is the same function of NumPy for it as the one that judges both.
"""

from time import perf_counter

import numpy as np
from scipy.optimize import differential_evolution
from threadpoolctl import threadpool_limits

from benchmarks import search_kernels
from benchmarks.rooms_seeded import seeded_room
from roommodes.arrays import Floats
from roommodes.running import Running
from solvers.search.problem import Problem
from solvers.search.search import search

N_CANDIDATE, SUBS, TIMES = 40, 4, 10.0
WANTED = 30.0


class _Spent(Exception):
    """The time for the other method is over."""


def objective(problem: Problem, x: Floats) -> Floats:
    """Variation [dB] of many plans: x (4 * n, n_plan) of positions, gains, delays, polarities, all in 0..1."""
    n = len(x) // 4
    column = np.minimum((x[:n] * problem.n_candidate).astype(int), problem.n_candidate - 1).T
    gain = 10.0 ** (-12.0 * x[n : 2 * n].T / 20.0)
    delay = 0.02 * x[2 * n : 3 * n].T
    sign = np.where(x[3 * n :].T < 0.5, -1.0, 1.0)
    weight = (sign * gain)[:, :, None] * np.exp(-2j * np.pi * delay[:, :, None] * problem.frequency_hz)
    by_column = problem.transfer.transpose(2, 0, 1)
    pressure = np.einsum("pcf,pcfs->pfs", weight, by_column[column])
    level = 20.0 * np.log10(np.maximum(np.abs(pressure), 1e-20))
    value = np.sqrt((level.var(axis=2)).mean(axis=1))
    twice = np.array([len(set(row)) < n for row in column.tolist()])
    return np.where(twice, value + 10.0, value)


def evolve(problem: Problem, seconds: float) -> list[tuple[float, float]]:
    """(time, best so far) of differential evolution until the time is over."""
    begun = perf_counter()
    record: list[tuple[float, float]] = []
    best = np.inf

    def watched(x: Floats) -> Floats:
        nonlocal best
        value = objective(problem, x)
        if value.min() < best:
            best = float(value.min())
            record.append((perf_counter() - begun, best))
        if perf_counter() - begun > seconds:
            raise _Spent
        return value

    seed = 0
    try:
        while True:
            differential_evolution(
                watched,
                [(0.0, 1.0)] * (4 * SUBS),
                vectorized=True,
                updating="deferred",
                polish=False,
                seed=seed,
                tol=1e-4,
            )
            seed += 1
    except _Spent:
        return record


def main() -> int:
    """Time the kernel; search, then let the other method try for the same value; print the ratio of times."""
    kernel_slow = search_kernels.main()
    problem = seeded_room(1, n_candidate=N_CANDIDATE)
    search(seeded_room(1, n_candidate=6, points_per_octave=6), counts=[2, 3], seed=1)  # load the kernels
    with threadpool_limits(1):
        begun = perf_counter()
        reached: list[tuple[float, float]] = []
        outcome = search(
            problem,
            counts=[SUBS],
            seed=1,
            running=Running(threads=1, report=lambda step: reached.append((perf_counter() - begun, step.best_db))),
        )[0]
        took = perf_counter() - begun
        found = outcome.plans[0].variation_db
        print(f"search                  {found:.3f} dB in {took:.1f} s on one thread; {outcome.stop.value}")
        other = evolve(problem, TIMES * took)
    goal = other[-1][1]
    ours = next((t for t, value in reached if value <= goal), took)
    print(f"differential evolution  {goal:.3f} dB in {TIMES * took:.1f} s, reached after {other[-1][0]:.1f} s")
    print(f"the search was that low after {ours:.2f} s (seen at its first report below)")
    ratio = other[-1][0] / ours
    print(f"ratio of times to {goal:.3f} dB: {ratio:.0f}  ({WANTED:.0f} or better wanted)")
    return 0 if ratio >= WANTED and found <= goal and not kernel_slow else 1


if __name__ == "__main__":
    raise SystemExit(main())
