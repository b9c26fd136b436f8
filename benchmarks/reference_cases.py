"""Holds the model against independent solutions: python -m benchmarks.reference_cases FILE.json ... [--json].

For each case: the largest and the median over frequencies, receivers and sources of |Delta H| over the rms of
|H| over the receivers at that frequency, and the time. Exit 1 when a case is over the bounds, 2 for bad usage.
"""

import argparse
import json
import sys
import time
from pathlib import Path

import numpy as np

from benchmarks.case_format import Case, read_case
from roommodes.acoustics.transfer import transfer_function

MAX_BOUND = 1e-3
MEDIAN_BOUND = 1e-4
SHAPED_MAX_BOUND, SHAPED_MEDIAN_BOUND = 1e-2, 1e-3  # of rooms that are no boxes


def deviation(case: Case, transfer: np.ndarray) -> np.ndarray:
    """|Delta H| over the receivers' rms, (n_freq, n_receiver, n_source)."""
    scale = np.sqrt(np.mean(np.abs(case.transfer) ** 2, axis=1, keepdims=True))
    return np.abs(transfer - case.transfer) / scale


def run(case: Case) -> dict[str, object]:
    """Solve one case and compare."""
    start = time.perf_counter()
    transfer = transfer_function(
        case.room,
        case.surfaces,
        frequency_hz=case.frequency_hz,
        seat_m=case.receiver_m,
        source_m=case.source_m,
    )
    seconds = time.perf_counter() - start
    error = deviation(case, transfer)
    worst = np.unravel_index(int(np.argmax(error)), error.shape)
    largest, median = float(error.max()), float(np.median(error))
    most, middling = (MAX_BOUND, MEDIAN_BOUND) if case.room.is_box else (SHAPED_MAX_BOUND, SHAPED_MEDIAN_BOUND)
    return {
        "name": case.name,
        "description": case.description,
        "max": largest,
        "median": median,
        "worst_hz": float(case.frequency_hz[worst[0]]),
        "seconds": seconds,
        "frequencies": len(case.frequency_hz),
        "within_bounds": bool(largest <= most and median <= middling),
    }


def main(arguments: list[str] | None = None) -> int:
    """Command line."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.reference_cases", description=__doc__)
    parser.add_argument("files", nargs="+", type=Path, metavar="FILE.json")
    parser.add_argument("--json", action="store_true", help="one JSON object instead of the table")
    options = parser.parse_args(arguments)
    rows = []
    for path in options.files:
        try:
            case = read_case(path)
        except (OSError, ValueError, KeyError, TypeError) as error:
            print(f"{path}: not a reference case: {error!r}", file=sys.stderr)
            return 2
        rows.append(run(case))
        if not options.json:
            row = rows[-1]
            verdict = "ok" if row["within_bounds"] else "OVER"
            print(
                f"{row['name']:<10} max {row['max']:.1e} at {row['worst_hz']:.1f} Hz  median {row['median']:.1e}  "
                f"{row['seconds']:.2f} s  {verdict}  {row['description']}",
                flush=True,
            )
    fine = all(row["within_bounds"] for row in rows)
    if options.json:
        print(json.dumps({"cases": rows, "max_bound": MAX_BOUND, "median_bound": MEDIAN_BOUND, "within_bounds": fine}))
    return 0 if fine else 1


if __name__ == "__main__":
    sys.exit(main())
