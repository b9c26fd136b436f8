"""Filters common to all subs that take the highest peaks off the seats' mean level.

What all subs share changes every seat alike, so it leaves the seat-to-seat variation as it is. Cuts only: a null of
the mean is not filled, since a boost there costs output and cone travel for little. Each cut starts at the highest
peak that is left; then all are fitted together by least squares.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roommodes.biquads import Biquad, peaking, response

Floats = NDArray[np.float64]

MOST_CUTS = 4
DEEPEST_DB = -9.0
SHALLOWEST_DB = -1.0  # a cut that would be less is not worth a filter
Q_RANGE = (0.7, 6.0)  # sharper ones fit one place in the room, not a row of seats: common practice, no source
BELOW_TARGET = 0.4  # how much a level below the target counts against one above it
START_Q = 2.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Cut:
    """One peaking filter with a gain below zero.

    Parameters
    ----------
    frequency_hz, q, gain_db : of the filter (`biquads.peaking`).
    """

    frequency_hz: float
    q: float
    gain_db: float

    def biquad(self, rate_hz: float) -> Biquad:
        """Its coefficients at a sample rate [Hz]."""
        return peaking(frequency_hz=self.frequency_hz, q=self.q, gain_db=self.gain_db, rate_hz=rate_hz)


def common_cuts(frequency_hz: Floats, mean_level_db: Floats, *, rate_hz: float) -> tuple[Cut, ...]:
    """Cuts that bring the peaks of the seats' mean level down to its median, in rising frequency.

    Parameters
    ----------
    frequency_hz : (n_freq,) on a logarithmic grid [Hz].
    mean_level_db : (n_freq,) weighted mean over the seats [dB].
    rate_hz : sample rate at which they will run [Hz].

    Returns
    -------
    Rounded as a person dials them in: 0.1 Hz, 0.1 in Q, 0.1 dB. None where nothing sticks out.
    """
    from scipy.optimize import least_squares  # noqa: PLC0415 (a third of a second that other uses need not pay)

    excess = mean_level_db - float(np.median(mean_level_db))
    if len(frequency_hz) < 3:
        return ()
    low, high = float(frequency_hz[0]), float(frequency_hz[-1])
    bounds_low, bounds_high = (np.log(low), np.log(Q_RANGE[0]), DEEPEST_DB), (np.log(high), np.log(Q_RANGE[1]), 0.0)
    chosen = np.empty((0, 3))

    def misfit(flat: Floats) -> Floats:
        rest = excess + _gain_db(_cuts(flat.reshape(-1, 3)), frequency_hz, rate_hz)
        return np.where(rest > 0.0, rest, BELOW_TARGET * rest)

    for _ in range(MOST_CUTS):
        rest = _smoothed(excess + _gain_db(_cuts(chosen), frequency_hz, rate_hz))
        peak = int(np.argmax(rest))
        if rest[peak] < -SHALLOWEST_DB:
            break
        new = (np.log(frequency_hz[peak]), np.log(START_Q), max(DEEPEST_DB, -float(rest[peak])) * 0.9)
        start = np.clip(np.vstack([chosen, new]), bounds_low, bounds_high)
        count = len(start)
        fit = least_squares(misfit, start.ravel(), bounds=(np.tile(bounds_low, count), np.tile(bounds_high, count)))
        chosen = fit.x.reshape(-1, 3)
    kept = [_rounded(cut) for cut in _cuts(chosen) if cut.gain_db <= SHALLOWEST_DB]
    return tuple(sorted(kept, key=lambda cut: cut.frequency_hz))


def cuts_gain_db(cuts: Sequence[Cut], frequency_hz: Floats, *, rate_hz: float) -> Floats:
    """What the cuts do together: (n_freq,) [dB]."""
    return _gain_db(cuts, frequency_hz, rate_hz)


def _cuts(rows: Floats) -> list[Cut]:
    return [
        Cut(frequency_hz=float(np.exp(row[0])), q=float(np.exp(row[1])), gain_db=float(row[2]))
        for row in rows.reshape(-1, 3)
    ]


def _gain_db(cuts: Sequence[Cut], frequency_hz: Floats, rate_hz: float) -> Floats:
    together = response([cut.biquad(rate_hz) for cut in cuts], frequency_hz, rate_hz=rate_hz)
    return np.asarray(20.0 * np.log10(np.abs(together)))


def _rounded(cut: Cut) -> Cut:
    return Cut(frequency_hz=round(cut.frequency_hz, 1), q=round(cut.q, 1), gain_db=round(cut.gain_db, 1))


def _smoothed(level_db: Floats) -> Floats:
    """Mean over three neighbouring frequencies, so that a single spike does not draw a filter."""
    padded = np.concatenate([level_db[:1], level_db, level_db[-1:]])
    return np.asarray((padded[:-2] + padded[1:-1] + padded[2:]) / 3.0)
