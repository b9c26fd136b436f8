"""How far the search is, in words: the count, the stage and the best plan so far."""

from dataclasses import dataclass
from math import inf, isfinite, sqrt

from roommodes.running import Running

STAGE = "search"


@dataclass(frozen=True, slots=True, kw_only=True)
class SearchProgress:
    """The progress of one stage of the search for one count.

    Parameters
    ----------
    running : its 0 to 1 are this stage's part of the whole search.
    count : subs.
    doing : what the stage does, in words.
    """

    running: Running
    count: int
    doing: str

    def at(self, fraction: float, best: float = inf) -> None:
        """Report how much of the stage is done, and the best value so far [dB^2]."""
        best_db = sqrt(max(best, 0.0)) if isfinite(best) else inf
        subs = "1 sub" if self.count == 1 else f"{self.count} subs"
        reached = f"; best so far {best_db:z.2f} dB" if isfinite(best_db) else ""
        self.running.step(STAGE, fraction, f"{subs}, {self.doing}{reached}", best_db=best_db)
