"""On what cabinets stand: how far their feet are above it, and what of a zone a person should know before building."""

from collections.abc import Iterator, Sequence

import numpy as np

from roommodes.arrays import Floats, Integers
from roommodes.lengths import Lengths, lengths_of
from roommodes.places.positions import triple
from roommodes.project.project import Project
from roommodes.project.room import under_m
from roommodes.project.tables import ZoneTable

POINT_UNDER_M = 0.3  # of a sub below its acoustic centre, where the cabinet is not known
HANGS_FROM_M = 0.02  # less than this are feet and spikes: common practice, no source
OFF_STEP_M = 1e-5
MEASURED_FROM = (("front wall", "rear wall"), ("left wall", "right wall"), ("what carries them", ""))


def feet_m(project: Project, position_m: Floats, kind: Integers | None = None) -> Floats:
    """How far each cabinet's foot is above the floor or block that carries it: (n, 3) acoustic centres -> (n,) [m].

    `kind` (n,) is of subwoofer; left out, the first.
    """
    shape = project.room.shape
    own = [POINT_UNDER_M if (under := under_m(table)) is None else under for table in project.kinds]
    tops = np.array([shape.stands_on_m(triple(at)) for at in position_m])
    return np.asarray(position_m[:, 2] - np.array(own)[_kinds(position_m, kind)] - tops)


def hanging_m(project: Project, position_m: Floats, kind: Integers | None = None) -> Floats:
    """How far each cabinet's foot is above all that could carry it, 0 where it stands or where its zone says how.

    Parameters
    ----------
    project : with the cabinets' sizes; without its size nothing is known of one.
    position_m : (n, 3) acoustic centres [m].
    kind : (n,) of subwoofer; left out, the first.

    Returns
    -------
    (n,) [m].
    """
    if not len(position_m):
        return np.zeros(0)
    kinds = _kinds(position_m, kind)
    known = np.array([under_m(table) is not None for table in project.kinds])[kinds]
    feet = feet_m(project, position_m, kinds)
    said = np.zeros(len(position_m), dtype=np.bool_)
    for zone, table in zip(project.zones, project.tables.zones, strict=True):
        if table.stands is not None:
            low, high = np.array(zone.low) - 1e-6, np.array(zone.high) + 1e-6
            said |= np.all((position_m >= low) & (position_m <= high), axis=1)
    return np.where((feet > HANGS_FROM_M) & known & ~said, feet, 0.0)


def _kinds(position_m: Floats, kind: Integers | None) -> Integers:
    return np.zeros(len(position_m), dtype=np.int64) if kind is None else np.asarray(kind, dtype=np.int64)


def hanging_words(project: Project, position_m: Floats, kind: Integers | None = None) -> list[str]:
    """``Sub 1: its foot is 0.09 m above the floor, and nothing is said of what carries it.``, by height.

    Parameters
    ----------
    project, position_m, kind : as for `hanging_m`, the subs of a plan in order.
    """
    lengths = lengths_of(project)
    by_height: dict[str, list[int]] = {}
    for number, height in enumerate(hanging_m(project, position_m, kind), start=1):
        if height > 0.0:
            by_height.setdefault(lengths.text(float(height)), []).append(number)
    return [
        f"Sub {numbers[0]}: its foot is {height} above the floor or block under it, and nothing is said of what "
        "carries it."
        if len(numbers) == 1
        else f"Subs {', '.join(map(str, numbers))}: their feet are {height} above the floor or block under them, and "
        "nothing is said of what carries them."
        for height, numbers in by_height.items()
    ]


def standing_warnings(project: Project) -> Iterator[str]:
    """Zones whose cabinets hang, whose heights are not used, or whose own coordinates are off whole steps."""
    lengths, candidates = lengths_of(project), project.candidates
    known = [under for table in project.kinds if (under := under_m(table)) is not None]
    for table in project.tables.zones:
        there = np.array([name == table.name for name in candidates.zone], dtype=np.bool_)
        own, kind = candidates.position_m[there], candidates.kind[there]
        if table.stands == "floor" and known:
            yield from _heights_unused(table, known, lengths)
        elif len(own) and (hangs := hanging_m(project, own, kind)).max() > 0.0:
            yield (
                f'zone "{table.name}": the foot of its cabinets is {_between(hangs[hangs > 0.0], lengths)} above the '
                'floor or block under it. stands = "floor" puts them down; stands = "raised" says that something of '
                "their own (plinth, stand, bracket) carries them."
            )
        if project.search.round_m > 0.0:
            for number in np.unique(kind):
                yield from _off_steps(project, table.name, own[kind == number], int(number))


def _heights_unused(table: ZoneTable, known: Sequence[float], lengths: Lengths) -> Iterator[str]:
    given = {table.from_m[2], table.to_m[2]} - {0.0}
    if any(abs(height - under) > 1e-6 for height in given for under in known):
        yield (
            f'zone "{table.name}" stands on {"the floor" if table.on is None else table.on}: its acoustic centres are '
            f"{' or '.join(dict.fromkeys(lengths.text(under, '.3f') for under in known))} above it. The heights of its "
            f"corners ({' and '.join(lengths.text(one) for one in sorted(given))}) are not used."
        )


def _off_steps(project: Project, name: str, own: Floats, kind: int) -> Iterator[str]:
    """A coordinate along which the zone has no extent is its own, in whole steps or not."""
    steps, lengths = project.ground(kind).whole_steps(), lengths_of(project)
    off = np.array([steps.off_m(place) for place in own])
    for axis, (near, far) in enumerate(MEASURED_FROM):
        if off[:, axis].max() <= OFF_STEP_M:
            continue
        place = own[int(np.argmax(off[:, axis]))]
        wall = far if axis < 2 and place[axis] > project.room.size_m[axis] / 2.0 else near
        yield (
            f'zone "{name}": its cabinets are {lengths.text(float(off[:, axis].max()), ".3f")} off whole steps of '
            f"{lengths.text(steps.step_m, 'g')} from {'the ' if axis < 2 else ''}{wall}. The zone has no extent "
            f"along {'xyz'[axis]}, so they stay there; only another {'xyz'[axis]} of the zone changes it."
        )


def _between(heights: Floats, lengths: Lengths) -> str:
    low, high = lengths.text(float(heights.min())), lengths.text(float(heights.max()))
    return low if low == high else f"{low} to {high}"
