"""After the search: what else speaks for and against the plans, their order by all aims, and the one recommended.

Steering and ranking. The search itself minimises variation alone. Output steers a second, shorter search from its
leading plans (`front`). Smoothness, decay and the number of subs, and every limit, only rank what these two found.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from threadpoolctl import threadpool_limits

from roommodes.arrays import Complexes
from roommodes.plan.choices import Choices, FrontTable, RowTable, UsualTable
from roommodes.plan.file import PlanTable
from roommodes.project.tables import SearchTable
from roommodes.running import Running
from solvers.choice.aims import Figures, figures_of, rank
from solvers.choice.bound import bound_of
from solvers.choice.front import front_of, plans_met
from solvers.choice.recommend import recommend, steers
from solvers.choice.row_positions import RowMove, RowPlaces, best_rows
from solvers.choice.usual_worth import Usual, UsualPlaces, alike_db, usual_worth
from solvers.loudness.headroom import Loudness
from solvers.search.problem import Outcome, Plan, Problem

STAGE = "choice"
BETTER_DB = 0.05  # by which a usual layout must beat the plans to be worth a remark


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Around:
    """What one call of the model gives beside the problem.

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
    seed: int,
    keep: int,
    around: Around | None = None,
    loudness: Loudness | None = None,
    running: Running = Running(),
) -> Judged:
    """Order the plans by all aims and say what each is worth.

    Parameters
    ----------
    problem, outcomes : what was asked and what was found.
    wishes : with the aims' weights and limits.
    seed : as for the search.
    keep : plans per count at most.
    around : usual layouts and places of the rows; None leaves both out.
    loudness : limits and target, for the headroom; None where they are not known.
    running : progress, cancelling, threads; once cancelled, what is slow is left out.
    """

    def tell(doing: str, fraction: float) -> None:
        running.step(STAGE, fraction, doing)

    found = [outcome for outcome in outcomes if outcome.plans]
    weights, limits = wishes.weights, wishes.limits
    tell("plans with more output", 0.0)
    met = plans_met(problem, found, seed=seed, exchange=weights.output, running=running)
    figures = {id(plan): figures_of(problem, plan, loudness) for plans in met.values() for plan in plans}

    def of(plan: Plan) -> Figures:
        return figures[id(plan)]

    by_aims = steers(weights, limits)
    order = {
        outcome.count: _ordered(met[outcome.count], of, wishes, keep) if by_aims else outcome.plans for outcome in found
    }
    fronts = {count: front_of(plans) for count, plans in met.items()}
    bounds: dict[int, list[float]] = {}
    tell("how even the positions could be", 0.4)
    with threadpool_limits(1):  # many small array operations: threads would only wait for each other
        for count, plans in order.items():
            if not running.stop_asked():
                bounds[count] = [bound_of(problem, plan).variation_db for plan in plans]
    tell("usual layouts", 0.7)
    usual = _usual(problem, around, list(order), seed, running) if around else None
    tables = {}
    for outcome in found:
        plans = order[outcome.count]
        tables[outcome.count] = _table(
            outcome,
            plans,
            by_aims=by_aims,
            remarks=(*(_order_remarks(outcome, plans) if by_aims else ()), *_usual_remarks(outcome, usual)),
            alike_db=np.array([alike_db(problem, plan) for plan in plans]),
            bound_db=np.array(bounds[outcome.count]) if outcome.count in bounds else None,
            smoothness_db=np.array([of(plan).smoothness_db for plan in plans]),
            decay_s=np.array([of(plan).decay_s for plan in plans]),
            headroom_db=None if loudness is None else np.array([of(plan).headroom_db for plan in plans]),
        )
    rows: dict[int, RowTable] = {}
    if around and around.rows is not None:
        for outcome in found:
            tell("where the rows should be", 0.85)
            move = best_rows(problem, around.rows, around.rows_transfer, outcome, seed=seed, running=running)
            if move is not None:
                rows[outcome.count] = _row_table(move, around.rows)
    advice = recommend(
        {count: of(plans[0]) for count, plans in order.items()},
        {outcome.count: of(outcome.plans[0]) for outcome in found},
        {count: [of(plan) for plan in plans] for count, plans in fronts.items()},
        weights=weights,
        limits=limits,
    )
    tell("done", 1.0)
    return Judged(
        plans=tables,
        choices=Choices(
            fronts={count: _front_table(plans, of) for count, plans in fronts.items()},
            rows=rows,
            usual=usual,
            recommendation=advice,
        ),
    )


def _ordered(plans: Sequence[Plan], of: Callable[[Plan], Figures], wishes: SearchTable, keep: int) -> tuple[Plan, ...]:
    """The best plan of each layout by all aims, best first."""
    ranked = sorted(plans, key=lambda plan: (*rank(of(plan), wishes.weights, wishes.limits), plan.variation_db))
    first: dict[tuple[int, ...], Plan] = {}
    for plan in ranked:
        first.setdefault(tuple(plan.candidate_index.tolist()), plan)
    return tuple(first.values())[:keep]


def _usual_remarks(outcome: Outcome, usual: UsualTable | None) -> tuple[str, ...]:
    """Whether a usual layout beats all that the candidates allow: then the zones miss good places."""
    own = [] if usual is None else usual.of_count(outcome.count)
    if usual is None or not own or usual.driven_variation_db[own[0]] > outcome.plans[0].variation_db - BETTER_DB:
        return ()
    return (
        f"Subs {usual.name[own[0]]} would reach {usual.driven_variation_db[own[0]]:.2f} dB, which no plan found among "
        "the candidates does. If they may stand there, let a zone reach there, or take a smaller spacing_m.",
    )


def _order_remarks(outcome: Outcome, plans: Sequence[Plan]) -> tuple[str, ...]:
    evenest = outcome.plans[0].variation_db
    text = "The plans are ordered by the weights and limits of [search], not by variation alone"
    if plans[0].variation_db > evenest:
        text += f"; the most even plan found has {evenest:.2f} dB"
    return (f"{text}.",)


def _stacked(plans: Sequence[Plan]) -> dict[str, Any]:
    return {
        "candidate_index": np.array([plan.candidate_index for plan in plans], dtype=np.int64),
        "gain_db": np.array([plan.gain_db for plan in plans]),
        "delay_s": np.array([plan.delay_s for plan in plans]),
        "polarity": np.array([plan.polarity for plan in plans], dtype=np.int8),
        "variation_db": np.array([plan.variation_db for plan in plans]),
        "output_db": np.array([plan.output_db for plan in plans]),
    }


def _table(outcome: Outcome, plans: Sequence[Plan], *, remarks: tuple[str, ...] = (), **extra: Any) -> PlanTable:
    """The plans of one count as stacked arrays."""
    return PlanTable(
        **_stacked(plans),
        level_db=np.array([plan.level_db for plan in plans]),
        layouts_searched=outcome.layouts_searched,
        layouts_possible=outcome.layouts_possible,
        exhaustive=outcome.exhaustive,
        stop=str(outcome.stop),
        seconds=outcome.seconds,
        remarks=(*outcome.remarks, *remarks),
        **extra,
    )


def _front_table(plans: Sequence[Plan], of: Callable[[Plan], Figures]) -> FrontTable:
    return FrontTable(
        **_stacked(plans),
        smoothness_db=np.array([of(plan).smoothness_db for plan in plans]),
        decay_s=np.array([of(plan).decay_s for plan in plans]),
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
        at_row=move.row,
        at_m=move.at_m,
        at_variation_db=move.at_variation_db,
    )
