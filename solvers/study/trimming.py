"""Trims: what is added to the gain or the delay of subs together, so that the seats hear most alike.

All subs of a trim move as one, so there are few unknowns; they are searched over their whole ranges by dividing
rectangles (D. R. Jones et al., J. Optim. Theory Appl. 79, 1993), which draws nothing at random, and then polished.
"""

from dataclasses import dataclass

import numpy as np

from roommodes.arrays import Complexes, Floats
from roommodes.responses.metrics import level_db, variation_db
from solvers.search.objective import Objective, asked
from solvers.study.places import Arm

LOOKS = 400  # of the search per unknown
FIXED = (0.0, 0.0)  # the range of what a trim leaves alone
NEAR = 1e-4  # dB and ms


def trimmed(
    arm: Arm,
    frequency_hz: Floats,
    transfer: Complexes,
    seat_weight: Floats,
    objective: Objective | None = None,
) -> tuple[Floats, Floats]:
    """Gains and delays of the strategy's only layout with its trims.

    Parameters
    ----------
    arm : with as many positions as subs, and at least one trim.
    frequency_hz : (n_freq,) [Hz].
    transfer : (n_freq, n_seat, subs) [1/m].
    seat_weight : (n_seat,).
    objective : what is made least in place of the variation; see `solvers.study.answers.answered`.

    Returns
    -------
    (subs,) gains [dB], (subs,) delays [s], the earliest at zero or later.
    """
    driven = transfer * arm.weights(frequency_hz)[:, None, :]
    ranges = [trim.gain_db or FIXED for trim in arm.trims] + [trim.delay_ms or FIXED for trim in arm.trims]
    low, high = np.array(ranges).T
    still = [k for k in range(arm.subs) if all(k not in trim.subs for trim in arm.trims)]
    question = _Question(
        frequency_hz=frequency_hz,
        rest=driven[:, :, still].sum(axis=2),
        parts=np.stack([driven[:, :, list(trim.subs)].sum(axis=2) for trim in arm.trims]),
        seat_weight=seat_weight,
        low=low,
        moving=low < high,
        arm=arm,
        objective=objective,
    )
    at = question.all_of(_least(question, low, high)) if question.moving.any() else low
    gain_db, delay_s = arm.gain_db.copy(), arm.delay_s.copy()
    for number, trim in enumerate(arm.trims):
        gain_db[list(trim.subs)] += at[number]
        delay_s[list(trim.subs)] += 1e-3 * at[len(arm.trims) + number]
    return gain_db, delay_s - min(0.0, float(delay_s.min()))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Question:
    """Variation over the trims that move; first all gains [dB], then all delays [ms].

    Parameters
    ----------
    frequency_hz, seat_weight : (n_freq,), (n_seat,).
    rest : (n_freq, n_seat) what is not trimmed [1/m].
    parts : (n_trim, n_freq, n_seat) what each trim moves [1/m].
    low, moving : (2 n_trim,) the trims where they do not move, and which do.
    arm, objective : as for `trimmed`.
    """

    frequency_hz: Floats
    seat_weight: Floats
    rest: Complexes
    parts: Complexes
    low: Floats
    moving: np.ndarray[tuple[int], np.dtype[np.bool_]]
    arm: Arm
    objective: Objective | None

    def all_of(self, x: Floats) -> Floats:
        """All trims, of those that move."""
        at = self.low.copy()
        at[self.moving] = x
        return at

    def loudest_db(self, gain_db: Floats) -> float:
        """The gain of the loudest sub with trims (n_trim, 1) [dB]."""
        gains = self.arm.gain_db.copy()
        for trim, added in zip(self.arm.trims, gain_db[:, 0], strict=True):
            gains[list(trim.subs)] += added
        return float(gains.max())

    def value(self, x: Floats) -> float:
        """Variation with the moving trims at x [dB], or the objective's value."""
        gain_db, delay_ms = np.split(self.all_of(x)[:, None], 2)
        weights = 10.0 ** (gain_db / 20.0) * np.exp(-2e-3j * np.pi * delay_ms * self.frequency_hz)
        level = level_db(self.rest + np.einsum("tf,tfs->fs", weights, self.parts))
        if self.objective is None:
            return variation_db(level, self.seat_weight)
        return float(asked(self.objective, level[None] - self.loudest_db(gain_db))[0])


def _least(question: _Question, low: Floats, high: Floats) -> Floats:
    """Where the variation, or the objective's value, is least."""
    from scipy.optimize import Bounds, direct, minimize  # noqa: PLC0415 (a fifth of a second, and only trims need it)

    bounds = Bounds(low[question.moving], high[question.moving])
    looks = LOOKS * int(question.moving.sum())
    found = np.asarray(direct(question.value, bounds, maxfun=looks, vol_tol=0.0, len_tol=NEAR).x)
    polished = minimize(
        question.value, found, method="Nelder-Mead", bounds=bounds, options={"fatol": 1e-7, "xatol": NEAR}
    )
    return min((found, np.asarray(polished.x)), key=question.value)
