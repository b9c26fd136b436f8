"""How loud a plan plays clean at every seat, against the target; what limits it, and what it asks of its amplifiers.

All subs are driven through one common equaliser that is taken as ideal: at each frequency the common gain rises
until the first sub meets its limit. A sub's drive, and its own filters where the plan file has them, set how much
of the common signal it gets:

    highest(f, s) = 20 lg |sum_c w_c H_sc| + min_c (limit_c - 20 lg |w_c|)

The figure of a third-octave band is the mean square over its frequencies: what a tone somewhere in the band reaches,
with one band playing at a time. Programme that fills several bands at once leaves less to each.

A plan's *headroom* is that of its worst band: the weighted mean over the seats of the band's highest clean levels,
less the target; or, where the target asks for every seat, the lowest of them. Single seats lie above and below the mean
by the variation; an equaliser lifts all or none. Subs that share a channel share its voltage and current
(`roommodes.subwoofer.channels`).

The rule of thumb beside the room's own gain (common practice, no source): a sub on the floor plays into half space,
its level falls with the distance as in the free field, and below c / 2L, L the longest side, the room adds 12 dB an
octave.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from roommodes.acoustics.room import Room
from roommodes.arrays import Complexes, Floats, Integers
from roommodes.plan.drives import Drives
from roommodes.plan.plan import Plan
from roommodes.plan.wiring import Wired, common_limits_db, wired
from roommodes.project.project import Project
from roommodes.responses.metrics import level_db, normalised, seat_pressure
from roommodes.responses.third_octaves import band_levels, bands_of, bands_within
from roommodes.subwoofer.limits import HALF_SPACE_DB, Limit, Limits, free_field_db
from solvers.loudness.needs import Needs, needs_of

RULE_DB_PER_OCTAVE = 12.0
TOUCHES_DB = 0.01  # subs whose limits lie so close are met together


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Loudness:
    """What a plan's loudness is judged by.

    Parameters
    ----------
    project : with sub, amplifiers and target.
    limits : of one sub alone on its channel, at the frequencies of the plan.
    bands : third-octave bands in which the target is to be reached.
    """

    project: Project
    limits: Limits
    bands: tuple[int, ...]

    @property
    def target_db(self) -> float:
        """Level to be reached, margin included [dB re 20 uPa, rms]."""
        return self.project.target.rms_db

    def limits_by_sub(self, on: Wired) -> tuple[Limits, ...]:
        """The limits of each sub as it is wired."""
        hz, raised_db = self.limits.frequency_hz, on.raised_db
        found = {
            sub: replace(limits, level_db=limits.level_db - raised_db[sub]) if raised_db else limits
            for channel in on.channels
            if (limits := self.project.sub_limits(hz, channel, on.kind_on(channel))) is not None
            for sub in channel.subs
        }
        return tuple(found[sub] for sub in sorted(found))

    def headroom_db(
        self,
        level: Floats,
        drives: Drives,
        seat_weight: Floats,
        fixed: Sequence[bool] | NDArray[np.bool_] = (),
        raised_db: tuple[float, ...] = (),
        kind: Integers | None = None,
    ) -> float:
        """Headroom of a plan without filters on single subs [dB].

        Parameters
        ----------
        level : (n_freq, n_seat) with `drives` [dB re 1/m].
        drives : of its subs.
        seat_weight : (n_seat,) any scale.
        fixed : (n_sub,) which subs must stand where they stand; left out, none must.
        raised_db : (n_sub,) see `Project.raised_db`.
        kind : (n_sub,) which of the project's kinds of subwoofer each is; left out, the first.
        """
        on = wired(self.project, drives, fixed, raised_db, kind)
        return float(self.headrooms_db(level[None], seat_weight, gain_db=drives.gain_db[None], on=[on])[0])

    def headrooms_db(self, level: Floats, seat_weight: Floats, *, gain_db: Floats, on: Sequence[Wired]) -> Floats:
        """`headroom_db` of several plans with one number of subs: (n_plan,) [dB].

        Parameters
        ----------
        level : (n_plan, n_freq, n_seat) [dB re 1/m].
        seat_weight : (n_seat,) any scale.
        gain_db : (n_plan, n_sub) [dB].
        on : (n_plan,) how each is wired.
        """
        limit = common_limits_db(self.project, gain_db, self.limits.frequency_hz, on)
        assert limit is not None, "the limits of one sub are known"
        highest = level - gain_db.max(axis=1)[:, None, None] + limit[:, :, None]
        return np.asarray(self.band_headroom_db(highest, seat_weight).min(axis=1))

    def band_headroom_db(self, highest: Floats, seat_weight: Floats) -> Floats:
        """Headroom of each band: (..., n_freq, n_seat) [dB re 20 uPa] -> (..., n_band) [dB]."""
        return self.judged_db(band_levels(self.limits.frequency_hz, highest, self.bands), seat_weight) - self.target_db

    def judged_db(self, band_db: Floats, seat_weight: Floats) -> Floats:
        """What is held against the target, the mean over the seats or the quietest: (..., n_band, n_seat) ->
        (..., n_band)."""
        if self.project.target.where == "every seat":
            return np.asarray(band_db[..., seat_weight > 0.0].min(axis=-1))
        return np.asarray(band_db @ normalised(seat_weight))


def loudness_of(project: Project, frequency_hz: Floats) -> Loudness | None:
    """The project's limits and target at some frequencies; None where nothing is said of the sub's limits.

    The bands are those of the target's band that hold a frequency, all of them where none does.
    """
    limits = project.sub_limits(frequency_hz)
    if limits is None:
        return None
    return Loudness(project=project, limits=limits, bands=target_bands(project, frequency_hz))


def target_bands(project: Project, frequency_hz: Floats) -> tuple[int, ...]:
    """The third-octave bands of the project's target that hold one of the frequencies."""
    bands = bands_within(frequency_hz)
    if project.target.band_hz is None:
        return bands
    low, high = bands_of(np.array(project.target.band_hz))
    return tuple(band for band in bands if low <= band <= high) or bands


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tightest:
    """Where in each band there is least room, and what stops which sub there.

    Parameters
    ----------
    at_hz : (n_band,) where in the band that is [Hz].
    first_subs : (n_band,) the subs that meet their limit first, from 0.
    limited_by : (n_band,) what stops them.
    spare_db : (n_band, n_sub) what each sub has left when the first meets its limit [dB].
    """

    at_hz: tuple[float, ...]
    first_subs: tuple[tuple[int, ...], ...]
    limited_by: tuple[Limit, ...]
    spare_db: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Headroom:
    """The headroom of a plan, band by band.

    Parameters
    ----------
    bands : (n_band,) numbers of third-octave bands.
    highest_db : (n_band, n_seat) highest clean level [dB re 20 uPa, rms].
    mean_db : (n_band,) weighted mean of that over the seats.
    judged_db : (n_band,) what is held against the target: that mean, or the quietest seat that counts.
    target_db : level to be reached [dB re 20 uPa, rms].
    tightest : where each band has least room, and what stops which sub there.
    open_air_db : (n_band,) highest clean level at 1 m in free field of one sub as it is wired, the first at its limit.
    room_gain_db : (n_band, n_seat) level at the seat over that of the same subs in phase at 1 m in free field, each
        with its drive [dB]. Both are nan where sound pressure was measured and the driver is not known.
    rule_gain_db : (n_band, n_seat) the same by the rule of thumb [dB].
    needs : None where the project gives no driver.
    """

    bands: tuple[int, ...]
    highest_db: Floats
    mean_db: Floats
    judged_db: Floats
    target_db: float
    tightest: Tightest
    open_air_db: Floats
    room_gain_db: Floats
    rule_gain_db: Floats
    needs: Needs | None

    @property
    def headroom_db(self) -> Floats:
        """(n_band,) over the target [dB]."""
        return np.asarray(self.judged_db - self.target_db)

    @property
    def worst(self) -> int:
        """Index of the band with the least headroom."""
        return int(np.argmin(self.headroom_db))

    @property
    def least_db(self) -> float:
        """The plan's headroom: that of its worst band [dB]."""
        return float(self.headroom_db[self.worst])


