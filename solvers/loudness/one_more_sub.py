"""What one more sub would bring: the plan found with one more, or one put beside the plan as it stands.

Where the file has no plan with one more, every candidate that the wishes allow is tried beside the subs of the
plan, whose positions and drives are left as they are: on a channel of its own, at the gain of the loudest, both
polarities, delays an eighth of a turn of the band's end apart. Taken is the place with the most headroom among those
that keep the variation, or nearly so; where there is none, the one with the least variation. A search of its own with
one more sub finds better: it is an estimate.
"""

from dataclasses import dataclass, replace

import numpy as np

from roommodes.arrays import Floats
from roommodes.plan.plan import Plan
from roommodes.responses.metrics import drive_weights, level_db, variation_db
from roommodes.running import Running
from solvers.loudness.headroom import Loudness, highest_clean_db
from solvers.search.columns import overlapping
from solvers.search.from_project import drives_of, wishes_of
from solvers.search.problem import DriveRange, KindWishes, Wishes

KEPT_DB = 0.1  # by which the variation may rise where headroom is looked for
TURN_PARTS = 8  # steps of delay to a turn at the band's end


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OneMore:
    """One more sub beside a plan.

    Parameters
    ----------
    candidate : where it stands.
    gain_db, delay_s, polarity : its drive [dB], [s], +1 or -1.
    band_headroom_db : (n_band,) with it, average over the seats against the target [dB].
    variation_db : with it [dB].
    keeps_variation : the variation is that of the plan, or nearly so.
    """

    candidate: int
    gain_db: float
    delay_s: float
    polarity: int
    band_headroom_db: Floats
    variation_db: float
    keeps_variation: bool


def one_more(plan: Plan, loudness: Loudness, *, running: Running = Running()) -> OneMore | None:
    """The best place found for one more sub; None where no candidate is left that the wishes allow.

    Parameters
    ----------
    plan : with its filters on single subs; the added sub gets the gain of the loudest.
    loudness : limits and target.
    running : progress, cancelling; once cancelled, the result is None.
    """
    hz, weight, drives = plan.frequency_hz, plan.seats.weight, drives_of(plan.project)
    weights, gain_db = plan.weights(hz, shared=False), float(plan.drives.gain_db.max())
    present = np.einsum("fsc,fc->fs", plan.transfer, weights)
    plain = variation_db(level_db(present), weight)
    kinds, project = plan.results.candidates.kind, plan.project
    several = [project.sub_limits(hz, kind=kind) for kind in range(len(project.kinds))]
    alone = [one.highest_db[:, None] for one in several if one is not None]  # of the added one, alone on a channel
    each = np.stack([one.highest_db for one in loudness.limits_by_sub(plan.wired)], axis=1)
    room_left = (each - level_db(weights)).min(axis=1)
    best: tuple[tuple[bool, float], OneMore] | None = None
    places = _allowed(plan)
    trials = [(delay, sign) for delay in _delays(drives, hz) for sign in ((1, -1) if drives.polarity else (1,))]
    for done, candidate in enumerate(places):
        if running.stop_asked():
            return None
        running.step("one more sub", done / len(places))
        h = plan.results.transfer[:, :, candidate]
        limit = alone[int(kinds[candidate])] - sum(project.raised_db(np.array([candidate])))
        for delay, sign in trials:
            own = drive_weights(hz, gain_db=[gain_db], delay_s=[delay], polarity=[sign])
            level = level_db(present + own * h)
            highest = level + np.minimum(room_left, (limit - level_db(own))[:, 0])[:, None]
            varies = variation_db(level, weight)
            bands = loudness.band_headroom_db(highest, weight)
            keeps = varies <= plain + KEPT_DB
            key = (keeps, float(bands.min()) if keeps else -varies)
            if best is None or key > best[0]:
                found = OneMore(
                    candidate=candidate,
                    gain_db=gain_db,
                    delay_s=float(delay),
                    polarity=sign,
                    band_headroom_db=bands,
                    variation_db=varies,
                    keeps_variation=keeps,
                )
                best = (key, found)
    return None if best is None else best[1]


def plan_bands(plan: Plan, loudness: Loudness) -> Floats:
    """Headroom of each band with a plan's drives alone: (n_band,) [dB]."""
    limit = np.stack([one.highest_db for one in loudness.limits_by_sub(plan.wired)], axis=1)
    highest, _ = highest_clean_db(plan.transfer, plan.drives.weights(plan.frequency_hz), limit)
    return loudness.band_headroom_db(highest, plan.seats.weight)


def _delays(drives: DriveRange, frequency_hz: Floats) -> Floats:
    """Delays that are tried, an eighth of a turn of the band's end apart: (n,) [s]."""
    step = drives.delay_step_s or 1.0 / (TURN_PARTS * frequency_hz[-1])
    coarse = max(1, round(1.0 / (TURN_PARTS * frequency_hz[-1]) / step))
    return np.arange(drives.delay_s[0], drives.delay_s[1] + 1e-12, step * coarse)


def _allowed(plan: Plan) -> list[int]:
    """Candidates at which one more sub may stand; with a mirrored layout only a place on the centre plane."""
    project, candidates = plan.project, plan.results.candidates
    known = {zone.name for zone in project.zones} >= set(candidates.zone)
    wishes = wishes_of(project, candidates) if known else Wishes()
    place, index = candidates.position_m, plan.candidate_index.tolist()
    found = [c for c in range(len(place)) if c not in index]
    if wishes.kinds is not None:
        found = [c for c in found if _may_join(wishes.kinds, place, index, c)]
    if project.search.mirror:
        found = [c for c in found if candidates.mirror_of[c] == c]
    if wishes.least_distance_m > 0.0:
        near = np.linalg.norm(place[:, None] - place[index][None], axis=2).min(axis=1)
        found = [c for c in found if near[c] >= wishes.least_distance_m - 1e-9]
    if wishes.zone is not None and wishes.zone_limit is not None:
        used = np.bincount(wishes.zone[index], minlength=len(wishes.zone_limit))
        found = [c for c in found if used[wishes.zone[c]] < wishes.zone_limit[wishes.zone[c]]]
    return found


def _may_join(kinds: KindWishes, place_m: Floats, index: list[int], candidate: int) -> bool:
    """Whether a further candidate keeps the budget, and its cabinet is clear of those that stand there."""
    if kinds.budget is not None and kinds.cost(np.array([*index, candidate])) > kinds.budget:
        return False
    those = [*index, candidate]
    near = overlapping(replace(kinds, kind=kinds.kind[those]), place_m[those])
    return not near[-1, :-1].any()
