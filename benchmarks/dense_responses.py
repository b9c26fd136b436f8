"""Responses at many frequencies, as WAV export and `decay` need them: the reduced model beside the full equations.

    python -m benchmarks.dense_responses [PROJECT.toml]

Both give the responses of four subs at the project's seats on the grid of a response of 2 s, the reduced model from
sums that end earlier. The full equations are solved at every eighth frequency, and their time taken eight times. Times
are CPU time, one thread. Ends with an error if the reduced model is further than 1e-3 of the receivers' rms from them
anywhere.
"""

import argparse
import sys
from pathlib import Path
from time import process_time

import numpy as np
from threadpoolctl import threadpool_limits

from roommodes.acoustics.precision import Precision
from roommodes.acoustics.transfer import HIGHEST_HZ, LOWEST_HZ
from roommodes.project.reading import load_project
from roommodes.responses.impulse_response import impulse_grid
from roommodes.running import Running
from solvers.listening.modelled_responses import QUICK
from solvers.project_transfer import dense_project_transfer, project_transfer

MOST = 1e-3  # of the receivers' rms at each frequency
EVERY = 8
DEMO = Path(__file__).parents[1] / "roommodes" / "project" / "demo.toml"


def main() -> int:
    """Print the figures; 1 if out of bounds."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("project", type=Path, nargs="?", default=DEMO)
    project = load_project(parser.parse_args().project)
    candidates = project.candidates.position_m
    subs = candidates[np.linspace(0, len(candidates) - 1, 4).astype(int)]
    hz = impulse_grid(band_hz=project.search.band_hz, duration_s=2.0, lowest_hz=LOWEST_HZ, highest_hz=HIGHEST_HZ)[0]
    points = {"seat_m": project.seats.position_m, "source_m": subs}
    # with both ends, which set the walls' polynomials
    some = np.unique([*range(0, len(hz), EVERY), len(hz) - 1])
    with threadpool_limits(1):
        begun = process_time()
        found = dense_project_transfer(project, frequency_hz=hz, precision=QUICK, running=Running(), **points)
        quick = process_time() - begun
        begun = process_time()
        full = project_transfer(
            project, frequency_hz=hz[some], precision=Precision(), running=Running(threads=1), **points
        )
        plain = (process_time() - begun) * len(hz) / len(some)
    rms = np.sqrt((np.abs(full) ** 2).mean(axis=(1, 2)))
    error = np.abs(found.transfer[some] - full).max(axis=(1, 2)) / rms
    print(
        f"{len(hz)} frequencies from {found.solved} full solutions; off by {error.max():.1e} of the rms at most, "
        f"{np.median(error):.1e} in the median (told of its own equations: {found.error:.1e})"
    )
    print(f"  full equations {plain:.1f} s, reduced {quick:.1f} s: {plain / quick:.1f} times as quick")
    return int(error.max() > MOST)


if __name__ == "__main__":
    sys.exit(main())
