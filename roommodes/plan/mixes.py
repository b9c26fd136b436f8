"""Plans by their mix of kinds of subwoofer, and those that no cheaper one beats in variation and level."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import log10

from roommodes.plan.plan import Plan, Results

SAME_DB = 1e-9
LOUDER_DB = 0.5  # a plan that is less even than another for no more money must be so much louder to be worth a line

Mix = tuple[int, ...]  # subs of each kind


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MixPlan:
    """The first plan of a mix.

    Parameters
    ----------
    plan : the plan.
    mix : subs of each of the project's kinds.
    level_db : average over the seats and the band of the highest clean level [dB SPL]; where a limit is not known, of
        the level with the most heavily driven sub at its limit [dB re one sub of the first kind at 1 m].
    """

    plan: Plan
    mix: Mix
    level_db: float

    @property
    def price(self) -> float | None:
        """What its subs cost together, in the project's currency; None where a price is not known."""
        return self.plan.price

    @property
    def headroom_db(self) -> float | None:
        """Over the target, in the worst third-octave [dB]; None where it is not known."""
        found = self.plan.table.merits.headroom_db
        return None if found is None else float(found[self.plan.row])


def plans_by_mix(results: Results) -> tuple[MixPlan, ...]:
    """The first plan of each mix in a file, the cheapest first; without prices by the number of subs."""
    found: dict[Mix, MixPlan] = {}
    for count, table in results.plans.items():
        for row in range(len(table)):
            kinds = results.candidates.kind[table.candidate_index[row]].tolist()
            mix = tuple(kinds.count(kind) for kind in range(len(results.project.kinds)))
            if mix not in found:
                plan = results.plan(count, row + 1)
                limit = plan.limit_db
                level = plan.output_db + 20.0 * log10(plan.subs) + (0.0 if limit is None else float(limit.mean()))
                found[mix] = MixPlan(plan=plan, mix=mix, level_db=level)
    return tuple(sorted(found.values(), key=_order))


def not_beaten(plans: Sequence[MixPlan]) -> tuple[MixPlan, ...]:
    """Those of some plans that no other beats in price, variation and level, the cheapest first.

    A plan that is less even than another one for no more money stays where it is `LOUDER_DB` louder. Where a price is
    not known, the number of subs stands for it.
    """
    kept: list[MixPlan] = []
    for one in sorted(plans, key=_order):
        if not any(
            other.plan.variation_db <= one.plan.variation_db + SAME_DB and other.level_db > one.level_db - LOUDER_DB
            for other in kept
        ):
            kept.append(one)
    return tuple(kept)


def more_even_for_less(one: MixPlan, plans: Sequence[MixPlan]) -> MixPlan | None:
    """The most even of some plans that cost no more than another and are as even, whatever their level; None for none.

    Where a price is not known, the number of subs stands for it.
    """
    cost = _order(one)[0]
    better = [
        other
        for other in plans
        if other.mix != one.mix
        and _order(other)[0] <= cost
        and other.plan.variation_db <= one.plan.variation_db + SAME_DB
    ]
    return min(better, key=lambda other: other.plan.variation_db, default=None)


def cheapest_within(plans: Sequence[MixPlan], variation_db: float) -> MixPlan | None:
    """The cheapest plan that is so even; None where none is."""
    return next((one for one in sorted(plans, key=_order) if one.plan.variation_db <= variation_db), None)


def _order(one: MixPlan) -> tuple[float, float, float]:
    cost = one.plan.subs if one.price is None else one.price
    return cost, one.plan.variation_db, -one.level_db
