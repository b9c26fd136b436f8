"""What `growth` measures: for each axis its sizes, a case of any size, how answers are verified, and what theory gives.

The field is of a room of 6.1 x 4.3 x 2.6 m up to 120 Hz, 50 Hz with blocks; the search has a number of hops that
follows the candidates alone, so that it does not end earlier in an easier room (`search_growth` has whole searches);
a study's rooms are done by one worker.
"""

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from benchmarks.rooms_seeded import seeded_room
from benchmarks.study_resume import STUDY
from roommodes.acoustics.precision import Precision
from roommodes.acoustics.room import Room, Surface
from roommodes.acoustics.room_boundary import families_of
from roommodes.acoustics.transfer import transfer_function
from roommodes.acoustics.wall_laws import ConstantAdmittance
from roommodes.arrays import Complexes, Floats
from roommodes.elements.solution import solved
from roommodes.responses.metrics import drive_weights, level_db, seat_pressure, variation_db
from roommodes.running import Running
from roommodes.shapes.solids import Block
from roommodes.studies.reading import parse_study
from solvers.search.explore import Effort
from solvers.search.search import search
from solvers.study.job import do_job, run_job
from solvers.study.run import plan_study, run_jobs
from solvers.study.store import opened, store_of
from solvers.study.workers import LocalCrew

SIZE_M = (6.1, 4.3, 2.6)
HIGHEST_HZ, LOWER_HZ = 120.0, 50.0  # boxes, and rooms with blocks
SAME, SAME_SHAPE = 1e-4, 1e-2  # of the receivers' rms: boxes, and other rooms
SHOWN = 3  # sources and seats whose answers are compared
PLASTER = ConstantAdmittance(beta_re=0.03, beta_im=0.02)
ALONE = Running(threads=1)
EFFORT = Effort(hops=200, patience=60, confirmations=10**6)
COLUMN_M = 0.2


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """What one call answers: numbers to compare, and how many unknowns it solved for (0 where nobody asks)."""

    answer: list[float]
    unknowns: int = 0


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


def field_case(
    *, candidates: int = 50, seats: int = 7, frequencies: int = 24, regions: int = 0, columns: int = 0, cut: int = 1
) -> Callable[[int, int], Callable[[], Found]]:
    """A maker of cases of the field.

    Parameters
    ----------
    candidates, seats, frequencies : how many.
    regions : into which one wall of plaster is drawn; 0 for four whole walls.
    columns : blocks along the left wall.
    cut : into how many blocks each of them is drawn, one on the other.
    """

    highest_hz = LOWER_HZ if columns else HIGHEST_HZ

    def made(size: int, turn: int) -> Callable[[], Found]:
        del size
        room = Room(
            length_m=SIZE_M[0] + 1e-6 * turn,  # another room: no shape is remembered from the turn before
            width_m=SIZE_M[1],
            height_m=SIZE_M[2],
            blocks=_columns(columns, cut),
        )
        hz = np.geomspace(20.0, highest_hz, frequencies)
        seat_m = _points(seats, (2.9, 0.9, 1.0), (2.4, 2.5, 0.4), 0.5)
        source_m = _points(candidates, (0.7, 0.9, 0.4), (1.8, 2.5, 1.6), 0.0)
        walls = _regions(room, regions) if regions else _whole_walls(room)

        def call() -> Found:
            response = transfer_function(room, walls, frequency_hz=hz, seat_m=seat_m, source_m=source_m, running=ALONE)
            shown = response[[0, -1], :SHOWN, :SHOWN]  # the ends of the band are in every grid
            unknowns = 0
            if columns:
                unknowns = solved(room.shape, 2.0 * np.pi * highest_hz / room.air.speed_of_sound_m_s, ALONE).mesh.size
            elif regions:
                families = families_of(
                    room, walls, frequency_hz=hz, seat_m=seat_m, source_m=source_m, precision=Precision()
                )
                unknowns = sum(family.size for family in families)
            return Found(answer=_numbers(shown), unknowns=unknowns)

        return call

    return made


