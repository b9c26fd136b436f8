"""From a plan to its filters: a few on single subs for the variation, then some that all share for the target."""

from dataclasses import dataclass, replace

import numpy as np
from threadpoolctl import threadpool_limits

from roommodes.acoustics.curve import Curve
from roommodes.arrays import Complexes, Floats
from roommodes.errors import OutsideModel
from roommodes.filters.processor import ANY_FILTERS, FilterControls, Processor
from roommodes.filters.sections import section_response
from roommodes.plan.plan import Plan
from roommodes.plan.tuning import Tuning, TuningPrice, TuningSettings
from roommodes.responses.frequency_grid import log_grid
from roommodes.responses.metrics import level_db, normalised, variation_db
from roommodes.running import Running
from solvers.project_transfer import project_transfer
from solvers.tuning.equaliser import EqualiserLimits, equalise
from solvers.tuning.sub_filters import EXCHANGE, SubFilterLimits, sub_filters

FLAT = Curve((1000.0,), (0.0,))
FEWEST = 3  # frequencies of a band
HARDLY_HEARD_DB = -12.0  # of a low-pass: no filter is spent where it takes more


@dataclass(frozen=True, slots=True, kw_only=True)
class TuneWishes:
    """What is asked of the filters; None for what `SubFilterLimits` and `EqualiserLimits` say.

    Parameters
    ----------
    per_sub, shared : most filters on each sub, and shared.
    boost_db, cut_db : most boost and cut of one filter on a sub, and of all shared ones together [dB].
    all_pass : single subs may have all-passes.
    rate_hz : sample rate at which the filters are judged; None for the processor's [Hz].
    target : curve of the common filters, any offset.
    band_hz : over which filters are sought; None for that of the plan [Hz].
    """

    per_sub: int | None = None
    shared: int | None = None
    boost_db: float | None = None
    cut_db: float | None = None
    all_pass: bool = True
    rate_hz: float | None = None
    target: Curve = FLAT
    band_hz: tuple[float, float] | None = None

    def settings(self, processor: Processor, exchange: float | None = None) -> TuningSettings:
        """All limits, within those of a processor.

        Parameters
        ----------
        processor : what it takes.
        exchange : the variation given up for a decibel more level; None or 0 for the default.

        Raises
        ------
        OutsideModel : more filters are asked for than an output of the processor has.
        """
        controls = processor.filters
        own, all_subs = SubFilterLimits(all_pass=self.all_pass and "all-pass" in controls.kinds), EqualiserLimits()
        if self.per_sub is not None:
            own = replace(own, per_sub=self.per_sub)
        if self.shared is not None:
            all_subs = replace(all_subs, filters=self.shared)
        if self.boost_db is not None:
            own, all_subs = replace(own, boost_db=self.boost_db), replace(all_subs, boost_db=self.boost_db)
        if self.cut_db is not None:
            own, all_subs = replace(own, cut_db=self.cut_db), replace(all_subs, cut_db=self.cut_db)
        per_sub, shared = self._counts(own.per_sub, all_subs.filters, controls.per_output)
        gain, q = controls.gain_db, controls.q.within(*own.q)
        own = replace(own, boost_db=min(own.boost_db, max(gain.high, 0.0)), cut_db=min(own.cut_db, max(-gain.low, 0.0)))
        own = replace(own, q=own.q if q.is_empty else (q.low, q.high))
        return TuningSettings(
            sample_rate_hz=self.rate_hz or processor.rate_hz,
            per_sub=per_sub,
            shared=shared,
            sub_boost_db=own.boost_db,
            sub_cut_db=own.cut_db,
            boost_db=all_subs.boost_db,
            cut_db=all_subs.cut_db,
            differ_db=all_subs.differ_db,
            q=own.q,
            all_pass=own.all_pass,
            exchange=exchange or EXCHANGE,
            worth_db=own.worth_db,
        )

    def _counts(self, per_sub: int, shared: int, per_output: int | None) -> tuple[int, int]:
        """How many filters on each sub and shared an output has room for; those on single subs come first."""
        if per_output is None:
            return per_sub, shared
        asked = (self.per_sub or 0) + (self.shared or 0)
        if asked > per_output:
            raise OutsideModel(
                f"filters: got {asked} for each output; allowed: {per_output}, as [processor.filters] per_output has "
                "it. Ask for fewer with --individual and --common."
            )
        if self.per_sub is None:
            per_sub = min(per_sub, per_output - (self.shared or 0))
        return per_sub, min(shared, per_output - per_sub)


