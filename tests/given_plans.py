"""Results without a search: plans whose drives are given, in the room that the model makes of a project."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from roommodes.acoustics.transfer import transfer_function
from roommodes.plan.drives import Drives
from roommodes.plan.plan import Results
from roommodes.plan.tables import Cloud, Further, HowFound, Merits
from roommodes.project.reading import parse_project
from roommodes.responses.frequency_grid import log_grid
from roommodes.storage.stamp import Made

# gain [dB], delay [s], polarity, candidate of every sub
Given = tuple[Sequence[float], Sequence[float], Sequence[int], Sequence[int]]


def given_results(text: str, drives: Mapping[int, Given], merits: Merits | None = None) -> Results:
    """What a plan file would hold, had a search found these drives.

    Parameters
    ----------
    text : the project's TOML.
    drives : number of subs -> their drives.
    merits : of each plan.
    """
    project = parse_project(text, source="test")
    hz = log_grid(*project.search.band_hz, project.search.points_per_octave)
    seats, listening, candidates = project.seats, project.listening(), project.candidates
    transfer = transfer_function(
        project.room,
        project.surfaces(),
        frequency_hz=hz,
        seat_m=listening.position_m,
        source_m=candidates.position_m,
    )
    n_seat = len(seats)
    cloud = None
    if len(listening.seat) > n_seat:
        cloud = Cloud(
            position_m=listening.position_m[n_seat:], seat=listening.seat[n_seat:], transfer=transfer[:, n_seat:]
        )
    results = Results(
        project=project,
        made=Made(seed=7, software_version="0.1.0", created_utc="2025-01-02T03:04:05Z"),
        frequency_hz=hz,
        seats=seats,
        candidates=candidates,
        transfer=transfer[:, :n_seat],
        further=Further(cloud=cloud),
        plans={},
    )
    found = HowFound(
        layouts_searched=1, layouts_possible=100, exhaustive=False, stop="the drives were given by hand", seconds=0.0
    )
    plans = {
        count: results.judged_table(
            [(np.array(index), Drives(gain_db=gain, delay_s=delay, polarity=sign))], found, merits
        )
        for count, (gain, delay, sign, index) in drives.items()
    }
    return replace(results, plans=plans)
