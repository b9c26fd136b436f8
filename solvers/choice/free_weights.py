"""The most even response that positions allow: best weights found, free at every frequency, and a proven bound.

A plan's delays and gains tie the frequencies together. Without that tie each frequency is a question of its own:
which complex weights w make the levels 20 lg |H w| of the seats most alike? No delay, gain, polarity or filter per
sub can do better at these positions than the best of all weights, so the distance to them tells what a cleverer
processor could still bring, and what only other positions can.

With as many independent subs as seats the spread is zero, and with one sub it is the plan's own, since one weight moves
all seats alike. (Zero may be reached from 2 n - 1 >= seats on: n weights have so many free numbers beside a common
factor.) Else the question is not convex: the best weights are those found from many starts, the plan's own among
them, and `solvers.proof` bounds from below what any weights reach.

| symbol | meaning |
| --- | --- |
| U | orthonormal basis of what the subs can do at the seats at one frequency, p = U c |
| e_s | sqrt(a_s) (L_s - mean L), the residual [dB]; its square sum is the spread squared |

Starts: phases drawn at random; p moves to and fro between "level 1 everywhere" and what U can do (alternating
projections, R. W. Gerchberg and W. O. Saxton, Optik 35, 237 (1972), from memory). The best go into damped
Gauss-Newton steps on the residual, with dL_s = (20 / ln 10) Re(U_s dc / p_s). All frequencies and starts run side by
side in NumPy.
"""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from math import log10

import numpy as np

from roommodes.arrays import Complexes, Floats
from roommodes.responses.metrics import drive_weights, level_db, normalised, seat_pressure
from roommodes.running import Running
from solvers.proof.free_weights import proven_spread
from solvers.search.problem import FoundPlan, Problem

STARTS = 64  # random phases per frequency
PROJECTIONS = 24  # steps to and fro
LEADING = 3  # of the starts that are gone on with
ROUNDS = 2  # times that a frequency is tried from its neighbours' solutions
STEPS = 60  # Gauss-Newton steps at most
DAMPINGS = (1e-3, 1e9)  # first; hopeless
SETTLED = 1e-7  # a step that saves less than this part ends a descent
ZERO_DB = 1e-5  # a spread below this is none
DB_PER_NEPER = 20.0 / np.log(10.0)
RANK_RTOL = 1e-10  # singular values below this part of the largest do nothing
TINY = 1e-150  # a pressure below this is silence


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FreeWeights:
    """The best weights found at some positions, and what no weights can do there.

    Parameters
    ----------
    variation_db : with them, over the band, as variation is taken [dB].
    spread_db : (n_freq,) standard deviation over the seats at each frequency [dB].
    weights : (n_freq, n_sub) complex128, any scale at each frequency.
    output_db : mean level over seats and band, the largest weight of each frequency at the sub's limit, as output is
        taken.
    least_db : proven: no weights have a smaller variation; 0 where nothing was proven [dB].
    """

    variation_db: float
    spread_db: Floats
    weights: Complexes
    output_db: float
    least_db: float


def free_weights_of(
    problem: Problem, plan: FoundPlan, *, starts: int = STARTS, boxes: int = 0, running: Running = Running()
) -> FreeWeights:
    """The best free weights for a plan's positions.

    Parameters
    ----------
    problem : the transfer functions and seat weights.
    plan : the layout; its drives are one of the starts.
    starts : random starts per frequency.
    boxes : of the proof, for each frequency at most; 0 proves nothing.
    running : cancelling, threads of the proof.
    """
    own = drive_weights(problem.frequency_hz, gain_db=plan.gain_db, delay_s=plan.delay_s, polarity=plan.polarity)
    found = best_weights(
        problem.transfer[:, :, plan.candidate_index],
        problem.seat_weight,
        own,
        starts=starts,
        boxes=boxes,
        running=running,
    )
    variation = min(found.variation_db, plan.variation_db)  # to the last digit
    return replace(found, variation_db=variation, least_db=min(found.least_db, variation))


def best_weights(
    transfer: Complexes,
    seat_weight: Floats,
    weights: Complexes,
    *,
    starts: int = STARTS,
    boxes: int = 0,
    running: Running = Running(),
) -> FreeWeights:
    """The weights that make the seats most alike, frequency by frequency.

    Parameters
    ----------
    transfer : (n_freq, n_seat, n_sub) complex128, any scale.
    seat_weight : (n_seat,) >= 0, any scale.
    weights : (n_freq, n_sub) complex128, a start; the answer is never worse than it.
    starts, boxes, running : as for `free_weights_of`.
    """
    heard = seat_weight > 0.0
    a = normalised(seat_weight[heard])
    h = transfer[:, heard]
    basis, values, turn = np.linalg.svd(h, full_matrices=False)
    basis = basis * (values > RANK_RTOL * values[:, :1])[:, None, :]
    lifted = values[:, :, None] * turn  # weights -> c
    lowered = np.linalg.pinv(lifted, rcond=RANK_RTOL)  # c -> weights
    own = np.einsum("fkc,fc->fk", lifted, weights)[:, None]  # (n_freq, 1, rank)
    least, where = _spread2(basis, a, own)[:, 0], own[:, 0]
    if h.shape[2] > 1 and h.shape[1] > 1:
        begun = np.concatenate([own, _projected(basis, a, starts)], axis=1)
        least, where = _descended(basis, a, begun, least, where)
        for _ in range(ROUNDS):
            w = np.einsum("fck,fk->fc", lowered, where)
            beside = [np.einsum("fkc,fc->fk", lifted, np.roll(w, turn_by, axis=0)) for turn_by in (1, -1)]
            least, where = _descended(basis, a, np.stack(beside, axis=1), least, where)
    proven = 0.0
    if boxes:
        with ThreadPoolExecutor(running.thread_count, thread_name_prefix="proof") as pool:
            proof = proven_spread(basis, a, np.sqrt(least), boxes=boxes, pool=pool, running=running)
        met = np.where(np.isfinite(proof.better), proof.better, where)
        least, where = _descended(basis, a, met[:, None], least, where)
        proven = proof.variation_db
    spread = np.sqrt(least)
    spread[spread < ZERO_DB] = 0.0
    found = np.einsum("fck,fk->fc", lowered, where)
    loudest = 20.0 * np.log10(np.maximum(np.abs(found).max(axis=1), TINY))
    return FreeWeights(
        variation_db=float(np.sqrt(np.mean(spread**2))),
        spread_db=spread,
        weights=found,
        output_db=float(np.mean(level_db(seat_pressure(h, found)) @ a - loudest)) - 20.0 * log10(h.shape[2]),
        least_db=proven,
    )