def field_over(axis: str) -> Callable[[int, int], Callable[[], Found]]:
    """The field with one of `field_case`'s numbers as the size."""
    return lambda size, turn: field_case(**{axis: size})(size, turn)


def _points(count: int, corner_m: tuple[float, ...], extent_m: tuple[float, ...], shift: float) -> Floats:
    """Points of a sequence in a box, the same first ones however many: (count, 3) [m]."""
    steps = np.array([0.8191725134, 0.6710436067, 0.5497004779])  # powers of the root of x^4 = x + 1
    share = (shift + np.arange(1, count + 1)[:, None] * steps) % 1.0
    return np.asarray(np.array(corner_m) + np.array(extent_m) * share)


def _whole_walls(room: Room) -> tuple[Surface, ...]:
    return tuple(
        Surface(wall=wall, from_m=(0.0, 0.0), to_m=room.wall_size_m(wall), law=PLASTER)
        for wall in ("front", "rear", "right", "ceiling")
    )


def _regions(room: Room, count: int) -> tuple[Surface, ...]:
    """The right wall in two rows of regions side by side."""
    length, height = room.wall_size_m("right")
    along = np.linspace(0.0, length, count // 2 + 1)
    rows = ((0.0, 0.5 * height), (0.5 * height, height))
    return tuple(
        Surface(wall="right", from_m=(float(a), low), to_m=(float(b), high), law=PLASTER)
        for a, b in pairwise(along)
        for low, high in rows
    )


def _columns(count: int, cut: int) -> tuple[Block, ...]:
    """Columns from floor to ceiling along the left wall, each of some blocks one on the other."""
    at = (np.arange(count) + 0.5) * SIZE_M[0] / max(count, 1)
    levels = np.linspace(0.0, SIZE_M[2], cut + 1)
    return tuple(
        Block(
            name=f"column {k + 1}.{j + 1}",
            low_m=(float(x) - 0.5 * COLUMN_M, 0.0, float(levels[j])),
            high_m=(float(x) + 0.5 * COLUMN_M, COLUMN_M, float(levels[j + 1])),
        )
        for k, x in enumerate(at)
        for j in range(cut)
    )


def _numbers(values: Complexes) -> list[float]:
    return [*values.real.ravel().tolist(), *values.imag.ravel().tolist()]


def apart(answers: list[Floats], most: float) -> str:
    """What is wrong where all sizes must answer the same."""
    rms = float(np.sqrt((answers[0] ** 2).mean()))
    worst = max(float(np.abs(other - answers[0]).max()) / rms for other in answers)
    return f"answers differ by {worst:.1e} of the rms" if not worst <= most else ""


def same(answers: list[Floats]) -> str:
    """The first sources, seats and the ends of the band are in every size, and the wall is the same."""
    return apart(answers, SAME)


def same_columns(answers: list[Floats]) -> str:
    """Each size differs from the others; the smallest must answer the same where each column is drawn as two blocks."""
    again = field_case(columns=BLOCKS[0], cut=2)(0, 0)()
    return apart([answers[0], np.array(again.answer)], SAME_SHAPE)


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


BLOCKS = (2, 4, 8, 16)
ROOMS = (4, 8, 16, 32)
_FIELD = "50 candidates, 7 seats, 24 frequencies from 20 to 120 Hz, plaster on four walls"
_SEARCH = "4 of 60 candidates, 7 seats, 31 frequencies, full settings, 200 hops for 60 candidates"
AXES = (
    Axis(
        name="field over candidates",
        what="candidates",
        setting=_FIELD,
        sizes=(50, 100, 200, 400, 800, 1600),
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
        time_why="one boundary system, cubic in its modes; their sums quadratic",
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
        verified=same_columns,
        time=2.0,
        time_why="factors of a mesh, quadratic in its unknowns, which are linear in planes of one axis",
        memory=4.0 / 3.0,
        memory_why="what such factors hold",
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
