"""One job of a study: one room with all strategies. The transfer functions are computed once and shared.

The text of the job says everything; the result depends on nothing else: not on the process, nor on how many there are.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from hashlib import sha256
from math import log10, sqrt
from time import perf_counter, process_time
from typing import Any

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from roommodes.acoustics.transfer import transfer_function
from roommodes.arrays import Complexes, Floats
from roommodes.places.seats import Seats
from roommodes.project.advice import decay_estimate_s
from roommodes.project.reading import parse_project
from roommodes.responses.frequency_grid import log_grid
from roommodes.responses.metrics import drive_weights, level_db, normalised, output_db, seat_pressure, variation_db
from roommodes.running import Running
from roommodes.studies.design import StudyRoom
from roommodes.studies.reading import Study
from roommodes.studies.records import JobRecord, StudyJob, canonical, record_image
from solvers.search.problem import Problem
from solvers.study.places import Arm, arms_of

NO_LAYOUT = "no layout: too few legal positions in this room"
AS_GIVEN = "one layout, driven as the strategy says"
HOPS = 1600  # of a search, a third of what a plan to be built gets: hundreds of rooms tell more than the last hundredth


def study_jobs(study: Study, rooms: Sequence[StudyRoom]) -> tuple[StudyJob, ...]:
    """The jobs of a study, one per room, in order. Names, labels and numbers do not shape a result."""
    strategies = [
        {
            "subs": strategy.subs,
            "positions": strategy.positions,
            "at_fraction": strategy.at_fraction,
            "adjust": sorted(strategy.adjust),
        }
        for strategy in study.tables.strategies
    ]
    places = study.tables.places.model_dump()
    return tuple(
        StudyJob(
            number=room.number,
            title=room.title,
            text=canonical(
                {
                    "project": room.project_toml,
                    "strategies": strategies,
                    "places": places,
                    "seed": study.tables.seed,
                }
            ),
        )
        for room in rooms
    )


def searches(study: Study) -> bool:
    """Whether any strategy needs the search and its kernels."""
    return any(
        strategy.adjust or strategy.positions != "given" or len(strategy.at_fraction or ()) != strategy.subs
        for strategy in study.tables.strategies
    )


def run_job(text: str, key: str) -> bytes:
    """Do one job; what a worker process is given.

    Parameters
    ----------
    text, key : of the `StudyJob`.

    Returns
    -------
    The job file's bytes.

    Raises
    ------
    RoommodesError : the model or the search cannot take this room.
    """
    with threadpool_limits(1):
        return record_image(do_job(text, key))


def do_job(text: str, key: str, running: Running = Running(threads=1)) -> JobRecord:
    """The same as a record."""
    began, began_cpu = perf_counter(), process_time()
    tree = json.loads(text)
    project = parse_project(tree["project"], source="room")
    strategies: list[Mapping[str, Any]] = tree["strategies"]
    position_m, arms = arms_of(project, strategies, tree["places"])
    wishes = project.search
    frequency_hz = log_grid(*wishes.band_hz, wishes.points_per_octave)
    room, surfaces, seats = project.room(), project.surfaces(), project.seats()
    transfer = np.zeros((len(frequency_hz), len(seats), 0), dtype=np.complex128)
    if len(position_m):
        transfer = transfer_function(
            room, surfaces, frequency_hz=frequency_hz, seat_m=seats.position_m, source_m=position_m, running=running
        )
    most = max(arm.subs for arm in arms)
    n_strategy, n_freq = len(arms), len(frequency_hz)
    arrays: dict[str, NDArray[Any]] = {
        "variation_db": np.full(n_strategy, np.nan),
        "output_db": np.full(n_strategy, np.nan),
        "variation_at_db": np.full((n_strategy, n_freq), np.nan),
        "output_at_db": np.full((n_strategy, n_freq), np.nan),
        "position_m": np.full((n_strategy, most, 3), np.nan),
        "gain_db": np.full((n_strategy, most), np.nan),
        "delay_s": np.full((n_strategy, most), np.nan),
        "polarity": np.zeros((n_strategy, most), dtype=np.int64),
        "layouts": np.zeros(n_strategy, dtype=np.int64),
    }
    notes = []
    for index, (arm, strategy) in enumerate(zip(arms, strategies, strict=True)):
        if len(arm.column) < arm.subs:
            notes.append(NO_LAYOUT)
            continue
        seed = job_seed(tree["seed"], tree["project"], canonical(strategy))
        own = np.ascontiguousarray(transfer[:, :, arm.column])
        if _one_answer(arm):
            answer: _Answer | None = _given(arm, own, frequency_hz)
        else:
            answer = _searched(arm, own, frequency_hz, seats, seed, running)
        if answer is None:
            notes.append(NO_LAYOUT)
            continue
        loudest = float(answer.gain_db.max())
        deviation = answer.level_db - (answer.level_db @ normalised(seats.weight))[:, None]
        arrays["variation_db"][index] = variation_db(answer.level_db, seats.weight)
        arrays["output_db"][index] = output_db(answer.level_db, seats.weight, answer.gain_db)
        arrays["variation_at_db"][index] = np.sqrt(deviation**2 @ normalised(seats.weight))
        mean_db = answer.level_db @ normalised(seats.weight)
        arrays["output_at_db"][index] = mean_db - loudest - 20.0 * log10(arm.subs)
        arrays["position_m"][index, : arm.subs] = position_m[arm.column[answer.column]]
        arrays["gain_db"][index, : arm.subs] = answer.gain_db
        arrays["delay_s"][index, : arm.subs] = answer.delay_s
        arrays["polarity"][index, : arm.subs] = answer.polarity
        arrays["layouts"][index] = answer.layouts
        notes.append(answer.note)
    return JobRecord(
        key=key,
        frequency_hz=frequency_hz,
        arrays=arrays,
        notes=tuple(notes),
        decay_s=decay_estimate_s(room, surfaces, hz=sqrt(wishes.band_hz[0] * wishes.band_hz[1])),
        seconds=perf_counter() - began,
        cpu_seconds=process_time() - began_cpu,
    )


def job_seed(seed: int, *texts: str) -> int:
    """The seed of one search: it follows from the study's seed and from what is searched, not from its number."""
    words = np.frombuffer(sha256("\0".join(texts).encode()).digest(), dtype="<u4")
    return int(np.random.SeedSequence([seed, *words.tolist()]).generate_state(1)[0])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Answer:
    """The best plan of a strategy in a room: columns into its own positions, drives, level (n_freq, n_seat) [dB]."""

    column: NDArray[np.intp]
    gain_db: Floats
    delay_s: Floats
    polarity: NDArray[np.int64]
    level_db: Floats
    layouts: int
    note: str


