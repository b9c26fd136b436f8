"""After the search over the first grid: the leading plans moved between its positions, to the centimetre.

First the plan lands again with every position of the lattice near its subs allowed, drives and all, as often as
that helps; then the best plan of each count once more with every centimetre around its subs, where the field comes
from the polynomials of `roommodes.places.lattice`. The places found join the candidates, so that the plan, like every
other, is one of candidates and their transfer functions; last, the leading plans land among all of these.
"""

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np

from roommodes.arrays import Complexes, Floats
from roommodes.places.kinds import mirrored_by_kind
from roommodes.places.lattice import Lattice
from roommodes.places.positions import position_key, to_micrometre
from roommodes.places.zones import Candidates, Ground
from roommodes.running import Running
from solvers.search.hop import THOROUGH
from solvers.search.problem import FoundPlan, Outcome, Problem
from solvers.search.state import equal_drives, plan_of, state_of
from solvers.search.workbench import tools_of

LEADING = 12  # plans per count that are moved
ROUNDS = 4  # of landings at most, as long as they help
CENTIMETRES = 6  # each way
CENTIMETRE_M = 0.01
WHOLE_M = 2e-6  # off whole steps: rounding to the micrometre
HELPS_DB = 5e-4  # what a landing must save to be gone on from
KEPT = 20  # plans per count at least
WORTH_DB = 2e-3  # what moving a plan must save in all


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Everywhere:
    """The field from the whole lattice.

    Parameters
    ----------
    lattice : the candidates and the positions between them.
    grounds : what decides where a sub may stand, for each kind of subwoofer.
    transfer : (n_freq, n_ear, n_position) to all ears, the seats first [1/m].
    """

    lattice: Lattice
    grounds: tuple[Ground, ...]
    transfer: Complexes


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Finer:
    """The question with the places found between the candidates joined to them, and its plans.

    Parameters
    ----------
    problem, candidates : the first grid's candidates first.
    transfer : (n_freq, n_ear, n_candidate) to all ears [1/m].
    outcomes : in the order given, their plans sorted anew.
    """

    problem: Problem
    candidates: Candidates
    transfer: Complexes
    outcomes: tuple[Outcome, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Spot:
    """A place with its field at all ears; `first` is its candidate, -1 between them; `kind` that of the sub there."""

    position_m: Floats
    zone: str
    column: Complexes
    kind: int
    first: int = -1

    @property
    def key(self) -> tuple[int, ...]:
        """The same for spots that are one."""
        return (self.kind, *position_key(self.position_m))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Moved:
    """A plan whose indices point into its own spots."""

    plan: FoundPlan
    spots: tuple[_Spot, ...]

    @property
    def chosen(self) -> tuple[_Spot, ...]:
        return tuple(self.spots[i] for i in self.plan.candidate_index)


def finer(
    problem: Problem,
    candidates: Candidates,
    everywhere: Everywhere,
    outcomes: Sequence[Outcome],
    *,
    seed: int,
    running: Running = Running(),
) -> Finer:
    """Move the plans between the candidates.

    Parameters
    ----------
    problem, candidates, outcomes : what was asked on the first grid, and what was found.
    everywhere : the field between the candidates.
    seed : >= 0; the same seed gives the same plans whatever the number of threads (as `search`).
    running : cancelling, threads; once cancelled, the plans stay where they are.
    """
    n_first = len(candidates)
    unchanged = Finer(
        problem=problem,
        candidates=candidates,
        transfer=everywhere.transfer[:, :, :n_first],
        outcomes=tuple(outcomes),
    )
    if np.sum(problem.seat_weight > 0.0) < 2 or not any(outcome.plans for outcome in outcomes):
        return unchanged
    with ThreadPoolExecutor(running.thread_count, thread_name_prefix="finer") as pool:
        mover = _Mover(problem=problem, candidates=candidates, everywhere=everywhere, pool=pool, running=running)
        jobs = [
            (outcome.count, rank, mover.at_candidates(plan), [seed, outcome.count, 8, rank])
            for outcome in outcomes
            for rank, plan in enumerate(outcome.plans[:LEADING])
        ]
        found: dict[int, list[_Moved]] = {}
        for (count, *_), moved in zip(jobs, running.each(pool, mover.on_lattice, jobs), strict=False):
            found.setdefault(count, []).append(moved)
        leading = [
            (count, min(range(len(plans)), key=lambda k: plans[k].plan.variation_db)) for count, plans in found.items()
        ]
        finals = [(count, found[count][rank], [seed, count, 9]) for count, rank in leading]
        best = dict(running.each(pool, mover.to_centimetre, finals))
        if running.stop_asked() or not best:
            return unchanged
        return _joined(mover, outcomes, best, seed)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Mover:
    """What the moves of all plans share."""

    problem: Problem
    candidates: Candidates
    everywhere: Everywhere
    pool: ThreadPoolExecutor
    running: Running

    @property
    def how(self) -> str:
        """How subs are moved, in words."""
        if self.everywhere.grounds[0].round_m > 0.0:
            return "in whole steps"
        return "to the centimetre" if self.everywhere.lattice.smooth else "over a finer one"

    def at_candidates(self, plan: FoundPlan) -> _Moved:
        """The plan with its own candidates as spots."""
        spots = tuple(self.spot_at(int(i)) for i in plan.candidate_index)
        return _Moved(plan=replace(plan, candidate_index=np.arange(len(spots))), spots=spots)

    def on_lattice(self, job: tuple[int, int, _Moved, list[int]]) -> _Moved:
        """The plan landed with every lattice position near its subs allowed, as often as that helps."""
        _, _, moved, entropy = job
        lattice = self.everywhere.lattice

        def around(spot: _Spot) -> list[_Spot]:
            return [self.spot_at(i) for i in lattice.near(spot.position_m, spot.zone, spot.kind)]

        return self._settled(moved, around, entropy)

    def to_centimetre(self, job: tuple[int, _Moved, list[int]]) -> tuple[int, _Moved]:
        """The same with every centimetre around its subs."""
        count, moved, entropy = job
        return count, self._settled(moved, self._centimetres, entropy)

    def landed(self, moved: _Moved, spots: Sequence[_Spot], entropy: list[int]) -> _Moved:
        """The plan landed once among the spots and its own; the better of both."""
        keyed: dict[tuple[int, ...], _Spot] = {}
        for spot in (*moved.chosen, *spots):
            keyed.setdefault(spot.key, spot)
        pool = tuple(keyed.values())
        local = self.local(pool)
        tools = tools_of(local, self.pool, self.running.on(1))
        start = state_of(tools.columns, replace(moved.plan, candidate_index=np.arange(len(moved.chosen))))
        if len(start.column) == 1:
            size = tools.columns.size[start.column[0]]
            alone = np.flatnonzero((tools.columns.size == size) & (tools.columns.group > 0))
            plans = [plan_of(local, tools.columns, equal_drives(np.array([c]))) for c in alone]
            plan = min(plans, key=lambda one: one.variation_db, default=moved.plan)
        else:
            random = np.random.default_rng(entropy)
            burst = tools.hopper.burst(start, value=np.inf, hops=1, random=random, habits=THOROUGH)
            plan = plan_of(local, tools.columns, tools.polisher.polish(burst.met[0][1])[0])
        if plan.variation_db >= moved.plan.variation_db - HELPS_DB:
            return moved
        return _Moved(plan=plan, spots=pool)

    def local(self, spots: Sequence[_Spot]) -> Problem:
        """The question among these spots."""
        problem = self.problem
        position, kind = np.array([spot.position_m for spot in spots]), np.array([spot.kind for spot in spots])
        wishes = problem.wishes
        zone = None
        if wishes.zone is not None:
            number = dict(zip(self.candidates.zone, wishes.zone.tolist(), strict=True))
            zone = np.array([number[spot.zone] for spot in spots])
        fixed = tuple(k for k, spot in enumerate(spots) if spot.first in wishes.fixed)
        return Problem(
            frequency_hz=problem.frequency_hz,
            transfer=np.stack([spot.column for spot in spots], axis=2)[:, : problem.n_seat],
            seat_weight=problem.seat_weight,
            drives=problem.drives,
            mirror_of=None
            if problem.mirror_of is None
            else mirrored_by_kind(position, kind, self.everywhere.grounds[0].room_m[1]).astype(np.int64),
            paired=problem.paired,
            wishes=replace(
                wishes,
                fixed=fixed,
                zone=zone,
                position_m=position,
                kinds=wishes.kinds and replace(wishes.kinds, kind=kind),
            ),
        )

    def _settled(self, moved: _Moved, around: Callable[[_Spot], list[_Spot]], entropy: list[int]) -> _Moved:
        for turn in range(ROUNDS):
            free = [spot for spot in moved.chosen if spot.first not in self.problem.wishes.fixed]
            spots = [other for spot in free for other in around(spot)]
            after = self.landed(moved, spots, [*entropy, turn])
            if after is moved or self.running.stop_asked():
                return after
            moved = after
        return moved

    def spot_at(self, index: int) -> _Spot:
        lattice = self.everywhere.lattice
        return _Spot(
            position_m=lattice.position_m[index],
            zone=lattice.zone[index],
            column=self.everywhere.transfer[:, :, index],
            kind=int(lattice.kind[index]),
            first=index if index < len(self.candidates) else -1,
        )

    def _centimetres(self, spot: _Spot) -> list[_Spot]:
        lattice, ground = self.everywhere.lattice, self.everywhere.grounds[spot.kind]
        found = []
        for axis in range(3):
            places = self._along(spot, axis)
            for place in places[ground.allows(places)]:
                nodes = lattice.between(place, axis, spot.kind)
                if nodes is not None and all(lattice.zone[i] == spot.zone for i in nodes[0]):
                    column = self.everywhere.transfer[:, :, nodes[0]] @ nodes[1]
                    found.append(_Spot(position_m=place, zone=spot.zone, column=column, kind=spot.kind))
        return found

    def _along(self, spot: _Spot, axis: int) -> Floats:
        """Every centimetre around a spot along an axis, or the whole steps there: (n, 3) [m]."""
        ground = self.everywhere.grounds[spot.kind]
        steps = [k for k in range(-CENTIMETRES, CENTIMETRES + 1) if k]
        places = np.repeat(spot.position_m[None], len(steps), axis=0)
        if ground.round_m > 0.0:
            every = [k * ground.round_m for k in steps if abs(k) * ground.round_m <= CENTIMETRES * CENTIMETRE_M + 1e-9]
            places = places[: len(every)]
            places[:, axis] += every
            whole = ground.whole_steps()
            most = np.array(whole.off_m(spot.position_m)) + WHOLE_M  # what the file gives off steps stays as it is
            return to_micrometre(places[[bool(np.all(whole.off_m(place) <= most)) for place in places]])
        begin = spot.position_m[axis]
        if self.problem.mirror_of is None:  # a mirrored pair keeps its centre plane, whatever centimetre that is on
            begin = np.round(begin / CENTIMETRE_M) * CENTIMETRE_M
        places[:, axis] = begin + np.array(steps) * CENTIMETRE_M
        return to_micrometre(places)


def _joined(mover: _Mover, outcomes: Sequence[Outcome], best: Mapping[int, _Moved], seed: int) -> Finer:
    """The places of the best plans joined to the candidates, and the leading plans landed among all of them."""
    candidates = mover.candidates
    spots = [mover.spot_at(index) for index in range(len(candidates))]
    number = {spot.key: k for k, spot in enumerate(spots)}
    before = {outcome.count: outcome.plans[0].variation_db for outcome in outcomes if outcome.plans}
    moved = {count: one for count, one in best.items() if one.plan.variation_db < before[count] - WORTH_DB}
    for one in moved.values():
        for spot in one.chosen:
            if spot.key not in number:
                number[spot.key] = len(spots)
                spots.append(spot)
    problem = mover.local(spots)
    position, kind = np.array([spot.position_m for spot in spots]), np.array([spot.kind for spot in spots])
    tools = tools_of(problem, mover.pool, mover.running.on(1))
    after = []
    for outcome in outcomes:
        plans = list(outcome.plans)
        if outcome.count in moved:
            one = moved[outcome.count]
            index = np.array([number[spot.key] for spot in one.chosen])
            plans.insert(0, replace(one.plan, candidate_index=index))
        if moved and plans and len(state_of(tools.columns, plans[0]).column) > 1:
            for rank, plan in enumerate(plans[:LEADING]):
                random = np.random.default_rng([seed, outcome.count, 10, rank])
                burst = tools.hopper.burst(
                    state_of(tools.columns, plan), value=np.inf, hops=1, random=random, habits=THOROUGH
                )
                plans.append(plan_of(problem, tools.columns, tools.polisher.polish(burst.met[0][1])[0]))
        after.append(_sorted(outcome, plans, len(candidates), how=mover.how))
    return Finer(
        problem=problem,
        candidates=Candidates(
            position_m=position,
            zone=tuple(spot.zone for spot in spots),
            mirror_of=mirrored_by_kind(position, kind, mover.everywhere.grounds[0].room_m[1]),
            places_between=len(spots) - len(candidates),
            kind=kind.astype(np.intp),
        ),
        transfer=np.stack([spot.column for spot in spots], axis=2),
        outcomes=tuple(after),
    )


def _sorted(outcome: Outcome, plans: Sequence[FoundPlan], n_first: int, *, how: str) -> Outcome:
    """The outcome with these plans, the best of each layout, best first; `how` subs were moved, in words."""
    if not outcome.plans:
        return outcome
    kept: dict[tuple[int, ...], FoundPlan] = {}
    for plan in sorted(plans, key=lambda one: one.variation_db):
        kept.setdefault(tuple(plan.candidate_index.tolist()), plan)
    best, before = next(iter(kept.values())), outcome.plans[0]
    remarks = outcome.remarks
    if best.candidate_index.max() >= n_first:
        remarks += (
            f"The best plan found on the first grid has {before.variation_db:z.2f} dB; moved between the grid's "
            f"positions, {how}, it has {best.variation_db:z.2f} dB.",
        )
    return replace(
        outcome,
        plans=tuple(kept.values())[: max(KEPT, len(outcome.plans))],
        exhaustive=outcome.exhaustive and best is before,
        remarks=remarks,
    )
