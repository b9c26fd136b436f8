"""How loud a plan plays clean at every seat, against the target; what limits it, and what it asks of its amplifiers.

All subs are driven through one common equaliser that is taken as ideal: at each frequency the common gain rises
until the first sub meets its limit. A sub's drive, and its own filters where the plan file has them, set how much
of the common signal it gets:

    highest(f, s) = 20 lg |sum_c w_c H_sc| + min_c (limit_c - 20 lg |w_c|)

The figure of a third-octave band is the mean square over its frequencies: what a tone somewhere in the band reaches,
with one band playing at a time. Programme that fills several bands at once leaves less to each.

A plan's *headroom* is that of its worst band: the weighted mean over the seats of the band's highest clean levels,
less the target. Single seats lie above and below by the variation; an equaliser lifts all or none.

The rule of thumb beside the room's own gain (common practice, no source): a sub on the floor plays into half space,
its level falls with the distance as in the open, and below c / 2L, L the longest side, the room adds 12 dB an
octave.
"""

from dataclasses import dataclass
from math import sqrt

import numpy as np

from roommodes.acoustics.room import Room
from roommodes.arrays import Complexes, Floats
from roommodes.plan.plan import Plan
from roommodes.project.project import Project
from roommodes.responses.metrics import SILENCE_DB, level_db, normalised, seat_pressure
from roommodes.responses.third_octaves import band_levels, bands_of, bands_within
from roommodes.subwoofer.boxed_driver import REFERENCE_PA
from roommodes.subwoofer.limits import HALF_SPACE_DB, Limit, Limits, boxed_driver, limits_of

RULE_DB_PER_OCTAVE = 12.0
TOUCHES_DB = 0.01  # subs whose limits lie so close are met together


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Loudness:
    """What a plan's loudness is judged by.

    Parameters
    ----------
    limits : of one sub, at the frequencies of the plan.
    target_db : level to be reached, margin included [dB re 20 uPa, rms].
    bands : third-octave bands in which it is to be reached.
    """

    limits: Limits
    target_db: float
    bands: tuple[int, ...]

    def headroom_db(self, level: Floats, gain_db: Floats, seat_weight: Floats) -> float:
        """Headroom of a plan without filters on single subs [dB].

        Parameters
        ----------
        level : (n_freq, n_seat) with `gain_db` [dB re 1/m].
        gain_db : (n_sub,).
        seat_weight : (n_seat,) any scale.
        """
        highest = level - float(np.max(gain_db)) + self.limits.highest_db[:, None]
        return float(np.min(self.band_headroom_db(highest, seat_weight)))

    def band_headroom_db(self, highest: Floats, seat_weight: Floats) -> Floats:
        """Headroom of each band: (n_freq, n_seat) [dB re 20 uPa] -> (n_band,) [dB]."""
        mean = band_levels(self.limits.frequency_hz, highest, self.bands) @ normalised(seat_weight)
        return np.asarray(mean - self.target_db)


def loudness_of(project: Project, frequency_hz: Floats) -> Loudness | None:
    """The project's limits and target at some frequencies; None where nothing is said of the sub's limits.

    The bands are those of the target's band that hold a frequency, all of them where none does.
    """
    limits = limits_of(project.subwoofer, frequency_hz, project.room.air)
    if limits is None:
        return None
    return Loudness(limits=limits, target_db=project.target.rms_db, bands=target_bands(project, frequency_hz))


