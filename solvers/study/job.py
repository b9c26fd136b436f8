"""One job of a study: one room with all strategies. The transfer functions are computed once and shared.

The text of the job says everything; the result depends on nothing else: not on the process, nor on how many there are.
"""

import json
from collections.abc import Mapping, Sequence
from hashlib import sha256
from math import sqrt
from time import perf_counter, process_time
from typing import Any

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from roommodes.acoustics.transfer import transfer_function
from roommodes.arrays import Complexes, Floats
from roommodes.project.advice import decay_estimate_s
from roommodes.project.project import Project
from roommodes.project.reading import parse_project
from roommodes.responses.frequency_grid import log_grid
from roommodes.running import Running
from roommodes.studies.design import StudyRoom
from roommodes.studies.reading import Study
from roommodes.studies.records import Expected, JobRecord, StudyJob, canonical, record_image
from roommodes.studies.strategies import StrategyTable, strategy_of
from solvers.search.objective import Objective
from solvers.study.answers import Grid, answered, finer_by, judged, nearest, objective_value, settings
from solvers.study.places import Arm, arms_of
from solvers.study.replies import OtherSoftware
from solvers.study.software import processor, software

NO_LAYOUT = "no layout: too few feasible positions in this room"


def study_jobs(study: Study, rooms: Sequence[StudyRoom]) -> tuple[StudyJob, ...]:
    """The jobs of a study, one per room, in order. Names, labels and numbers do not shape a result."""
    shared, own = _shared(study), software()
    return tuple(
        StudyJob(
            number=room.number,
            title=room.title,
            software=own,
            text=canonical({"project": room.project_toml, **shared}),
        )
        for room in rooms
    )


def job_keys(study: Study, project_toml: Sequence[str]) -> tuple[str, ...]:
    """The keys of a study's jobs by this software, from its rooms as project files."""
    shared, own = _shared(study), software()
    texts = (canonical({"project": text, **shared}) for text in project_toml)
    return tuple(StudyJob(number=0, title="", text=text, software=own).key for text in texts)


def _shared(study: Study) -> dict[str, Any]:
    """What shapes the result of every room alike."""
    return {
        "strategies": [_plain(strategy) for strategy in study.tables.strategies],
        "places": study.tables.places.model_dump(),
        "judged_points_per_octave": study.tables.search.judged_points_per_octave,
        "seed": study.tables.seed,
    }


def _plain(strategy: StrategyTable) -> dict[str, Any]:
    """A strategy as plain data, without its name; what is left out is left out here, too."""
    tree = strategy.model_dump(exclude={"name"}, exclude_none=True)
    return {**tree, "at_fraction": strategy.at_fraction, "adjust": sorted(strategy.adjust)}


def expected_of(study: Study) -> Expected:
    """What the result of every job of a study must hold."""
    search = study.tables.search
    frequency_hz = log_grid(*search.band_hz, search.points_per_octave)
    finer = finer_by(search.points_per_octave, search.judged_points_per_octave)
    return Expected(
        software=software(),
        frequency_hz=frequency_hz,
        weight=np.bincount(nearest(len(frequency_hz), finer)).astype(np.float64),
        subs=tuple(strategy.subs for strategy in study.tables.strategies),
    )


