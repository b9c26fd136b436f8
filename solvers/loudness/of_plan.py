"""The headroom of one plan of a results file, with all that stands beside it: what command line and report show."""

from dataclasses import dataclass

from roommodes.arrays import Floats
from roommodes.errors import Fault, ProjectInvalid
from roommodes.plan.plan import Plan
from roommodes.plan.wiring import Wired
from roommodes.project.project import Project
from roommodes.running import Running
from solvers.loudness.cabinets import Heat, Standing, cabinet_warnings, heat_of, standings
from solvers.loudness.headroom import Headroom, Loudness, headroom, loudness_of
from solvers.loudness.needs import load_warnings, sub_numbers
from solvers.loudness.one_more_sub import OneMore, one_more, plan_bands

NOT_ABSOLUTE = (
    "the plan rests on responses without a known level, so nothing follows from a sub's limits; measure sound "
    'pressure at a known voltage (level = "pascal" and drive_v in [reference] of the manifest), or ask a plan of the '
    "model"
)
NO_LIMITS = (
    "nothing says how loud a sub plays, so there is no headroom to work out; give "
    "max_level_1m_db, [subwoofer.bursts] or [subwoofer.driver], then run optimise again"
)
NO_VOLTAGE = (
    "the sound pressure was measured at a known voltage, and nothing says up to which voltage a sub plays clean; give "
    "[subwoofer.driver], or the amplifier with its voltage_v or power_w and load_ohm, then run optimise again. A "
    "stated level at 1 m or bursts need the driver besides"
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlanHeadroom:
    """The headroom of one plan and what stands beside it.

    Parameters
    ----------
    headroom : band by band.
    loudness : limits and target.
    plan : whose it is; its filters on single subs are in it.
    next_count, next_bands_db : the plan with the next larger number of subs in the file, and its headroom by band
        (n_band,); None where there is none.
    added : one more sub beside the plan; None where the file has a plan with one more, or no place is left.
    standings, heat, warnings : of the cabinets.
    """

    headroom: Headroom
    loudness: Loudness
    plan: Plan
    next_count: int | None
    next_bands_db: Floats | None
    added: OneMore | None
    standings: tuple[Standing, ...]
    heat: Heat | None
    warnings: tuple[str, ...]

    @property
    def filtered(self) -> bool:
        """Whether filters on single subs are in it."""
        return self.plan.tuning is not None and any(self.plan.tuning.sub_filters)


def plan_headroom(plan: Plan, *, running: Running = Running()) -> PlanHeadroom:
    """Work out the headroom of a plan from what its results hold.

    Parameters
    ----------
    plan : the plan.
    running : progress, cancelling; once cancelled, the estimate of one more sub is left out.

    Raises
    ------
    ProjectInvalid : the project does not say how loud a sub plays, or measured responses do not say how loud it is.
    """
    project, results = plan.project, plan.results
    if not results.loudness_known:
        raise ProjectInvalid(project.source, [Fault(where="measured", message=NOT_ABSOLUTE)])
    loudness = loudness_of(project, plan.frequency_hz)
    if loudness is None:
        message = NO_LIMITS if project.drive is None else NO_VOLTAGE
        raise ProjectInvalid(project.source, [Fault(where="subwoofer", message=message)])
    on = plan.wired
    if on.faults:
        raise ProjectInvalid(project.source, [Fault(where="amplifiers", message=text) for text in on.faults])
    found = headroom(plan, loudness)
    next_count = min((other for other in results.plans if other > plan.subs), default=None)
    where = standings(project, plan.positions_m, plan.kind)
    heat = hottest(project, on, found)
    return PlanHeadroom(
        headroom=found,
        loudness=loudness,
        plan=plan,
        next_count=next_count,
        next_bands_db=None if next_count is None else plan_bands(results.plan(next_count, 1), loudness),
        added=one_more(plan, loudness, running=running) if next_count != plan.subs + 1 else None,
        standings=where,
        heat=heat,
        warnings=(
            *load_warnings(on, found.needs),
            *_drive_warnings(project),
            *_filter_warnings(plan, on),
            *cabinet_warnings(project, where, heat),
        ),
    )


def hottest(project: Project, on: Wired, found: Headroom) -> Heat | None:
    """Of the closed cupboards with amplifiers that which warms its air most; None where there is none."""
    needs, heats = found.needs, []
    amplifiers: dict[object, list[int]] = {}
    for index, channel in enumerate(on.channels):  # each by itself where every sub has its own amplifier
        amplifiers.setdefault(channel.amplifier or index, []).append(index)
    for indices in amplifiers.values():
        table = on.channels[indices[0]].table
        if table is None:
            continue
        rated = None if table.power_w is None else table.power_w * len(indices)
        needed = None if needs is None else float(needs.channel_power_w[:, indices].sum(axis=1).max())
        known = [power for power in (rated, needed) if power is not None]
        if known and (heat := heat_of(table, min(known), project.room.air)) is not None:
            heats.append(heat)
    return max(heats, key=lambda heat: heat.rise_k, default=None)


def _drive_warnings(project: Project) -> list[str]:
    """What of the limits a plan on measured sound pressure cannot use."""
    sub = project.subwoofer
    if project.drive is None or sub.driver is not None:
        return []
    stated = [
        word for word, one in (("max_level_1m_db", sub.max_level_1m_db), ("bursts", sub.bursts)) if one is not None
    ]
    left = f" {' and '.join(stated)} cannot be held against it without the driver." if stated else ""
    return [
        "the amplifier's voltage is the only limit that is known: excursion, heat and port may stop a sub far below "
        f"it. Give [subwoofer.driver].{left}"
    ]


def _filter_warnings(plan: Plan, on: Wired) -> list[str]:
    """Subs on one channel whose filters differ: one channel has one path."""
    if plan.tuning is None:
        return []
    own = plan.tuning.sub_filters
    return [
        f"subs {sub_numbers(channel)} share channel {channel.number} and have filters of their own, which one channel "
        "cannot give: tune with common filters alone (--individual 0)."
        for channel in on.channels
        if channel.shared and any(own[sub] != own[channel.subs[0]] for sub in channel.subs)
    ]
