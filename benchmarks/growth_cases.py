"""What `growth` measures: for each axis its sizes, a case of any size, how answers are verified, and what theory gives.

The field's cases are `growth_field`'s; the search has a number of hops that follows the candidates alone, so that it
does not end earlier in an easier room (`search_growth` has whole searches); a study's rooms are done by one worker.
"""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

from benchmarks.growth_field import ALONE, BLOCKS, Found, field_case, field_over, same, same_columns
from benchmarks.rooms_seeded import seeded_room
from benchmarks.study_resume import STUDY
from roommodes.arrays import Floats
from roommodes.responses.metrics import drive_weights, level_db, seat_pressure, variation_db
from roommodes.studies.reading import parse_study
from solvers.search.explore import Effort
from solvers.search.search import search
from solvers.study.job import do_job, run_job
from solvers.study.run import plan_study, run_jobs
from solvers.study.store import opened, store_of
from solvers.study.workers import LocalCrew

EFFORT = Effort(hops=200, patience=60, confirmations=10**6)


@dataclass(frozen=True, slots=True, kw_only=True)
class Axis:
    """One thing that grows.

    Parameters
    ----------
    name, what, setting : of the axis, what its sizes count, and what stays.
    sizes : rising.
    case : for a size and a turn (0, 1) what to measure, all prepared.
    verified : from the answers in the order of the sizes what is wrong with them, or "".
    time, memory : exponents in theory, at most.
    time_why, memory_why : where they come from.
    unknowns : what `Found.unknowns` are.
    """

    name: str
    what: str
    setting: str
    sizes: tuple[int, ...]
    case: Callable[[int, int], Callable[[], Found]]
    verified: Callable[[list[Floats]], str]
    time: float
    time_why: str
    memory: float
    memory_why: str
    unknowns: str = ""


def warm(axis: Axis) -> None:
    """Load the kernels and libraries of an axis."""
    if axis.name.startswith("search"):
        search(seeded_room(1, n_candidate=6, points_per_octave=6), counts=[2, 3], seed=1, running=ALONE)
    elif axis.name.startswith("field"):
        field_case(candidates=1, seats=1, frequencies=2, regions=2)(0, 0)()


def search_over(axis: str) -> Callable[[int, int], Callable[[], Found]]:
    """The search with one of its numbers as the size."""

    def made(size: int, turn: int) -> Callable[[], Found]:
        del turn
        case = {"candidates": 60, "seats": 7, "per_octave": 12, "subs": 4} | {axis: size}
        problem = seeded_room(
            4, n_candidate=case["candidates"], n_seat=case["seats"], points_per_octave=case["per_octave"]
        )

        def call() -> Found:
            (outcome,) = search(problem, counts=[case["subs"]], seed=1, keep=3, effort=EFFORT, running=ALONE)
            plan = outcome.plans[0]
            weights = drive_weights(
                problem.frequency_hz, gain_db=plan.gain_db, delay_s=plan.delay_s, polarity=plan.polarity
            )
            level = level_db(seat_pressure(problem.transfer[:, :, plan.candidate_index], weights))
            return Found(answer=[plan.variation_db, variation_db(level, problem.seat_weight)])

        return call

    return made


def as_judged(answers: list[Floats]) -> str:
    """The variation found must be that of the plain formula."""
    worst = max(abs(float(found - judged)) for found, judged in answers)
    return f"variation is {worst:.1e} dB off the plain formula" if not worst <= 1e-6 else ""


def study_case(size: int, turn: int) -> Callable[[], Found]:
    """A study of some rooms, with its file of jobs; answers 1 where the first room is what this process finds alone."""
    del turn

    def call() -> Found:
        plan = plan_study(parse_study(STUDY.format(count=size), source="growth"))
        with TemporaryDirectory() as folder:
            target = Path(folder) / "study.h5"
            with opened(store_of(target), target):
                records, failures = run_jobs(plan, store_of(target), LocalCrew(run_job, 1), finished={})
        job = plan.jobs[0]
        right = not failures and do_job(job.text, job.key).checksum == records[job.key].checksum
        return Found(answer=[float(right), float(len(records))])

    return call


def all_rooms(answers: list[Floats]) -> str:
    """Every room finished, the first of them as by itself."""
    right = all(ok == 1.0 and count >= size for (ok, count), size in zip(answers, ROOMS, strict=True))
    return "" if right else "rooms are missing or differ from what they are alone"


