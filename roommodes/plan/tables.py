"""The plans with one number of subs as arrays, and further points of seats."""

from dataclasses import dataclass, field, fields, replace

import numpy as np
from numpy.typing import NDArray

from roommodes.arrays import Complexes, Floats, Integers

COLUMNS = ("candidate_index", "gain_db", "delay_s", "polarity", "variation_db", "output_db", "level_db")


@dataclass(frozen=True, slots=True, kw_only=True)
class HowFound:
    """How the plans with one number of subs were found.

    Parameters
    ----------
    layouts_searched, layouts_possible : how many layouts were tried, and how many there are. Where not all were
        tried the first is an estimate, rather too high (`solvers.search.problem.Outcome`).
    exhaustive : every layout was tried.
    stop : why the search ended, a sentence.
    seconds : how long it took [s].
    remarks : what else a person should know, in sentences.
    by_aims : the order follows the weights and limits of [search], not variation alone.
    layouts_least_db : proven: no layout of the candidates first given has a smaller variation, with any settings in the
        ranges; 0 where the proof came to nothing, None where none was asked [dB].
    """

    layouts_searched: int
    layouts_possible: int
    exhaustive: bool
    stop: str
    seconds: float
    remarks: tuple[str, ...] = ()
    by_aims: bool = False
    layouts_least_db: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Merits:
    """What else is known of the plans with one number of subs; None where it was not worked out.

    Parameters
    ----------
    alike_db : (n_rank,) variation at the same positions with all subs with identical settings [dB].
    weights_db, weights_output_db : (n_rank,) variation and output with the best weights found at the same positions,
        free at every frequency [dB].
    weights_least_db : (n_rank,) proven: no weights have a smaller variation; 0 where nothing was proven [dB].
    smoothness_db, decay_s : (n_rank,) further aims (`solvers.choice.aims`) [dB], [s].
    headroom_db : (n_rank,) over the target [dB].
    with_mains_db : (n_rank,) variation with the main loudspeakers, where the plans were ordered by it [dB].
    """

    alike_db: Floats | None = None
    weights_db: Floats | None = None
    weights_output_db: Floats | None = None
    weights_least_db: Floats | None = None
    smoothness_db: Floats | None = None
    decay_s: Floats | None = None
    headroom_db: Floats | None = None
    with_mains_db: Floats | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlanTable:
    """The plans with one number of subs, best first.

    Best first means the most even first, unless `found.by_aims`: then the project's weights and limits decide.

    Parameters
    ----------
    candidate_index : (n_rank, n_sub) int64, into the candidates.
    gain_db, delay_s : (n_rank, n_sub) float64 [dB], [s].
    polarity : (n_rank, n_sub) int8, +1 or -1.
    variation_db, output_db : (n_rank,) float64 [dB].
    level_db : (n_rank, n_freq, n_seat) float64, as driven [dB re 1/m].
    found : how they were found.
    merits : what else is known of them.
    """

    candidate_index: Integers
    gain_db: Floats
    delay_s: Floats
    polarity: NDArray[np.int8]
    variation_db: Floats
    output_db: Floats
    level_db: Floats
    found: HowFound
    merits: Merits = field(default_factory=Merits)

    def __len__(self) -> int:
        return len(self.variation_db)

    def only(self, row: int) -> "PlanTable":
        """One plan of them, `row` from 0."""
        part = slice(row, row + 1)
        merits = {entry.name: getattr(self.merits, entry.name) for entry in fields(self.merits)}
        return replace(
            self,
            **{name: getattr(self, name)[part] for name in COLUMNS},
            merits=Merits(**{name: None if values is None else values[part] for name, values in merits.items()}),
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cloud:
    """Further points of seats that are clouds; variation and output of plans take them in, levels do not.

    Parameters
    ----------
    position_m : (n_ear, 3) [m].
    seat : (n_ear,) index of the seat.
    transfer : (n_freq, n_ear, n_candidate) complex128 [1/m].
    """

    position_m: Floats
    seat: NDArray[np.intp]
    transfer: Complexes


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Further:
    """Transfer functions beside those from candidates to seats.

    Parameters
    ----------
    cloud : to further points of seats that are clouds, if any are.
    mains : (n_freq, n_seat, n_main) complex128 from the model's main loudspeakers, without their lower end [1/m]; None
        where the project has none, and in older files.
    """

    cloud: Cloud | None = None
    mains: Complexes | None = None


def expected_bytes(*, n_freq: int, n_seat: int, n_candidate: int, n_plan: int) -> int:
    """About how large a results file will be, for the check before a search [bytes]."""
    return 16 * n_freq * n_seat * n_candidate + (8 * n_freq * n_seat + 2_500) * n_plan + 100_000