def searches(study: Study) -> bool:
    """Whether any strategy needs the search and its kernels."""
    whole = (strategy_of(table, trim_gain_db=(0.0, 0.0)) for table in study.tables.strategies)
    return any(one.adjust or len(one.points) != one.subs for one in whole)


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
    OtherSoftware : the job was planned by other software than this.
    RoommodesError : the model or the search cannot take this room.
    """
    if StudyJob(number=0, title="", text=text, software=software()).key != key:
        raise OtherSoftware(software())
    return record_image(do_job(text, key))


def do_job(text: str, key: str, running: Running = Running(threads=1), objective: Objective | None = None) -> JobRecord:
    """The same as a record, on one thread of the linear algebra, whose last bits differ with their number.

    With an objective of one's own its values, (n_strategy,), stand in the record's arrays as `objective`.
    """
    import scipy.linalg  # noqa: F401, PLC0415 (now, so that its threads are bound as well)

    with threadpool_limits(1):
        return _done(text, key, running, objective)


def _done(text: str, key: str, running: Running, objective: Objective | None) -> JobRecord:
    began, began_cpu = perf_counter(), process_time()
    tree = json.loads(text)
    project = parse_project(tree["project"], source="room")
    strategies: list[Mapping[str, Any]] = tree["strategies"]
    position_m, arms = arms_of(project, strategies, tree["places"])
    wishes, seats = project.search, project.seats
    frequency_hz = log_grid(*wishes.band_hz, wishes.points_per_octave)
    finer = finer_by(wishes.points_per_octave, tree["judged_points_per_octave"])
    fine = Grid(
        frequency_hz=(hz := np.geomspace(*wishes.band_hz, finer * (len(frequency_hz) - 1) + 1)),
        transfer=_field(project, hz, position_m, running),
        seat_weight=seats.weight,
    )
    half = fine.every(2)
    seeds = [job_seed(tree["seed"], tree["project"], canonical(strategy)) for strategy in strategies]
    answers = [answered(arm, half, seed, running, objective) for arm, seed in zip(arms, seeds, strict=True)]
    running.check("interrupted: this room was not finished")
    arrays = _empty(arms, len(frequency_hz))
    if objective is not None:
        arrays["objective"] = np.full(len(arms), np.nan)
    near = nearest(len(frequency_hz), finer)
    for k, (arm, answer) in enumerate(zip(arms, answers, strict=True)):
        if answer is not None:
            tuned_db = half.variation_db(answer) if arm.tuned else np.nan
            if objective is not None:
                arrays["objective"][k] = objective_value(objective, answer, fine)
            _fill(arrays, k, {**judged(answer, fine, near), "tuned_db": tuned_db, **settings(answer, position_m)})
    return JobRecord(
        key=key,
        software=software(),
        processor=processor(),
        frequency_hz=frequency_hz,
        arrays=arrays,
        notes=tuple(NO_LAYOUT if answer is None else answer.note for answer in answers),
        decay_s=decay_estimate_s(project.room, project.surfaces(), hz=sqrt(wishes.band_hz[0] * wishes.band_hz[1])),
        seconds=perf_counter() - began,
        cpu_seconds=process_time() - began_cpu,
    )


def _field(project: Project, frequency_hz: Floats, position_m: Floats, running: Running) -> Complexes:
    """From all positions to all seats: (n_freq, n_seat, n_position) [1/m]."""
    seats = project.seats
    if not len(position_m):
        return np.zeros((len(frequency_hz), len(seats), 0), dtype=np.complex128)
    return transfer_function(
        project.room,
        project.surfaces(),
        frequency_hz=frequency_hz,
        seat_m=seats.position_m,
        source_m=position_m,
        running=running,
    )


def _empty(arms: Sequence[Arm], n_freq: int) -> dict[str, NDArray[Any]]:
    """The arrays of a record where no strategy has a layout yet."""
    count, most = len(arms), max(arm.subs for arm in arms)
    shapes = {
        "variation_db": (count,),
        "tuned_db": (count,),
        "output_db": (count,),
        "variation_at_db": (count, n_freq),
        "output_at_db": (count, n_freq),
        "position_m": (count, most, 3),
        "gain_db": (count, most),
        "delay_s": (count, most),
    }
    return {
        **{name: np.full(shape, np.nan) for name, shape in shapes.items()},
        "polarity": np.zeros((count, most), dtype=np.int64),
        "layouts": np.zeros(count, dtype=np.int64),
    }


def _fill(arrays: Mapping[str, NDArray[Any]], index: int, figures: Mapping[str, Any]) -> None:
    """Put one strategy's figures into the arrays; what has fewer subs than the others leaves the rest as it is."""
    for name, values in figures.items():
        if arrays[name].ndim == 1:
            arrays[name][index] = values
        else:
            arrays[name][index, : len(values)] = values


def job_seed(seed: int, *texts: str) -> int:
    """The seed of one search: it follows from the study's seed and from what is searched, not from its number."""
    words = np.frombuffer(sha256("\0".join(texts).encode()).digest(), dtype="<u4")
    return int(np.random.SeedSequence([seed, *words.tolist()]).generate_state(1)[0])
