"""Transfer functions against finite elements at equal accuracy: python -m benchmarks.transfer_speed [FILE.json].

The question is a reference case with locally reacting walls. First everything is verified against its independent
answer, then timed in the same run; nothing that misses its bound is timed as if it met it. For each frequency the
plain alternative is scikit-fem's quadratic bricks on the coarsest mesh of a ladder that comes within 1e-3 of the
receivers' rms, factorised by SuperLU (its faster, symmetric ordering), the better of two ways to drive it:
the source as a nodal load, or subtracted. Where no mesh of the size allowed comes so near, the ratio is a lower
bound. Its meshing and assembly are not counted; the model's set-up is, spread over the frequencies of the case.
Times are CPU seconds of all threads, since a desk's machine is shared; wall beside.

A room with blocks is timed the same way, both sides to its own bound (1e-2 at most): the model with its shape solved
anew, and once more with it known, as for other walls or settings.

A spectral-element solver made for this one shape of room is timed too: it shows what of the ratio is due to the
method and what to general-purpose elements.
"""

import argparse
import json
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from threadpoolctl import threadpool_limits

from benchmarks.case_format import Case, read_case
from benchmarks.reference_cases import SHAPED_MAX_BOUND, deviation
from roommodes.acoustics.transfer import transfer_function
from tests.independent.quadratic_bricks import BrickRoom
from tests.independent.spectral_elements import SpectralRoom

BOUND = 1e-3  # of the receivers' rms: what "equal accuracy" means here
MODEL_BOUND = 1e-4
LADDER_M = (1.0, 0.7, 0.5, 0.42, 0.35, 0.3, 0.25, 0.21, 0.18, 0.15, 0.125)
ASKED_HZ = (31.5, 40.0, 50.0, 56.0, 63.0, 71.0, 80.0, 113.0, 160.0)
DEFAULT_CASE = Path(__file__).parents[1] / "tests" / "published" / "reference_cases" / "P4.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class Timed:
    """A result with the CPU and wall time it took [s]."""

    value: Any
    cpu_s: float
    wall_s: float


def timed(call: Callable[[], Any], *, repeats: int = 1) -> Timed:
    """Best of some calls."""
    runs = []
    for _ in range(repeats):
        wall, cpu = time.perf_counter(), time.process_time()
        value = call()
        runs.append(Timed(value=value, cpu_s=time.process_time() - cpu, wall_s=time.perf_counter() - wall))
    return min(runs, key=lambda run: run.cpu_s)


def time_model(case: Case, source_m: np.ndarray) -> Timed:
    """The model on the case's grid; times are per frequency, set-up included."""

    def ask() -> np.ndarray:
        return transfer_function(
            case.room, case.surfaces, frequency_hz=case.frequency_hz, seat_m=case.receiver_m, source_m=source_m
        )

    ask()  # compiles and fills caches
    run = timed(ask, repeats=3)
    n = len(case.frequency_hz)
    return Timed(value=run.value, cpu_s=run.cpu_s / n, wall_s=run.wall_s / n)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bricks:
    """One frequency on one mesh."""

    size_m: float
    unknowns: int
    subtract: bool
    error: float
    run: Timed


class Ladder:
    """Meshes of quadratic bricks of one case, each built once."""

    def __init__(self, data: dict[str, Any], most_unknowns: int, *, bound: float = BOUND) -> None:
        self.data, self.bound = data, bound
        self.exact = np.asarray(data["H_re"]) + 1j * np.asarray(data["H_im"])  # [source][receiver][frequency]
        self.sizes = [size for size in LADDER_M if self._expected(size) <= most_unknowns]
        self.rooms: dict[float, BrickRoom] = {}

    def _expected(self, size: float) -> float:
        return float(np.prod([2.0 * np.ceil(side / size) + 1.0 for side in self.data["room_m"]]))

    def cheapest(self, index: int) -> Bricks:
        """For one frequency: the coarsest mesh within BOUND, or the finest allowed. Rungs that the error's fall with
        the cube of the size rules out are passed over."""
        step, size = 0, self.sizes[0]
        while True:
            best = self._both_ways(index, size)
            if best.error <= self.bound or size == self.sizes[-1]:
                return best
            hopeful = size * (2.0 * self.bound / best.error) ** (1.0 / 3.0)
            later = range(step + 1, len(self.sizes))
            step = next((i for i in later if self.sizes[i] <= hopeful), len(self.sizes) - 1)
            size = self.sizes[step]

    def _both_ways(self, index: int, size: float) -> Bricks:
        if size not in self.rooms:
            self.rooms = {s: room for s, room in self.rooms.items() if s > 0.3}  # the fine ones are large
            self.rooms[size] = BrickRoom(self.data, size, load_order=6)
        room, hz = self.rooms[size], self.data["frequencies_hz"][index]
        exact = self.exact[:, :, index]
        scale = np.sqrt(np.mean(np.abs(exact) ** 2, axis=1, keepdims=True))
        tries = []
        for subtract in (False, True):
            run = timed(lambda: room.solve(hz, subtract=subtract))  # noqa: B023 - called at once
            error = float((np.abs(run.value - exact) / scale).max())
            tries.append(Bricks(size_m=size, unknowns=room.unknowns, subtract=subtract, error=error, run=run))
        good = [t for t in tries if t.error <= self.bound]
        best = min(good, key=lambda t: t.run.cpu_s) if good else min(tries, key=lambda t: t.error)
        print(
            f"  {hz:.1f} Hz on {size:.2f} m, {room.unknowns} unknowns: {best.error:.1e} in {best.run.cpu_s:.2f} s",
            file=sys.stderr,
            flush=True,
        )
        return best


