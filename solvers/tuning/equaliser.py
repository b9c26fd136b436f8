"""One equaliser that all subs share, from the seats' levels to a target curve, within limits that it never exceeds.

What all subs share changes every seat alike: it shapes the mean and leaves the variation as it is. So a boost is only
worth its headroom where every seat lacks level. The ceiling of the whole equaliser, frequency by frequency:

    ceiling = min over seats of (target - level), between 0 and the greatest boost;
              0 where the seats differ by more than `differ_db` (standard deviation)

A null that one seat has and its neighbour has not thus stays unfilled. Every real filter has skirts; `SKIRT_DB` is
granted everywhere. The floor is the deepest cut. Filters are fitted together by least squares, put on the steps in
which they are dialled in, and then drawn back step by step until ceiling and floor hold at every frequency. No two come
nearer to each other than `tuning.filter_shapes.APART_OCTAVES`.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import log

import numpy as np

from roommodes.arrays import Floats
from roommodes.filters.processor import ANY_FILTERS, FilterControls
from roommodes.filters.sections import Section, section_response
from roommodes.responses.metrics import normalised
from solvers.tuning.dialled import Placed, kept_within, on_steps
from solvers.tuning.filter_shapes import APART_OCTAVES, apart, cells, peaking_shapes

SKIRT_DB = 0.5  # what a boost's skirts, or two cuts' ripple, may add where nothing may be boosted
SHALLOWEST_DB = 0.5  # a filter that would do less is not worth its place
BELOW = 0.4  # how much a level below the target counts against one above it, where a boost is allowed
OVERCUT = 0.7  # how much counts what a cut takes off where nothing stands out
BREACH = 4.0  # how much a decibel beyond ceiling or floor counts in the fit
CHECKED_PER_OCTAVE = 400  # frequencies at which the limits are checked: 0.005 dB are not seen between them
RIDGE = 0.04  # what a decibel of a filter's gain counts against a decibel of rms misfit: none works against another
START_Q = 2.5
MOST_LOOKS = 40  # evaluations of each fit; more move nothing that is heard


@dataclass(frozen=True, slots=True, kw_only=True)
class EqualiserLimits:
    """What the shared equaliser may do. The defaults are common practice, no source.

    Parameters
    ----------
    filters : most peaking filters.
    boost_db, cut_db : most gain and most loss of all of them together, at any frequency [dB].
    q : (lowest, highest); sharper filters fit one place in the room, not a row of seats.
    differ_db : standard deviation over the seats above which nothing is boosted [dB].
    controls : how the processor's filters are dialled in.
    """

    filters: int = 6
    boost_db: float = 3.0
    cut_db: float = 12.0
    q: tuple[float, float] = (0.7, 6.0)
    differ_db: float = 3.0
    controls: FilterControls = ANY_FILTERS


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Equaliser:
    """Filters that all subs share.

    Parameters
    ----------
    sections : peaking, in rising frequency, on the steps in which they are dialled in.
    gain_db : (n_freq,) what they do together [dB].
    ceiling_db : (n_freq,) what they might have added [dB].
    target_db : (n_freq,) the target at the level at which it was aimed for [dB, as the seats' levels].
    """

    sections: tuple[Section, ...]
    gain_db: Floats
    ceiling_db: Floats
    target_db: Floats


def aimed_target_db(level_db: Floats, seat_weight: Floats, shape_db: Floats) -> Floats:
    """The target's shape at the median of the average level over the seats above it: (n_freq,) [dB]."""
    mean = level_db @ normalised(seat_weight)
    return np.asarray(shape_db + float(np.median(mean - shape_db)))


def ceiling_db(level_db: Floats, seat_weight: Floats, target_db: Floats, limits: EqualiserLimits) -> Floats:
    """Most that may be added at each frequency, skirts aside: (n_freq,) [dB].

    Parameters
    ----------
    level_db : (n_freq, n_seat) [dB].
    seat_weight : (n_seat,) any scale; a seat of weight 0 is not asked.
    target_db : (n_freq,) [dB].
    limits : with the most boost.
    """
    weight = normalised(seat_weight)
    level = level_db[:, weight > 0.0]
    weight = weight[weight > 0.0]
    lacking = np.clip((target_db[:, None] - level).min(axis=1), 0.0, limits.boost_db)
    spread = np.sqrt(((level - (level @ weight)[:, None]) ** 2) @ weight)
    return np.asarray(np.where(spread <= limits.differ_db, lacking, 0.0))


def equalise(
    frequency_hz: Floats,
    level_db: Floats,
    seat_weight: Floats,
    *,
    shape_db: Floats,
    limits: EqualiserLimits,
    rate_hz: float,
) -> Equaliser:
    """Fit the shared equaliser.

    Parameters
    ----------
    frequency_hz : (n_freq,) on a logarithmic grid [Hz].
    level_db : (n_freq, n_seat) [dB].
    seat_weight : (n_seat,) any scale.
    shape_db : (n_freq,) the target curve, any offset [dB].
    limits : what it may do.
    rate_hz : sample rate at which the limits are checked [Hz].

    Notes
    -----
    The filters as dialled in together stay below the larger of ceiling and `SKIRT_DB`, and above -cut_db, to a
    hundredth of a decibel.
    """
    target = aimed_target_db(level_db, seat_weight, shape_db)
    ceiling = ceiling_db(level_db, seat_weight, target, limits)
    excess = level_db @ normalised(seat_weight) - target
    found: tuple[Section, ...] = ()
    if limits.filters > 0 and len(frequency_hz) >= 3:
        fitted = _fitted(frequency_hz, excess, ceiling, limits)
        found = _within(_dialled(fitted, frequency_hz, excess, ceiling, limits), frequency_hz, ceiling, limits, rate_hz)
    return Equaliser(
        sections=found,
        gain_db=_gain_db(found, frequency_hz, rate_hz),
        ceiling_db=ceiling,
        target_db=target,
    )


def _fitted(frequency_hz: Floats, excess: Floats, ceiling: Floats, limits: EqualiserLimits) -> list[Section]:
    """Filters one after another where most is left, all fitted together each time."""
    from scipy.optimize import least_squares  # noqa: PLC0415 (a third of a second that other uses need not pay)

    dials = limits.controls.frequency_hz.within(float(frequency_hz[0]), float(frequency_hz[-1]))
    if dials.is_empty:
        return []
    ends = (log(dials.low), log(dials.high))
    low = np.array([ends[0], log(limits.q[0]), -limits.cut_db])
    high = np.array([ends[1], log(limits.q[1]), max(limits.boost_db, 1e-6)])
    place, distance = np.log(frequency_hz), apart(frequency_hz, limits.controls.frequency_hz)

    def gain(flat: Floats) -> Floats:
        rows = flat.reshape(-1, 3)
        shapes = peaking_shapes(frequency_hz, centre_hz=np.exp(rows[:, 0]), q=np.exp(rows[:, 1]), gain_db=rows[:, 2])
        return np.asarray(20.0 * np.log10(np.abs(shapes)).sum(axis=0))

    def misfit(flat: Floats) -> Floats:
        return _misfit(gain(flat), excess, ceiling, flat[2::3], limits)

    def moved(flat: Floats) -> Floats:
        count = len(flat) // 3
        bounds = np.tile(low, count), np.tile(high, count)
        bounds[0][::3], bounds[1][::3] = cells(flat[::3], ends, distance)
        bounds = bounds[0] - 1e-9, bounds[1] + 1e-9
        return np.asarray(
            least_squares(
                misfit,
                np.clip(flat, *bounds),
                bounds=bounds,
                x_scale=np.tile([0.1, 0.3, 1.0], count),
                max_nfev=MOST_LOOKS,
            ).x
        )

    chosen = np.empty(0)
    for _ in range(limits.filters):
        free = (np.abs(place[:, None] - chosen[None, ::3]) >= distance).all(axis=1)
        free &= (place >= ends[0] - 1e-9) & (place <= ends[1] + 1e-9)
        if not free.any():
            break
        rest = _smoothed(excess + gain(chosen))
        want = np.where(rest > 0.0, rest, np.maximum(rest, -ceiling))  # what a filter here could take off, signed
        at = int(np.argmax(np.where(free, np.where(want > 0.0, want, -BELOW * want), -1.0)))
        if abs(want[at]) < 2.0 * SHALLOWEST_DB:
            break
        new = np.array([log(frequency_hz[at]), log(START_Q), -0.9 * want[at]])
        chosen = moved(moved(np.concatenate([chosen, np.clip(new, low, high)])))  # anew, since neighbours moved away
    return [
        Section(kind="peaking", frequency_hz=float(np.exp(row[0])), q=float(np.exp(row[1])), gain_db=float(row[2]))
        for row in chosen.reshape(-1, 3)
    ]


def _within(
    sections: Sequence[Section], frequency_hz: Floats, ceiling: Floats, limits: EqualiserLimits, rate_hz: float
) -> tuple[Section, ...]:
    """The sections drawn back step by step until ceiling and floor hold.

    Each step brings one gain nearer to zero, so it ends, at the latest where none is left.
    """
    hz, allowed = _checked(frequency_hz, ceiling)
    rows = list(sections)
    each = np.array([_gain_db([one], hz, rate_hz) for one in rows]).reshape(len(rows), len(hz))
    while any(one.gain_db != 0.0 for one in rows):
        total = each.sum(axis=0)
        over, under = total - allowed, -limits.cut_db - total
        at_over, at_under = int(np.argmax(over)), int(np.argmax(under))
        if max(over[at_over], under[at_under]) <= 0.0:
            break
        worst = np.argmax(each[:, at_over]) if over[at_over] > under[at_under] else np.argmin(each[:, at_under])
        place = int(worst)
        one = rows[place]
        nearer = limits.controls.gain_db.beside(one.gain_db, -1 if one.gain_db > 0.0 else 1) or 0.0
        rows[place] = Section(kind=one.kind, frequency_hz=one.frequency_hz, q=one.q, gain_db=nearer)
        each[place] = _gain_db([rows[place]], hz, rate_hz)
    rows = [one for one in rows if one.gain_db != 0.0]
    kept = [one for one in rows if abs(one.gain_db) >= SHALLOWEST_DB]
    if len(kept) < len(rows):  # without a small cut a boost may stand out: draw back again
        return _within(kept, frequency_hz, ceiling, limits, rate_hz)
    return tuple(sorted(kept, key=lambda one: one.frequency_hz))


def _checked(frequency_hz: Floats, ceiling: Floats) -> tuple[Floats, Floats]:
    """Frequencies at which the limits are checked, an octave beyond the band on both sides, and the ceiling there."""
    finer = int(np.ceil(CHECKED_PER_OCTAVE * np.log2(frequency_hz[-1] / frequency_hz[0]) / (len(frequency_hz) - 1)))
    place = np.arange(finer * (len(frequency_hz) - 1) + 1) / finer
    whole = np.arange(len(frequency_hz))
    hz = np.exp(np.interp(place, whole, np.log(frequency_hz)))
    allowed = np.minimum(ceiling[np.floor(place).astype(int)], ceiling[np.ceil(place).astype(int)])
    beyond = 2.0 ** (np.arange(1, CHECKED_PER_OCTAVE + 1) / CHECKED_PER_OCTAVE)
    hz = np.concatenate([hz[0] / beyond[::-1], hz, hz[-1] * beyond])
    allowed = np.pad(allowed, len(beyond), mode="edge")
    return hz, np.maximum(allowed, SKIRT_DB)


def _dialled(
    sections: Sequence[Section], frequency_hz: Floats, excess: Floats, ceiling: Floats, limits: EqualiserLimits
) -> list[Section]:
    """The fitted sections on the processor's steps, each within the limits of a single filter."""
    controls = kept_within(limits.controls, q=limits.q, gain_db=(-limits.cut_db, limits.boost_db))

    def value(placed: Sequence[Placed]) -> float:
        rows = np.array([(one.frequency_hz, one.q, one.gain_db) for _, one in placed])
        shapes = peaking_shapes(frequency_hz, centre_hz=rows[:, 0], q=rows[:, 1], gain_db=rows[:, 2])
        added = 20.0 * np.log10(np.abs(shapes)).sum(axis=0)
        return float(np.sum(_misfit(added, excess, ceiling, rows[:, 2], limits) ** 2))

    distance = log(2.0) * APART_OCTAVES
    return [one for _, one in on_steps([(0, one) for one in sections], controls, value, apart=distance)]


def _misfit(added: Floats, excess: Floats, ceiling: Floats, gain_db: Floats, limits: EqualiserLimits) -> Floats:
    """What is to be small of filters that add so much: (n_freq,) [dB] each, their gains (n,) [dB] -> (n_row,)."""
    rest = excess + added
    fill = np.where(ceiling > 0.0, BELOW * np.minimum(rest, 0.0), 0.0)
    overcut = OVERCUT * np.minimum(rest - np.minimum(excess, 0.0), 0.0)
    breach = np.maximum(added - np.maximum(ceiling, SKIRT_DB), 0.0) + np.maximum(-limits.cut_db - added, 0.0)
    ridge = RIDGE * np.sqrt(len(added)) * gain_db
    return np.concatenate([np.maximum(rest, 0.0), fill, overcut, BREACH * breach, ridge])


def _gain_db(sections: Sequence[Section], frequency_hz: Floats, rate_hz: float) -> Floats:
    return np.asarray(20.0 * np.log10(np.abs(section_response(sections, frequency_hz, rate_hz=rate_hz))))


def _smoothed(level_db: Floats) -> Floats:
    """Mean over three neighbouring frequencies, so that a single spike does not draw a filter."""
    padded = np.concatenate([level_db[:1], level_db, level_db[-1:]])
    return np.asarray((padded[:-2] + padded[1:-1] + padded[2:]) / 3.0)