def tune(plan: Plan, wishes: TuneWishes, *, processor: Processor | None = None, running: Running = Running()) -> Tuning:
    """Filters for a plan.

    Parameters
    ----------
    plan : with its transfer functions, modelled or measured.
    wishes : limits and target.
    processor : in place of the project's.
    running : progress, cancelling; once cancelled, the filters found so far are kept.

    Raises
    ------
    OutsideModel : more is asked for than the processor has, or a band that the responses or the model do not reach.
    """
    import scipy.optimize  # noqa: F401, PLC0415 (now, so that its threads are bound as well)

    processor = processor or plan.project.processor
    settings = wishes.settings(processor, plan.project.search.weights.output)
    hz, transfer = _over_band(plan, wishes.band_hz or plan.project.tuning.band_hz, running)
    task = _Task(plan=plan, hz=hz, transfer=transfer, shape_db=wishes.target.at(hz))
    with threadpool_limits(1):  # many small matrices: threads would only wait for each other
        return _tuned(task, settings, processor.filters, running)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Task:
    """A plan with its transfer functions over the band of the tuning, and the target there."""

    plan: Plan
    hz: Floats
    transfer: Complexes
    shape_db: Floats


def _over_band(plan: Plan, band_hz: tuple[float, float] | None, running: Running) -> tuple[Floats, Complexes]:
    """The frequencies of a band, as dense as the plan's, and the plan's subs there: (n_freq, n_seat, n_sub).

    Raises
    ------
    OutsideModel : measured responses do not reach so far, or the model does not.
    Interrupted : when cancelled.
    """
    own = plan.frequency_hz
    if band_hz is None or np.allclose(band_hz, (own[0], own[-1]), rtol=1e-6):
        return own, plan.transfer
    low, high = band_hz
    hz = log_grid(low, high, (len(own) - 1) / float(np.log2(own[-1] / own[0])))
    record = plan.measured
    if record is None:
        whole = project_transfer(
            plan.project, frequency_hz=hz, seat_m=plan.seats.position_m, source_m=plan.positions_m, running=running
        )
        return hz, whole
    wide = record.wide
    inside = (own >= low * 0.999) & (own <= high * 1.001)
    if wide is None and inside.sum() > FEWEST and own[0] <= low * 1.001 and own[-1] >= high * 0.999:
        return own[inside], plan.transfer[inside]  # some was estimated, on the plan's own frequencies alone
    reach = (own[0], own[-1]) if wide is None else (wide.frequency_hz[0], wide.frequency_hz[-1])
    if wide is None or not np.allclose(wide.covered(low, high), band_hz):
        raise OutsideModel(
            f"a band of filters from {low:g} to {high:g} Hz; allowed: within {reach[0]:.4g} to {reach[1]:.4g} Hz, as "
            "far as the measured responses in the plan file reach."
        )
    return hz, wide.at(hz)[:, :, plan.candidate_index]


def low_passed_from_hz(plan: Plan) -> float | None:
    """From where on the crossover leaves so little of the subs that no filter is spent there [Hz].

    Of the crossover that was settled, or of a plan with measured mains that of the project; None without one.
    """
    mains, record = plan.project.mains, plan.measured
    if plan.crossover is not None:
        crossover = plan.crossover.crossover
    elif mains is not None and record is not None and record.main_name:
        crossover = mains.filters
    else:
        return None
    hz = crossover.frequency_hz * np.geomspace(1.0, 8.0, 601)
    low, _ = crossover.responses(hz, 48000.0)
    return float(hz[np.argmax(level_db(low) <= HARDLY_HEARD_DB)])


