"""Main loudspeakers that always play beside the subs, over the band of a search.

The search moves and sets the subs by themselves. Here its plans are heard with the mains: the subs through the
low-pass, with one delay, polarity and gain for all of them that makes both meet as in `alignment`, each main through
the high-pass, with its own lower end, at a weight that nothing changes:

    p[f, s, m] = low(f) g e^{-j omega tau} sigma B[f, s] + high(f) M[f, s, m]

Variation with the mains is that of the seats' levels over the search's band, over the mains its root mean square.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from roommodes.arrays import Complexes, Floats
from roommodes.errors import ProjectInvalid
from roommodes.filters.crossovers import Crossover
from roommodes.plan.crossover import CrossoverRecord
from roommodes.plan.plan import Plan
from roommodes.project.mains import lower_end
from roommodes.project.project import Project
from roommodes.responses.metrics import drive_weights, normalised, seat_pressure
from roommodes.running import Running
from solvers.crossover.alignment import RATE_HZ, Meeting, Parts, meet, setting
from solvers.crossover.responses import LEAST_OCTAVES, driven, judged_hz, subs_own
from solvers.search.columns import Columns, columns_of
from solvers.search.polish import Polisher
from solvers.search.problem import FoundPlan, Problem
from solvers.search.state import State, plan_of, random_drives, state_of

STARTS = 6  # of the settings of one plan, drawn at random, beside its own
ROUNDS = 3  # of settings and meeting in turn
HELPS_DB = 1e-3
NUDGES = ((1.0, 5e-4), (0.25, 1e-4))  # steps of gain [dB] and delay [s]
MOST_NUDGES = 12  # of each size


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Mains:
    """Main loudspeakers beside subs, and what may be set between both.

    Parameters
    ----------
    crossover : the filters.
    frequency_hz : (n_freq,) rising [Hz].
    pressure : (n_freq, n_seat, n_main) with their lower end, without crossover [1/m].
    own : (n_freq,) what the subs' transfer functions lack of their own response.
    seat_weight : (n_seat,) any scale.
    near_hz : the band over which subs and mains are made to meet [Hz].
    delay_s : (least, most) of all subs against the mains [s].
    delay_step_s, gain_step_db : what is found is a multiple of these; 0 for any.
    """

    crossover: Crossover
    frequency_hz: Floats
    pressure: Complexes
    own: Complexes
    seat_weight: Floats
    near_hz: tuple[float, float]
    delay_s: tuple[float, float]
    delay_step_s: float = 0.0
    gain_step_db: float = 0.0

    def meeting(self, subs: Complexes, record: CrossoverRecord | Meeting | None = None) -> Meeting:
        """Subs and mains together over the whole band: (n_freq, n_seat) as driven, without their own response.

        Parameters
        ----------
        subs : all subs of a plan.
        record : the setting that was chosen; None to find one.
        """
        low, high = self.near_hz
        near = (self.frequency_hz >= low * (1.0 - 1e-6)) & (self.frequency_hz <= high * (1.0 + 1e-6))
        found = record or meet(
            self._parts(subs, near),
            self.crossover,
            delay_s=self.delay_s,
            delay_step_s=self.delay_step_s,
            gain_step_db=self.gain_step_db,
        )
        return setting(
            self._parts(subs, slice(None)),
            found.crossover,
            delay_s=found.delay_s,
            polarity=found.polarity,
            gain_db=found.gain_db,
        )

    def variation_db(self, problem: Problem, plan: FoundPlan) -> float:
        """Variation of a plan with the mains [dB]."""
        return self.of(problem, plan).merit.variation_db

    def of(self, problem: Problem, plan: FoundPlan) -> Meeting:
        """A plan of a search and the mains together."""
        weights = drive_weights(
            problem.frequency_hz, gain_db=plan.gain_db, delay_s=plan.delay_s, polarity=plan.polarity
        )
        return self.meeting(seat_pressure(problem.transfer[:, :, plan.candidate_index], weights))

    def _parts(self, subs: Complexes, chosen: slice | NDArray[np.bool_]) -> Parts:
        return Parts(
            frequency_hz=self.frequency_hz[chosen],
            subs=(subs * self.own[:, None])[chosen],
            mains=self.pressure[chosen],
            seat_weight=self.seat_weight,
            own=True,
        )


def mains_beside(
    project: Project, frequency_hz: Floats, transfer: Complexes | None, seat_weight: Floats, *, measured: bool = False
) -> Mains | None:
    """The mains over a search's frequencies; None where there are none, or the band ends before their crossover.

    Parameters
    ----------
    project : with [mains].
    frequency_hz : (n_freq,) rising [Hz].
    transfer : (n_freq, n_seat, n_main) [1/m]; None where there are no mains.
    seat_weight : (n_seat,) any scale.
    measured : responses were measured: what is theirs is in them.
    """
    table = project.mains
    if table is None or transfer is None:
        return None
    crossover, takes = table.filters, project.processor
    octave = np.log2(frequency_hz / crossover.frequency_hz)
    if not ((octave < -LEAST_OCTAVES).any() and (octave > LEAST_OCTAVES).any()):
        return None
    own = None if measured else subs_own(project, frequency_hz, crossover)
    end = np.ones(len(frequency_hz)) if measured else lower_end(table.lowest_hz, frequency_hz)
    low_ms, high_ms = table.delay_ms
    return Mains(
        crossover=crossover,
        frequency_hz=frequency_hz,
        pressure=np.asarray(transfer * end[:, None, None]),
        own=np.ones(len(frequency_hz), dtype=np.complex128) if own is None else own,
        seat_weight=seat_weight,
        near_hz=judged_hz(project, crossover),
        delay_s=(1e-3 * low_ms, 1e-3 * high_ms),
        delay_step_s=takes.delay_step_s if takes.named else 0.0,
        gain_step_db=takes.gain_step_db,
    )


def plan_beside_mains(plan: Plan) -> Meeting | None:
    """A plan with its filters and the mains together, over the band of its search; its own crossover if it has one.

    None where its file holds no mains, or a band that does not reach across their crossover.
    """
    record, results = plan.measured, plan.results
    transfer = results.further.mains if record is None else record.main_transfer
    hz, weight = plan.frequency_hz, plan.seats.weight
    if transfer is None or transfer.shape[:2] != plan.transfer.shape[:2]:  # of other seats
        return None
    try:
        mains = mains_beside(plan.project, hz, transfer, weight, measured=record is not None)
    except ProjectInvalid:  # [mains] band_hz and the crossover do not go together: `crossover` says so
        return None
    return None if mains is None else mains.meeting(seat_pressure(plan.transfer, driven(plan, hz)), plan.crossover)


def set_with_mains(
    problem: Problem, mains: Mains, plans: Sequence[FoundPlan], *, entropy: Sequence[int], running: Running = Running()
) -> tuple[FoundPlan, ...]:
    """Layouts with the settings that make each the most even with the mains playing; fewer when cancelled.

    The settings descend to the nearest optimum, from the plan's own and from some at random, with delay, polarity and
    gain of all subs against the mains held; these are then found anew, in turn. Those of the most even plan are then
    moved one by one, with all found anew at each step, as long as that helps.

    Parameters
    ----------
    problem, mains : what is asked.
    plans : positions and first settings, with as many subs each.
    entropy : what the random numbers follow from.
    running : cancelling.
    """
    if problem.drives.is_single or not plans:
        return tuple(plans)
    setter, found = Setter(problem=problem, mains=mains, columns=columns_of(problem)), []
    for rank, plan in enumerate(plans):
        if running.stop_asked():
            break
        found.append(setter.from_starts(plan, np.random.default_rng([*entropy, rank])))
    ordered = sorted(found, key=lambda one: one[1])
    nudged = [setter.nudged(*one) for one in ordered[:1] if not running.stop_asked()]
    return (*nudged, *(plan for plan, _ in ordered[len(nudged) :]))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Setter:
    """The settings of one layout with the mains playing."""

    problem: Problem
    mains: Mains
    columns: Columns

    def from_starts(self, plan: FoundPlan, random: np.random.Generator) -> tuple[FoundPlan, float]:
        """The best settings of a layout from its own and from random ones, and the variation with the mains [dB]."""
        best, value = plan, self.mains.variation_db(self.problem, plan)
        column = state_of(self.columns, plan).column
        for number in range(1 + STARTS):
            begun = plan
            if number > 0:
                begun = plan_of(self.problem, self.columns, random_drives(column, self.problem.drives, random))
            found, reached = self.descended(begun)
            if reached < value - HELPS_DB:
                best, value = found, reached
        return best, value

    def descended(self, plan: FoundPlan) -> tuple[FoundPlan, float]:
        """A plan's settings at the nearest optimum, and its variation with the mains [dB]."""
        problem, mains = self.problem, self.mains
        value = mains.variation_db(problem, plan)
        for _ in range(ROUNDS):
            state = state_of(self.columns, plan)
            after = plan_of(problem, self.columns, self._polished(mains.of(problem, plan), state))
            reached = mains.variation_db(problem, after)
            if reached >= value - HELPS_DB:
                break
            plan, value = after, reached
        return plan, value

    def nudged(self, plan: FoundPlan, value: float) -> FoundPlan:
        """A plan and its variation with the mains [dB]: moved by one gain or delay at a time while that helps."""
        for step_db, step_s in NUDGES:
            for _ in range(MOST_NUDGES):
                state, found = state_of(self.columns, plan), None
                for slot, sign in product(range(len(state.column)), (-1.0, 1.0)):
                    for gain, delay in ((sign * step_db, 0.0), (0.0, sign * step_s)):
                        one = np.zeros(len(state.column))
                        one[slot] = 1.0
                        moved = replace(state, gain_db=state.gain_db + gain * one, delay_s=state.delay_s + delay * one)
                        after = plan_of(self.problem, self.columns, moved)
                        reached = self.mains.variation_db(self.problem, after)
                        if reached < value - HELPS_DB:
                            found, value = after, reached
                if found is None:
                    break
                plan = found
        return plan

    def _polished(self, met: Meeting, state: State) -> State:
        """The settings polished with the mains' pressure beside them; each main counts as if it had its own band."""
        problem, mains, n_main = self.problem, self.mains, met.high.shape[2]
        low, _ = mains.crossover.responses(mains.frequency_hz, RATE_HZ)
        common = met.polarity * 10.0 ** (met.gain_db / 20.0) * np.exp(-2j * np.pi * mains.frequency_hz * met.delay_s)
        members = [list(self.columns.members[c]) for c in state.column]
        each = np.stack([problem.transfer[:, :, group].sum(axis=2) for group in members], axis=2)
        polisher = Polisher(
            transfer=np.concatenate([each * (mains.own * low * common)[:, None, None]] * n_main),
            frequency_hz=np.tile(mains.frequency_hz, n_main),
            seat_weight=normalised(problem.seat_weight),
            drives=problem.drives,
            reward=0.0,
            beside=np.concatenate([met.high[:, :, m] for m in range(n_main)]),
        )
        found = polisher.polish(replace(state, column=np.arange(len(state.column))))[0]
        return replace(found, column=state.column)
