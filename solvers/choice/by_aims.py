"""The order of the plans of one number of subs by all aims."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from roommodes.project.tables import SearchTable
from solvers.choice.aims import Figures, WithMains, rank
from solvers.choice.by_mix import SAME_DB, evenest_then_cheapest, with_each_mix
from solvers.choice.figures import figures_of
from solvers.choice.recommend import steers
from solvers.loudness.headroom import Loudness
from solvers.search.problem import FoundPlan, Outcome, Problem


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Aims:
    """What plans are judged by.

    Parameters
    ----------
    problem : of which they are.
    wishes : with the aims' weights and limits.
    loudness : for the headroom; None where it is not known how loud a sub plays.
    with_mains : gives the variation with the mains, by which plans are then ordered; None for that of the subs alone.
    heard : the plans whose variation with the mains counts, where it does.
    """

    problem: Problem
    wishes: SearchTable
    loudness: Loudness | None
    with_mains: WithMains | None
    heard: frozenset[FoundPlan]

    @property
    def steer(self) -> bool:
        """Whether the order follows more than the variation of the subs."""
        return self.with_mains is not None or steers(self.wishes.weights, self.wishes.limits)

    def figures(self, plans: Iterable[FoundPlan], *, headroom: bool = True) -> dict[FoundPlan, Figures]:
        """The figures of some plans; `headroom` says whether that is among them, which takes longest."""
        found = figures_of(self.problem, plans, self.loudness if headroom else None)
        if self.with_mains is not None:
            for plan in self.heard & found.keys():
                found[plan] = replace(found[plan], with_mains_db=self.with_mains(plan))
        return found

    def order(self, outcome: Outcome, met: Sequence[FoundPlan], keep: int) -> Sequence[FoundPlan]:
        """The best plan of each layout by all aims, best first; or the plans as the search left them.

        Parameters
        ----------
        outcome : what the search left.
        met : all plans met with as many subs.
        keep : so many at most.
        """
        if not self.steer:
            return outcome.plans
        wishes = self.wishes
        ranked = met if self.with_mains is None else [plan for plan in met if plan in self.heard]
        weighed = wishes.weights.headroom > 0.0 or wishes.limits.headroom_db is not None
        figures, evenness = self.figures(ranked, headroom=weighed), evenest_then_cheapest(self.problem)
        best = sorted(ranked, key=lambda plan: (*self._rank(figures[plan]), *evenness(plan)))
        return with_each_mix(best, self.problem, keep)

    def _rank(self, figures: Figures) -> tuple[float, float]:
        """As `aims.rank`; of several kinds of subwoofer to `SAME_DB`: of equal plans the cheaper is first."""
        beyond, score = rank(figures, self.wishes.weights, self.wishes.limits)
        return (beyond, score) if self.problem.wishes.kinds is None else (beyond, round(score / SAME_DB) * SAME_DB)
