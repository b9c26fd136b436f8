"""The reduced field of `tolerance`: how far it is from the model, and how many rooms a second.

    roommodes demo --into demo
    python -m benchmarks.tolerance_speed demo/demo.h5 [--rooms N | --seeds N]

Rooms are worked out by the full equations (`transfer_function`, at its own precision) and by the reduced ones; the
variations of the leading plans are compared. Then percentiles on 24 frequencies against those on the
plan file's own. Times are CPU time, one thread. Ends with an error if the reduced field is out of bounds.

With --seeds 90th percentiles from few rooms, seed by seed, are held against those of all the seeds' rooms, beside the
standard error told. Ends with an error if fewer than `LEAST_WITHIN` lie within `NINETY` of it.
"""

import argparse
import sys
from dataclasses import replace
from pathlib import Path
from time import process_time

import numpy as np
from threadpoolctl import threadpool_limits

from roommodes.acoustics.transfer import transfer_function
from roommodes.arrays import Floats
from roommodes.plan.file import read_results
from roommodes.plan.tolerance import percentile_errors
from roommodes.running import Running
from solvers.tolerance.design import Design
from solvers.tolerance.percentiles import Asked, design_of, lean_grid, tolerance_of
from solvers.tolerance.plans import leading_plans
from solvers.tolerance.sampling import FIRST_HALF, settled

MEDIAN_DB, MOST_DB = 0.01, 0.05  # of the differences of variation: median, 95 %
FEWER = 24  # frequencies
LEAST_WITHIN, NINETY = 0.85, 1.645  # of 90 % that a normal distribution has within so many standard errors


def main() -> int:
    """Print the tables; 1 if out of bounds."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("plan", type=Path)
    parser.add_argument("--rooms", type=int, default=16)
    parser.add_argument("--seeds", type=int, default=0)
    options = parser.parse_args()
    results = read_results(options.plan)
    project = results.project
    asked = Asked(draws=2048, indices=False, checked=0)
    leading = leading_plans(results, plans=asked.plans)
    hz = lean_grid(project)
    with threadpool_limits(1):
        begun = process_time()
        design = design_of(results, asked, leading, frequency_hz=hz, running=Running(threads=1))
        prepared = process_time() - begun
        if options.seeds:
            return _honest(design, options.seeds)
        unit = design.points()[0]
        builds = design.inputs.builds(unit[: options.rooms])
        reduced = design.heard_in(builds).variation_db
        full, spent = [], 0.0
        for index in range(options.rooms):
            room, surfaces = design.inputs.built(builds, index)
            begun = process_time()
            transfer = transfer_function(
                room,
                surfaces,
                frequency_hz=hz,
                seat_m=builds.ear_m[index],
                source_m=builds.cabinet_m[index],
                running=Running(threads=1),
            )
            spent += process_time() - begun
            full.append(design.heard(builds.part(slice(index, index + 1)), transfer[None]).variation_db[:, 0])
        error = np.abs(reduced - np.array(full).T)
        many = design.inputs.builds(unit[:64])
        times = []
        for _ in range(5):
            begun = process_time()
            design.heard_in(many)
            times.append((process_time() - begun) / len(many))
    median, high, worst = np.median(error), np.percentile(error, 95.0), error.max()
    plain, quick = spent / options.rooms, min(times)
    print(f"{len(leading.flat)} plans in {options.rooms} rooms, {len(hz)} frequencies: variation differs by [dB]")
    print(f"  median {median:.4f}, 95 % {high:.4f}, largest {worst:.4f}")
    print(f"full equations {plain:.2f} s a room; reduced {1e3 * quick:.2f} ms, {plain / quick:.0f} times as quick,")
    print(f"  after {prepared:.1f} s to prepare; {1.0 / quick:.0f} rooms a second on one core")
    tables = []
    for grid in (lean_grid(project, FEWER), hz):
        begun = process_time()
        tables.append(tolerance_of(results, asked, frequency_hz=grid).plans)
        print(
            f"{asked.draws} rooms at {len(grid)} frequencies: {process_time() - begun:.1f} s of CPU, preparing included"
        )
    print("subs  plan   5, 50, 90, 95 % [dB] at the first, less those at the plan file's own")
    for count, table in tables[0].items():
        other = tables[1][count]
        for row, rank in enumerate(table.rank):
            (same,) = np.flatnonzero(other.rank == rank)
            less = table.variation_percentile_db[row] - other.variation_percentile_db[same]
            values = "  ".join(
                f"{value:.2f} {change:+.2f}"
                for value, change in zip(table.variation_percentile_db[row], less, strict=True)
            )
            print(f"{count:4d}  {rank + 1:4d}   {values}")
    return 0 if median < MEDIAN_DB and high < MOST_DB else 1


def _honest(design: Design, seeds: int) -> int:
    """Told and met errors of 90th percentiles from the first rooms and from twice as many; 1 if too many are off."""
    found = []
    for seed in range(1, seeds + 1):
        other = replace(design, seed=seed, half=2 * FIRST_HALF, share_points=0)
        parts = [other.part(start) for start in other.starts(0, other.half)]
        halves = ([part.a for part in parts], [part.b for part in parts])
        found.append([np.concatenate([one.variation_db for one in half], axis=1) for half in halves])
    every = np.array(found)  # (seed, A or B, plan, point)
    least = 1.0
    for half in (FIRST_HALF, 2 * FIRST_HALF):
        rooms = np.moveaxis(every[..., :half], 1, 2).reshape(seeds, len(design.plans), -1)
        least = min(least, _within(rooms, np.percentile(every, 90.0, axis=(0, 1, 3))))
    return int(least < LEAST_WITHIN)


def _within(rooms: Floats, truth: Floats) -> float:
    """Prints how far off the 90th percentiles of (seed, plan, n) are; the share within `NINETY` standard errors."""
    told = np.array([percentile_errors(one, (90.0,))[:, 0] for one in rooms])
    off = np.percentile(rooms, 90.0, axis=2) - truth
    ends = np.array([settled(one) for one in rooms])
    within = [float(np.mean(np.abs(off[part]) <= NINETY * told[part])) for part in (slice(None), ends)]
    rms, ended = ((one**2).mean(axis=0) ** 0.5 for one in (off, off[ends] if ends.any() else off))
    print(f"{rooms.shape[2]} rooms, {len(rooms)} seeds, {rooms.shape[1]} plans: told {told.mean():.3f} dB on average;")
    print(f"  met {rms.min():.3f} to {rms.max():.3f} dB (rms, plan by plan), {np.abs(off).max():.2f} at most;")
    one = float(np.mean(np.abs(off) <= told))
    print(f"  within one {one:.2f}, within {NINETY} {within[0]:.2f}; {ends.mean():.2f} of the seeds")
    print(f"  end there, with {ended.max():.3f} dB (rms) for the worst plan and {within[1]:.2f} within {NINETY}")
    return within[0]


if __name__ == "__main__":
    sys.exit(main())
