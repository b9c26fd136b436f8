"""From a plan to its filters: a few on single subs for the variation, then some that all share for the target."""

import numpy as np
from threadpoolctl import threadpool_limits

from roommodes.arrays import Complexes, Floats
from roommodes.filters.sections import section_response
from roommodes.plan.file import Results
from roommodes.plan.tuning import Tuning, TuningSettings
from roommodes.responses.metrics import drive_weights, level_db, normalised, variation_db
from roommodes.running import Running
from solvers.tuning.equaliser import EqualiserLimits, equalise
from solvers.tuning.sub_filters import EXCHANGE, SubFilterLimits, sub_filters


def settings_of(
    *, own: SubFilterLimits, shared: EqualiserLimits, rate_hz: float, exchange: float | None = None
) -> TuningSettings:
    """Limits as they are stored; `exchange` None or 0 for the default."""
    return TuningSettings(
        sample_rate_hz=rate_hz,
        per_sub=own.per_sub,
        shared=shared.filters,
        sub_boost_db=own.boost_db,
        sub_cut_db=own.cut_db,
        boost_db=shared.boost_db,
        cut_db=shared.cut_db,
        differ_db=shared.differ_db,
        q_low=own.q[0],
        q_high=own.q[1],
        all_pass=own.all_pass,
        exchange=exchange or EXCHANGE,
        worth_db=own.worth_db,
    )


def tune(
    results: Results,
    *,
    subs: int,
    rank: int,
    settings: TuningSettings,
    shape_db: Floats,
    running: Running = Running(),
) -> Tuning:
    """Filters for one plan of a results file.

    Parameters
    ----------
    results : with the transfer functions, modelled or measured.
    subs, rank : which plan; rank from 0.
    settings : limits.
    shape_db : (n_freq,) target curve of the shared filters, any offset [dB].
    running : progress, cancelling; once cancelled, the filters found so far are kept.
    """
    import scipy.optimize  # noqa: F401, PLC0415 (now, so that its threads are bound as well)

    with threadpool_limits(1):  # many small matrices: threads would only wait for each other
        return _tuned(results, subs, rank, settings, shape_db, running)


def _tuned(
    results: Results,
    subs: int,
    rank: int,
    settings: TuningSettings,
    shape_db: Floats,
    running: Running,
) -> Tuning:
    table, hz, weight = results.plans[subs], results.frequency_hz, results.seats.weight
    gain_db = table.gain_db[rank]
    drives = drive_weights(hz, gain_db=gain_db, delay_s=table.delay_s[rank], polarity=table.polarity[rank])
    driven = results.transfer[:, :, table.candidate_index[rank]] * drives[:, None, :]
    q = (settings.q_low, settings.q_high)
    own = sub_filters(
        hz,
        driven,
        weight,
        drive_db=gain_db,
        limits=SubFilterLimits(
            per_sub=settings.per_sub,
            boost_db=settings.sub_boost_db,
            cut_db=settings.sub_cut_db,
            q=q,
            all_pass=settings.all_pass,
            worth_db=settings.worth_db,
        ),
        rate_hz=settings.sample_rate_hz,
        exchange=settings.exchange,
        running=running.part(0.0, 0.9),
    )
    filters = np.array([section_response(one, hz, rate_hz=settings.sample_rate_hz) for one in own]).T
    before = level_db(driven.sum(axis=2))
    with_own = level_db(np.einsum("fsc,fc->fs", driven, filters))
    shared = equalise(
        hz,
        with_own,
        weight,
        shape_db=shape_db,
        limits=EqualiserLimits(
            filters=settings.shared,
            boost_db=settings.boost_db,
            cut_db=settings.cut_db,
            q=q,
            differ_db=settings.differ_db,
        ),
        rate_hz=settings.sample_rate_hz,
    )
    after = with_own + shared.gain_db[:, None]
    boost_db, boost_hz = _worst_boost(hz, filters, shared.gain_db, gain_db)
    lost = float(np.mean((before - after) @ normalised(weight))) + boost_db
    return Tuning(
        subs=subs,
        rank=rank,
        settings=settings,
        sub_filters=own,
        shared=shared.sections,
        before_db=before,
        after_db=after,
        target_db=shared.target_db,
        ceiling_db=shared.ceiling_db,
        variation_before_db=variation_db(before, weight),
        variation_after_db=variation_db(after, weight),
        boost_db=boost_db,
        boost_hz=boost_hz,
        level_lost_db=lost,
    )


def _worst_boost(hz: Floats, filters: Complexes, shared_db: Floats, gain_db: Floats) -> tuple[float, float]:
    """By how much any sub is driven over the loudest plain drive, at least 0 [dB], and where [Hz]."""
    drive = gain_db[None, :] + 20.0 * np.log10(np.abs(filters)) + shared_db[:, None]
    over = drive.max(axis=1) - gain_db.max()
    at = int(np.argmax(over))
    return max(0.0, float(over[at])), float(hz[at])