ROOMS = (4, 8, 16, 32)
_FIELD = "50 candidates, 7 seats, 24 frequencies from 20 to 120 Hz, plaster on four walls"
_SEARCH = "4 of 60 candidates, 7 seats, 31 frequencies, full settings, 200 hops for 60 candidates"
AXES = (
    Axis(
        name="field over candidates",
        what="candidates",
        setting=_FIELD,
        sizes=(50, 200, 800, 1600),
        case=field_over("candidates"),
        verified=same,
        time=1.0,
        time_why="one more column in every sum and system",
        memory=1.0,
        memory_why="seats times candidates, and candidates times boundary modes",
    ),
    Axis(
        name="field over seats",
        what="seats",
        setting=_FIELD,
        sizes=(5, 20, 80, 320),
        case=field_over("seats"),
        verified=same,
        time=1.0,
        time_why="one more row in every sum and system",
        memory=1.0,
        memory_why="seats times candidates, and seats times boundary modes",
    ),
    Axis(
        name="field over frequencies",
        what="frequencies",
        setting=_FIELD,
        sizes=(12, 24, 48, 96, 192),
        case=field_over("frequencies"),
        verified=same,
        time=1.0,
        time_why="one system for each; walls' sums are made once",
        memory=1.0,
        memory_why="the answer alone: a block of frequencies after another",
    ),
    Axis(
        name="field over regions",
        what="regions",
        setting="the same with plaster on one wall only, drawn as so many regions",
        sizes=(4, 8, 16, 32),
        case=field_over("regions"),
        verified=same,
        time=3.0,
        time_why="one system, cubic in the boundary modes; their sums, quadratic, cost more at first",
        memory=2.0,
        memory_why="pairs of boundary modes",
        unknowns="boundary modes",
    ),
    Axis(
        name="field over blocks",
        what="blocks",
        setting="the same room up to 50 Hz with so many columns along one wall",
        sizes=BLOCKS,
        case=field_over("columns"),
        verified=same_columns("columns"),
        time=2.0,
        time_why="unknowns are linear in the blocks, factors of a mesh quadratic in its unknowns",
        memory=4.0 / 3.0,
        memory_why="factors hold unknowns to the power of 4/3",
        unknowns="unknowns",
    ),
    Axis(
        name="field over scattered blocks",
        what="blocks",
        setting="the same with so many columns all over the floor, none in line with another",
        sizes=BLOCKS[:3],
        case=field_over("scattered"),
        verified=same_columns("scattered"),
        time=4.0,
        time_why="each end of a block cuts the whole room: unknowns are quadratic in the blocks",
        memory=8.0 / 3.0,
        memory_why="the same",
        unknowns="unknowns",
    ),
    Axis(
        name="search over candidates",
        what="candidates",
        setting=_SEARCH,
        sizes=(60, 120, 240),
        case=search_over("candidates"),
        verified=as_judged,
        time=1.0,
        time_why="as many hops for each candidate, up to a limit; each looks at 32 places",
        memory=1.0,
        memory_why="one column each",
    ),
    Axis(
        name="search over seats",
        what="seats",
        setting=_SEARCH,
        sizes=(5, 10, 20, 40),
        case=search_over("seats"),
        verified=as_judged,
        time=1.0,
        time_why="one more pressure at each frequency",
        memory=1.0,
        memory_why="one row each",
    ),
    Axis(
        name="search over frequencies",
        what="an octave",
        setting=_SEARCH,
        sizes=(6, 12, 24, 48),
        case=search_over("per_octave"),
        verified=as_judged,
        time=1.0,
        time_why="one more pressure at each seat",
        memory=1.0,
        memory_why="one row each",
    ),
    Axis(
        name="search over subs",
        what="subs",
        setting=_SEARCH,
        sizes=(4, 6, 8, 12),
        case=search_over("subs"),
        verified=as_judged,
        time=3.0,
        time_why="a landing visits every sub, and each visit's polish takes pairs of them",
        memory=1.0,
        memory_why="one slot each",
    ),
    Axis(
        name="study over rooms",
        what="rooms",
        setting="two strategies with given places, one worker",
        sizes=ROOMS,
        case=study_case,
        verified=all_rooms,
        time=1.0,
        time_why="one job each",
        memory=1.0,
        memory_why="one record each",
    ),
)
