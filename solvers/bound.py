"""How even could these positions be at all? The least spread that any complex weights, free at every frequency, reach.

A plan's delays and gains tie the frequencies together. Without that tie each frequency is a question of its own:
which complex weights w make the levels 20 lg |H w| of the seats most alike? No delay, gain, polarity or filter per
sub can do better at these positions, so the distance to it tells what a cleverer processor could still bring, and
what only other positions can.

What is proven and what is not. With as many independent subs as seats the spread is zero, and with one sub it is
the plan's own, since one weight moves all seats alike: both exact. In between the question is not convex; the value
is the smallest found from many starts, so the true bound may lie lower, never higher. It is never above the plan's
own variation, because the plan's own weights are a start at every frequency.

| symbol | meaning |
| --- | --- |
| U | orthonormal basis of what the subs can do at the seats at one frequency, p = U c |
| e_s | sqrt(a_s) (L_s - mean L), the residual [dB]; its square sum is the spread squared |

Starts: phases drawn at random; p moves to and fro between "level 1 everywhere" and what U can do (alternating
projections, R. W. Gerchberg and W. O. Saxton, Optik 35, 237 (1972), from memory). The best go into damped
Gauss-Newton steps on the residual, with dL_s = (20 / ln 10) Re(U_s dc / p_s). All frequencies and starts run side by
side in NumPy.
"""

from dataclasses import dataclass

import numpy as np

from roommodes.metrics import drive_weights, normalised
from solvers.problem import Complexes, Floats, Plan, Problem

STARTS = 64  # random phases per frequency
PROJECTIONS = 24  # steps to and fro
LEADING = 3  # of the starts that are gone on with
ROUNDS = 2  # times that a frequency is tried from its neighbours' solutions
STEPS = 60  # Gauss-Newton steps at most
DAMPINGS = (1e-3, 1e9)  # first; hopeless
SETTLED = 1e-6  # part that a step must save, or that is left, for a start to be gone on with
ZERO_DB = 1e-5  # a spread below this is none
DB_PER_NEPER = 20.0 / np.log(10.0)
RANK_RTOL = 1e-10  # singular values below this part of the largest do nothing
TINY = 1e-150  # a pressure below this is silence


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bound:
    """The least spread found at some positions.

    Parameters
    ----------
    variation_db : over the band, as variation is taken [dB].
    spread_db : (n_freq,) standard deviation over the seats at each frequency [dB].
    proven : whether nothing less is possible; otherwise it is the smallest found.
    """

    variation_db: float
    spread_db: Floats
    proven: bool


def bound_of(problem: Problem, plan: Plan, *, starts: int = STARTS) -> Bound:
    """The bound for a plan's positions.

    Parameters
    ----------
    problem : the transfer functions and seat weights.
    plan : the layout whose bound is sought; its drives are one of the starts.
    starts : random starts per frequency.
    """
    own = drive_weights(problem.frequency_hz, gain_db=plan.gain_db, delay_s=plan.delay_s, polarity=plan.polarity)
    return least_spread(problem.transfer[:, :, plan.candidate_index], problem.seat_weight, own, starts=starts)


def least_spread(transfer: Complexes, seat_weight: Floats, weights: Complexes, *, starts: int = STARTS) -> Bound:
    """The least spread over the seats that any weights reach, frequency by frequency.

    Parameters
    ----------
    transfer : (n_freq, n_seat, n_sub) complex128, any scale.
    seat_weight : (n_seat,) >= 0, any scale.
    weights : (n_freq, n_sub) complex128, a start; the answer is never worse than it.
    starts : random starts per frequency.
    """
    heard = seat_weight > 0.0
    a = normalised(seat_weight[heard])
    h = transfer[:, heard]
    n_freq, n_seat, n_sub = h.shape
    if n_seat == 1:
        return Bound(variation_db=0.0, spread_db=np.zeros(n_freq), proven=True)
    basis, values, turn = np.linalg.svd(h, full_matrices=False)
    alive = values > RANK_RTOL * values[:, :1]
    basis = basis * alive[:, None, :]
    own = np.einsum("fk,fkc,fc->fk", values, turn, weights)[:, None]  # (n_freq, 1, rank)
    best, where = _lowest(_descended(basis, a, own), own)
    if n_sub > 1:
        begun = np.concatenate([own, _projected(basis, a, starts)], axis=1)
        best, where = _lowest(_descended(basis, a, begun), begun)
        for _ in range(ROUNDS):
            begun = np.concatenate([where[:, None], _from_neighbours(values, turn, alive, where)], axis=1)
            best, where = _lowest(_descended(basis, a, begun), begun)
    else:
        best = np.minimum(best, _spread2(np.einsum("fsk,fmk->fms", basis, own), a)[0][:, 0])
    spread = np.sqrt(best)
    spread[spread < ZERO_DB] = 0.0
    full = (alive.sum(axis=1) == 1) | (spread == 0.0)
    return Bound(variation_db=float(np.sqrt(np.mean(spread**2))), spread_db=spread, proven=bool(full.all()))
