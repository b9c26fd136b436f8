"""From a project to its plans: the one path that the command line, notebooks and studies share.

Project -> Problem (transfer functions) -> Outcomes (the search) -> Results (what is stored); and, for a layout
that is given, Project -> Prediction. One kind of progress report runs through all of it.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from math import isfinite

import numpy as np
from numpy.typing import NDArray

from roommodes import __version__
from roommodes.advice import decay_estimate_s, null_warnings, project_warnings
from roommodes.decay import BuiltMode, built_modes
from roommodes.errors import Fault, ProjectInvalid, RoommodesError
from roommodes.frequency import log_grid
from roommodes.metrics import drive_weights, level_db, output_db, seat_pressure, variation_db
from roommodes.modes import crossover_hz, mode_density_per_hz
from roommodes.project import Project
from roommodes.project_file import parse_project
from roommodes.results import Results, expected_bytes
from roommodes.seating import Seats
from roommodes.transfer import transfer_function
from solvers.judge import Around, Judged, judge, plain
from solvers.problem import Outcome, Problem, Progress
from solvers.rows import row_places
from solvers.search import search
from solvers.wishes import drives_of, wishes_of
from solvers.worth import usual_places

Floats = NDArray[np.float64]

KEPT_PLANS = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """How far a job is.

    Parameters
    ----------
    stage : what is being done, in words.
    fraction : 0 to 1 of that stage.
    note : the best so far, in words.
    """

    stage: str
    fraction: float
    note: str = ""


Report = Callable[[Step], None]
Cancelled = Callable[[], bool]


class Interrupted(RoommodesError):
    """The job was asked to stop before it had anything to keep."""

    exit_code = 130


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Prediction:
    """What the seats hear from the layout in the project.

    Parameters
    ----------
    frequency_hz : (n_freq,) [Hz].
    seats : where the listeners are.
    level_db : (n_freq, n_seat), the loudest sub at its limit [dB re 1/m].
    sound_pressure_db : (n_freq, n_seat), the same as the highest clean level [dB re 20 uPa]; None when the
        project does not say how loud a sub can play.
    variation_db, output_db : of the layout [dB].
    """

    frequency_hz: Floats
    seats: Seats
    level_db: Floats
    sound_pressure_db: Floats | None
    variation_db: float
    output_db: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomFindings:
    """What a room does by itself.

    Parameters
    ----------
    modes : up to the end of the search's band, with rigid walls and as built.
    density_low_per_hz, density_high_per_hz : modal density at both ends of the band [1/Hz].
    decay_time_s : near the end of the band [s].
    crossover_hz : where single modes give way to statistics [Hz].
    warnings : sentences.
    """

    modes: tuple[BuiltMode, ...]
    density_low_per_hz: float
    density_high_per_hz: float
    decay_time_s: float
    crossover_hz: float
    warnings: tuple[str, ...]


def build_problem(
    project: Project,
    *,
    report: Report | None = None,
    cancelled: Cancelled | None = None,
    threads: int | None = None,
) -> Problem:
    """Transfer functions from every candidate to every seat, with what the search may adjust.

    Parameters
    ----------
    project : the project.
    report : called with the progress.
    cancelled : asked now and then; when true the work is dropped.
    threads : how many at most; None for as many as there are cores.

    Raises
    ------
    Interrupted : when cancelled.
    OutsideModel, ProjectInvalid : the model or the search cannot take this project.
    """
    return _with_surroundings(project, report, cancelled, threads)[0]


def _with_surroundings(
    project: Project,
    report: Report | None,
    cancelled: Cancelled | None,
    threads: int | None,
) -> tuple[Problem, Around]:
    """The problem, and what the usual layouts and moved rows need, from one call of the model.

    It is the same whatever counts are searched, so that not even the last digit depends on them.
    """
    wishes = project.search
    frequency_hz = log_grid(*wishes.band_hz, wishes.points_per_octave)
    seats, candidates = project.seats(), project.candidates()
    if not len(candidates):
        message = "there is none, so no sub can stand anywhere; add a [[zones]] table with from_m and to_m"
        raise ProjectInvalid(project.source, [Fault(where="zones", message=message)])
    n_seat, n_candidate = len(seats), len(candidates)
    rows = row_places(project, n_freq=len(frequency_hz))
    ears_m = seats.position_m if rows is None else np.concatenate([seats.position_m, rows.moved_m])
    usual = usual_places(project, ears_m)
    source_m = np.concatenate([candidates.position_m, usual.position_m])
    whole = _transfer(project, frequency_hz, ears_m, source_m, report, cancelled, threads)
    transfer = whole[:, :n_seat, :n_candidate]
    problem = Problem(
        frequency_hz=frequency_hz,
        transfer=transfer,
        seat_weight=seats.weight,
        drives=drives_of(project),
        mirror_of=candidates.mirror_of if wishes.mirror else None,
        wishes=wishes_of(project, candidates),
    )
    around = Around(
        usual=usual,
        usual_transfer=whole[:, :n_seat, n_candidate:],
        rows=rows,
        rows_transfer=whole[:, :, :n_candidate],
    )
    return problem, around


def solve(
    project: Project,
    *,
    counts: Sequence[int] | None = None,
    seed: int | None = None,
    threads: int | None = None,
    report: Report | None = None,
    cancelled: Cancelled | None = None,
) -> Results:
    """The whole job: transfer functions, search, what speaks for each plan, results ready to be written.

    Parameters
    ----------
    project : the project.
    counts, seed : in place of the project's own.
    threads : how many at most; None for as many as there are cores. Plans do not depend on it.
    report : called with the progress.
    cancelled : asked now and then; when true the best so far is returned.

    Raises
    ------
    Interrupted : cancelled before the first plan was found.
    OutsideModel, ProjectInvalid : the model or the search cannot take this project.
    """
    seed = project.search.seed if seed is None else seed
    counts = tuple(counts or project.search.counts)
    problem, around = _with_surroundings(project, report, cancelled, threads)
    outcomes = search(
        problem,
        counts=counts,
        seed=seed,
        keep=KEPT_PLANS,
        threads=threads,
        progress=_search_report(report) if report else None,
        cancelled=cancelled,
    )
    if report:
        report(Step(stage="search", fraction=1.0))
    if not any(outcome.plans for outcome in outcomes):
        if cancelled and cancelled():
            raise Interrupted("interrupted before the first plan was found; nothing was written")
        counts_text = ", ".join(str(count) for count in counts)
        message = f"got {counts_text}: {outcomes[0].stop}; ask for fewer subs or give more candidates"
        raise ProjectInvalid(project.source, [Fault(where="search.counts", message=message)])
    judged = judge(
        problem,
        outcomes,
        wishes=project.search,
        seed=seed,
        keep=KEPT_PLANS,
        around=around,
        threads=threads,
        report=(lambda note, fraction: report(Step(stage="choice", fraction=fraction, note=note))) if report else None,
        cancelled=cancelled,
    )
    return results_from(project, problem, outcomes, seed=seed, judged=judged)


def results_from(
    project: Project,
    problem: Problem,
    outcomes: Sequence[Outcome],
    *,
    seed: int | None = None,
    judged: Judged | None = None,
) -> Results:
    """What is stored: the project, the transfer functions and the plans of every count that has any.

    Parameters
    ----------
    project, problem, outcomes : what was asked and what came out.
    seed : of the search, where it was not the project's own.
    judged : the plans in the order of all aims, and what helps to choose; left out, as the search left them.
    """
    judged = judged or plain(outcomes)
    return Results(
        project_toml=project.toml_text,
        project_sha256=project.sha256,
        seed=project.search.seed if seed is None else seed,
        software_version=__version__,
        created_utc=datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        frequency_hz=problem.frequency_hz,
        seats=project.seats(),
        candidates=project.candidates(),
        transfer=problem.transfer,
        plans=judged.plans,
        choices=judged.choices,
    )


def solve_again(results: Results, *, threads: int | None = None) -> Results:
    """Run the search of a results file anew from what the file holds alone.

    An uninterrupted search gives the same plans.
    """
    project = parse_project(results.project_toml, source="project_toml")
    return solve(project, counts=tuple(results.plans), seed=results.seed, threads=threads)


def expected_results_bytes(project: Project, counts: Sequence[int]) -> int:
    """About how large the results file will be, known before the search [bytes]."""
    wishes = project.search
    return expected_bytes(
        n_freq=len(log_grid(*wishes.band_hz, wishes.points_per_octave)),
        n_seat=len(project.seats()),
        n_candidate=len(project.candidates()),
        n_plan=KEPT_PLANS * len(counts),
    )


def predict_layout(project: Project, *, report: Report | None = None, cancelled: Cancelled | None = None) -> Prediction:
    """Level at every seat for the layout in the project.

    Parameters
    ----------
    project : with a layout.
    report, cancelled : as for `build_problem`.

    Raises
    ------
    ProjectInvalid : the project has no layout.
    Interrupted : when cancelled.
    OutsideModel : the model cannot take this project.
    """
    layout = project.layout
    if layout is None:
        raise ProjectInvalid(
            project.source,
            [
                Fault(
                    where="layout",
                    message="there is none; add a [layout] table with positions_m and, if you like, gain_db, "
                    "delay_ms and polarity",
                )
            ],
        )
    wishes = project.search
    frequency_hz = log_grid(*wishes.band_hz, wishes.points_per_octave)
    seats = project.seats()
    transfer = _transfer(project, frequency_hz, seats.position_m, np.array(layout.positions_m), report, cancelled)
    gain_db = np.array(layout.gain_db) - max(layout.gain_db)  # the loudest sub stands at its limit
    weights = drive_weights(
        frequency_hz, gain_db=gain_db, delay_s=np.array(layout.delay_ms) * 1e-3, polarity=layout.polarity
    )
    level = level_db(seat_pressure(transfer, weights))
    limit = project.subwoofer.max_level_1m_db
    return Prediction(
        frequency_hz=frequency_hz,
        seats=seats,
        level_db=level,
        sound_pressure_db=None if limit is None else level + limit.at(frequency_hz)[:, None],
        variation_db=variation_db(level, seats.weight),
        output_db=output_db(level, seats.weight, gain_db),
    )


def examine(project: Project, *, report: Report | None = None) -> RoomFindings:
    """The room's modes as built, their density, where statistics begin, and warnings.

    Parameters
    ----------
    project : the project.
    report : called with the progress.
    """
    room, surfaces = project.room(), project.surfaces()
    low_hz, high_hz = project.search.band_hz

    def progress(done: int, total: int) -> None:
        if report:
            report(Step(stage="modes", fraction=done / total))

    if report:
        report(Step(stage="modes", fraction=0.0))
    modes = built_modes(room, surfaces, max_hz=high_hz, progress=progress)
    decay_time_s = decay_estimate_s(room, surfaces, hz=high_hz)
    low_density, high_density = mode_density_per_hz(room, np.array([low_hz, high_hz]))
    return RoomFindings(
        modes=modes,
        density_low_per_hz=float(low_density),
        density_high_per_hz=float(high_density),
        decay_time_s=decay_time_s,
        crossover_hz=crossover_hz(room, decay_time_s),
        warnings=(*project_warnings(project), *null_warnings(modes, project.seats())),
    )


def _transfer(
    project: Project,
    frequency_hz: Floats,
    seat_m: Floats,
    source_m: Floats,
    report: Report | None,
    cancelled: Cancelled | None,
    threads: int | None = None,
) -> NDArray[np.complex128]:
    """Transfer functions in the project's room, with progress and a way out."""

    def progress(done: int, total: int) -> None:
        if cancelled and cancelled():
            raise Interrupted("interrupted while the room was computed; nothing was written")
        if report:
            report(Step(stage="room", fraction=done / total))

    if report:
        report(Step(stage="room", fraction=0.0))
    return transfer_function(
        project.room(),
        project.surfaces(),
        frequency_hz=frequency_hz,
        seat_m=seat_m,
        source_m=source_m,
        progress=progress,
        threads=threads,
    )


def _search_report(report: Report) -> Callable[[Progress], None]:
    """The search's progress as steps of the job."""

    def take(progress: Progress) -> None:
        best = f"best so far {progress.best_db:.2f} dB" if isfinite(progress.best_db) else ""
        subs = "1 sub" if progress.count == 1 else f"{progress.count} subs"
        note = f"{subs}, {progress.stage}; {best}" if best else f"{subs}, {progress.stage}"
        report(Step(stage="search", fraction=progress.fraction, note=note))

    return take