def without_limits(plan: Plan, wishes: TuneWishes, *, running: Running = Running()) -> Tuning | None:
    """Filters as a processor without limits would take them: what those of the project cost. None if it has none."""
    processor = plan.project.processor
    if processor.filters == ANY_FILTERS:
        return None
    return tune(plan, wishes, processor=replace(processor, filters=ANY_FILTERS), running=running)


def _tuned(task: _Task, settings: TuningSettings, controls: FilterControls, running: Running) -> Tuning:
    plan, hz = task.plan, task.hz
    weight, rate, gain_db = plan.seats.weight, settings.sample_rate_hz, plan.drives.gain_db
    driven = task.transfer * plan.drives.weights(hz)[:, None, :]
    top_hz = low_passed_from_hz(plan)
    below = controls.frequency_hz if top_hz is None else controls.frequency_hz.within(0.0, max(top_hz, float(hz[0])))
    if not below.is_empty:
        controls = replace(controls, frequency_hz=below)
    own = sub_filters(
        hz,
        driven,
        weight,
        drive_db=gain_db,
        limits=SubFilterLimits(
            per_sub=settings.per_sub,
            boost_db=settings.sub_boost_db,
            cut_db=settings.sub_cut_db,
            q=settings.q,
            all_pass=settings.all_pass,
            worth_db=settings.worth_db,
            in_all=controls.in_all,
            controls=controls,
        ),
        rate_hz=rate,
        exchange=settings.exchange,
        running=running.part(0.0, 0.9),
    )
    filters = np.array([section_response(one, hz, rate_hz=rate) for one in own]).T
    before = level_db(driven.sum(axis=2))
    with_own = level_db(np.einsum("fsc,fc->fs", driven, filters))
    limits = EqualiserLimits(
        filters=shared_left(settings.shared, sum(map(len, own)), plan.subs, controls),
        boost_db=settings.boost_db,
        cut_db=settings.cut_db,
        q=settings.q,
        differ_db=settings.differ_db,
        controls=controls,
    )
    shared = equalise(hz, with_own, weight, shape_db=task.shape_db, limits=limits, rate_hz=rate)
    after = with_own + shared.gain_db[:, None]
    boost_db, boost_hz = _worst_boost(hz, filters, shared.gain_db, gain_db)
    return Tuning(
        place=(plan.subs, plan.row),
        settings=settings,
        sub_filters=own,
        shared=shared.sections,
        before_db=before,
        after_db=after,
        target_db=shared.target_db,
        ceiling_db=shared.ceiling_db,
        variation_before_db=variation_db(before, weight),
        variation_after_db=variation_db(after, weight),
        price=TuningPrice(
            boost_db=boost_db,
            boost_hz=boost_hz,
            level_lost_db=float(np.mean((before - after) @ normalised(weight))) + boost_db,
        ),
        frequency_hz=None if hz is plan.frequency_hz else hz,
    )


def shared_left(wanted: int, own: int, subs: int, controls: FilterControls) -> int:
    """How many shared filters there is room for: each takes one in the path of every sub."""
    return wanted if controls.in_all is None else min(wanted, max(0, controls.in_all - own) // subs)


def _worst_boost(hz: Floats, filters: Complexes, shared_db: Floats, gain_db: Floats) -> tuple[float, float]:
    """By how much any sub is driven over the loudest plain drive, at least 0 [dB], and where [Hz]."""
    drive = gain_db[None, :] + 20.0 * np.log10(np.abs(filters)) + shared_db[:, None]
    over = drive.max(axis=1) - gain_db.max()
    at = int(np.argmax(over))
    return max(0.0, float(over[at])), float(hz[at])
