"""What one more sub would bring: the plan found with one more, or one put beside the plan as it stands.

Where the file has no plan with one more, every candidate that the wishes allow is tried beside the subs of the
plan, whose positions and drives are left as they are: at the gain of the loudest, both polarities, delays an eighth
of a turn of the band's end apart. Taken is the place with the most headroom among those that keep the variation, or
nearly so; where there is none, the one with the least variation. A search of its own with one more sub finds
better: it is an estimate.
"""

from dataclasses import dataclass

import numpy as np

from roommodes.arrays import Complexes, Floats
from roommodes.plan.file import Results
from roommodes.responses.metrics import drive_weights, level_db, variation_db
from roommodes.running import Running
from solvers.loudness.headroom import Loudness, highest_clean_db
from solvers.search.problem import DriveRange, Wishes

KEPT_DB = 0.1  # by which the variation may rise where headroom is looked for
TURN_PARTS = 8  # steps of delay to a turn at the band's end


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OneMore:
    """One more sub beside a plan.

    Parameters
    ----------
    candidate : where it stands.
    gain_db, delay_s, polarity : its drive [dB], [s], +1 or -1.
    band_headroom_db : (n_band,) with it, seats' mean over the target [dB].
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


def one_more(
    results: Results,
    loudness: Loudness,
    *,
    index: tuple[int, ...],
    weights: Complexes,
    gain_db: float,
    drives: DriveRange,
    wishes: Wishes,
    mirror: bool,
    running: Running = Running(),
) -> OneMore | None:
    """The best place found for one more sub; None where no candidate is left that the wishes allow.

    Parameters
    ----------
    results : transfer functions and seats.
    loudness : limits and target.
    index : candidates of the plan.
    weights : (n_freq, n_sub) of the plan's subs.
    gain_db : of the added sub.
    drives, wishes : what the project allows.
    mirror : layouts are alike left and right: only a place on the centre plane keeps that.
    running : progress, cancelling; once cancelled, the result is None.
    """
    hz, weight = results.frequency_hz, results.seats.weight
    present = np.einsum("fsc,fc->fs", results.transfer[:, :, list(index)], weights)
    plain = variation_db(level_db(present), weight)
    limit = loudness.limits.highest_db[:, None]
    room_left = (limit - level_db(weights)).min(axis=1)
    step = drives.delay_step_s or 1.0 / (TURN_PARTS * hz[-1])
    coarse = max(1, round(1.0 / (TURN_PARTS * hz[-1]) / step))
    delays = np.arange(drives.delay_s[0], drives.delay_s[1] + 1e-12, step * coarse)
    signs = (1, -1) if drives.polarity else (1,)
    best: tuple[tuple[bool, float], OneMore] | None = None
    places = _allowed(results, index, wishes, mirror=mirror)
    for done, candidate in enumerate(places):
        if running.stop_asked():
            return None
        running.step("one more sub", done / len(places))
        h = results.transfer[:, :, candidate]
        for delay in delays:
            for sign in signs:
                own = drive_weights(hz, gain_db=[gain_db], delay_s=[delay], polarity=[sign])
                level = level_db(present + own * h)
                highest = level + np.minimum(room_left, (limit - level_db(own))[:, 0])[:, None]
                varies = variation_db(level, weight)
                bands = loudness.band_headroom_db(highest, weight)
                keeps = varies <= plain + KEPT_DB
                key = (keeps, float(bands.min()) if keeps else -varies)
                if best is None or key > best[0]:
                    best = (
                        key,
                        OneMore(
                            candidate=candidate,
                            gain_db=gain_db,
                            delay_s=float(delay),
                            polarity=sign,
                            band_headroom_db=bands,
                            variation_db=varies,
                            keeps_variation=keeps,
                        ),
                    )
    return None if best is None else best[1]


def next_plan_bands(results: Results, loudness: Loudness, count: int) -> Floats:
    """Headroom of each band with the best plan of another number of subs: (n_band,) [dB]."""
    table = results.plans[count]
    weights = drive_weights(
        results.frequency_hz, gain_db=table.gain_db[0], delay_s=table.delay_s[0], polarity=table.polarity[0]
    )
    limit = np.repeat(loudness.limits.highest_db[:, None], count, axis=1)
    highest, _ = highest_clean_db(results.transfer[:, :, table.candidate_index[0]], weights, limit)
    return loudness.band_headroom_db(highest, results.seats.weight)


def _allowed(results: Results, index: tuple[int, ...], wishes: Wishes, *, mirror: bool) -> list[int]:
    """Candidates at which one more sub may stand."""
    place = results.candidates.position_m
    found = [c for c in range(len(place)) if c not in index]
    if mirror:
        found = [c for c in found if results.candidates.mirror_of[c] == c]
    if wishes.least_distance_m > 0.0:
        near = np.linalg.norm(place[:, None] - place[list(index)][None], axis=2).min(axis=1)
        found = [c for c in found if near[c] >= wishes.least_distance_m - 1e-9]
    if wishes.zone is not None and wishes.zone_limit is not None:
        used = np.bincount(wishes.zone[list(index)], minlength=len(wishes.zone_limit))
        found = [c for c in found if used[wishes.zone[c]] < wishes.zone_limit[wishes.zone[c]]]
    return found
