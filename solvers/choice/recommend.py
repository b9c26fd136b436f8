"""One plan over all numbers of subs, and why, in sentences."""

from collections.abc import Mapping, Sequence

from roommodes.plan.choices import Recommendation
from roommodes.project.tables import AimLimitsTable, AimWeightsTable
from solvers.choice.aims import Figures, broken_limits, excess, rank, score_db

CHEAP_DB = 0.1  # of variation: a front plan that costs no more is worth a word ...
WORTH_DB = 0.5  # ... if it gives as much output


def steers(weights: AimWeightsTable, limits: AimLimitsTable) -> bool:
    """Whether plans with one number of subs are ordered by more than variation."""
    limited = (limits.variation_db, limits.output_db, limits.smoothness_db, limits.decay_s, limits.headroom_db)
    return _weighed(weights) or any(one is not None for one in limited)


def recommend(
    best: Mapping[int, Figures],
    evenest: Mapping[int, Figures],
    fronts: Mapping[int, Sequence[Figures]],
    *,
    weights: AimWeightsTable,
    limits: AimLimitsTable,
    asked: Sequence[int] = (),
    stopped: bool = False,
) -> Recommendation:
    """The number of subs whose first plan serves the aims best, and the reasons.

    Parameters
    ----------
    best : number of subs -> figures of its first plan.
    evenest : number of subs -> figures of the most even plan found.
    fronts : number of subs -> figures of the plans on its front, the most even first.
    weights, limits : of the aims.
    asked : numbers of subs that were asked for, if some of them have no plan.
    stopped : the search was stopped early.
    """
    counts = sorted(best)
    chosen = min(counts, key=lambda count: rank(best[count], weights, limits))
    reasons = [*_count_reasons(best, chosen, weights, limits, asked)]
    if stopped:
        reasons.append("The search was stopped early: a full one may recommend another number of subs.")
    mine = best[chosen]
    if broken := broken_limits(mine, limits):
        reasons.append(f"No plan found keeps every limit; this one comes nearest: {', '.join(broken)}.")
    if mine != evenest[chosen]:
        reasons.append(_traded(mine, evenest[chosen], weights, limits))
    else:
        reasons += _offer(mine, fronts.get(chosen, ()), weights)
    return Recommendation(subs=chosen, reasons=tuple(reasons))


def _count_reasons(
    best: Mapping[int, Figures],
    chosen: int,
    weights: AimWeightsTable,
    limits: AimLimitsTable,
    asked: Sequence[int],
) -> list[str]:
    """Why so many subs: against the best other number below, the best above, and those that the limits rule out."""
    if len(best) == 1:
        others = ", ".join(str(count) for count in sorted(set(asked) - {chosen}))
        if others:
            return [f"{_subs(chosen)}: the only number with a plan; {others} were asked for as well."]
        return [f"{_subs(chosen)}: the only number asked for."]
    weighed = _weighed(weights)
    lead = f"{_subs(chosen)}:"
    reasons = []
    ruled_out = [count for count in best if excess(best[count], limits) > excess(best[chosen], limits)]
    rivals = set(best) - {chosen, *ruled_out}
    sides = [[count for count in rivals if count < chosen], [count for count in rivals if count > chosen]]
    shown = [min(side, key=lambda count: score_db(best[count], weights)) for side in sides if side]
    for other in sorted({*shown, *ruled_out}):
        if excess(best[other], limits) > excess(best[chosen], limits):
            beyond = ", ".join(broken_limits(best[other], limits))
            reasons.append(f"{lead} {_subs(other)} would be further beyond the limits ({beyond}).")
            continue
        gap = other - chosen
        worth = {count: score_db(best[count], weights) - weights.subs * count for count in (chosen, other)}
        took = abs(worth[other] - worth[chosen])
        what = f"{took:z.2f} dB" + (" by the weights of all aims" if weighed else "")
        if gap < 0:
            verb = "gain" if weighed else "take"
            even = "variation" if best[chosen].with_mains_db is None else "variation with the mains"
            off = "" if weighed else f" off the {even} of {_subs(other)}"
            further = f"the {-gap} further subs {verb}" if gap < -1 else f"the further sub {verb}s"
            text = f"{further} {what}{f' over {_subs(other)}' if weighed else off}"
        else:
            further = f"the {gap} further subs" if gap > 1 else "the further sub"
            if worth[other] >= worth[chosen]:
                text = f"{further} of the plan with {other} would gain nothing"
            else:
                text = f"{further} of the plan with {other} would buy only {what}"
        reasons.append(f"{lead} {text}; {weights.subs:g} dB for each is asked.")
    return reasons


def _traded(mine: Figures, evenest: Figures, weights: AimWeightsTable, limits: AimLimitsTable) -> str:
    """What the plan gives up in variation, and for what."""
    bought = []
    for change, word in (
        ((evenest.with_mains_db or 0.0) - (mine.with_mains_db or 0.0), "dB less variation with the mains"),
        (mine.output_db - evenest.output_db, "dB more output"),
        (evenest.smoothness_db - mine.smoothness_db, "dB more smoothness"),
        (evenest.decay_s - mine.decay_s, "s shorter decay"),
        ((mine.headroom_db or 0.0) - (evenest.headroom_db or 0.0), "dB more headroom"),
    ):
        if change >= (0.005 if word.startswith("s ") else 0.05):
            bought.append(f"{change:.2f} {word}" if word.startswith("s ") else f"{change:.1f} {word}")
    lost = f"This plan gives up {mine.variation_db - evenest.variation_db:z.2f} dB of variation"
    lost += "" if mine.with_mains_db is None else " of the subs alone"
    if excess(evenest, limits) > excess(mine, limits):
        lost += " to come nearer to the limits" if excess(mine, limits) > 0.0 else " to keep the limits"
    return f"{lost}: {', '.join(bought)}." if bought else f"{lost}."


def _offer(mine: Figures, front: Sequence[Figures], weights: AimWeightsTable) -> list[str]:
    """A plan on the front that gives much output for little variation, if there is one."""
    cheap = [one for one in front if one.variation_db - mine.variation_db <= CHEAP_DB]
    if not cheap or weights.output > 0.0:
        return []
    most = max(cheap, key=lambda one: one.output_db)
    gained, cost = most.output_db - mine.output_db, most.variation_db - mine.variation_db
    if gained < WORTH_DB:
        return []
    return [
        f"If output counts: another plan with {_subs(mine.subs)} gives up {cost:z.2f} dB of variation for "
        f"{gained:z.1f} dB more output."
    ]


def _weighed(weights: AimWeightsTable) -> bool:
    """Whether more than variation and the number of subs counts."""
    return max(weights.output, weights.smoothness, weights.decay, weights.headroom) > 0.0


def _subs(count: int) -> str:
    return "1 sub" if count == 1 else f"{count} subs"
