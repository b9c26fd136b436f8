"""Surfaces that lie over one another made into rectangles that do not overlap: the later one counts.

A later surface replaces what lies under it. What is left of the earlier one is cut into rectangles; glazing that is
drawn as a whole wall becomes panes between what stands in it.
"""

from collections.abc import Sequence

from roommodes.acoustics.plates.panes import Plate
from roommodes.acoustics.room import Surface


def visible(surfaces: Sequence[Surface]) -> tuple[Surface, ...]:
    """What remains of each surface once all later ones have replaced what is under them.

    Parameters
    ----------
    surfaces : in the order in which they are laid.

    Returns
    -------
    Surfaces that do not overlap, in the order of their makers.

    Raises
    ------
    ValueError : if part of a pane that does not divide is covered; half a plate is not a plate.
    """
    pieces: list[Surface] = []
    for new in surfaces:
        kept: list[Surface] = []
        for old in pieces:
            remains = _minus(old, new)
            if isinstance(old.law, Plate) and not old.law.divides and remains and remains != [old]:
                raise ValueError(f"surface {new.name!r} covers part of the pane {old.name!r}; cover all of it or none")
            kept.extend(remains)
        pieces = [*kept, new]
    return tuple(pieces)


def overlap(first: Surface, second: Surface) -> bool:
    """Whether two surfaces share more than an edge."""
    return first.wall == second.wall and all(
        min(first.to_m[i], second.to_m[i]) > max(first.from_m[i], second.from_m[i]) for i in (0, 1)
    )


def _minus(old: Surface, new: Surface) -> list[Surface]:
    """The parts of `old` that `new` leaves free: up to four rectangles."""
    (u0, v0), (u1, v1) = old.from_m, old.to_m
    a0, b0 = max(u0, new.from_m[0]), max(v0, new.from_m[1])
    a1, b1 = min(u1, new.to_m[0]), min(v1, new.to_m[1])
    if old.wall != new.wall or a0 >= a1 or b0 >= b1:
        return [old]
    corners = [
        ((u0, v0), (a0, v1)),
        ((a1, v0), (u1, v1)),
        ((a0, v0), (a1, b0)),
        ((a0, b1), (a1, v1)),
    ]
    return [
        Surface(wall=old.wall, from_m=low, to_m=high, law=old.law, name=old.name)
        for low, high in corners
        if low[0] < high[0] and low[1] < high[1]
    ]
