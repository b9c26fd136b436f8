"""Compiles every kernel for every kind of question, so that later processes only load them.

Run as `python -m solvers.search.warm`; with `--end-with-input` it ends when its input does.

The questions are tiny; what matters is that together they reach every kernel with every kind of argument.
"""

import os
import sys
import threading
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import replace

import numpy as np

from solvers.search.explore import Effort
from solvers.search.kernels.compiled import mark_compiled
from solvers.search.kernels.free_weights import least_spread2
from solvers.search.kernels.layouts_bound import layouts_bound
from solvers.search.kernels.weights_bound import layouts_weights_bound
from solvers.search.problem import DriveRange, Problem, Wishes
from solvers.search.search import search

EFFORT = Effort(hops=4, patience=2, confirmations=1)


def questions() -> Iterator[Problem]:
    """One problem of each kind."""
    random = np.random.default_rng(1)
    transfer = random.normal(size=(12, 3, 8)) + 1j * random.normal(size=(12, 3, 8))
    plain = Problem(frequency_hz=np.geomspace(20.0, 80.0, 12), transfer=transfer, seat_weight=np.ones(3))
    yield plain
    yield replace(plain, transfer=transfer[:, :1], seat_weight=np.ones(1))
    yield replace(plain, drives=DriveRange(delay_s=(0.0, 0.0), gain_db=(0.0, 0.0), polarity=False))
    yield replace(plain, drives=DriveRange(delay_step_s=1e-3))
    yield replace(plain, mirror_of=np.array([1, 0, 3, 2, 5, 4, 6, 7]))
    yield replace(
        plain,
        wishes=Wishes(
            fixed=(0,),
            zone=np.arange(8) % 2,
            zone_limit=np.array([2, 2]),
            position_m=random.uniform(0.0, 4.0, (8, 3)),
            least_distance_m=0.1,
        ),
    )


def end_with_input() -> None:
    """End this process when its input ends: whoever started it is gone then."""

    def watch() -> None:
        with suppress(OSError):
            while os.read(sys.stdin.fileno(), 1):
                pass
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()


def main() -> None:
    """Ask them all."""
    if "--end-with-input" in sys.argv:
        end_with_input()
    for problem in questions():
        search(problem, counts=(1, 2, 3), seed=1, effort=EFFORT, compile_first=False)
        if problem.n_seat > 1 and problem.drives == DriveRange():
            search(problem, counts=(1, 2), seed=1, effort=EFFORT, prove=True, compile_first=False)
    least_spread2(np.ones((3, 2)), np.eye(3)[:, :2].copy(), np.full(3, 1.0 / 3.0), 1.0, 0.1, 0.1, 10, np.empty((2, 2)))
    layouts_bound(
        np.ones((3, 2, 3, 3)),
        np.ones(3),
        np.full(3, 1.0 / 3.0),
        np.array([[0, 1]]),
        np.ones(2),
        True,
        np.array([0.1, 1.0, 0.1]),
        10,
        np.empty(1),
        np.empty((2, 5)),
    )
    layouts_weights_bound(
        np.random.default_rng(0).normal(size=(3, 3, 2, 4)),
        np.full(4, 0.25),
        np.array([[0, 1]]),
        0.1,
        np.array([[10.0, 0.1]]),
        np.empty(1),
    )
    mark_compiled()


if __name__ == "__main__":
    main()
