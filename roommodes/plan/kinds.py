"""Which kind of subwoofer stands where in a plan, and what that means for price and response."""

from __future__ import annotations

from typing import Any

import numpy as np

from roommodes.arrays import Complexes, Floats, Integers
from roommodes.subwoofer.tables import SubwooferTable


class PlanKinds:
    """What a plan says of the kinds of its subs; of one kind where its project has one."""

    __slots__ = ()

    @property
    def _plan(self) -> Any:
        return self  # the Plan that inherits this

    @property
    def kind(self) -> Integers:
        """(n_sub,) which of the project's kinds of subwoofer each is, from 0."""
        return np.asarray(self._plan.results.candidates.kind[self._plan.candidate_index])

    @property
    def kinds(self) -> tuple[SubwooferTable, ...]:
        """(n_sub,) the table of each sub."""
        return tuple(self._plan.project.kinds[one] for one in self.kind)

    @property
    def price(self) -> float | None:
        """What its subs cost together; None where a price is not known."""
        prices = [table.price for table in self.kinds]
        return None if None in prices else sum(price for price in prices if price is not None)

    def kind_response(self, frequency_hz: Floats) -> Complexes:
        """Response of each sub's kind over that of the first kind: (n_freq,) [Hz] -> (n_freq, n_sub).

        `transfer` has it in it; a transfer function that is worked out anew has not.
        """
        return np.asarray(self._plan.project.kind_response(frequency_hz)[:, self.kind])
