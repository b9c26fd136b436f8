"""The layouts met so far and the best settings known for each."""

import heapq
from collections.abc import Iterable

from solvers.search.state import State


class Pool:
    """Layouts with a value and a state; the lowest value of each layout is kept, ties by who came first."""

    def __init__(self) -> None:
        self._best: dict[tuple[int, ...], tuple[float, State]] = {}

    def __len__(self) -> int:
        return len(self._best)

    def offer(self, value: float, state: State) -> None:
        """Keep the state if its layout is new or its value lower than the known one."""
        known = self._best.get(state.layout)
        if known is None or value < known[0]:
            self._best[state.layout] = (value, state)

    def best(self, count: int) -> list[tuple[float, State]]:
        """The `count` layouts of lowest value, lowest first."""
        return heapq.nsmallest(count, self._best.values(), key=lambda entry: (entry[0], entry[1].layout))

    def keep_only(self, entries: Iterable[tuple[float, State]]) -> None:
        """Forget everything but these."""
        self._best = {}
        for value, state in entries:
            self.offer(value, state)
