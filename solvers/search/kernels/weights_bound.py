"""How even can a layout be with weights that are free at every frequency? A lower bound, from its worst frequencies.

Gains and delays tie the frequencies together; without that tie each frequency is a question of its own
(`solvers.search.kernels.free_weights`), and what no complex weights reach there no settings reach. The sum over the
frequencies is wanted only up to a target, and a few frequencies at which a layout cannot be even mostly suffice. So
the least spread is first estimated at all of them, by alternating projections, then proven from the largest on.

The orthonormal basis of the subs' pressures carries rounding. Columns that leave less than `APART` of themselves beside
the others are not used; the basis is then exact within some 2e-10. Where no pressure falls below 1e-4, this moves the
levels, and their standard deviation, by less than `LEVEL_ERROR`, which is taken off. Where one does, it lies over 5 Np
below the largest, and the variance above `CAP` times the least weight of a seat, beyond which nothing is claimed.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from solvers.search.kernels.compiled import kernel
from solvers.search.kernels.free_weights import least_spread2

Array = NDArray[Any]

APART = 1e-4
LEVEL_ERROR = 3e-5  # Np
CAP = 15.0  # Np2
OVER = 1.0 + 1e-9  # by which the last frequency is taken beyond the target, for rounding
MOST_BOXES = 100_000  # for one layout
TURNS = 12  # of the projections
TINY = 1e-12
PART = 0.01  # of an estimated deviation: closer nothing is proven


@kernel
def orthonormal(field: Array, layout: Array, f: int, u: Array) -> bool:
    """A basis of what the columns of a layout make at the seats at one frequency, by Gram and Schmidt, twice.

    Parameters
    ----------
    field : (3, column, freq, seat) transfer functions: real and imaginary part, size.
    layout : (slot,) columns. f : which frequency.
    u : (2, seat, slot) written: real and imaginary part.

    Returns
    -------
    Whether the columns differ enough.
    """
    n, n_seat = len(layout), field.shape[3]
    for k in range(n):
        whole, left = 0.0, 0.0
        for s in range(n_seat):
            u[0, s, k], u[1, s, k] = field[0, layout[k], f, s], field[1, layout[k], f, s]
            whole += u[0, s, k] ** 2 + u[1, s, k] ** 2
        for _ in range(2):
            for j in range(k):
                re, im = 0.0, 0.0
                for s in range(n_seat):
                    re += u[0, s, j] * u[0, s, k] + u[1, s, j] * u[1, s, k]
                    im += u[0, s, j] * u[1, s, k] - u[1, s, j] * u[0, s, k]
                for s in range(n_seat):
                    u[0, s, k] -= u[0, s, j] * re - u[1, s, j] * im
                    u[1, s, k] -= u[0, s, j] * im + u[1, s, j] * re
        for s in range(n_seat):
            left += u[0, s, k] ** 2 + u[1, s, k] ** 2
        if left <= APART * APART * whole:
            return False
        one = 1.0 / np.sqrt(left)
        for s in range(n_seat):
            u[0, s, k] *= one
            u[1, s, k] *= one
    return True


@kernel
def spread2_met(u: Array, a: Array, c: Array, p: Array) -> float:
    """The least variance of the levels that alternating projections meet.

    Parameters
    ----------
    u, a : (2, seat, slot) orthonormal basis, (seat,) sum 1.
    c, p : (2, slot), (2, seat) room for terms and pressures.

    Returns
    -------
    [Np2]; each term alone and all together are where it starts.
    """
    n_seat, n = u.shape[1], u.shape[2]
    found = np.inf
    for start in range(n + 1):
        for k in range(n):
            c[0, k], c[1, k] = (1.0 if start in (k, n) else 0.0), 0.0
        mean, square = 0.0, 0.0
        for turn in range(TURNS):
            for s in range(n_seat):
                re, im = 0.0, 0.0
                for k in range(n):
                    re += u[0, s, k] * c[0, k] - u[1, s, k] * c[1, k]
                    im += u[0, s, k] * c[1, k] + u[1, s, k] * c[0, k]
                power = max(re * re + im * im, TINY)
                if turn == TURNS - 1:
                    level = 0.5 * np.log(power)
                    mean += a[s] * level
                    square += a[s] * level * level
                one = 1.0 / np.sqrt(power)
                p[0, s], p[1, s] = re * one, im * one
            for k in range(n):
                re, im = 0.0, 0.0
                for s in range(n_seat):
                    re += u[0, s, k] * p[0, s] + u[1, s, k] * p[1, s]
                    im += u[0, s, k] * p[1, s] - u[1, s, k] * p[0, s]
                c[0, k], c[1, k] = re, im
        found = min(found, square - mean * mean)
    return max(found, 0.0)


@kernel
def layout_weights_bound(field: Array, a: Array, layout: Array, target: float, plan: Array) -> tuple[float, int]:
    """The least sum over the frequencies that any weights of a layout reach, from below, up to a target.

    Parameters
    ----------
    field, a, layout : as for `orthonormal`; (seat,) weights of the seats, sum 1.
    target : a bound that is enough [Np2].
    plan : (round, 2) boxes looked at for a frequency at most; a frequency is left out that lacks less than this part
        of what the sum lacks.

    Returns
    -------
    The bound [Np2], and how many boxes were looked at; 0 at once where the estimates lie below the target.
    """
    n, n_seat, n_freq = len(layout), field.shape[3], field.shape[2]
    u, where = np.empty((n_freq, 2, n_seat, n)), np.empty((n, 2))
    c, p = np.empty((2, n)), np.empty((2, n_seat))
    have, met = np.zeros(n_freq), np.zeros(n_freq)
    most = CAP * np.min(a)
    total, looked = 0.0, 0
    for f in range(n_freq):
        if orthonormal(field, layout, f, u[f]):
            met[f] = min(spread2_met(u[f], a, c, p), most)
    if np.sum(met) < target:
        return 0.0, 0
    for turn in range(len(plan)):
        order = np.argsort(have - met)
        for f in order:
            lacks = target * OVER - total
            if met[f] - have[f] < lacks * plan[turn, 1]:
                break
            known = min(met[f], have[f] + lacks)
            best, least, count = least_spread2(
                u[f, 0],
                u[f, 1],
                a,
                (np.sqrt(known) + LEVEL_ERROR) ** 2,
                0.0,
                PART * np.sqrt(known) if known == met[f] else 0.0,
                int(plan[turn, 0]),
                where,
            )
            looked += count
            met[f] = min(met[f], best)
            gained = max(max(np.sqrt(least) - LEVEL_ERROR, 0.0) ** 2 - have[f], 0.0)
            have[f] += gained
            total += gained
            if total >= target or looked >= MOST_BOXES:
                return total, looked
    return total, looked


@kernel
def layouts_weights_bound(field: Array, a: Array, layouts: Array, target: float, plan: Array, least: Array) -> int:
    """The same for every layout of a list.

    Parameters
    ----------
    field, a, target, plan : as for `layout_weights_bound`.
    layouts, least : (layout, slot) columns; (layout,) written [Np2].

    Returns
    -------
    How many boxes were looked at.
    """
    looked = 0
    for i in range(len(layouts)):
        least[i], count = layout_weights_bound(field, a, layouts[i], target, plan)
        looked += count
    return looked
