"""`Plan`, positions with their settings and what the seats hear, and `Results`, all that one search gave."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roommodes.arrays import Complexes, Floats, Integers
from roommodes.errors import NoSuchPlan
from roommodes.filters.sections import section_response
from roommodes.places.seats import Seats
from roommodes.places.zones import Candidates
from roommodes.plan.choices import Choices
from roommodes.plan.crossover import CrossoverRecord
from roommodes.plan.drives import Drives
from roommodes.plan.front_ranks import FROM_FRONT, of_front
from roommodes.plan.judged import judged_table
from roommodes.plan.kinds import PlanKinds
from roommodes.plan.labelled import plan_dataset, results_dataset
from roommodes.plan.measured import MeasuredRecord
from roommodes.plan.questions import PlanQuestions, ResultsQuestions
from roommodes.plan.response import Response
from roommodes.plan.tables import Further, HowFound, Merits, PlanTable, expected_bytes
from roommodes.plan.tuning import Tuning
from roommodes.plan.wiring import Wired, common_limit_db, wired_at
from roommodes.project.project import Project
from roommodes.responses.metrics import direct_sound_s, seat_pressure
from roommodes.storage.stamp import HasMade, Made

if TYPE_CHECKING:
    import xarray

MEASURED_UNIT = "dB re one measured sub"  # of measurements that do not know how loud it was
MODEL_UNIT = "dB re one sub at 1 m"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Plan(PlanKinds, PlanQuestions):
    """Where the subs stand, how each is set, and what the seats hear of it.

    One level reference holds everywhere: levels are as driven, 20 lg |p| with p the sum of the subs' drives times
    their transfer functions, re 1/m. 0 dB is one sub with a gain of 0 dB at 1 m, free field; where the responses were
    measured without a known level, it is the mean level of one measured sub at the seats. `to_limit_db` is the one
    named offset: added to a level it gives that with the loudest sub at its limit, whatever the plan's gains are.

    Parameters
    ----------
    results : what it stands in: project, frequency grid, seats, transfer functions, measurements, the other plans.
    rank : among those with as many subs, from 1.
    candidate_index : (n_sub,) which of the results' candidates.
    drives : gain, delay and polarity of each sub.
    variation_db, output_db : by its drives alone, without filters [dB].
    level_db : (n_freq, n_seat) as driven, without filters [dB re 1/m].
    tuning : its filters, those of single subs and those that all share, and what they do; None where it has none.
    crossover : how it meets the main loudspeakers; None where that was not settled.
    """

    results: Results
    rank: int
    candidate_index: Integers
    drives: Drives
    variation_db: float
    output_db: float
    level_db: Floats
    tuning: Tuning | None = None
    crossover: CrossoverRecord | None = None

    # -- where and what ------------------------------------------------------------------------------------------------

    @property
    def subs(self) -> int:
        """How many subs."""
        return len(self.drives)

    @property
    def row(self) -> int:
        """Its place in the table of plans with as many subs, from 0."""
        return self.rank - 1

    @property
    def table(self) -> PlanTable:
        """All plans with as many subs."""
        return self.results.plans[self.subs]

    @property
    def positions_m(self) -> Floats:
        """(n_sub, 3) acoustic centres [m]."""
        return np.asarray(self.results.candidates.position_m[self.candidate_index])

    @property
    def zones(self) -> tuple[str, ...]:
        """(n_sub,) names of the zones in which they stand."""
        return tuple(self.results.candidates.zone[one] for one in self.candidate_index)

    @property
    def project(self) -> Project:
        """The project."""
        return self.results.project

    @property
    def frequency_hz(self) -> Floats:
        """(n_freq,) [Hz]."""
        return self.results.frequency_hz

    @property
    def seats(self) -> Seats:
        """Where the listeners are."""
        return self.results.seats

    @property
    def measured(self) -> MeasuredRecord | None:
        """The measurements, if it rests on such and not on the model."""
        return self.results.measured

    @property
    def transfer(self) -> Complexes:
        """(n_freq, n_seat, n_sub) from its positions [1/m]."""
        return self.results.transfer[:, :, self.candidate_index]

    @property
    def arrival_s(self) -> Floats:
        """(n_seat, n_sub) direct sound of each sub, after the earliest sub's signal [s]."""
        speed = self.project.room.air.speed_of_sound_m_s
        return direct_sound_s(self.positions_m, self.drives.delay_s, self.seats.position_m, speed_m_s=speed)

    @property
    def recommended(self) -> bool:
        """Whether this is the plan to build, over all numbers of subs."""
        return self.rank == 1 and self.subs == self.results.recommended_subs

    @property
    def wired(self) -> Wired:
        """Which sub hangs on which channel of which amplifier."""
        raised_db = self.project.raised_db(self.candidate_index)
        return wired_at(self.project, self.drives, self.positions_m, raised_db, self.kind)

    # -- levels --------------------------------------------------------------------------------------------------------

    @property
    def to_limit_db(self) -> float:
        """Added to a level as driven it gives the level with the loudest sub at its limit [dB]."""
        return self.drives.to_limit_db

    @property
    def level_at_limit_db(self) -> Floats:
        """(n_freq, n_seat) the loudest sub at its limit [dB re 1/m]."""
        return np.asarray(self.level_db + self.to_limit_db)

    @property
    def highest_level_db(self) -> Floats | None:
        """(n_freq, n_seat) the highest clean level [dB re 20 uPa]; None where nothing says how loud a sub plays."""
        limit = self.limit_db
        return None if limit is None else self.level_at_limit_db + limit[:, None]

    @property
    def limit_db(self) -> Floats | None:
        """(n_freq,) level at 1 m of the loudest sub when the first meets its limit [dB SPL]; None: not known."""
        known = self.results.loudness_known
        return common_limit_db(self.project, self.drives, self.frequency_hz, self.wired) if known else None

    def filter_response(self, frequency_hz: Floats, *, shared: bool = True) -> Complexes:
        """Response of the filters in each sub's path: (n_freq,) [Hz] -> (n_freq, n_sub), ones without filters.

        `shared` says whether those that all subs share are in it.
        """
        if self.tuning is None:
            return np.ones((len(frequency_hz), self.subs), dtype=np.complex128)
        rate = self.tuning.settings.sample_rate_hz
        paths = [self.tuning.of_sub(sub) for sub in range(self.subs)] if shared else self.tuning.sub_filters
        return np.array([section_response(path, frequency_hz, rate_hz=rate) for path in paths]).T

    def weights(self, frequency_hz: Floats, *, shared: bool = True) -> Complexes:
        """Drives and filters together: (n_freq,) [Hz] -> (n_freq, n_sub); `shared` as for `filter_response`."""
        return np.asarray(self.drives.weights(frequency_hz) * self.filter_response(frequency_hz, shared=shared))

    def response(self, *, filters: bool = True) -> Response:
        """Complex pressure at every seat: drives and filters in it, the crossover to the mains not.

        Parameters
        ----------
        filters : with the plan's filters, if it was tuned; False for the drives alone.
        """
        transfer, weight = self.results.ears()
        hz = self.frequency_hz
        weights = self.weights(hz) if filters else self.drives.weights(hz)
        everywhere = seat_pressure(transfer[:, :, self.candidate_index], weights)
        return Response(frequency_hz=hz, seats=self.seats, everywhere=everywhere, weight=weight)

    def to_xarray(self) -> xarray.Dataset:
        """Positions, drives and levels with their axes named; PackageMissing without xarray."""
        return plan_dataset(self)

    # -- what if -------------------------------------------------------------------------------------------------------

    def with_drives(
        self,
        drives: Drives | None = None,
        *,
        gain_db: ArrayLike | None = None,
        delay_s: ArrayLike | None = None,
        polarity: ArrayLike | None = None,
    ) -> Plan:
        """The same positions with other drives, judged again; without filters and crossover, which were not for these.

        Parameters
        ----------
        drives : all of them; else the plan's own.
        gain_db, delay_s, polarity : (n_sub,) in place of those [dB], [s], +1 or -1.

        Raises
        ------
        ProjectInvalid : not one value for every sub, or one that no processor has.
        """
        own = drives or self.drives
        asked = Drives(
            gain_db=own.gain_db if gain_db is None else np.asarray(gain_db, dtype=np.float64),
            delay_s=own.delay_s if delay_s is None else np.asarray(delay_s, dtype=np.float64),
            polarity=own.polarity if polarity is None else np.asarray(polarity, dtype=np.int64),
        )
        return self.results.judged(self.candidate_index, asked)

    def alone(self) -> Results:
        """The results with this plan and no other, its filters and its crossover."""
        one = self.table.only(self.row)
        tuning = self.tuning and replace(self.tuning, place=(self.subs, 0))
        crossover = self.crossover and replace(self.crossover, rank=0)
        return replace(self.results, plans={self.subs: one}, choices=Choices(), tuning=tuning, crossover=crossover)

    def kept(self) -> Results:
        """The results with this plan's filters and crossover, and no other's: a file carries one plan's settings."""
        return replace(self.results, tuning=self.tuning, crossover=self.crossover)


