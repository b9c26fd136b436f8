"""Positions between the candidates of the first grid, and the field at any place between those.

The lattice is every zone's grid again with each step cut into parts no longer than `STEP_M`: some 30 to a wavelength
at the end of a usual band. Along a line of it the field of a moved source is a smooth function of the position, so
that the polynomial through the nearest nodes gives it at every centimetre.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import ceil

import numpy as np
from numpy.typing import NDArray

from roommodes.arrays import Floats
from roommodes.places.positions import SAME_M, exact_pairs, position_key
from roommodes.places.zones import Candidates, Ground, Zone, no_kinds

STEP_M = 0.1
MOST_POSITIONS = 800  # beyond it the steps are cut into fewer parts
NODES, LEAST_NODES = 8, 4  # of the polynomial
WIDEST_M = 0.15  # between two nodes


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lattice:
    """All candidates, and the feasible positions between them.

    Parameters
    ----------
    position_m : (n, 3), the candidates first, in their order [m].
    zone : (n,) name of the zone of each.
    reach_m : (n,) how far each one's neighbours are looked for: its zone's spacing [m].
    step_m : the steps are no longer than this, or as long as a zone's spacing [m].
    smooth : whether the field between its positions is smooth. It is not at the inward edges of a room that is no box;
        there subs stay on the lattice.
    kind : (n,) which of the project's kinds of subwoofer each is for; left out, the first.
    """

    position_m: Floats
    zone: tuple[str, ...]
    reach_m: Floats
    step_m: float = STEP_M
    smooth: bool = True
    kind: NDArray[np.intp] = field(default_factory=no_kinds)

    def __post_init__(self) -> None:
        if not len(self.kind):
            object.__setattr__(self, "kind", np.zeros(len(self.zone), dtype=np.intp))

    def near(self, position_m: Floats, zone: str, kind: int = 0) -> list[int]:
        """Positions of the same zone and kind within its reach along every axis."""
        gap = np.abs(self.position_m - position_m).max(axis=1)
        inside = np.flatnonzero((gap <= self.reach_m + SAME_M) & (self.kind == kind))
        return [int(i) for i in inside if self.zone[i] == zone]

    def between(self, position_m: Floats, axis: int, kind: int = 0) -> tuple[NDArray[np.intp], Floats] | None:
        """Nodes on the line through a place along an axis, and their weights there.

        Parameters
        ----------
        position_m : (3,) [m].
        axis : 0, 1 or 2.
        kind : of the nodes.

        Returns
        -------
        (node,) indices, (node,) weights; None where there are too few nodes, or none on one side of the place.
        """
        if not self.smooth:
            return None
        gap = self.position_m - position_m
        aside = np.abs(np.delete(gap, axis, axis=1)).max(axis=1)
        line = np.flatnonzero((aside <= SAME_M) & (self.kind == kind))
        at = gap[line, axis]
        chosen = np.argsort(np.abs(at), kind="stable")[:NODES]
        chosen = chosen[np.argsort(at[chosen])]
        node, at = line[chosen], at[chosen]
        if len(node) < LEAST_NODES or at[0] > SAME_M or at[-1] < -SAME_M or np.diff(at).max() > WIDEST_M:
            return None
        apart = at[:, None] - at[None, :]
        np.fill_diagonal(apart, 1.0)
        ahead = np.where(np.eye(len(at), dtype=np.bool_), 1.0, -at[None, :] + np.zeros_like(apart))
        return node, np.asarray((ahead / apart).prod(axis=1))


def lattice_of(zones: Sequence[Zone], candidates: Candidates, ground: Ground, *, step_m: float = STEP_M) -> Lattice:
    """The candidates of the zones and the positions between them.

    Parameters
    ----------
    zones : in order of precedence.
    candidates : that they yield.
    ground : what decides where a sub may stand.
    step_m : longest step wanted [m]; longer ones are taken where there would be too many positions.
    """
    step = step_m
    while sum(_size(zone, step) for zone in zones) > MOST_POSITIONS and any(zone.spacing_m > step for zone in zones):
        step *= 1.25
    spacing = {zone.name: zone.spacing_m for zone in zones}
    seen = {position_key(point) for point in candidates.position_m}
    kept: list[Floats] = []
    names: list[str] = []
    for zone in zones:
        position = ground.places(zone, parts_of(zone, step))
        for point in position[ground.allows(position)]:
            key = position_key(point)
            if key not in seen:
                seen.add(key)
                kept.append(point)
                names.append(zone.name)
    names = [*candidates.zone, *names]
    whole = np.concatenate([candidates.position_m, np.array(kept, dtype=np.float64).reshape(-1, 3)])
    return Lattice(
        position_m=exact_pairs(whole, ground.room_m[1]) if ground.mirror else whole,
        zone=tuple(names),
        reach_m=np.array([spacing[name] for name in names]),
        step_m=step,
        smooth=ground.shape is None,
    )


def parts_of(zone: Zone, step_m: float) -> int:
    """Into how many parts each step of a zone's grid is cut."""
    return max(1, ceil(zone.spacing_m / step_m - 1e-9))


def _size(zone: Zone, step_m: float) -> int:
    parts = parts_of(zone, step_m)
    x, y, z = ((n - 1) * parts + 1 for n in zone.counts)
    return x * y * z