def _one_answer(arm: Arm) -> bool:
    """Whether the strategy leaves nothing to be searched."""
    return len(arm.column) == arm.subs and (arm.drives.is_single or arm.subs == 1)


def _given(arm: Arm, transfer: Complexes, frequency_hz: Floats) -> _Answer:
    """The only layout, with the drives that the strategy sets, or none."""
    delay_s = np.zeros(arm.subs) if arm.delay_s is None else arm.delay_s
    polarity = np.ones(arm.subs, dtype=np.int64) if arm.polarity is None else arm.polarity
    weights = drive_weights(frequency_hz, gain_db=np.zeros(arm.subs), delay_s=delay_s, polarity=polarity)
    return _Answer(
        column=np.arange(arm.subs),
        gain_db=np.zeros(arm.subs),
        delay_s=delay_s,
        polarity=polarity,
        level_db=level_db(seat_pressure(transfer, weights)),
        layouts=1,
        note=AS_GIVEN,
    )


def _searched(
    arm: Arm, transfer: Complexes, frequency_hz: Floats, seats: Seats, seed: int, running: Running
) -> _Answer | None:
    """What the search finds, on one thread; None where nothing fits."""
    from solvers.search.explore import Effort  # noqa: PLC0415 (as the next)
    from solvers.search.search import search  # noqa: PLC0415 (a study without a search starts without the kernels)

    problem = Problem(frequency_hz=frequency_hz, transfer=transfer, seat_weight=seats.weight, drives=arm.drives)
    effort = Effort(hops=HOPS)
    (outcome,) = search(problem, counts=(arm.subs,), seed=seed, keep=1, effort=effort, running=running.on(1))
    if not outcome.plans:
        return None
    plan = outcome.plans[0]
    return _Answer(
        column=plan.candidate_index.astype(np.intp),
        gain_db=plan.gain_db,
        delay_s=plan.delay_s,
        polarity=plan.polarity.astype(np.int64),
        level_db=plan.level_db,
        layouts=outcome.layouts_searched,
        note=outcome.stop.value,
    )
