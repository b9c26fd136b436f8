"""Branch and bound over the complex weights of one frequency: how alike can the seats' levels be at all?

| symbol | meaning |
| --- | --- |
| U | (seat, term) orthonormal basis of the pressures that the subs can make at the seats, p = U c |
| c | the terms; the largest of them is 1, the others lie in the unit disc |
| h_k, r_k | half sides of a box of c_k (real, imaginary), and its radius hypot of them |
| l_s | ln |p_s| [Np]; the weighted variance of l over the seats is what is bounded |
| q_sk | U_sk / p_s at the middle of the box |
| v_s | signed shares of the seats, sum 0: the variance is at least (sum v l)^2 / sum (v^2 / a) for every v |

In a box c = middle + d, with W_s = sum_k q_sk d_k and z_s = sum_k |q_sk| r_k < 1,

    l_s = l_s(middle) + Re W_s - Re W_s^2 / 2 + R,   |R| <= z^3/3 + z^4/4 + z^5/5/(1 - z),

the series of the logarithm. The sums over the seats of v q and of v q q are taken before anything is bounded, so that
what cancels between the seats costs nothing. v comes from the residual of least squares within the box; whatever v
is, the bound holds. A seat whose pressure may vanish in the box counts by its largest pressure alone.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from solvers.search.kernels.compiled import kernel

Array = NDArray[Any]

NEAREST = 0.9  # z beyond which the series is not used
TINY = 1e-300
SWEEPS = 3  # of the least squares
SLACK = 1e-9  # part of a bound that pays for rounding


@kernel
def interval_bound(low: Array, high: Array, a: Array) -> float:
    """Least variance of levels of which each lies between two ends: (seat,), (seat,), (seat,) -> [Np2]."""
    middle = np.sum(a * high)
    above, below, spread = 0.0, 0.0, 0.0
    for turn in range(7):
        above, below, weight = 0.0, 0.0, 0.0
        for s in range(len(a)):
            if low[s] > middle:
                above += a[s] * (low[s] - middle)
                weight += a[s]
            elif high[s] < middle:
                below += a[s] * (middle - high[s])
                weight += a[s]
        if weight == 0.0:
            return 0.0
        if turn < 6:
            middle += (above - below) / weight
    if above == 0.0 or below == 0.0:
        return 0.0
    found = 0.0  # v is the distance from the middle, those below scaled so that its sum is 0
    scale = above / below
    for s in range(len(a)):
        if low[s] > middle:
            v = a[s] * (low[s] - middle)
            found += v * low[s]
            spread += v * v / a[s]
        elif high[s] < middle:
            v = -scale * a[s] * (middle - high[s])
            found += v * high[s]
            spread += v * v / a[s]
    return found * found / spread if found > 0.0 else 0.0


@kernel
def expand(u_re: Array, u_im: Array, box: Array, level: Array, low: Array, high: Array, rest: Array, q: Array) -> int:
    """Levels at a box's middle and how they change in it.

    Parameters
    ----------
    u_re, u_im : (seat, term).
    box : (term, 4) middle and half sides: real, imaginary, real, imaginary.
    level, low, high, rest : (seat,) written: at the middle, least, largest, bound of R; `rest` is negative where the
        series is not used.
    q : (2, term, seat) written: real and imaginary part.

    Returns
    -------
    Twice the term, plus one for its imaginary part, whose halves differ most.
    """
    n_seat, n_term = u_re.shape
    share = np.zeros(n_term)
    for s in range(n_seat):
        re, im, reach = 0.0, 0.0, 0.0
        for k in range(n_term):
            re += u_re[s, k] * box[k, 0] - u_im[s, k] * box[k, 1]
            im += u_re[s, k] * box[k, 1] + u_im[s, k] * box[k, 0]
            radius = np.sqrt(box[k, 2] ** 2 + box[k, 3] ** 2)
            reach += np.sqrt(u_re[s, k] ** 2 + u_im[s, k] ** 2) * radius
        square = max(re * re + im * im, TINY)
        size = np.sqrt(square)
        level[s] = np.log(size)
        high[s] = np.log(size + reach)
        z = reach / size
        low[s] = level[s] + np.log(1.0 - z) if z < 1.0 - 1e-12 else -1e9
        rest[s] = z**3 / 3.0 + z**4 / 4.0 + z**5 / (5.0 * (1.0 - z)) if z < NEAREST else -1.0
        for k in range(n_term):
            q[0, k, s] = (u_re[s, k] * re + u_im[s, k] * im) / square
            q[1, k, s] = (u_im[s, k] * re - u_re[s, k] * im) / square
            share[k] += np.sqrt(q[0, k, s] ** 2 + q[1, k, s] ** 2)
    widest, where = -1.0, 0
    for k in range(n_term):
        for part in range(2):
            if share[k] * box[k, 2 + part] > widest:
                widest, where = share[k] * box[k, 2 + part], 2 * k + part
    return where


@kernel
def descend(e: Array, rest: Array, q: Array, box: Array, a: Array, used: float) -> None:
    """Least squares of the levels' deviations within a box, term by term.

    Parameters
    ----------
    e : (seat,) deviations at the middle of the box, changed to what is left [Np].
    rest, q, box, a : as for `expand`; weights of the seats.
    used : sum of the weights of the seats whose series is used.
    """
    at = np.zeros((len(box), 2))
    for _ in range(SWEEPS):
        for k in range(len(box)):
            for part in range(2):
                sign, half = (1.0 if part == 0 else -1.0), box[k, 2 + part]
                numerator, square, middle = 0.0, 0.0, 0.0
                for s in range(len(a)):
                    if rest[s] >= 0.0:
                        slope = sign * q[part, k, s]
                        left = max(abs(e[s]) - rest[s], 0.0)
                        numerator += a[s] * slope * (left if e[s] > 0.0 else -left)
                        square += a[s] * slope * slope
                        middle += a[s] * slope
                square -= middle * middle / used
                if square <= 0.0 or half == 0.0:
                    continue
                move = min(max(at[k, part] - numerator / square, -half), half) - at[k, part]
                at[k, part] += move
                for s in range(len(a)):
                    e[s] += move * (sign * q[part, k, s] - middle / used)


@kernel
def residual(level: Array, rest: Array, q: Array, box: Array, a: Array, v: Array) -> None:
    """Shares of the seats: the residual of least squares within the box, what the rest may explain taken off.

    Parameters
    ----------
    level, rest, q, box, a : as for `expand`; weights of the seats.
    v : (seat,) written, sum 0.
    """
    used, mean, total = 0.0, 0.0, 0.0
    v[:] = 0.0
    for s in range(len(a)):
        if rest[s] >= 0.0:
            used += a[s]
            mean += a[s] * level[s]
    if used == 0.0:
        return
    e = level - mean / used
    descend(e, rest, q, box, a, used)
    for s in range(len(a)):
        if rest[s] >= 0.0:
            left = max(abs(e[s]) - rest[s], 0.0)
            v[s] = a[s] * (left if e[s] > 0.0 else -left)
            total += v[s]
    for s in range(len(a)):
        if rest[s] >= 0.0:
            v[s] -= a[s] * total / used


@kernel
def series_bound(level: Array, rest: Array, q: Array, box: Array, a: Array, v: Array) -> float:
    """Least variance in a box by the series with the shares v [Np2]; arguments as for `residual`."""
    n_seat, n_term = len(a), len(box)
    found, spread = 0.0, 0.0
    for s in range(n_seat):
        if rest[s] >= 0.0:
            found += v[s] * level[s] - abs(v[s]) * rest[s]
            spread += v[s] * v[s] / a[s]
    if spread == 0.0:
        return 0.0
    for k in range(n_term):
        re, im = 0.0, 0.0
        for s in range(n_seat):
            re += v[s] * q[0, k, s]
            im += v[s] * q[1, k, s]
        found -= abs(re) * box[k, 2] + abs(im) * box[k, 3]
        radius = np.sqrt(box[k, 2] ** 2 + box[k, 3] ** 2)
        for j in range(k + 1):
            re, im = 0.0, 0.0
            for s in range(n_seat):
                re += v[s] * (q[0, k, s] * q[0, j, s] - q[1, k, s] * q[1, j, s])
                im += v[s] * (q[0, k, s] * q[1, j, s] + q[1, k, s] * q[0, j, s])
            half = 0.5 if j == k else 1.0
            found -= half * np.sqrt(re * re + im * im) * radius * np.sqrt(box[j, 2] ** 2 + box[j, 3] ** 2)
    return found * found / spread if found > 0.0 else 0.0


@kernel
def spread2(level: Array, a: Array) -> float:
    """Weighted variance of levels (seat,) [Np2]."""
    mean = np.sum(a * level)
    return float(np.sum(a * (level - mean) ** 2))


@kernel
def push(heap: Array, value: Array, size: int, item: int) -> None:
    """Put an item into a binary heap of `size` items, the one of least value first."""
    at = size
    while at > 0:
        parent = (at - 1) // 2
        if value[heap[parent]] <= value[item]:
            break
        heap[at] = heap[parent]
        at = parent
    heap[at] = item


@kernel
def pop(heap: Array, value: Array, size: int) -> int:
    """Take the first item out of a heap of `size` items."""
    first, last = heap[0], heap[size - 1]
    at = 0
    while True:
        child = 2 * at + 1
        if child >= size - 1:
            break
        if child + 1 < size - 1 and value[heap[child + 1]] < value[heap[child]]:
            child += 1
        if value[last] <= value[heap[child]]:
            break
        heap[at] = heap[child]
        at = child
    heap[at] = last
    return int(first)


@kernel
def least_spread2(
    u_re: Array, u_im: Array, a: Array, known: float, part: float, gap: float, most: int, where: Array
) -> tuple[float, float, int]:
    """The least variance of the seats' levels that any weights reach, between two ends.

    Parameters
    ----------
    u_re, u_im, a : (seat, term), (seat,): basis and weights of the seats.
    known : variance that is reached already [Np2].
    part, gap : the ends may differ by this part of the standard deviation, or by this much [Np].
    most : boxes looked at, at most.
    where : (term, 2) written where something better than `known` was met: real and imaginary part of c.

    Returns
    -------
    The least variance met, the bound below which no weights come [Np2], and how many boxes were looked at.
    """
    n_seat, n_term = u_re.shape
    box = np.empty((most + 2 * n_term + 2, n_term, 4))
    bound = np.zeros(len(box))
    side = np.zeros(len(box), np.int64)
    heap = np.zeros(len(box), np.int64)
    level, low, high, rest, v = (
        np.empty(n_seat),
        np.empty(n_seat),
        np.empty(n_seat),
        np.empty(n_seat),
        np.empty(n_seat),
    )
    q = np.empty((2, n_term, n_seat))
    best, root = known, np.sqrt(known)
    enough = max(root - max(part * root, gap), 0.0) ** 2
    size = made = looked = 0
    for k in range(n_term):
        box[made] = 0.0
        box[made, :, 2:] = 1.0
        box[made, k, 0] = 1.0
        box[made, k, 2:] = 0.0
        side[made] = expand(u_re, u_im, box[made], level, low, high, rest, q)
        push(heap, bound, size, made)
        size += 1
        made += 1
    while size > 0 and looked < most and bound[heap[0]] < enough:
        item = pop(heap, bound, size)
        size -= 1
        k, p = side[item] // 2, side[item] % 2
        for turn in (-1.0, 1.0):
            new = box[made]
            new[:] = box[item]
            new[k, 2 + p] *= 0.5
            new[k, p] += turn * new[k, 2 + p]
            out = max(abs(new[k, 0]) - new[k, 2], 0.0) ** 2 + max(abs(new[k, 1]) - new[k, 3], 0.0) ** 2
            if out > 1.0:  # beyond the unit disc
                continue
            looked += 1
            side[made] = expand(u_re, u_im, new, level, low, high, rest, q)
            here = spread2(level, a)
            if here < best:
                best, root = here, np.sqrt(here)
                enough = max(root - max(part * root, gap), 0.0) ** 2
                where[:] = new[:, :2]
            least = max(bound[item], (1.0 - SLACK) * interval_bound(low, high, a))
            if least < enough:
                residual(level, rest, q, new, a, v)
                least = max(least, (1.0 - SLACK) * series_bound(level, rest, q, new, a, v))
            if least < enough:
                bound[made] = least
                push(heap, bound, size, made)
                size += 1
                made += 1
    least = enough if size == 0 else min(bound[heap[0]], enough)
    return best, min(least, best), looked
