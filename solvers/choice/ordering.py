"""After the search: what else speaks for and against the plans, their order by all aims, and the one recommended.

Steering and ranking. The search itself minimises variation alone. Output steers a second, shorter search from its
leading plans (`front`). Smoothness, decay and the number of subs, and every limit, only rank what these two found.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from threadpoolctl import threadpool_limits

from roommodes.arrays import Complexes, Floats
from roommodes.plan.choices import Choices, FrontTable, Recommendation, RowsAround, RowTable, UsualTable
from roommodes.plan.tables import HowFound, Merits, PlanTable
from roommodes.project.tables import SearchTable
from roommodes.running import Running
from solvers.choice.aims import Figures, WithMains
from solvers.choice.by_aims import Aims
from solvers.choice.by_mix import with_each_mix
from solvers.choice.free_weights import free_weights_of
from solvers.choice.front import front_of, plans_met
from solvers.choice.front_filled import Filling
from solvers.choice.recommend import recommend
from solvers.choice.row_positions import RowMove, RowPlaces, best_rows
from solvers.choice.usual_worth import Usual, UsualPlaces, alike_db, usual_worth
from solvers.loudness.headroom import Loudness
from solvers.search.problem import FoundPlan, Outcome, Problem

STAGE = "choice"
NOTHING_MORE = Merits()
PROOF_BOXES = 30_000  # for each frequency, of the first plan: some seconds at most
MORE_EVEN_DB = 0.005  # by which a plan is more even than another in what is printed
BETTER_DB = 0.05  # by which a usual layout must beat the plans to be worth a remark


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Around:
    """Transfer functions beside the problem's, from the same call of the model: usual layouts and moved rows.

    Parameters
    ----------
    usual, usual_transfer : usual layouts; (n_freq, n_seat, n_place) from their positions [1/m].
    rows, rows_transfer : where the rows may be, None if none may move; (n_freq, n_seat + n_moved, n_candidate), the
        drawn seats first [1/m].
    """

    usual: UsualPlaces
    usual_transfer: Complexes
    rows: RowPlaces | None
    rows_transfer: Complexes


@dataclass(frozen=True, slots=True, kw_only=True)
class Effort:
    """How the plans are ordered.

    Parameters
    ----------
    seed : as for the search.
    keep : plans per count at most.
    filling : what is spent on filling the fronts by searches of their own; None for none.
    with_mains : gives the variation with the mains, by which plans are then ordered; None for that of the subs alone.
    """

    seed: int
    keep: int
    filling: Filling | None = None
    with_mains: WithMains | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Judged:
    """The plans as they are stored, and what helps to choose among them."""

    plans: Mapping[int, PlanTable]
    choices: Choices


def plain(outcomes: Sequence[Outcome]) -> Judged:
    """The plans as the search left them, nothing beside them."""
    return Judged(
        plans={outcome.count: _table(outcome, outcome.plans) for outcome in outcomes if outcome.plans},
        choices=Choices(),
    )


def judge(
    problem: Problem,
    outcomes: Sequence[Outcome],
    *,
    wishes: SearchTable,
    effort: Effort,
    around: Around | None = None,
    loudness: Loudness | None = None,
    running: Running = Running(),
) -> Judged:
    """Order the plans by all aims and say what each is worth.

    Parameters
    ----------
    problem, outcomes : what was asked and what was found.
    wishes : with the aims' weights and limits.
    effort : seed, how many plans, and whether the fronts are filled.
    around : usual layouts and places of the rows; None leaves both out.
    loudness : limits and target, for the headroom; None where they are not known.
    running : progress, cancelling, threads; once cancelled, what is slow is left out.
    """
    seed, keep = effort.seed, effort.keep
    found = tuple(outcome for outcome in outcomes if outcome.plans)
    running.step(STAGE, 0.0, "plans with more output")
    met = plans_met(problem, found, seed=seed, exchange=wishes.weights.output, filling=effort.filling, running=running)
    searched = tuple(plan for outcome in found for plan in outcome.plans)
    found = tuple(_evenest_first(outcome, met[outcome.count], problem, keep) for outcome in found)
    fronts = {count: front_of(plans) for count, plans in met.items()}
    heard = frozenset((*searched, *(plan for outcome in found for plan in outcome.plans)))
    aims = Aims(problem=problem, wishes=wishes, loudness=loudness, with_mains=effort.with_mains, heard=heard)
    order = {outcome.count: aims.order(outcome, met[outcome.count], keep) for outcome in found}
    shown = (*order.values(), *fronts.values(), [outcome.plans[0] for outcome in found])
    judging = _Judging(
        problem=problem,
        found=found,
        asked=tuple(outcome.count for outcome in outcomes),
        figures=aims.figures(plan for plans in shown for plan in plans),
        wishes=wishes,
        by_aims=aims.steer,
        loud=loudness is not None,
        mains=effort.with_mains is not None,
        running=running,
    )
    running.step(STAGE, 0.4, "how even the positions could be")
    free = judging.free_weights(order)
    running.step(STAGE, 0.7, "usual layouts")
    usual = _usual(problem, around, list(order), seed, running) if around else None
    tables = judging.tables(order, free, usual)
    rows = judging.rows(around, seed) if around else {}
    advice = judging.advice(order, fronts)
    running.step(STAGE, 1.0, "done")
    return Judged(
        plans=tables,
        choices=Choices(
            fronts={count: judging.front_table(plans) for count, plans in fronts.items()},
            rows=rows,
            usual=usual,
            recommendation=advice,
        ),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Judging:
    """What was found, with the figures of every plan that is stored.

    Parameters
    ----------
    problem, wishes, running : as for `judge`.
    found : the outcomes that have plans.
    asked : all numbers of subs that were asked for.
    figures : of the plans in order, on the fronts, and of the most even of each number of subs.
    by_aims : the order follows more than variation.
    loud : it is known how loud a sub plays.
    mains : plans are judged by their variation with the mains, those that the search kept.
    """

    problem: Problem
    found: tuple[Outcome, ...]
    asked: tuple[int, ...]
    figures: Mapping[FoundPlan, Figures]
    wishes: SearchTable
    by_aims: bool
    loud: bool
    mains: bool
    running: Running

    def free_weights(self, order: Mapping[int, Sequence[FoundPlan]]) -> dict[int, dict[str, Floats]]:
        """Number of subs -> merits of the best free weights found at each plan's positions; fewer when cancelled.

        What no weights can do is proven for the first plan alone.
        """
        merits = {}
        with threadpool_limits(1):  # many small array operations: threads would only wait for each other
            for count, plans in order.items():
                if self.running.stop_asked():
                    break
                found = free_weights_of(self.problem, plans, boxes=PROOF_BOXES, running=self.running)
                merits[count] = {
                    "weights_db": np.array([one.variation_db for one in found]),
                    "weights_output_db": np.array([one.output_db for one in found]),
                    "weights_least_db": np.array([one.least_db for one in found]),
                }
        return merits

    def tables(
        self,
        order: Mapping[int, Sequence[FoundPlan]],
        free: Mapping[int, Mapping[str, Floats]],
        usual: UsualTable | None,
    ) -> dict[int, PlanTable]:
        """Number of subs -> the plans as they are stored."""
        tables = {}
        for outcome in self.found:
            plans = order[outcome.count]
            known = [self.figures[plan] for plan in plans]
            remarks = _order_remarks(outcome, plans, mains=self.mains) if self.by_aims else ()
            tables[outcome.count] = _table(
                outcome,
                plans,
                by_aims=self.by_aims,
                remarks=(*remarks, *_usual_remarks(outcome, usual)),
                merits=Merits(
                    alike_db=np.array([alike_db(self.problem, plan) for plan in plans]),
                    **free.get(outcome.count, {}),
                    smoothness_db=np.array([one.smoothness_db for one in known]),
                    decay_s=np.array([one.decay_s for one in known]),
                    headroom_db=np.array([one.headroom_db for one in known]) if self.loud else None,
                    with_mains_db=np.array([one.with_mains_db for one in known]) if self.mains else None,
                ),
            )
        return tables

    def rows(self, around: Around, seed: int) -> dict[int, RowTable]:
        """Number of subs -> where the rows should be; none where no row may move."""
        rows: dict[int, RowTable] = {}
        for outcome in self.found if around.rows is not None else ():
            assert around.rows is not None
            self.running.step(STAGE, 0.85, "where the rows should be")
            move = best_rows(self.problem, around.rows, around.rows_transfer, outcome, seed=seed, running=self.running)
            if move is not None:
                rows[outcome.count] = _row_table(move, around.rows)
        return rows

    def advice(
        self, order: Mapping[int, Sequence[FoundPlan]], fronts: Mapping[int, Sequence[FoundPlan]]
    ) -> Recommendation:
        """The plan to build, and why."""
        return recommend(
            {count: self.figures[plans[0]] for count, plans in order.items()},
            {outcome.count: self.figures[outcome.plans[0]] for outcome in self.found},
            {count: [self.figures[plan] for plan in plans] for count, plans in fronts.items()},
            asked=self.asked,
            stopped=self.running.stop_asked(),
            weights=self.wishes.weights,
            limits=self.wishes.limits,
        )

    def front_table(self, plans: Sequence[FoundPlan]) -> FrontTable:
        """A front as it is stored."""
        return FrontTable(
            **_stacked(plans),
            smoothness_db=np.array([self.figures[plan].smoothness_db for plan in plans]),
            decay_s=np.array([self.figures[plan].decay_s for plan in plans]),
        )


def _evenest_first(outcome: Outcome, met: Sequence[FoundPlan], problem: Problem, keep: int) -> Outcome:
    """The same, led by the most even plan of all met: a search for more output may meet one that the search missed."""
    best = min(met, key=lambda plan: plan.variation_db)
    if best.variation_db > outcome.plans[0].variation_db - MORE_EVEN_DB:
        return outcome
    remark = "The most even plan was met while more output was sought; the search itself had missed it."
    plans = with_each_mix((best, *outcome.plans), problem, keep)
    return replace(outcome, plans=plans, remarks=(*outcome.remarks, remark))


def _usual_remarks(outcome: Outcome, usual: UsualTable | None) -> tuple[str, ...]:
    """Whether a usual layout beats all that the candidates allow: then the zones miss good places."""
    own = [] if usual is None else usual.of_count(outcome.count)
    if usual is None or not own or usual.driven_variation_db[own[0]] > outcome.plans[0].variation_db - BETTER_DB:
        return ()
    found = (
        f"Subs {usual.name[own[0]]} would reach {usual.driven_variation_db[own[0]]:z.2f} dB, which no plan found among "
        "the candidates does."
    )
    if not usual.stands_free[own[0]]:
        return (f"{found} Something is in the way there.",)
    return (f"{found} If they may stand there, let a zone reach there, or take a smaller spacing_m.",)


def _order_remarks(outcome: Outcome, plans: Sequence[FoundPlan], *, mains: bool) -> tuple[str, ...]:
    evenest = min(plan.variation_db for plan in outcome.plans)
    text = "The plans are ordered by the weights and limits of [search], not by variation alone"
    if mains:
        text = "The plans are ordered by the variation with the mains, for which only some layouts were tried"
    if plans[0].variation_db > evenest:
        text += f"; the most even plan found has {evenest:z.2f} dB" + (" with the subs alone" if mains else "")
    return (f"{text}.",)


def _stacked(plans: Sequence[FoundPlan]) -> dict[str, Any]:
    return {
        "candidate_index": np.array([plan.candidate_index for plan in plans], dtype=np.int64),
        "gain_db": np.array([plan.gain_db for plan in plans]),
        "delay_s": np.array([plan.delay_s for plan in plans]),
        "polarity": np.array([plan.polarity for plan in plans], dtype=np.int8),
        "variation_db": np.array([plan.variation_db for plan in plans]),
        "output_db": np.array([plan.output_db for plan in plans]),
    }


def _table(
    outcome: Outcome,
    plans: Sequence[FoundPlan],
    *,
    by_aims: bool = False,
    remarks: tuple[str, ...] = (),
    merits: Merits = NOTHING_MORE,
) -> PlanTable:
    """The plans of one count as stacked arrays."""
    return PlanTable(
        **_stacked(plans),
        level_db=np.array([plan.level_db for plan in plans]),
        found=HowFound(
            layouts_searched=outcome.layouts_searched,
            layouts_possible=outcome.layouts_possible,
            exhaustive=outcome.exhaustive,
            stop=str(outcome.stop),
            seconds=outcome.seconds,
            remarks=(*outcome.remarks, *remarks),
            by_aims=by_aims,
            layouts_least_db=outcome.layouts_least_db,
        ),
        merits=merits,
    )


def _usual(
    problem: Problem,
    around: Around,
    counts: Sequence[int],
    seed: int,
    running: Running,
) -> UsualTable | None:
    found = usual_worth(problem, around.usual, around.usual_transfer, counts=counts, seed=seed, running=running)
    if not found:
        return None
    columns: dict[str, Any] = {
        entry.name: np.array([getattr(one, entry.name) for one in found])
        for entry in fields(Usual)
        if entry.name not in {"name", "stands_free"}
    }
    free = np.array([int(one.stands_free) for one in found])
    return UsualTable(name=tuple(one.name for one in found), stands_free=free, **columns)


def _row_table(move: RowMove, places: RowPlaces) -> RowTable:
    plan = move.plan
    return RowTable(
        offset_m=move.offset_m,
        candidate_index=plan.candidate_index,
        gain_db=plan.gain_db,
        delay_s=plan.delay_s,
        polarity=plan.polarity,
        drawn_variation_db=move.drawn_variation_db,
        variation_db=plan.variation_db,
        output_db=plan.output_db,
        worst_near_db=move.worst_near_db,
        step_m=places.step_m,
        around=RowsAround(at_row=move.row, at_m=move.at_m, at_variation_db=move.at_variation_db),
    )
