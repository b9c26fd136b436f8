"""Candidates of several kinds of subwoofer: a place with the kind that may stand there."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from roommodes.arrays import Floats
from roommodes.places.lattice import STEP_M, Lattice, lattice_of
from roommodes.places.positions import mirrored
from roommodes.places.zones import Candidates, Ground, Zone, ZoneYield, lay_out


def lay_out_kinds(
    zones: Sequence[Sequence[Zone]], grounds: Sequence[Ground], names: Sequence[str]
) -> tuple[Candidates, tuple[ZoneYield, ...]]:
    """The candidates of all kinds, kind by kind, and what became of each zone's positions.

    Parameters
    ----------
    zones : for each kind those in which it may stand, in order of precedence.
    grounds : what decides where each kind may stand.
    names : of the kinds.
    """
    laid = [lay_out(own, ground) for own, ground in zip(zones, grounds, strict=True)]
    if len(laid) == 1:
        return laid[0]
    found = joined([candidates for candidates, _ in laid])
    yields = [replace(one, kind=name) for name, (_, several) in zip(names, laid, strict=True) for one in several]
    return found, tuple(yields)


def joined(parts: Sequence[Candidates]) -> Candidates:
    """The candidates of each kind one after the other; a mirror image is of the same kind."""
    before = np.cumsum([0, *(len(one) for one in parts[:-1])])
    return Candidates(
        position_m=np.concatenate([one.position_m for one in parts]),
        zone=tuple(name for one in parts for name in one.zone),
        mirror_of=np.concatenate(
            [np.where(one.mirror_of < 0, -1, one.mirror_of + first) for one, first in zip(parts, before, strict=True)]
        ).astype(np.intp),
        kind=np.repeat(np.arange(len(parts)), [len(one) for one in parts]).astype(np.intp),
    )


def lattice_of_kinds(
    zones: Sequence[Sequence[Zone]], candidates: Candidates, grounds: Sequence[Ground], *, step_m: float = STEP_M
) -> Lattice:
    """The candidates and the positions between them, of every kind; the candidates first, in their order.

    Parameters
    ----------
    zones, grounds : of each kind, as for `lay_out_kinds`.
    candidates : that they yield.
    step_m : as for `lattice_of`.
    """
    if len(zones) == 1:
        return lattice_of(zones[0], candidates, grounds[0], step_m=step_m)
    own = []
    for kind, (places, ground) in enumerate(zip(zones, grounds, strict=True)):
        there = np.flatnonzero(candidates.kind == kind)
        first = Candidates(
            position_m=candidates.position_m[there],
            zone=tuple(candidates.zone[k] for k in there),
            mirror_of=np.full(len(there), -1, dtype=np.intp),
        )
        own.append((lattice_of(places, first, ground, step_m=step_m), len(there)))
    kinds = [(kind, lattice, slice(0, n), slice(n, None)) for kind, (lattice, n) in enumerate(own)]
    parts = [(k, one, first) for k, one, first, _ in kinds] + [(k, one, rest) for k, one, _, rest in kinds]
    return Lattice(
        position_m=np.concatenate([one.position_m[part] for _, one, part in parts]),
        zone=tuple(name for _, one, part in parts for name in one.zone[part]),
        reach_m=np.concatenate([one.reach_m[part] for _, one, part in parts]),
        step_m=max(lattice.step_m for lattice, _ in own),
        smooth=all(lattice.smooth for lattice, _ in own),
        kind=np.concatenate([np.full(len(one.zone[part]), k, dtype=np.intp) for k, one, part in parts]),
    )


def different_places(position_m: Floats) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Of places that several kinds share one each: indices of these, and for every place which of them it is.

    Parameters
    ----------
    position_m : (n, 3) [m].

    Returns
    -------
    (n_different,), (n,).
    """
    _, first, which = np.unique(np.round(position_m, 6), axis=0, return_index=True, return_inverse=True)
    order = np.argsort(first, kind="stable")
    rank = np.empty(len(order), dtype=np.intp)
    rank[order] = np.arange(len(order))
    return first[order].astype(np.intp), rank[np.ravel(which)]


def mirrored_by_kind(position_m: Floats, kind: NDArray[np.integer], width_m: float) -> NDArray[np.intp]:
    """Index of each position's mirror image with the same kind, -1 where there is none: (n, 3), (n,) -> (n,)."""
    result = np.full(len(position_m), -1, dtype=np.intp)
    for one in np.unique(kind):
        there = np.flatnonzero(kind == one)
        image = mirrored(position_m[there], width_m)
        result[there] = np.where(image < 0, -1, there[image])
    return result
