"""Plans by mix, as two large subs and one small: each mix of kinds is searched by itself.

The search over all kinds finds the most even plans, whatever they are of. A person who chooses between two large subs
and four small ones wants to see the best of each: so every mix that the budget allows is searched besides, with so many
subs of each kind. Where there are more than `MOST_MIXES` for one number of subs, those of up to two kinds are, evenly
thinned out; the others are in the search over all kinds only.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import combinations_with_replacement

import numpy as np

from roommodes.arrays import Complexes, Integers
from roommodes.places.kinds import mirrored_by_kind
from roommodes.places.positions import SAME_M
from roommodes.places.zones import Candidates
from roommodes.responses.metrics import drive_weights, level_db, output_db, seat_pressure, variation_db
from roommodes.running import Running
from solvers.search.between_candidates import Finer
from solvers.search.problem import FoundPlan, KindWishes, Outcome, Problem
from solvers.search.progress import STAGE
from solvers.search.search import search

MOST_MIXES = 16  # for one number of subs
KEPT = 20  # plans per count, beside the best of each mix
SAME_DB = 1e-6  # plans whose variation differs by less are equally even: the cheaper one comes first

Mix = tuple[int, ...]  # subs of each kind


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Mixed:
    """The question for one mix, and what was found."""

    problem: Problem
    outcome: Outcome


def mixes_of(kinds: KindWishes, count: int) -> tuple[Mix, ...]:
    """The mixes of so many subs that the budget allows and that are searched by themselves."""
    n_kind = len(kinds.price)
    found = []
    for chosen in combinations_with_replacement(range(n_kind), count):
        mix = tuple(chosen.count(kind) for kind in range(n_kind))
        if (
            kinds.budget is None
            or sum(n * int(price) for n, price in zip(mix, kinds.price, strict=True)) <= kinds.budget
        ):
            found.append(mix)
    if len(found) > MOST_MIXES:
        found = [mix for mix in found if sum(n > 0 for n in mix) < 3]
    if len(found) > MOST_MIXES:
        found = [found[k] for k in np.unique(np.linspace(0, len(found) - 1, MOST_MIXES).round().astype(int))]
    return tuple(found)


def search_mixes(
    problem: Problem, outcomes: Sequence[Outcome], *, seed: int, keep: int, running: Running = Running()
) -> tuple[Mixed, ...]:
    """Search every mix by itself, for each number of subs that has a plan; none where there is one kind.

    Parameters
    ----------
    problem : with the kinds of its candidates.
    outcomes : of the search over all kinds.
    seed, keep : as for `search`.
    running : progress, cancelling, threads; once cancelled, only what was found until then is returned.
    """
    kinds = problem.wishes.kinds
    if kinds is None or len(kinds.price) < 2:
        return ()
    asked = [(outcome.count, mix) for outcome in outcomes if outcome.plans for mix in mixes_of(kinds, outcome.count)]
    found = []
    for done, (count, mix) in enumerate(asked):
        if running.stop_asked():
            break
        running.step(STAGE, done / len(asked), f"kinds of subwoofer, mix {done + 1} of {len(asked)}")
        own = replace(problem, wishes=replace(problem.wishes, kinds=replace(kinds, most=np.array(mix))))
        (outcome,) = search(own, counts=[count], seed=seed, keep=keep, running=running.silent())
        if outcome.plans:
            found.append(Mixed(problem=own, outcome=outcome))
    return tuple(found)


def joined(whole: Finer, mixes: Sequence[Finer], *, n_first: int, width_m: float) -> Finer:
    """The plans of all searches in one list, the most even first; the places found between are those of all.

    Parameters
    ----------
    whole : of the search over all kinds.
    mixes : of the others, on the same first grid.
    n_first : how many candidates that has.
    width_m : of the room [m].
    """
    problem, candidates, transfer = whole.problem, whole.candidates, whole.transfer
    plans = {outcome.count: list(outcome.plans) for outcome in whole.outcomes}
    for one in mixes:
        number = _numbers(candidates, one.candidates, n_first)
        new = np.flatnonzero(number >= len(candidates))
        if len(new):
            problem, candidates, transfer = _with_places(problem, candidates, transfer, one, new, width_m)
        for outcome in one.outcomes:
            plans[outcome.count] += [_renumbered(plan, number, problem) for plan in outcome.plans]
    evenness = evenest_then_cheapest(problem)
    return Finer(
        problem=problem,
        candidates=candidates,
        transfer=transfer,
        outcomes=tuple(
            replace(outcome, plans=with_each_mix(sorted(plans[outcome.count], key=evenness), problem, KEPT))
            for outcome in whole.outcomes
        ),
    )


def evenest_then_cheapest(problem: Problem) -> Callable[[FoundPlan], tuple[float, float, float]]:
    """A key that puts the more even plan first, and of those that are equally even the cheaper one."""
    kinds = problem.wishes.kinds

    def key(plan: FoundPlan) -> tuple[float, float, float]:
        cost = 0 if kinds is None else kinds.cost(plan.candidate_index)
        return round(plan.variation_db / SAME_DB), cost, plan.variation_db

    return key


def with_each_mix(plans: Sequence[FoundPlan], problem: Problem, keep: int) -> tuple[FoundPlan, ...]:
    """The first plans, one of each layout, and of every other mix the first; in the order given."""
    layouts: dict[tuple[int, ...], FoundPlan] = {}
    for plan in plans:
        layouts.setdefault(tuple(plan.candidate_index.tolist()), plan)
    ordered = list(layouts.values())
    kinds = problem.wishes.kinds
    if kinds is None:
        return tuple(ordered[:keep])
    first: dict[Mix, int] = {}
    for place, plan in enumerate(ordered):
        mix = np.bincount(kinds.kind[plan.candidate_index], minlength=len(kinds.price))
        first.setdefault(tuple(mix.tolist()), place)
    return tuple(ordered[place] for place in sorted({*range(min(keep, len(ordered))), *first.values()}))


def _numbers(candidates: Candidates, others: Candidates, n_first: int) -> Integers:
    """What each of another search's candidates is among some, where the first `n_first` are the same: (n_other,).

    Places that both found between the first grid's are one; those that are new are numbered on.
    """
    number, after = np.arange(len(others)), len(candidates)
    for k in range(n_first, len(others)):
        gap = np.abs(candidates.position_m - others.position_m[k]).max(axis=1)
        same = np.flatnonzero((gap <= 2.0 * SAME_M) & (candidates.kind == others.kind[k]))
        number[k] = same[0] if len(same) else after
        after += not len(same)
    return number


def _renumbered(plan: FoundPlan, number: Integers, problem: Problem) -> FoundPlan:
    """The plan with its candidates as they are numbered among all, rising, the first sub upright; judged again."""
    index = number[plan.candidate_index]
    order = np.argsort(index, kind="stable")
    gain, delay, polarity = plan.gain_db[order], plan.delay_s[order], plan.polarity[order] * plan.polarity[order[0]]
    weights = drive_weights(problem.frequency_hz, gain_db=gain, delay_s=delay, polarity=polarity)
    level = level_db(seat_pressure(problem.transfer[:, :, index[order]], weights))
    return FoundPlan(
        candidate_index=index[order],
        gain_db=gain,
        delay_s=delay,
        polarity=polarity,
        variation_db=variation_db(level, problem.seat_weight),
        output_db=output_db(level, problem.seat_weight, gain),
        level_db=level,
    )


def _with_places(
    problem: Problem, candidates: Candidates, transfer: Complexes, other: Finer, new: Integers, width_m: float
) -> tuple[Problem, Candidates, Complexes]:
    """The question with places that another search found between the candidates, `new` among its own."""
    wishes, theirs = problem.wishes, other.problem.wishes
    assert wishes.kinds is not None, "candidates have kinds"
    kind = np.concatenate([candidates.kind, other.candidates.kind[new]])
    position = np.concatenate([candidates.position_m, other.candidates.position_m[new]])
    mirror = mirrored_by_kind(position, kind, width_m)
    together = Candidates(
        position_m=position,
        zone=(*candidates.zone, *(other.candidates.zone[k] for k in new)),
        mirror_of=mirror,
        places_between=candidates.places_between + len(new),
        kind=kind,
    )
    zone = None
    if wishes.zone is not None and theirs.zone is not None:
        zone = np.concatenate([wishes.zone, theirs.zone[new]])
    return (
        replace(
            problem,
            transfer=np.concatenate([problem.transfer, other.problem.transfer[:, :, new]], axis=2),
            mirror_of=None if problem.mirror_of is None else mirror.astype(np.int64),
            wishes=replace(wishes, zone=zone, position_m=position, kinds=replace(wishes.kinds, kind=kind)),
        ),
        together,
        np.concatenate([transfer, other.transfer[:, :, new]], axis=2),
    )
