"""The plan that a sheet is made from: a results file, its project, and one plan of it."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import typer

from roommodes.arrays import Floats
from roommodes.errors import FileUnusable
from roommodes.plan.crossover import CrossoverRecord
from roommodes.plan.file import PlanTable, Results, read_results
from roommodes.plan.starting_values import Filter, StartingValues, starting_values
from roommodes.project.project import Project
from roommodes.project.reading import parse_project

MEASURED_UNIT = "dB re one measured sub"  # of measurements that do not know how loud it was


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ChosenPlan:
    """One plan of a results file.

    Parameters
    ----------
    results, project : the file and the project in it.
    count, rank : which plan; rank 0 is the best.
    positions_m : (count, 3) [m].
    zones : (count,) names.
    gain_db, delay_s, polarity : (count,) [dB], [s], +1 or -1.
    variation_db, output_db : [dB].
    level_db : (n_freq, n_seat), the loudest sub at its limit [dB re 1/m].
    """

    results: Results
    project: Project
    count: int
    rank: int
    positions_m: Floats
    zones: tuple[str, ...]
    gain_db: tuple[float, ...]
    delay_s: tuple[float, ...]
    polarity: tuple[int, ...]
    variation_db: float
    output_db: float
    level_db: Floats

    def values(self, rate_hz: float, filters: tuple[Filter, ...] = ()) -> StartingValues:
        """What is dialled in, for a sample rate [Hz]."""
        return starting_values(
            positions_m=self.positions_m.tolist(),
            zones=self.zones,
            gain_db=self.gain_db,
            delay_s=self.delay_s,
            polarity=self.polarity,
            room=self.project.room(),
            rate_hz=rate_hz,
            filters=filters,
            crossover=self.crossover,
        )

    @property
    def crossover(self) -> CrossoverRecord | None:
        """How this plan meets the mains, if the file says so."""
        record = self.results.crossover
        return record if record and (record.subs, record.rank) == (self.count, self.rank) else None

    @property
    def limit_db(self) -> Floats | None:
        """Highest clean level of one sub at 1 m: (n_freq,) [dB SPL]; None where nothing says it of these responses."""
        record = self.results.measured
        unknown = record is not None and not record.absolute
        return None if unknown else self.project.highest_level_db(self.results.frequency_hz)

    @property
    def level_unit(self) -> str:
        """What levels at the seats count from."""
        if self.limit_db is not None:
            return "dB SPL"
        record = self.results.measured
        return "dB re one sub at 1 m" if record is None or record.absolute else MEASURED_UNIT

    @property
    def table(self) -> PlanTable:
        """All plans with so many subs."""
        return self.results.plans[self.count]

    @property
    def recommended(self) -> bool:
        """Whether this is the plan to build, over all numbers of subs."""
        return self.rank == 0 and self.count == recommended_count(self.results, self.project)

    @property
    def fingerprint(self) -> str:
        """The first twelve digits of the project's SHA-256."""
        return self.project.sha256[:12]


def recommended_count(results: Results, project: Project) -> int:
    """How many subs to build, as the search recommended; where the file does not say, by variation and their worth.

    Parameters
    ----------
    results, project : the file and the project in it.
    """
    advice = results.choices.recommendation
    if advice is not None and advice.subs in results.plans:
        return advice.subs
    worth = project.search.weights.subs  # what each further sub must take off the variation [dB]
    return min(results.plans, key=lambda count: float(results.plans[count].variation_db[0]) + worth * count)


def settled_plan(results: Results) -> tuple[int, int] | None:
    """Number of subs and rank of the plan that was tuned, or that meets the mains; None where no plan is settled."""
    settled = results.tuning or results.crossover
    return (settled.subs, settled.rank) if settled else None


def choose_plan(path: Path, *, subs: int | None = None, rank: int | None = None) -> ChosenPlan:
    """Read a results file and choose a plan of it; left open, the one that was settled, else the recommended one.

    Raises
    ------
    FileUnusable : the file cannot be read.
    ProjectInvalid : the project in it is not valid.
    typer.BadParameter : it has no such plan.
    """
    results = read_results(path)
    project = parse_project(results.project_toml, source=f"{path} (project inside)")
    if not results.plans:
        raise FileUnusable(f"{path}: holds no plan; run optimise again and let it finish")
    counts = ", ".join(str(count) for count in results.plans)
    if subs is not None and subs not in results.plans:
        raise typer.BadParameter(
            f"got {subs}; this file has plans with {counts} subs; choose one of them or run optimise with "
            f"--counts {subs}",
            param_hint="--subs",
        )
    settled = settled_plan(results)
    count = subs or (settled[0] if settled else recommended_count(results, project))
    rank = rank or (settled[1] + 1 if settled and settled[0] == count else 1)
    table = results.plans[count]
    ranks = len(table.variation_db)
    if rank > ranks:
        raise typer.BadParameter(f"got {rank}; allowed: 1 to {ranks} for {count} subs", param_hint="--rank")
    row = rank - 1
    index = table.candidate_index[row]
    return ChosenPlan(
        results=results,
        project=project,
        count=count,
        rank=row,
        positions_m=np.asarray(results.candidates.position_m[index]),
        zones=tuple(results.candidates.zone[one] for one in index),
        gain_db=tuple(table.gain_db[row].tolist()),
        delay_s=tuple(table.delay_s[row].tolist()),
        polarity=tuple(int(sign) for sign in table.polarity[row]),
        variation_db=float(table.variation_db[row]),
        output_db=float(table.output_db[row]),
        level_db=np.asarray(table.level_db[row] - table.gain_db[row].max()),
    )
