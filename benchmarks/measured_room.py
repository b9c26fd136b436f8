"""A measured room, 45 to 130 Hz: what `field` makes of each place from the others, in two settings of its panels.

The folder holds room.toml and two manifests, reflective.toml and absorptive.toml (derived from the R3VIVAL data set,
CC BY 4.0; S. V. Amengual Gari and others, J. Audio Eng. Soc. 68 (12), 2021). Each of the 15 places is left out in
turn and with it all that is fitted: weights, width and deviations come from the 14 others alone. Beside it the closed
form that `field` prints, where the weights are those of all places.

Bounds: at most 25 % of the rms left from 50 to 120 Hz, median level error at most 0.8 dB, rms 2.5 dB; never 2 % worse
than the model or interpolation alone; 60 to 76 % of the errors within one stated deviation.

    python -m benchmarks.measured_room FOLDER [--json]
"""

import argparse
import json
import sys
from dataclasses import asdict, replace
from pathlib import Path

import numpy as np

from roommodes.measured.data import MeasuredSet
from roommodes.measured.loading import load_manifest
from roommodes.project.project import Project
from roommodes.project.reading import load_project
from roommodes.running import Running
from solvers.field.errors import LeftOut, Worth
from solvers.field.estimate import (
    FIELD,
    INTERPOLATION,
    MODEL_ALONE,
    elsewhere,
    estimate,
    fitted_process,
    model_at,
    widening,
)
from solvers.field.process import left_out, solved

SETTINGS = ("reflective", "absorptive")
MOST_LEFT, MOST_MEDIAN_DB, MOST_RMS_DB, MOST_WORSE, WITHIN = 0.25, 0.8, 2.5, 0.02, (0.60, 0.76)


def without(measured: MeasuredSet, place: int) -> MeasuredSet:
    """The set without one place."""
    kept = np.delete(np.arange(len(measured.seats)), place)
    seats = measured.seats.of(kept)
    return replace(measured, seats=seats, transfer=measured.transfer[:, kept])


def left_out_in_turn(project: Project, measured: MeasuredSet) -> tuple[LeftOut, LeftOut]:
    """Each place from the others, all refitted; and the closed form."""
    shape = measured.transfer.shape
    value, deviation = np.zeros(shape, dtype=np.complex128), np.zeros(shape)
    closed: LeftOut | None = None
    model = model_at(project, measured, measured.seats.position_m, running=Running())
    for place in range(shape[1]):
        at, others = measured.seats.position_m[[place]], without(measured, place)
        fitted = fitted_process(project, others, np.delete(model, place, axis=1), running=Running())
        found = elsewhere(fitted, model[:, [place]], at, running=Running())
        inner = left_out(solved(fitted.weight.value, fitted.terms, fitted.data), fitted.data)
        value[:, place] = found[0][:, 0]
        deviation[:, place] = widening(fitted.data, *inner) * found[1][:, 0]
        print(".", end="", flush=True, file=sys.stderr)
    whole = estimate(project, measured, ["any"], measured.seats.position_m[:1], running=Running())
    closed = whole.left_out
    found_by = {FIELD: value, **{way: closed.found[way] for way in (MODEL_ALONE, INTERPOLATION)}}
    return replace(closed, found=found_by, deviation=deviation), closed


def broken(worths: dict[str, Worth]) -> list[str]:
    """Which bounds a setting misses."""
    field = worths[FIELD]
    others = min(worths[way].left for way in (MODEL_ALONE, INTERPOLATION))
    checks = {
        "left": field.left <= MOST_LEFT,
        "median": field.median_db <= MOST_MEDIAN_DB,
        "rms": field.rms_db <= MOST_RMS_DB,
        "worse than alone": field.left <= others + MOST_WORSE,
        "within": WITHIN[0] <= field.within <= WITHIN[1],
    }
    return [name for name, good in checks.items() if not good]


def main() -> int:
    """Run both settings; 1 when a bound is missed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    project = load_project(options.folder / "room.toml")
    answer = {}
    for setting in SETTINGS:
        measured = load_manifest(options.folder / f"{setting}.toml", project)
        refitted, closed = left_out_in_turn(project, measured)
        worths = {way: refitted.worth(way) for way in refitted.ways}
        answer[setting] = {
            **{way: asdict(worth) for way, worth in worths.items()},
            "closed form": asdict(closed.worth(FIELD)),
            "missed": broken(worths),
        }
        if not options.json:
            missed = ", ".join(answer[setting]["missed"])
            print(f"\n{setting}: {f'missed: {missed}' if missed else 'all bounds hold'}")
            for way in (*refitted.ways, "closed form"):
                one = answer[setting][way]
                figures = f"{one['left']:6.1%} left, {one['median_db']:.2f} dB median, {one['rms_db']:.2f} dB rms"
                stated = "" if np.isnan(one["within"]) else f", {one['within']:.0%} within"
                print(f"  {way:20s} {figures}{stated}")
    if options.json:
        print(json.dumps(answer))
    return 1 if any(one["missed"] for one in answer.values()) else 0


if __name__ == "__main__":
    sys.exit(main())
