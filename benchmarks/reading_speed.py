"""What the guard of HDF5 input costs: a plan file read within limits, against the same bytes read at once.

Run as `python -m benchmarks.reading_speed PLAN.h5`.
"""

import argparse
import os
import sys
from collections.abc import Callable
from pathlib import Path
from statistics import median
from time import perf_counter
from typing import Any

import numpy as np

from roommodes.plan import file as plan_file
from roommodes.storage.guard import read_guarded

RUNS = 15


def timed(work: Callable[[], object]) -> tuple[float, float]:
    """Medians of CPU time, children included, and of wall time [ms]."""

    def cpu() -> float:
        return sum(os.times()[:4])

    walls, cpus = [], []
    for _ in range(RUNS):
        began, began_cpu = perf_counter(), cpu()
        for _ in range(4):  # the clock of CPU time is coarse
            work()
        walls.append((perf_counter() - began) / 4)
        cpus.append((cpu() - began_cpu) / 4)
    return 1e3 * median(cpus), 1e3 * median(walls)


def main() -> int:
    """Verify that both read the same, then time them."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("file", type=Path)
    path = parser.parse_args().file

    def at_once() -> dict[str, Any]:
        return read_guarded(path, lambda file: plan_file._contents(path, file), own=True)

    plain, guarded = at_once(), plan_file.read_results(path)
    if not np.array_equal(plain["transfer"], guarded.transfer) or plain["project_toml"] != guarded.project.toml_text:
        print("the two read different things")
        return 1
    rows = {"read at once": timed(at_once), "within limits": timed(lambda: plan_file.read_results(path))}
    print(f"{path.name}: {path.stat().st_size / 1e3:.0f} kB")
    for name, (cpu_ms, wall_ms) in rows.items():
        print(f"{name:14s}  CPU {cpu_ms:6.1f} ms  wall {wall_ms:6.1f} ms")
    print(f"ratio of CPU time {rows['within limits'][0] / rows['read at once'][0]:.2f}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
