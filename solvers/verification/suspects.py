"""Which sub's delay, gain or polarity would explain what was measured better than the plan's.

All subs at once give y = a(f) sum_k c_k(f) p_k(f), p_k each sub as promised, c_k = s g e^{-j omega t} what it has too
much, and a(f) common to all: the microphone's scale and time, and, where the promise rests on the model, the subs' own
response. At every frequency a(f) is the best one, so that c counts only between subs. Subs measured singly give c_k
directly.

Faults are sought one sub after the other: the one change that takes most off the misfit is kept as long as it takes
enough. What counts is between subs: that one of two is late or the other early, nobody can say.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from math import pi

import numpy as np

from roommodes.arrays import Complexes, Floats
from roommodes.running import Running
from solvers.verification.promise import Pair

FEWEST_SEATS = 3  # with fewer, a common response explains too much
DELAYS_S = np.linspace(-0.02, 0.02, 81)
GAINS_DB = (-12.0, -6.0, -3.0, 0.0, 3.0, 6.0)
WORTH, WORTH_NEXT = 0.85, 0.7  # of the misfit before it a fault's mending leaves less, the first and a further one's
TOLD_DB, TOLD_S = 1.0, 0.5e-3  # smaller ones are not told
TOLD_BY_MODEL_DB = 3.0  # a wall that is not as drawn makes a sub beside it so much louder or softer


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """What one sub has other than the plan says.

    Parameters
    ----------
    sub : its index.
    gain_db : louder than promised against the others [dB].
    delay_s : later than promised against the others [s].
    polarity : -1 where it is inverted.
    left : share of the misfit's rms that is left once this and the changes before it are allowed for.
    """

    sub: int
    gain_db: float
    delay_s: float
    polarity: int
    left: float

    def told(self, *, by_model: bool) -> bool:
        """Whether it is large enough to be told of a promise that was measured, or rests on the model."""
        least_db = TOLD_BY_MODEL_DB if by_model else TOLD_DB
        return self.polarity < 0 or abs(self.gain_db) >= least_db or abs(self.delay_s) >= TOLD_S


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Suspects:
    """What was found.

    Parameters
    ----------
    changes : the subs that look wrong, the worst first.
    misfit, left : rms of what the promise leaves of the measurement over its rms, with the common response at its best:
        as promised, and with the changes.
    explained : (n_freq, n_seat) what the changed promise gives, with the common response.
    """

    changes: tuple[Change, ...]
    misfit: float
    left: float
    explained: Complexes


def suspects(pair: Pair, *, running: Running = Running()) -> Suspects:
    """The subs whose settings look wrong by the measurement of all at once.

    Raises
    ------
    Interrupted : when cancelled.
    """
    n_sub = len(pair.sub_name)
    none = np.zeros((n_sub, 3))
    none[:, 2] = 1.0
    first = _left(pair, none)
    if n_sub < 2 or len(pair.seat_name) < FEWEST_SEATS:
        return Suspects(changes=(), misfit=first, left=first, explained=_explained(pair, none))
    state, left, changes = none, first, list[Change]()
    for _ in range(n_sub - 1):
        running.check("interrupted while the settings were compared")
        fresh = [sub for sub in range(n_sub) if sub not in {one.sub for one in changes}]
        tried = [(*_best_of(pair, state, sub), sub) for sub in fresh]
        best, less, sub = min(tried, key=lambda item: item[1])
        if changes:  # the first was found while this one was still in the way
            best, less = _polished(pair, best, [*(one.sub for one in changes), sub], less)
        if less > (WORTH_NEXT if changes else WORTH) * left:
            break
        state, left = best, less
        changes.append(_change(state, sub, left / max(first, 1e-12)))
    final = [_change(state, one.sub, one.left) for one in changes]
    told = tuple(one for one in final if one.told(by_model=pair.by_model))
    if not told:
        state, left = none, first
    return Suspects(changes=told, misfit=first, left=left, explained=_explained(pair, state))


def _change(state: Floats, sub: int, left: float) -> Change:
    gain, delay, sign = state[sub]
    return Change(sub=sub, gain_db=float(gain), delay_s=1e-3 * float(delay), polarity=int(sign), left=left)


def _best_of(pair: Pair, state: Floats, sub: int) -> tuple[Floats, float]:
    """The change of one sub that leaves least: on a grid, then polished."""
    best: tuple[Floats, float] = state, np.inf
    for sign, gain, delay in product((1.0, -1.0), GAINS_DB, 1e3 * DELAYS_S):
        tried = state.copy()
        tried[sub] = gain, delay, sign
        if (left := _left(pair, tried)) < best[1]:
            best = tried, left
    return _polished(pair, best[0], [sub], best[1])


def _polished(pair: Pair, state: Floats, subs: Sequence[int], left: float) -> tuple[Floats, float]:
    """Gains and delays of some subs at their best, their polarity kept."""
    from scipy.optimize import minimize  # noqa: PLC0415 (a fifth of a second, and only suspects need it)

    chosen = list(subs)

    def put(values: Floats) -> Floats:
        tried = state.copy()
        tried[chosen, :2] = values.reshape(-1, 2)
        return tried

    def left_by(values: Floats) -> float:
        return _left(pair, put(values))

    found = minimize(
        left_by,
        np.asarray(state[chosen, :2].reshape(2 * len(chosen))),
        method="Nelder-Mead",
        options={"xatol": 0.01, "fatol": 1e-5, "maxiter": 120 * len(chosen)},
    )
    return (put(found.x), float(found.fun)) if found.fun < left else (state, left)


def _explained(pair: Pair, state: Floats) -> Complexes:
    """(n_freq, n_seat) the changed promise with the common response at its best."""
    gain, delay_ms, sign = state.T
    factor = sign * 10.0 ** (gain / 20.0) * np.exp(-2e-3j * pi * pair.frequency_hz[:, None] * delay_ms)
    found = np.einsum("fsk,fk->fs", pair.promised, factor)
    power = np.maximum((np.abs(found) ** 2).sum(axis=1), 1e-300)
    common = (found.conj() * pair.together).sum(axis=1) / power
    return np.asarray(common[:, None] * found)


def _left(pair: Pair, state: Floats) -> float:
    """Share of the rms that is left, each frequency alike."""
    error = np.abs(_explained(pair, state) - pair.together) ** 2
    share = error.sum(axis=1) / np.maximum((np.abs(pair.together) ** 2).sum(axis=1), 1e-300)
    return float(np.sqrt(share.mean()))
