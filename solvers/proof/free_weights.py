"""A proven lower bound of variation at given positions, over weights that are free at every frequency.

A plan's delays and gains tie the frequencies together. Without that tie each frequency is a question of its own: which
complex weights w make the levels 20 lg |H w| of the seats most alike? With n subs these are 2 n - 2 numbers beside the
common factor, so branch and bound answers it (`solvers.search.kernels.free_weights`): boxes of weights are halved until
each is proven to hold nothing better than the best weights known, but for `PART` of it or `GAP_DB`. Up to four subs
that takes some hundred to some hundred thousand boxes a frequency; where their number is limited, what the boxes
still open may hold is the bound, and lies lower.

Exact without boxes: one seat, or one sub; nothing to prove where the weights known leave less than `NOTHING_DB`.
"""

from concurrent.futures import Executor
from dataclasses import dataclass

import numpy as np

from roommodes.arrays import Complexes, Floats
from roommodes.running import Running
from solvers.search.kernels.free_weights import least_spread2

PART, GAP_DB = 0.01, 0.01
NOTHING_DB = 0.02
DB_PER_NEPER = 20.0 / np.log(10.0)
SILENT = 1e-12  # a seat that the subs reach by less than this part of the others has no level to speak of


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Proven:
    """A lower bound of the spread over the seats, frequency by frequency.

    Parameters
    ----------
    spread_db : (n_freq,) no weights have a smaller standard deviation of the seats' levels [dB].
    better : (n_freq, rank) complex128, terms of the basis that beat what was known; NaN where none were met.
    boxes : how many were looked at.
    """

    spread_db: Floats
    better: Complexes
    boxes: int

    @property
    def variation_db(self) -> float:
        """Over the band, as variation is taken [dB]."""
        return float(np.sqrt(np.mean(self.spread_db**2)))


def proven_spread(
    basis: Complexes, seat_weight: Floats, known_db: Floats, *, boxes: int, pool: Executor, running: Running
) -> Proven:
    """Prove how small the spread over the seats can be at each frequency.

    Parameters
    ----------
    basis : (n_freq, n_seat, rank) complex128, orthonormal columns: what the subs can make at the seats; columns of
        zeros do nothing.
    seat_weight : (n_seat,) > 0, sum 1.
    known_db : (n_freq,) spread of the best weights known [dB].
    boxes : looked at for each frequency at most.
    pool, running : threads; cancelling, after which frequencies left have the bound 0.
    """
    n_freq, _, rank = basis.shape
    found = np.zeros(n_freq)
    better = np.full((n_freq, rank), np.nan, dtype=np.complex128)
    looked = 0

    def at(f: int) -> tuple[float, Complexes | None, int]:
        alive = np.flatnonzero(np.linalg.norm(basis[f], axis=0) > 0.5)
        if len(seat_weight) == 1 or len(alive) < 2:
            return float(known_db[f]), None, 0
        u = basis[f][:, alive]
        reach = np.linalg.norm(u, axis=1)
        if known_db[f] < NOTHING_DB or reach.min() < SILENT * reach.max():
            return 0.0, None, 0
        where = np.full((len(alive), 2), np.nan)
        known = (float(known_db[f]) / DB_PER_NEPER) ** 2
        _, least, count = least_spread2(
            np.ascontiguousarray(u.real),
            np.ascontiguousarray(u.imag),
            seat_weight,
            known,
            PART,
            GAP_DB / DB_PER_NEPER,
            boxes,
            where,
        )
        terms = np.zeros(rank, dtype=np.complex128)
        terms[alive] = where[:, 0] + 1j * where[:, 1]
        return DB_PER_NEPER * float(np.sqrt(least)), terms if np.isfinite(where).all() else None, count

    for f, (spread_db, terms, count) in enumerate(running.each(pool, at, range(n_freq))):
        found[f] = spread_db
        looked += count
        if terms is not None:
            better[f] = terms
    return Proven(spread_db=found, better=better, boxes=looked)