@dataclass(frozen=True, slots=True, kw_only=True)
class Results(ResultsQuestions, HasMade):
    """All that a plan file holds.

    Parameters
    ----------
    project : what was asked.
    made : seed of the search, version of the program, when.
    frequency_hz : (n_freq,) [Hz], rising.
    seats : where the listeners are.
    candidates : where a sub may stand.
    transfer : (n_freq, n_seat, n_candidate) complex128 [1/m].
    further : transfer functions of seats that are clouds, and from the model's main loudspeakers.
    plans : number of subs -> plans.
    choices : what helps to choose among them.
    tuning : filters of one of the plans, if any were made.
    crossover : how one of the plans meets the mains, if that was settled.
    measured : the measurements, if the plans were searched on such and not on the model.
    """

    project: Project
    made: Made
    frequency_hz: Floats
    seats: Seats
    candidates: Candidates
    transfer: NDArray[np.complex128]
    plans: Mapping[int, PlanTable]
    further: Further = field(default_factory=Further)
    choices: Choices = field(default_factory=Choices)
    tuning: Tuning | None = None
    crossover: CrossoverRecord | None = None
    measured: MeasuredRecord | None = None

    def to_xarray(self) -> xarray.Dataset:
        """Transfer functions and the best plan of each number of subs, axes named; PackageMissing without xarray."""
        return results_dataset(self)

    @property
    def size_bytes(self) -> int:
        """About how large the file will be [bytes]."""
        n_freq, n_seat, n_candidate = self.transfer.shape
        n_plan = sum(len(table) for table in self.plans.values())
        return expected_bytes(n_freq=n_freq, n_seat=n_seat, n_candidate=n_candidate, n_plan=n_plan)

    # -- the plans -----------------------------------------------------------------------------------------------------

    def plan(self, subs: int | None = None, rank: int | None = None) -> Plan:
        """One plan, with the filters and the crossover that were made for it.

        Parameters
        ----------
        subs : how many; left out, as many as the plan that was settled has, else as are recommended.
        rank : among those with as many subs, from 1, then those of the front; left out: the settled plan's, else 1.

        Raises
        ------
        NoSuchPlan : there is no such plan.
        """
        if not self.plans:
            raise NoSuchPlan("subs", "there is no plan; search again and let it finish")
        if subs is not None and subs not in self.plans:
            raise NoSuchPlan(
                "subs",
                f"got {subs}; this file has plans with {', '.join(map(str, self.plans))} subs; choose one of them or "
                f"run optimise with --counts {subs}",
            )
        settled = self._settled_place()
        count = subs or (settled[0] if settled else self.recommended_subs)
        rank = rank or (settled[1] if settled and settled[0] == count else 1)
        table, row = self.plans[count], rank - 1
        if not 1 <= rank <= len(table):
            return self.judged(*of_front(table, self.choices.fronts.get(count), rank), stop=FROM_FRONT)
        place = (count, row)
        return Plan(
            results=self,
            rank=rank,
            candidate_index=table.candidate_index[row],
            drives=Drives.of_row(table, row),
            variation_db=float(table.variation_db[row]),
            output_db=float(table.output_db[row]),
            level_db=table.level_db[row],
            tuning=self.tuning if self.tuning and (self.tuning.subs, self.tuning.rank) == place else None,
            crossover=self.crossover
            if self.crossover and (self.crossover.subs, self.crossover.rank) == place
            else None,
        )

    @property
    def recommended_subs(self) -> int:
        """How many subs to build, as the search recommended; where it does not say, by variation and their worth."""
        advice = self.choices.recommendation
        if advice is not None and advice.subs in self.plans:
            return advice.subs
        worth = self.project.search.weights.subs  # what each further sub must take off the variation [dB]
        return min(self.plans, key=lambda count: float(self.plans[count].variation_db[0]) + worth * count)

    def recommended(self) -> Plan:
        """The plan to build, over all numbers of subs."""
        return self.plan(self.recommended_subs, 1)

    def settled(self) -> Plan | None:
        """The plan that was tuned, or that meets the mains; None where no plan is settled."""
        place = self._settled_place()
        return self.plan(*place) if place else None

    def _settled_place(self) -> tuple[int, int] | None:
        settled = self.tuning or self.crossover
        return (settled.subs, settled.rank + 1) if settled else None

    # -- levels --------------------------------------------------------------------------------------------------------

    @property
    def absolute(self) -> bool:
        """Whether the responses are in 1/m, so that levels follow from a sub's limits."""
        return self.measured is None or self.measured.absolute

    @property
    def limit_db(self) -> Floats | None:
        """(n_freq,) highest clean level of one sub, alone on its channel, at 1 m [dB SPL]; None where not known."""
        return self.project.highest_level_db(self.frequency_hz) if self.loudness_known else None

    @property
    def level_unit(self) -> str:
        """What levels at the seats count from where they are shown."""
        relative = MODEL_UNIT if self.absolute else MEASURED_UNIT
        return relative if self.limit_db is None else "dB SPL"

    # -- plans by hand -------------------------------------------------------------------------------------------------

    def ears(self) -> tuple[Complexes, Floats]:
        """All points that count, the seats first: transfer (n_freq, n_ear, n_candidate) [1/m], weights (n_ear,)."""
        if (cloud := self.further.cloud) is None:
            return self.transfer, self.seats.weight
        return np.concatenate([self.transfer, cloud.transfer], axis=1), self.project.listening().weight

    def judged_table(
        self, layouts: Sequence[tuple[Integers, Drives]], found: HowFound, merits: Merits | None = None
    ) -> PlanTable:
        """Some layouts with as many subs each, judged on all frequencies and at all points that count.

        Parameters
        ----------
        layouts : which candidates, and the drives of each.
        found, merits : how they came about, and what else is known of them.
        """
        hz, n_seat = self.frequency_hz, len(self.seats)
        return judged_table(layouts, frequency_hz=hz, ears=self.ears(), n_seat=n_seat, found=found, merits=merits)

    def judged(self, candidate_index: Integers | Sequence[int], drives: Drives, *, stop: str = "given by hand") -> Plan:
        """Any of the candidates with any drives, as a plan in results of its own.

        Parameters
        ----------
        candidate_index : (n_sub,) which candidates.
        drives : of each.
        stop : how the plan came about, in words.
        """
        index = np.asarray(candidate_index, dtype=np.int64)
        found = HowFound(layouts_searched=1, layouts_possible=1, exhaustive=False, stop=stop, seconds=0.0)
        plans = {len(index): self.judged_table([(index, drives)], found)}
        return replace(self, plans=plans, choices=Choices(), tuning=None, crossover=None).plan(len(index), 1)
