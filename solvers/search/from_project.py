"""A project's wishes as the search takes them: fixed subs, limits per zone, least distance, delay steps."""

import numpy as np

from roommodes.arrays import Integers
from roommodes.errors import Fault, ProjectInvalid
from roommodes.places.zones import Candidates
from roommodes.project.project import Project
from roommodes.subwoofer.kinds import in_hundredths, prices_known
from solvers.search.problem import DriveRange, KindWishes, Wishes

SAME_PLACE_M = 0.05  # a measured place so near to a zone, or to a fixed sub's place, is in it


def wishes_of(project: Project, candidates: Candidates) -> Wishes:
    """Which layouts are wanted.

    Parameters
    ----------
    project : with zones that may be fixed or hold so many subs at most.
    candidates : the project's.
    """
    tables = project.tables.zones
    names = [table.name for table in tables]
    most = len(candidates)
    fixed = []
    for zone, table in zip(project.zones, tables, strict=True):
        if table.fixed:  # the position may have come from an earlier zone
            gap = np.abs(candidates.position_m - np.array(zone.low)).max(axis=1)
            if table.kinds:
                gap[candidates.kind != [kind.name for kind in project.kinds].index(table.kinds[0])] = np.inf
            fixed.append(int(np.argmin(gap)))
    limited = any(table.at_most is not None for table in tables)
    return Wishes(
        fixed=tuple(dict.fromkeys(fixed)),
        zone=np.array([names.index(name) for name in candidates.zone]) if limited else None,
        zone_limit=np.array([table.at_most or most for table in tables]) if limited else None,
        position_m=candidates.position_m,
        least_distance_m=project.search.least_distance_m,
        cabinet_m=_overlap_m(project) if len(project.kinds) == 1 else None,
        kinds=_kinds(project, candidates),
    )


def _kinds(project: Project, candidates: Candidates) -> KindWishes | None:
    """Cabinets and prices by kind; None where there is one kind and no budget."""
    kinds, budget = project.kinds, project.search.budget
    if len(kinds) == 1 and budget is None:
        return None
    sizes = [kind.cabinet_m or (0.0, 0.0, 0.0) for kind in kinds]
    return KindWishes(
        kind=candidates.kind,
        size_m=np.array([(min(depth, width), min(depth, width), height) for depth, width, height in sizes]),
        up_m=np.array([kind.acoustic_centre_m[2] for kind in kinds]),
        price=np.array(
            [in_hundredths(kind.price or 0.0) if prices_known(kinds) else 0 for kind in kinds], dtype=np.int64
        ),
        budget=None if budget is None else in_hundredths(budget),
    )


def wishes_at(project: Project, candidates: Candidates) -> Wishes:
    """The same for candidates that are measured or estimated places, in the zones or off them.

    A place off all zones counts for no zone's limit. A fixed sub stands at the place that is its own.

    Raises
    ------
    ProjectInvalid : a fixed sub's place is none of the candidates.
    """
    tables = project.tables.zones
    fixed, faults = [], []
    for index, (zone, table) in enumerate(zip(project.zones, tables, strict=True)):
        if not table.fixed:
            continue
        gap = np.abs(candidates.position_m - np.array(zone.low)).max(axis=1)
        if gap.min(initial=np.inf) > SAME_PLACE_M:
            message = "a sub is fixed there, but no response from there is known; measure there, or leave fixed out."
            faults.append(Fault(where=f"zones[{index}].fixed", message=message))
        else:
            fixed.append(int(np.argmin(gap)))
    if faults:
        raise ProjectInvalid(project.source, faults)
    limited = any(table.at_most is not None for table in tables)
    most = len(candidates)
    return Wishes(
        fixed=tuple(dict.fromkeys(fixed)),
        zone=_zone_at(project, candidates) if limited else None,
        zone_limit=np.array([*(table.at_most or most for table in tables), most]) if limited else None,
        position_m=candidates.position_m,
        least_distance_m=project.search.least_distance_m,
        cabinet_m=_overlap_m(project),
        kinds=_kinds(project, candidates),
    )


def _zone_at(project: Project, candidates: Candidates) -> Integers:
    """The zone that each place is in or next to, the nearest first; one more than there are for places off all."""
    place = candidates.position_m
    low, high = (np.array([getattr(zone, end) for zone in project.zones]) for end in ("low", "high"))
    beyond = np.maximum(np.maximum(low - place[:, None], place[:, None] - high), 0.0)
    gap = np.sqrt((beyond**2).sum(axis=2))
    return np.where(gap.min(axis=1) <= SAME_PLACE_M, gap.argmin(axis=1), len(project.zones))


def _overlap_m(project: Project) -> tuple[float, float, float] | None:
    """How near two centres must be along x, y and z for the cabinets to overlap however they are turned [m]."""
    if project.subwoofer.cabinet_m is None:
        return None
    depth, width, height = project.subwoofer.cabinet_m
    return min(depth, width), min(depth, width), height


def drives_of(project: Project) -> DriveRange:
    """What the processor may do to each sub."""
    takes = project.processor
    return DriveRange(
        delay_s=takes.delay_s,
        gain_db=takes.gain_db,
        polarity=takes.polarity,
        delay_step_s=takes.delay_step_s,
        gain_step_db=takes.gain_step_db,
    )
