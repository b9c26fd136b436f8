"""How the search grows with candidates, seats, frequencies and subs: a table, and a plot.

    python -m benchmarks.search_growth [-o PLOT.png] [--quick]

One thing changes at a time, from 4 of 60 candidates, 7 seats, 20 to 120 Hz at 24 frequencies an octave, full drives.
Each case runs in a process of its own with warm kernels, so that its memory is its own. CPU seconds are of all threads.
"""

import argparse
import json
import resource
import subprocess
import sys
from pathlib import Path
from time import perf_counter, process_time

from matplotlib.figure import Figure

from benchmarks.rooms_seeded import seeded_room
from solvers.search.search import search

BASE = {"subs": 4, "candidates": 60, "seats": 7, "points_per_octave": 24}
CHANGES: dict[str, tuple[int, ...]] = {
    "candidates": (30, 60, 120, 200, 400),
    "seats": (2, 7, 20, 40),
    "points_per_octave": (6, 12, 24, 48),
    "subs": (1, 2, 3, 4, 6, 8),
}
WORDS = {"points_per_octave": "frequencies an octave"}


def one_case(case: dict[str, int]) -> dict[str, float | str]:
    """Search one case in this process."""
    small = seeded_room(1, n_candidate=6, points_per_octave=6)
    search(small, counts=[2, 3], seed=1)  # load the kernels
    problem = seeded_room(
        4, n_candidate=case["candidates"], n_seat=case["seats"], points_per_octave=case["points_per_octave"]
    )
    wall, cpu = perf_counter(), process_time()
    (outcome,) = search(problem, counts=[case["subs"]], seed=1)
    return {
        "wall_s": perf_counter() - wall,
        "cpu_s": process_time() - cpu,
        "memory_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0,
        "variation_db": outcome.plans[0].variation_db,
        "stop": outcome.stop.name.lower().replace("_", " "),
    }


def main(arguments: list[str] | None = None) -> int:
    """Run all cases and print the table."""
    parser = argparse.ArgumentParser(
        prog="python -m benchmarks.search_growth", description=(__doc__ or "").split("\n")[0]
    )
    parser.add_argument("-o", "--output", type=Path, help="where the plot goes (PNG)")
    parser.add_argument("--quick", action="store_true", help="leave out the largest of each")
    parser.add_argument("--case", help=argparse.SUPPRESS)
    asked = parser.parse_args(arguments)
    if asked.case:
        print(json.dumps(one_case(json.loads(asked.case))))
        return 0
    print(f"{'':>24} {'wall':>8} {'CPU':>8} {'memory':>8} {'found':>8}")
    measured: dict[str, list[tuple[int, float]]] = {}
    for what, values in CHANGES.items():
        for value in values[:-1] if asked.quick else values:
            case = json.dumps({**BASE, what: value})
            command = [sys.executable, "-m", "benchmarks.search_growth", "--case", case]
            got = json.loads(subprocess.run(command, capture_output=True, check=True, text=True).stdout)
            measured.setdefault(what, []).append((value, got["cpu_s"]))
            print(
                f"{value:4d} {WORDS.get(what, what):<19} {got['wall_s']:7.1f}s {got['cpu_s']:7.1f}s "
                f"{got['memory_mb']:5.0f} MB {got['variation_db']:5.2f} dB  {got['stop']}",
                flush=True,
            )
    if asked.output:
        draw(measured, asked.output)
    return 0


def draw(measured: dict[str, list[tuple[int, float]]], path: Path) -> None:
    """CPU time over each thing that grows, as multiples of the base case."""
    figure = Figure(figsize=(7.0, 4.2), layout="constrained")
    axes = figure.add_subplot()
    for (what, points), mark in zip(measured.items(), "os^D", strict=True):
        axes.loglog(
            [value / BASE[what] for value, _ in points],
            [seconds for _, seconds in points],
            marker=mark,
            label=WORDS.get(what, what),
        )
    axes.set_xlabel(f"times the base case (4 of {BASE['candidates']} candidates, {BASE['seats']} seats, 24 an octave)")
    axes.set_ylabel("CPU time of the search [s]")
    axes.grid(visible=True, which="both", linewidth=0.3)
    axes.legend(title="what grows")
    figure.savefig(path, dpi=120)


if __name__ == "__main__":
    raise SystemExit(main())
