"""The subs' common delay and polarity against the mains that make the sum through the crossover fullest.

Each main loudspeaker m plays its channel above the crossover; the subs play the same channel below it:

    p[f, s, m] = low(f) g e^{-j omega tau} sigma B[f, s] + high(f) M[f, s, m]

with B all subs of the plan as they are driven. The gain g makes the subs, averaged over the seats, as loud over the
octave below the crossover as the mains are over the octave above (common practice, no source). tau and sigma are found
by trying every delay on a fine grid in both polarities and refining the best. What is minimised, over an octave on both
sides of the crossover, is

    summation loss + variation,   summation loss = mean of 20 lg((|low part| + |high part|) / |sum|) >= 0 [dB]

the first says how full the sum is, the second how even over the seats. Among equals the least delay is taken.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf

import numpy as np

from roommodes.acoustics.curve import Curve
from roommodes.arrays import Complexes, Floats
from roommodes.filters.biquads import response
from roommodes.filters.crossovers import Crossover
from roommodes.filters.processor import Steps
from roommodes.responses.metrics import level_db, normalised

STEPS_PER_TURN = 32  # of the grid of delays, at the upper end of the band
MOST_DB = 120.0  # of gain, either way
REFINED = 4  # rounds of refinement, each ten times as fine
EQUAL_DB = 0.02  # delays as good as the best within this: the least is taken
RATE_HZ = 48000.0
EDGE = 1e-6  # octaves; what rounding may do at a band's ends
LARGEST_BLOCK = 2_000_000  # complex numbers at once


@dataclass(frozen=True, slots=True, kw_only=True)
class Merit:
    """How full and how even the sum of subs and mains is.

    Parameters
    ----------
    shortfall_db : mean by which the sum stays below both parts in phase, 0 at best [dB].
    variation_db : seat-to-seat variation of the sums [dB].
    deepest_db : the largest summation loss at any seat and frequency [dB].
    """

    shortfall_db: float
    variation_db: float
    deepest_db: float

    @property
    def score_db(self) -> float:
        """What is minimised [dB]."""
        return self.shortfall_db + self.variation_db


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Parts:
    """Responses of subs and mains at the seats, each without crossover.

    Parameters
    ----------
    frequency_hz : (n_freq,) on a logarithmic grid [Hz].
    subs : (n_freq, n_seat), all subs of the plan as they are driven.
    mains : (n_freq, n_seat, n_main).
    seat_weight : (n_seat,) any scale.
    own : whether the subs' own response, driver and box, is in theirs.
    """

    frequency_hz: Floats
    subs: Complexes
    mains: Complexes
    seat_weight: Floats
    own: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Meeting:
    """A setting of the subs against the mains, and what it gives.

    Parameters
    ----------
    crossover : the filters.
    delay_s : of all subs; below 0 the mains are delayed by so much [s].
    polarity : +1 or -1, of all subs.
    gain_db : of all subs [dB].
    merit : how well they meet.
    low, high : (n_freq, n_seat), (n_freq, n_seat, n_main) the parts through the crossover, as set.
    """

    crossover: Crossover
    delay_s: float
    polarity: int
    gain_db: float
    merit: Merit
    low: Complexes
    high: Complexes

    @property
    def total(self) -> Complexes:
        """The sums, one for each main: (n_freq, n_seat, n_main)."""
        return np.asarray(self.low[:, :, None] + self.high)


def matched_gain_db(parts: Parts, crossover: Crossover, target: Curve | None = None) -> float:
    """Gain of the subs that makes them as loud below the crossover as the mains are above it [dB].

    `target` [dB]: as loud over it, each in its own octave.
    """
    wanted = np.ones(len(parts.frequency_hz)) if target is None else 10.0 ** (target.at(parts.frequency_hz) / 10.0)
    hz, weight = parts.frequency_hz, normalised(parts.seat_weight)
    octave = np.log2(hz / crossover.frequency_hz)
    below, above = (octave <= EDGE) & (octave >= -1.0 - EDGE), (octave >= -EDGE) & (octave <= 1.0 + EDGE)
    subs = 10.0 * np.log10(np.mean((np.abs(parts.subs[below]) ** 2) @ weight / wanted[below]))
    each = np.einsum("fsm,s->fm", np.abs(parts.mains[above]) ** 2, weight)
    mains = 10.0 * np.log10(np.mean(each / wanted[above, None]))
    return float(mains - subs)


def meet(
    parts: Parts,
    crossover: Crossover,
    *,
    delay_s: tuple[float, float],
    gain_db: float | None = None,
    polarity: Sequence[int] = (1, -1),
    delay_step_s: float = 0.0,
    gain_step_db: float = 0.0,
) -> Meeting:
    """The best delay and polarity of the subs.

    Parameters
    ----------
    parts : subs and mains at the seats.
    crossover : the filters.
    delay_s : (least, most) of the subs against the mains [s].
    gain_db : of the subs; None to match their level [dB].
    polarity : which may be tried.
    delay_step_s, gain_step_db : what is found is a multiple of these; 0 for any; a given gain stays [s], [dB].
    """
    gain = gain_db
    if gain is None:
        gain = Steps(low=-MOST_DB, high=MOST_DB, step=gain_step_db).nearest(matched_gain_db(parts, crossover))
    low, high = _filtered(parts, crossover, gain)
    step = 1.0 / (STEPS_PER_TURN * float(parts.frequency_hz[-1]))
    least, most = delay_s
    grid = (
        np.linspace(least, most, max(2, 1 + int(np.ceil((most - least) / step)))) if most > least else np.array([least])
    )
    found: list[tuple[float, float, int]] = []  # score, delay, polarity
    for sign in polarity:
        scores = _scores(parts, low, high, grid, sign)
        for at in _lowest(scores):
            delay, width = float(grid[at]), step
            best = float(scores[at])
            for _ in range(REFINED):
                near = np.clip(delay + width * np.linspace(-1.0, 1.0, 21), least, most)
                finer = _scores(parts, low, high, near, sign)
                place = int(np.argmin(finer))
                if finer[place] < best:
                    best, delay = float(finer[place]), float(near[place])
                width /= 10.0
            found += _beside(parts, low, high, (best, delay, sign), Steps(low=least, high=most, step=delay_step_s))
    lowest = min(score for score, _, _ in found)
    _, delay, sign = min((one for one in found if one[0] <= lowest + EQUAL_DB), key=lambda one: (abs(one[1]), one[0]))
    return setting(parts, crossover, delay_s=delay, polarity=sign, gain_db=gain)


def _beside(
    parts: Parts, low: Complexes, high: Complexes, best: tuple[float, float, int], steps: Steps
) -> list[tuple[float, float, int]]:
    """A setting (score, delay [s], polarity) as the processor takes it: itself, or on the steps around it."""
    if not steps.step or steps.is_empty:
        return [best]
    near = steps.nearest(best[1])
    delays = [near, *(one for by in (-1, 1) if (one := steps.beside(near, by)) is not None)]
    scores = _scores(parts, low, high, np.array(delays), best[2])
    return [(float(score), delay, best[2]) for score, delay in zip(scores, delays, strict=True)]


def setting(parts: Parts, crossover: Crossover, *, delay_s: float, polarity: int, gain_db: float) -> Meeting:
    """What a given setting of the subs gives."""
    low, high = _filtered(parts, crossover, gain_db)
    turned = low * (polarity * np.exp(-2j * np.pi * parts.frequency_hz * delay_s))[:, None]
    return Meeting(
        crossover=crossover,
        delay_s=delay_s,
        polarity=polarity,
        gain_db=gain_db,
        merit=merit(turned, high, parts.seat_weight),
        low=turned,
        high=high,
    )


def merit(low: Complexes, high: Complexes, seat_weight: Floats) -> Merit:
    """How well two parts meet: (n_freq, n_seat), (n_freq, n_seat, n_main)."""
    weight = normalised(seat_weight)
    whole = level_db(low[:, :, None] + high)
    short = 20.0 * np.log10(np.abs(low)[:, :, None] + np.abs(high)) - whole
    mean = np.einsum("fsm,s->fm", whole, weight)
    v2 = np.einsum("fsm,s->fm", (whole - mean[:, None, :]) ** 2, weight)
    return Merit(
        shortfall_db=float(np.mean(np.einsum("fsm,s->fm", short, weight))),
        variation_db=float(np.sqrt(np.mean(v2))),
        deepest_db=float(short[:, weight > 0.0].max()),
    )


def by_delay(parts: Parts, meeting: Meeting, offset_s: Floats) -> tuple[Merit, ...]:
    """What the meeting becomes when all else stays and the subs are later by so much [s]."""
    return tuple(
        setting(
            parts,
            meeting.crossover,
            delay_s=meeting.delay_s + float(offset),
            polarity=meeting.polarity,
            gain_db=meeting.gain_db,
        ).merit
        for offset in offset_s
    )


def by_frequency(
    parts: Parts, meeting: Meeting, frequency_hz: Floats, *, delay_s: tuple[float, float]
) -> tuple[tuple[Merit, Meeting], ...]:
    """Other crossover frequencies: with the delay held, and with delay and polarity sought anew."""
    found = []
    for hz in frequency_hz:
        other = meeting.crossover.at(float(hz))
        held = setting(parts, other, delay_s=meeting.delay_s, polarity=meeting.polarity, gain_db=meeting.gain_db)
        found.append((held.merit, meet(parts, other, delay_s=delay_s, gain_db=meeting.gain_db)))
    return tuple(found)


def _filtered(parts: Parts, crossover: Crossover, gain_db: float) -> tuple[Complexes, Complexes]:
    hz = parts.frequency_hz
    low = response(crossover.low_pass(RATE_HZ), hz, rate_hz=RATE_HZ) * 10.0 ** (gain_db / 20.0)
    high = response(crossover.high_pass(RATE_HZ), hz, rate_hz=RATE_HZ)
    return parts.subs * low[:, None], parts.mains * high[:, None, None]


def _scores(parts: Parts, low: Complexes, high: Complexes, delays_s: Floats, polarity: int) -> Floats:
    """The score of many delays: (n,) [s] -> (n,) [dB]."""
    weight = normalised(parts.seat_weight)
    both = 20.0 * np.log10(np.abs(low)[:, :, None] + np.abs(high))
    full = float(np.mean(np.einsum("fsm,s->fm", both, weight)))
    turns = polarity * np.exp(-2j * np.pi * np.outer(delays_s, parts.frequency_hz))
    scores = np.full(len(delays_s), inf)
    block = max(1, LARGEST_BLOCK // high.size)
    for start in range(0, len(delays_s), block):
        part = slice(start, start + block)
        level = level_db(turns[part][:, :, None, None] * low[None, :, :, None] + high[None])
        mean = np.einsum("tfsm,s->tfm", level, weight)
        v2 = np.einsum("tfsm,s->tfm", (level - mean[:, :, None, :]) ** 2, weight)
        scores[part] = full - mean.mean(axis=(1, 2)) + np.sqrt(v2.mean(axis=(1, 2)))
    return scores


def _lowest(scores: Floats) -> list[int]:
    """The deepest few of the minima, ends included."""
    padded = np.concatenate([[inf], scores, [inf]])
    minima = np.flatnonzero((padded[1:-1] <= padded[:-2]) & (padded[1:-1] <= padded[2:]))
    return sorted(minima.tolist(), key=lambda at: float(scores[at]))[:5]
