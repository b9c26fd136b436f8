"""The lower bound over free weights: how far below the best weights found it lies, against the work spent on it.

    python -m benchmarks.weights_bound

Layouts of 2, 3 and 4 subs are drawn among 100 candidates of a seeded room with nine seats. For each the best weights,
free at every frequency, are sought, and the bound is proven with more and more boxes a frequency. First each bound is
held against random weights, none of which may come below it at any frequency; then gap and CPU time are printed. The
bound is of given positions: nothing is said of other layouts. Ends with an error if a bound is broken.
"""

import sys
from time import process_time

import numpy as np

from benchmarks.rooms_seeded import seeded_room
from roommodes.responses.metrics import level_db, normalised
from solvers.choice.free_weights import best_weights

CANDIDATES, SEATS, LAYOUTS, TRIALS = 100, 9, 3, 3000
BOXES = (30, 300, 3_000, 30_000)


def main() -> int:
    """Print the table; 1 if a bound is broken."""
    problem = seeded_room(3, n_candidate=CANDIDATES, n_seat=SEATS, points_per_octave=6.0)
    a, n_freq, random = normalised(problem.seat_weight), len(problem.frequency_hz), np.random.default_rng(1)
    best_weights(problem.transfer[:1, :, :2], a, np.ones((1, 2), dtype=np.complex128), boxes=10)  # loads the kernels
    print(f"{CANDIDATES} candidates, {SEATS} seats, {n_freq} frequencies; means of {LAYOUTS} layouts")
    print("subs   boxes     found     bound       gap   CPU time")
    for subs in (2, 3, 4):
        layouts = [random.choice(CANDIDATES, subs, replace=False) for _ in range(LAYOUTS)]
        for boxes in BOXES:
            begun, found = process_time(), []
            for layout in layouts:
                one = np.ones((n_freq, subs), dtype=np.complex128)
                found.append(best_weights(problem.transfer[:, :, layout], a, one, boxes=boxes))
            seconds = (process_time() - begun) / LAYOUTS
            if any(beaten(problem.transfer[:, :, k], a, f.least_db) for k, f in zip(layouts, found, strict=True)):
                print("random weights come below a bound", file=sys.stderr)
                return 1
            reached = np.mean([one.variation_db for one in found])
            least = np.mean([one.least_db for one in found])
            print(f"{subs:4} {boxes:7} {reached:6.2f} dB {least:6.2f} dB {reached - least:6.2f} dB {seconds:7.1f} s")
    return 0


def beaten(transfer: np.ndarray, a: np.ndarray, least_db: float) -> bool:
    """Whether the best of random weights at every frequency, all frequencies together, come below a bound."""
    random, shape = np.random.default_rng(2), (TRIALS, transfer.shape[2])
    weights = random.normal(size=shape) + 1j * random.normal(size=shape)
    level = level_db(transfer @ weights.T)  # (n_freq, n_seat, trial)
    mean = np.tensordot(level, a, axes=(1, 0))[:, None]
    variance = np.tensordot((level - mean) ** 2, a, axes=(1, 0))
    return bool(np.sqrt(variance.min(axis=1).mean()) < least_db)


if __name__ == "__main__":
    sys.exit(main())