def _spread2(basis: Complexes, a: Floats, c: Complexes) -> Floats:
    """Weighted variance of the seats' levels: (f, seat, rank), (f, start, rank) -> (f, start) [dB2]."""
    level = _levels(c @ basis.transpose(0, 2, 1))
    deviation = level - (level @ a)[..., None]
    return np.asarray((deviation**2) @ a)


def _levels(pressure: Complexes) -> Floats:
    return np.asarray(20.0 * np.log10(np.maximum(np.abs(pressure), TINY)))


def _projected(basis: Complexes, a: Floats, starts: int) -> Complexes:
    """The leading starts after alternating projections: (f, LEADING, rank)."""
    random = np.random.default_rng(0)  # the bound belongs to the positions, not to a search's seed
    n_freq, n_seat, _ = basis.shape
    back = basis.conj()
    c = np.exp(2j * np.pi * random.random((starts, n_seat))) @ back
    for _ in range(PROJECTIONS):
        p = c @ basis.transpose(0, 2, 1)
        c = (p / np.maximum(np.abs(p), TINY)) @ back
    order = np.argsort(_spread2(basis, a, c), axis=1, kind="stable")[:, :LEADING]
    return np.asarray(c[np.arange(n_freq)[:, None], order])


def _descended(
    basis: Complexes, a: Floats, begun: Complexes, least: Floats, where: Complexes
) -> tuple[Floats, Complexes]:
    """Damped Gauss-Newton from every start; the lowest of each frequency, if it is below what is known.

    Parameters
    ----------
    basis, a : (n_freq, n_seat, rank), (n_seat,).
    begun : (n_freq, start, rank).
    least, where : (n_freq,) [dB2], (n_freq, rank): known so far.
    """
    n_freq, n_start, rank = begun.shape
    u = np.repeat(basis, n_start, axis=0)
    c = begun.reshape(-1, rank)
    c = c / np.maximum(np.linalg.norm(c, axis=1), TINY)[:, None]
    value = _spread2(u, a, c[:, None])[:, 0]
    damping = np.full(len(c), DAMPINGS[0])
    going = np.flatnonzero(value > ZERO_DB**2)
    for _ in range(STEPS):
        if not len(going):
            break
        here = u[going]
        move = _step(here, a, c[going], damping[going])
        trial = c[going] + move
        trial /= np.maximum(np.linalg.norm(trial, axis=1), TINY)[:, None]
        new = _spread2(here, a, trial[:, None])[:, 0]
        better = new < value[going]
        saved = value[going] - new
        done = better & ((saved < SETTLED * value[going]) | (new < ZERO_DB**2))
        taken = going[better]
        c[taken], value[taken] = trial[better], new[better]
        damping[going] = np.where(better, np.maximum(0.1 * damping[going], 1e-9), 8.0 * damping[going])
        going = going[~done & (damping[going] < DAMPINGS[1])]
    values = value.reshape(n_freq, n_start)
    first = np.argmin(values, axis=1)
    row = np.arange(n_freq)
    found, at = values[row, first], c.reshape(n_freq, n_start, rank)[row, first]
    better = found < least
    return np.where(better, found, least), np.where(better[:, None], at, where)


def _step(u: Complexes, a: Floats, c: Complexes, damping: Floats) -> Complexes:
    """One damped Gauss-Newton step of each problem: (b, seat, rank), (b, rank), (b,) -> (b, rank)."""
    p = np.einsum("bsk,bk->bs", u, c)
    p = np.where(np.abs(p) > TINY, p, TINY)
    level = _levels(p)
    slope = DB_PER_NEPER * u / p[:, :, None]
    slope = np.concatenate([slope.real, -slope.imag], axis=2)  # by Re c, Im c
    slope -= np.einsum("bsx,s->bx", slope, a)[:, None]
    root = np.sqrt(a)
    e = (level - (level @ a)[:, None]) * root
    j = slope * root[:, None]
    transposed = j.transpose(0, 2, 1)
    matrix = transposed @ j
    size = np.einsum("bxx->b", matrix) / matrix.shape[1]
    index = np.arange(matrix.shape[1])
    matrix[:, index, index] += (damping * size)[:, None] + 1e-30
    x = np.linalg.solve(matrix, -(transposed @ e[:, :, None]))[:, :, 0]
    rank = u.shape[2]
    return np.asarray(x[:, :rank] + 1j * x[:, rank:])