def target_bands(project: Project, frequency_hz: Floats) -> tuple[int, ...]:
    """The third-octave bands of the project's target that hold one of the frequencies."""
    bands = bands_within(frequency_hz)
    if project.target.band_hz is None:
        return bands
    low, high = bands_of(np.array(project.target.band_hz))
    return tuple(band for band in bands if low <= band <= high) or bands


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Needs:
    """What each sub takes to bring the seats' mean to the target, one band at a time.

    Parameters
    ----------
    voltage_v, current_a, power_w : (n_band, n_sub) rms at the terminals, and the power taken [V], [A], [W].
    travel_m : (n_band, n_sub) of the cone, peak, one way [m].
    port_velocity_m_s : (n_band, n_sub) peak; None for a sealed box [m/s].
    """

    voltage_v: Floats
    current_a: Floats
    power_w: Floats
    travel_m: Floats
    port_velocity_m_s: Floats | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Headroom:
    """What a plan can do, band by band.

    Parameters
    ----------
    bands : (n_band,) numbers of third-octave bands.
    highest_db : (n_band, n_seat) highest clean level [dB re 20 uPa, rms].
    mean_db : (n_band,) weighted mean of that over the seats.
    target_db : level to be reached [dB re 20 uPa, rms].
    first_subs : (n_band,) the subs that meet their limit first, from 0, where the band has least room.
    limited_by : (n_band,) what stops them there.
    at_hz : (n_band,) where in the band that is [Hz].
    spare_db : (n_band, n_sub) what each sub has left there when the first meets its limit [dB].
    open_air_db : (n_band,) highest clean level of one sub at 1 m in free field.
    room_gain_db : (n_band, n_seat) level at the seat over that of the same subs in phase at 1 m in free field, each
        with its drive [dB].
    rule_gain_db : (n_band, n_seat) the same by the rule of thumb [dB].
    needs : None where the project gives no driver.
    """

    bands: tuple[int, ...]
    highest_db: Floats
    mean_db: Floats
    target_db: float
    first_subs: tuple[tuple[int, ...], ...]
    limited_by: tuple[Limit, ...]
    at_hz: tuple[float, ...]
    spare_db: Floats
    open_air_db: Floats
    room_gain_db: Floats
    rule_gain_db: Floats
    needs: Needs | None

    @property
    def headroom_db(self) -> Floats:
        """(n_band,) over the target, seats' mean [dB]."""
        return np.asarray(self.mean_db - self.target_db)

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
    limits, bands = loudness.limits, loudness.bands
    hz, one = limits.frequency_hz, limits.highest_db
    highest, spare = highest_clean_db(transfer, weights, np.repeat(one[:, None], weights.shape[1], axis=1))
    band_highest = band_levels(hz, highest, bands)
    mean = band_highest @ normalised(seats.weight)
    number = bands_of(hz)
    common = (one[:, None] - level_db(weights)).min(axis=1)
    tightest = []
    for band in bands:
        inside = np.flatnonzero(number == band)
        tightest.append(int(inside[np.argmin(common[inside])]))
    in_phase = np.abs(weights).sum(axis=1, keepdims=True)
    gain = level_db(seat_pressure(transfer, weights) / in_phase)
    rule = rule_of_thumb_db(project.room, hz, weights=weights, sub_m=plan.positions_m, seat_m=seats.position_m)
    return Headroom(
        bands=bands,
        highest_db=band_highest,
        mean_db=mean,
        target_db=loudness.target_db,
        first_subs=tuple(tuple(np.flatnonzero(spare[at] <= TOUCHES_DB).tolist()) for at in tightest),
        limited_by=tuple(limits.kinds[limits.first[at]] for at in tightest),
        at_hz=tuple(float(hz[at]) for at in tightest),
        spare_db=spare[tightest],
        open_air_db=band_levels(hz, one[:, None], bands)[:, 0],
        room_gain_db=band_levels(hz, gain, bands),
        rule_gain_db=band_levels(hz, rule, bands),
        needs=_needs(project, loudness, spare=spare, headroom_db=mean - loudness.target_db),
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


def _needs(project: Project, loudness: Loudness, *, spare: Floats, headroom_db: Floats) -> Needs | None:
    box = boxed_driver(project.subwoofer, project.room.air)
    if box is None:
        return None
    hz, bands = loudness.limits.frequency_hz, loudness.bands
    one = box.per_volt(hz)
    per_volt_db = 20.0 * np.log10(np.maximum(np.abs(one.pressure_pa) / REFERENCE_PA, 10.0 ** (SILENCE_DB / 20.0)))
    number = bands_of(hz)
    used = np.zeros(len(hz))
    for band, over in zip(bands, headroom_db, strict=True):
        used[number == band] = over
    volts = 10.0 ** ((loudness.limits.highest_db - used - per_volt_db)[:, None] / 20.0 - spare / 20.0)

    def most(values: Floats) -> Floats:
        return np.array([values[number == band].max(axis=0) for band in bands])

    port = one.port_velocity_m_s
    return Needs(
        voltage_v=most(volts),
        current_a=most(volts * np.abs(one.current_a)[:, None]),
        power_w=most(volts**2 * one.power_w[:, None]),
        travel_m=most(volts * sqrt(2.0) * np.abs(one.displacement_m)[:, None]),
        port_velocity_m_s=None if port is None else most(volts * sqrt(2.0) * np.abs(port)[:, None]),
    )