def highest_clean_db(transfer: Complexes, weights: Complexes, limit_db: Floats) -> tuple[Floats, Floats]:
    """Highest clean level at every seat, and what each sub has left when the first meets its limit.

    Parameters
    ----------
    transfer : (n_freq, n_seat, n_sub) [1/m].
    weights : (n_freq, n_sub) share of each sub in the common signal.
    limit_db : (n_freq, n_sub) highest clean level of each sub at 1 m in free field [dB re 20 uPa].

    Returns
    -------
    (n_freq, n_seat) [dB re 20 uPa], (n_freq, n_sub) [dB].
    """
    room_left = limit_db - level_db(weights)
    common = room_left.min(axis=1, keepdims=True)
    return level_db(seat_pressure(transfer, weights)) + common, room_left - common


def headroom(plan: Plan, loudness: Loudness) -> Headroom:
    """What a plan can do, band by band.

    Parameters
    ----------
    plan : with the filters of single subs; those that all share are left to the ideal equaliser.
    loudness : limits and target, at the plan's frequencies.
    """
    project, transfer, seats = plan.project, plan.transfer, plan.seats
    weights = plan.weights(plan.frequency_hz, shared=False)
    on, bands, hz = plan.wired, loudness.bands, loudness.limits.frequency_hz
    limits = loudness.limits_by_sub(on)
    each = np.stack([one.highest_db for one in limits], axis=1)
    highest, spare = highest_clean_db(transfer, weights, each)
    band_highest = band_levels(hz, highest, bands)
    tightest = _tightest(hz, bands, limits, common_db=(each - level_db(weights)).min(axis=1), spare_db=spare)
    raised_db, own = on.raised(plan.subs), plan.kind_response(hz)
    alone_db = free_field_db(project.subwoofer, hz, project.room.air, project.drive)  # of one sub of the first kind
    free_db = alone_db[:, None] + raised_db + level_db(own)
    at_1m = weights * own * 10.0 ** (raised_db / 20.0)
    in_phase = np.abs(at_1m).sum(axis=1, keepdims=True)
    gain = level_db(seat_pressure(transfer, weights) / in_phase) - alone_db[:, None]
    rule = rule_of_thumb_db(project.room, hz, weights=at_1m, sub_m=plan.positions_m, seat_m=seats.position_m)
    open_air = band_levels(hz, each + free_db, bands)
    judged = loudness.judged_db(band_highest, seats.weight)
    over = judged - loudness.target_db
    return Headroom(
        bands=bands,
        highest_db=band_highest,
        mean_db=band_highest @ normalised(seats.weight),
        judged_db=judged,
        target_db=loudness.target_db,
        tightest=tightest,
        open_air_db=np.array([open_air[k, subs[0]] for k, subs in enumerate(tightest.first_subs)]),
        room_gain_db=band_levels(hz, gain, bands),
        rule_gain_db=band_levels(hz, rule, bands),
        needs=needs_of(project, on, frequency_hz=hz, bands=bands, level_db=each - spare + free_db, over_db=over),
    )


