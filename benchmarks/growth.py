"""How time and memory grow: the field over candidates, seats, frequencies, wall regions and blocks, the search over
candidates, seats, frequencies and subs, a study over rooms; each beside what theory gives.

    python -m benchmarks.growth [-o PLOT.png] [--only WORD]

One thing changes at a time, from the cases of `growth_cases`. Each point runs in a process of its own on one thread,
with warm kernels; CPU seconds are the better of two runs, memory is what the first adds to the process's peak
(ru_maxrss). Verified first, see the cases: nothing is told of an axis whose answers differ.

The exponent is the slope of a straight line through the logarithms; "late" is that of the last two sizes, where fixed
parts count least. Theory says how it ends up when one thing grows without end, so smaller is usual; what is larger by
more than a margin is told, and the run ends with 1.
"""

import argparse
import json
import os
import resource
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from time import process_time
from typing import Any

import numpy as np
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

from benchmarks.growth_cases import AXES, Axis, warm
from solvers.search.kernels.compiled import compile_once

MARGIN = 0.2  # of an exponent: two sizes apart by four, timed to a fifth, are off by 0.13
LEAST_MB = 20.0  # of growth; below, pages of the system are counted
ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS"), "1")


@dataclass(frozen=True, slots=True, kw_only=True)
class Growth:
    """Exponents of one axis: over all sizes and over the last two; None where it is too little to tell."""

    fitted: float | None
    late: float | None

    def beyond(self, theory: float) -> bool:
        """Whether either is larger than theory by more than the margin."""
        return any(value is not None and value > theory + MARGIN for value in (self.fitted, self.late))


def growth_of(sizes: tuple[int, ...], measured: list[float], least: float) -> Growth:
    """Exponents of something measured at some sizes, unless all of it is below `least`."""
    if max(measured) < least or min(measured) <= 0.0:
        return Growth(fitted=None, late=None)
    x, y = np.log(sizes), np.log(measured)
    return Growth(fitted=float(np.polyfit(x, y, 1)[0]), late=float((y[-1] - y[-2]) / (x[-1] - x[-2])))


