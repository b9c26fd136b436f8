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
        layout = state.layout
        known = self._best.get(layout)
        if known is None or value < known[0]:
            self._best[layout] = (value, state)

    def best(self, count: int) -> list[tuple[float, State]]:
        """The `count` layouts of lowest value, lowest first."""
        found = heapq.nsmallest(count, self._best.items(), key=lambda item: (item[1][0], item[0]))
        return [entry for _, entry in found]

    def keep_only(self, entries: Iterable[tuple[float, State]]) -> None:
        """Forget everything but these."""
        self._best = {}
        for value, state in entries:
            self.offer(value, state)