def _tightest(
    hz: Floats, bands: Sequence[int], limits: Sequence[Limits], *, common_db: Floats, spare_db: Floats
) -> Tightest:
    """Where each band has least room: common gain (n_freq,), what each sub has left then (n_freq, n_sub) [dB]."""
    number = bands_of(hz)
    places = []
    for band in bands:
        inside = np.flatnonzero(number == band)
        places.append(int(inside[np.argmin(common_db[inside])]))
    first_subs = tuple(tuple(np.flatnonzero(spare_db[at] <= TOUCHES_DB).tolist()) for at in places)
    stopped = [(limits[subs[0]], at) for subs, at in zip(first_subs, places, strict=True)]
    return Tightest(
        at_hz=tuple(float(hz[at]) for at in places),
        first_subs=first_subs,
        limited_by=tuple(own.kinds[own.first[at]] for own, at in stopped),
        spare_db=spare_db[places],
    )


def rule_of_thumb_db(room: Room, frequency_hz: Floats, *, weights: Complexes, sub_m: Floats, seat_m: Floats) -> Floats:
    """The room's gain by the rule of thumb: (n_freq, n_seat) [dB re the subs in phase at 1 m in free field].

    Parameters
    ----------
    room : its longest side.
    frequency_hz : (n_freq,) [Hz].
    weights : (n_freq, n_sub).
    sub_m, seat_m : (n, 3) [m].
    """
    distance = np.linalg.norm(seat_m[:, None] - sub_m[None], axis=2)
    share = np.abs(weights)
    falls = level_db((share @ (1.0 / distance).T / share.sum(axis=1, keepdims=True)).astype(np.complex128))
    lowest_hz = room.air.speed_of_sound_m_s / (2.0 * max(room.size_m))
    rises = RULE_DB_PER_OCTAVE * np.maximum(0.0, np.log2(lowest_hz / frequency_hz))
    return np.asarray(falls + HALF_SPACE_DB + rises[:, None])
