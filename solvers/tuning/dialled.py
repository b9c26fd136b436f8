"""Filters as the processor takes them: put on its steps, and moved there step by step as long as it helps."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from math import exp

from roommodes.filters.processor import FilterControls
from roommodes.filters.sections import Section

MOST_MOVES = 60
SAVES = 1e-9  # of the value; less is not worth a move

Placed = tuple[int, Section]  # the path that a filter is in, and the filter


def kept_within(controls: FilterControls, *, q: tuple[float, float], gain_db: tuple[float, float]) -> FilterControls:
    """The controls, kept to what was asked: (least, most) Q and gain [dB]; a range without a step keeps its ends."""
    narrow_q, narrow_gain = controls.q.within(*q), controls.gain_db.within(*gain_db)
    return replace(
        controls,
        q=controls.q if narrow_q.is_empty else narrow_q,
        gain_db=controls.gain_db if narrow_gain.is_empty else narrow_gain,
    )


def on_steps(
    filters: Sequence[Placed],
    controls: FilterControls,
    value: Callable[[Sequence[Placed]], float],
    *,
    apart: float,
) -> list[Placed]:
    """Filters on the processor's steps with a value as low as single steps from the nearest ones reach.

    Parameters
    ----------
    filters : as fitted, free of steps.
    controls : ranges and steps. Where they are fine, the nearest steps are taken.
    value : what is to be low, of filters in the same order.
    apart : least distance of two filters of one kind in one path [logarithm of frequency].
    """
    at = [(path, controls.dialled(one)) for path, one in filters]
    if controls.are_fine or not at:
        return at
    best = value(at)
    for _ in range(MOST_MOVES):
        trials = [
            [*at[:place], (path, moved), *at[place + 1 :]]
            for place, (path, one) in enumerate(at)
            for moved in controls.beside(one)
            if _clear(at, place, moved, apart)
        ]
        values = [value(trial) for trial in trials]
        if not values or min(values) >= best - SAVES:
            break
        least = min(range(len(values)), key=values.__getitem__)
        at, best = trials[least], values[least]
    return at


def _clear(at: Sequence[Placed], place: int, moved: Section, apart: float) -> bool:
    """Whether a filter keeps its distance from those of its kind in its path."""
    path = at[place][0]
    ratio = exp(apart)
    return all(
        max(one.frequency_hz / moved.frequency_hz, moved.frequency_hz / one.frequency_hz) >= ratio
        for number, (other, one) in enumerate(at)
        if number != place and other == path and one.kind == moved.kind
    )