def shaped(case: Case, data: dict[str, Any], most_unknowns: int) -> int:
    """A room with blocks."""

    def ask() -> np.ndarray:
        return transfer_function(
            case.room, case.surfaces, frequency_hz=case.frequency_hz, seat_m=case.receiver_m, source_m=case.source_m
        )

    first, again = timed(ask), timed(ask, repeats=3)
    error, count = float(deviation(case, again.value).max()), len(case.frequency_hz)
    print(f"case {case.name}, {case.description}: {len(case.source_m)} sources, {len(case.receiver_m)} receivers")
    print(f"model: largest error {error:.1e} of the rms over {count} frequencies")
    if error > SHAPED_MAX_BOUND:
        print(f"the model misses {SHAPED_MAX_BOUND:g}: not timed")
        return 1
    print(f"model: {first.cpu_s:.2f} s CPU for all frequencies with the shape, {again.cpu_s:.2f} s once it is known")
    print(f"scikit-fem, quadratic bricks, within {SHAPED_MAX_BOUND:g} of the rms; assembly not counted:")
    print("    Hz   mesh m  unknowns    error    CPU s   x the model's share, shape known")
    with threadpool_limits(1):
        ladder = Ladder(data, most_unknowns, bound=SHAPED_MAX_BOUND)
        for i, hz in enumerate(case.frequency_hz):
            best = ladder.cheapest(i)
            note = "" if best.error <= SHAPED_MAX_BOUND else f", {SHAPED_MAX_BOUND:g} not reached"
            ratio = best.run.cpu_s / (again.cpu_s / count)
            mesh = f"{best.size_m:6.3f}  {best.unknowns:8d}"
            print(f"{hz:6.1f}  {mesh}  {best.error:.1e}  {best.run.cpu_s:7.2f}  {ratio:6.0f}{note}")
    return 0


def main(arguments: list[str] | None = None) -> int:
    """Command line."""
    parser = argparse.ArgumentParser(
        prog="python -m benchmarks.transfer_speed", description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("file", nargs="?", type=Path, default=DEFAULT_CASE, metavar="FILE.json")
    parser.add_argument(
        "--most-unknowns", type=int, default=50_000, help="largest mesh tried; 110000 takes about 8 GB and minutes"
    )
    options = parser.parse_args(arguments)
    try:
        case = read_case(options.file)
    except (OSError, ValueError) as fault:
        print(f"{options.file}: not a reference case: {fault}", file=sys.stderr)
        return 2
    data = json.loads(options.file.read_text(encoding="utf-8"))
    if data["panes"]:
        print(f"{options.file}: has panes; the quadratic bricks do locally reacting walls only", file=sys.stderr)
        return 2

    if data.get("slopes"):
        print(f"{options.file}: has slopes; the quadratic bricks do blocks only", file=sys.stderr)
        return 2
    if data.get("blocks"):
        return shaped(case, data, options.most_unknowns)
    model = time_model(case, case.source_m)
    error = float(deviation(case, model.value).max())
    print(f"case {case.name}, {case.description}: {len(case.source_m)} sources, {len(case.receiver_m)} receivers")
    print(f"model: largest error {error:.1e} of the rms over {len(case.frequency_hz)} frequencies")
    if error > MODEL_BOUND:
        print(f"the model misses {MODEL_BOUND:g}: not timed")
        return 1
    print(f"model: {1e3 * model.cpu_s:.2f} ms per frequency (wall {1e3 * model.wall_s:.2f} ms), set-up included")
    grid = np.stack(np.meshgrid(*(np.linspace(0.3, s - 0.3, 4) for s in case.room.size_m)), axis=-1).reshape(-1, 3)
    many = time_model(case, grid)
    print(f"model, {len(grid)} candidates in place of {len(case.source_m)}: {1e3 * many.cpu_s:.2f} ms per frequency")

    with threadpool_limits(1):
        spectral_room = SpectralRoom(data)
        spectral = timed(lambda: np.array([spectral_room.solve(f) for f in data["frequencies_hz"]]))
        spectral_error = float(deviation(case, spectral.value.transpose(0, 2, 1)).max())
        per_frequency = spectral.cpu_s / len(case.frequency_hz)
        print(
            f"spectral elements made for the box ({spectral_room.unknowns} unknowns): largest error "
            f"{spectral_error:.1e}, {1e3 * per_frequency:.0f} ms per frequency: "
            f"{per_frequency / model.cpu_s:.0f} x the model"
        )
        wanted = [int(np.argmin(np.abs(case.frequency_hz - f))) for f in ASKED_HZ]
        ladder = Ladder(data, options.most_unknowns)
        found = {i: ladder.cheapest(i) for i in wanted}

    print(f"scikit-fem, quadratic bricks, within {BOUND:g} of the rms; time of one frequency, assembly not counted:")
    print("    Hz   mesh m  unknowns  source      error    CPU s   wall s     x the model")
    for i in wanted:
        best = found[i]
        ratio = best.run.cpu_s / model.cpu_s
        note = f"{ratio:10.0f}" if best.error <= BOUND else f"{ratio:10.0f} at least: {BOUND:g} not reached"
        print(
            f"{case.frequency_hz[i]:6.1f}  {best.size_m:6.3f}  {best.unknowns:8d}  "
            f"{'subtracted' if best.subtract else 'nodal load'}  {best.error:.1e}  {best.run.cpu_s:7.2f}  "
            f"{best.run.wall_s:7.2f}  {note}"
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