def used_mb() -> float:
    """Peak memory of this process so far."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0


def used_s() -> float:
    """CPU time of this process and of its children that have ended."""
    return process_time() + sum(resource.getrusage(resource.RUSAGE_CHILDREN)[:2])


def one_point(axis: Axis, size: int) -> dict[str, Any]:
    """Measure one size in this process."""
    warm(axis)
    times, before, memory, answer, unknowns = [], used_mb(), 0.0, [], 0
    for turn in range(2):
        call = axis.case(size, turn)
        begun = used_s()
        found = call()
        times.append(used_s() - begun)
        if turn == 0:
            memory = used_mb() - before
            answer, unknowns = found.answer, found.unknowns
    return {"cpu_s": min(times), "memory_mb": memory, "answer": answer, "unknowns": unknowns}


def measured(axis: Axis) -> list[dict[str, Any]]:
    """All sizes of an axis, each in a process of its own."""
    found = []
    for size in axis.sizes:
        command = [sys.executable, "-m", "benchmarks.growth", "--point", axis.name, str(size)]
        done = subprocess.run(command, stdout=subprocess.PIPE, check=True, text=True, env=os.environ | ONE_THREAD)
        found.append(json.loads(done.stdout.splitlines()[-1]))
    return found


def words(growth: Growth) -> str:
    """Both exponents, or dashes."""
    return "  ".join("    -" if value is None else f"{value:5.2f}" for value in (growth.fitted, growth.late))


def told(axis: Axis, points: list[dict[str, Any]]) -> bool:
    """Print the tables of one axis; whether all is as theory has it."""
    print(f"\n{axis.name}: {axis.setting}")
    wrong = axis.verified([np.array(point["answer"]) for point in points])
    if wrong:
        print(f"  NOT TOLD: {wrong}")
        return False
    unknown = axis.unknowns if any(point["unknowns"] for point in points) else ""
    print(f"  {axis.what:>12}     CPU s  memory MB  {unknown}")
    for size, point in zip(axis.sizes, points, strict=True):
        count = f"{point['unknowns']:6d}" if unknown else ""
        print(f"  {size:12d} {point['cpu_s']:9.3f} {point['memory_mb']:10.0f}  {count}".rstrip())
    good = True
    for what, key, theory, why, least in (
        ("time", "cpu_s", axis.time, axis.time_why, 0.0),
        ("memory", "memory_mb", axis.memory, axis.memory_why, LEAST_MB),
    ):
        growth = growth_of(axis.sizes, [point[key] for point in points], least)
        word = "" if growth.fitted is not None else f"; less than {LEAST_MB:g} MB, no exponent told"
        if growth.beyond(theory):
            word, good = f"; LARGER than theory by more than {MARGIN:g}", False
        print(f"  {what + ',':8s}exponent {words(growth)} late; theory {theory:.2g}, {why}{word}", flush=True)
    return good


def draw(found: dict[str, list[dict[str, Any]]], path: Path) -> None:
    """A panel for each axis: time and memory as multiples of the smallest size's, with the theory's slope for time."""
    axes = [axis for axis in AXES if axis.name in found]
    columns = min(5, len(axes))
    rows = -(-len(axes) // columns)
    figure = Figure(figsize=(2.7 * columns, 2.7 * rows + 0.5), layout="constrained")
    panels = np.atleast_1d(figure.subplots(rows, columns)).ravel()
    for panel, axis in zip(panels, axes, strict=False):
        points = found[axis.name]
        for key, mark, label, least in (("cpu_s", "o-", "CPU time", 0.0), ("memory_mb", "s:", "memory", LEAST_MB)):
            values = [point[key] for point in points]
            if max(values) >= least and min(values) > 0.0:
                panel.loglog(axis.sizes, np.array(values) / values[0], mark, markersize=4, label=label)
        ratio = points[-1]["cpu_s"] / points[0]["cpu_s"]
        line = ratio * (np.array(axis.sizes) / axis.sizes[-1]) ** axis.time
        panel.loglog(axis.sizes, line, "--", color="0.5", linewidth=1.0, label="slope of time in theory")
        panel.set_title(axis.name, fontsize=9)
        panel.set_xlabel(axis.what, fontsize=8)
        panel.set_xticks(axis.sizes, [str(size) for size in axis.sizes])
        panel.xaxis.set_minor_formatter(NullFormatter())
        panel.yaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
        panel.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
        panel.yaxis.set_minor_formatter(NullFormatter())
        panel.tick_params(labelsize=7)
        panel.grid(visible=True, linewidth=0.3)
    for panel in panels[len(axes) :]:
        panel.remove()
    handles: dict[str, Any] = {}
    for panel in panels[: len(axes)]:
        lines, labels = panel.get_legend_handles_labels()
        handles |= dict(zip(labels, lines, strict=True))
    figure.legend(handles.values(), handles.keys(), loc="outside lower center", ncols=3, fontsize=8, frameon=False)
    figure.supylabel("times the smallest", fontsize=9)
    figure.savefig(path, dpi=110)


def main(arguments: list[str] | None = None) -> int:
    """Measure, print, draw; 1 when something grows worse than its theory or an answer is wrong."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("-o", "--output", type=Path, help="where the plot goes (PNG)")
    parser.add_argument("--only", default="", metavar="WORD", help="axes with this word in their names alone")
    parser.add_argument("--point", nargs=2, help=argparse.SUPPRESS)
    asked = parser.parse_args(arguments)
    by_name = {axis.name: axis for axis in AXES}
    if asked.point:
        print(json.dumps(one_point(by_name[asked.point[0]], int(asked.point[1]))))
        return 0
    compile_once()
    good, found = True, {}
    for name, axis in by_name.items():
        if asked.only in name:
            found[name] = measured(axis)
            good &= told(axis, found[name])
    used = sum(resource.getrusage(resource.RUSAGE_CHILDREN)[:2])
    print(f"\n{used:.0f} s of CPU in all")
    if asked.output and found:
        draw(found, asked.output)
    return 0 if good else 1


if __name__ == "__main__":
    raise SystemExit(main())
