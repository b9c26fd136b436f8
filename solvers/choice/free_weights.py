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

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from math import log10

import numpy as np

from roommodes.arrays import Complexes, Floats
from roommodes.responses.metrics import drive_weights, level_db, normalised, seat_pressure
from roommodes.running import Running
from solvers.proof.free_weights import proven_spread
from solvers.search.problem import FoundPlan, Problem
from solvers.search.state import batches

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
    problem: Problem,
    plans: Sequence[FoundPlan],
    *,
    starts: int = STARTS,
    boxes: int = 0,
    running: Running = Running(),
) -> list[FreeWeights]:
    """The best free weights for the positions of plans with one number of subs, side by side.

    Parameters
    ----------
    problem : the transfer functions and seat weights.
    plans : the layouts; their drives are one of the starts.
    starts : random starts per frequency.
    boxes : of the proof for the first plan, for each frequency at most; 0 proves nothing, nor is it for the others.
    running : cancelling, threads of the proof.
    """
    found: list[FreeWeights] = []
    for batch in batches(problem, len(plans[0].candidate_index), plans):
        index = np.array([plan.candidate_index for plan in batch])
        own = drive_weights(
            problem.frequency_hz,
            gain_db=np.array([plan.gain_db for plan in batch]),
            delay_s=np.array([plan.delay_s for plan in batch]),
            polarity=np.array([plan.polarity for plan in batch]),
        )
        transfer = np.moveaxis(problem.transfer[:, :, index], 2, 0)
        proof = 0 if found else boxes
        each = best_weights_each(transfer, problem.seat_weight, own, starts=starts, boxes=proof, running=running)
        for one, plan in zip(each, batch, strict=True):
            variation = min(one.variation_db, plan.variation_db)  # to the last digit
            found.append(replace(one, variation_db=variation, least_db=min(one.least_db, variation)))
    return found


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
    (found,) = best_weights_each(
        transfer[None], seat_weight, weights[None], starts=starts, boxes=boxes, running=running
    )
    return found


def best_weights_each(
    transfer: Complexes,
    seat_weight: Floats,
    weights: Complexes,
    *,
    starts: int = STARTS,
    boxes: int = 0,
    running: Running = Running(),
) -> list[FreeWeights]:
    """`best_weights` of several plans: (n_plan, n_freq, n_seat, n_sub) and (n_plan, n_freq, n_sub).

    The frequencies of all plans stand in one row, f. A proof is made for the first plan alone.
    """
    heard = seat_weight > 0.0
    a = normalised(seat_weight[heard])
    n_plan, n_freq, _, n_sub = transfer.shape
    h = transfer[:, :, heard].reshape(n_plan * n_freq, -1, n_sub)
    basis, values, turn = np.linalg.svd(h, full_matrices=False)
    basis = basis * (values > RANK_RTOL * values[:, :1])[:, None, :]
    lifted = values[:, :, None] * turn  # weights -> c
    lowered = np.linalg.pinv(lifted, rcond=RANK_RTOL)  # c -> weights
    own = np.einsum("fkc,fc->fk", lifted, weights.reshape(-1, n_sub))[:, None]  # (f, 1, rank)
    least, where = _spread2(basis, a, own)[:, 0], own[:, 0]
    if n_sub > 1 and h.shape[1] > 1:
        each = [_projected(basis[start : start + n_freq], a, starts) for start in range(0, len(basis), n_freq)]
        least, where = _descended(basis, a, np.concatenate([own, np.concatenate(each)], axis=1), least, where)
        for _ in range(ROUNDS):
            w = np.einsum("fck,fk->fc", lowered, where).reshape(n_plan, n_freq, n_sub)
            turned = [np.roll(w, turn_by, axis=1).reshape(-1, n_sub) for turn_by in (1, -1)]  # the neighbours'
            beside = [np.einsum("fkc,fc->fk", lifted, one) for one in turned]
            least, where = _descended(basis, a, np.stack(beside, axis=1), least, where)
    proven = np.zeros(n_plan)
    if boxes:
        first = slice(n_freq)
        with ThreadPoolExecutor(running.thread_count, thread_name_prefix="proof") as pool:
            proof = proven_spread(basis[first], a, np.sqrt(least[first]), boxes=boxes, pool=pool, running=running)
        met = np.where(np.isfinite(proof.better), proof.better, where[first])[:, None]
        least[first], where[first] = _descended(basis[first], a, met, least[first], where[first])
        proven[0] = proof.variation_db
    spread = np.sqrt(least)
    spread[spread < ZERO_DB] = 0.0
    found = np.einsum("fck,fk->fc", lowered, where)
    loudest = 20.0 * np.log10(np.maximum(np.abs(found).max(axis=1), TINY))
    over = (level_db(seat_pressure(h, found)) @ a - loudest).reshape(n_plan, n_freq)
    return [
        FreeWeights(
            variation_db=float(np.sqrt(np.mean(spread_db**2))),
            spread_db=spread_db,
            weights=weights_found,
            output_db=float(np.mean(mean)) - 20.0 * log10(n_sub),
            least_db=float(least_db),
        )
        for spread_db, weights_found, mean, least_db in zip(
            spread.reshape(n_plan, n_freq), found.reshape(n_plan, n_freq, n_sub), over, proven, strict=True
        )
    ]


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
