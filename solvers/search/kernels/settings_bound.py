"""Branch and bound over the settings of a layout: how even can it be with gains and delays for the whole band?

| symbol | meaning |
| --- | --- |
| H_k | transfer function of slot k at a seat and a frequency; the first slot is the reference, r_0 = 1 |
| r_k | +- e^(g - j omega t): gain g [Np] and delay t [s] of slot k against the first |
| box | middle and half sides of g and t of every slot |
| q_k | r_k H_k / p, p = sum r H, at the middle of the box |
| E_k | largest abs(r_k / r_k(middle) - 1) in the box; z = sum abs(q_k) E_k |
| v_s | signed shares of the seats, sum 0: the variance is at least (sum v l)^2 / sum (v^2 / a) for every v |

Each level l = ln abs(p) lies within ln(1 +- z) of that at the middle. What variance such intervals leave at least is
one bound, frequency by frequency. The other takes the shares v that belong to it and the series of the logarithm: with
zeta = dg - j omega dt the sum over the seats of v l changes by Re(Q_k zeta_k), Q_k = sum v q_k, and a bounded rest.
These slopes are added up over the frequencies before the corner of the box is taken, since one gain and one delay serve
all. A frequency at which the box is too wide for either adds nothing.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from solvers.search.kernels.compiled import kernel
from solvers.search.kernels.free_weights import pop, push

Array = NDArray[Any]

NEAREST = 0.6  # z beyond which the series is not used
TINY = 1e-300
SLACK = 1e-9  # part of a bound that pays for rounding
ROUNDING = 1e-13  # of the sum of the subs' pressures, beside the pressure
TURNS = 5  # to find the level that most ends leave out


@kernel
def log_above(x: float) -> float:
    """An upper bound of ln(1 + x) for x >= 0, close where x is small: x (6 + x) / (6 + 4 x)."""
    return x * (6.0 + x) / (6.0 + 4.0 * x)


@kernel
def end_shares(low: Array, high: Array, a: Array, v: Array) -> tuple[float, float]:
    """Shares that bound the variance of levels between two ends.

    Parameters
    ----------
    low, high, a : (seat,) least and largest level [Np], weights with the sum 1.
    v : (seat,) written, sum 0; zeros where some level is within all ends.

    Returns
    -------
    The least sum of v times the levels, and the sum of v^2 / a: the square of the first over the second is the bound.
    """
    middle = np.sum(a * high)
    above, below, weight = 0.0, 0.0, 0.0
    v[:] = 0.0
    for turn in range(TURNS):
        above, below, weight = 0.0, 0.0, 0.0
        for s in range(len(a)):
            if low[s] > middle:
                above += a[s] * (low[s] - middle)
                weight += a[s]
            elif high[s] < middle:
                below += a[s] * (middle - high[s])
                weight += a[s]
        if weight == 0.0:
            return 0.0, 0.0
        if turn < TURNS - 1:
            middle += (above - below) / weight
    if above == 0.0 or below == 0.0:
        return 0.0, 0.0
    found, spread, scale = 0.0, 0.0, above / below
    for s in range(len(a)):
        if low[s] > middle:
            v[s] = a[s] * (low[s] - middle)
            found += v[s] * low[s]
        elif high[s] < middle:
            v[s] = -scale * a[s] * (middle - high[s])
            found += v[s] * high[s]
        spread += v[s] * v[s] / a[s]
    if found <= 0.0:
        v[:] = 0.0
        return 0.0, 0.0
    return found, spread


@kernel
def levels_in(
    re: Array, im: Array, layout: Array, f: int, r: Array, reach: Array, level: Array, low: Array, high: Array, q: Array
) -> float:
    """Levels of the seats at the middle of a box, and between which ends they lie in it.

    Parameters
    ----------
    re, im : (column, freq, seat). layout : (slot,) columns. f : which frequency.
    r : (slot, 2) factors at the middle, real and imaginary part. reach : (slot,) E.
    level, low, high : (seat,) written [Np]. q : (3, slot, seat) written: real and imaginary part, size.

    Returns
    -------
    The largest z.
    """
    n, n_seat = len(layout), re.shape[2]
    most = 0.0
    for s in range(n_seat):
        p_re, p_im = 0.0, 0.0
        for k in range(n):
            h_re, h_im = re[layout[k], f, s], im[layout[k], f, s]
            t_re = r[k, 0] * h_re - r[k, 1] * h_im
            t_im = r[k, 0] * h_im + r[k, 1] * h_re
            q[0, k, s], q[1, k, s] = t_re, t_im
            p_re += t_re
            p_im += t_im
        square = max(p_re * p_re + p_im * p_im, TINY)
        one = 1.0 / square
        z = 0.0
        for k in range(n):
            t_re, t_im = q[0, k, s], q[1, k, s]
            q_re, q_im = (t_re * p_re + t_im * p_im) * one, (t_im * p_re - t_re * p_im) * one
            q[0, k, s], q[1, k, s] = q_re, q_im
            q[2, k, s] = np.sqrt(q_re * q_re + q_im * q_im)
            z += q[2, k, s] * (reach[k] + ROUNDING)
        most = max(most, z)
        level[s] = 0.5 * np.log(square)
        high[s] = level[s] + log_above(z)
        low[s] = level[s] - log_above(z / (1.0 - z)) if z < 1.0 - 1e-12 else -1e9
    return most


@kernel
def rest_of(v: Array, q: Array, reach: Array, zeta: Array, slope: Array) -> float:
    """How far the sum of v times the levels may fall below its value at the middle and its slopes, at one frequency.

    Parameters
    ----------
    v : (seat,) shares. q : (3, slot, seat). reach, zeta : (slot,) largest abs(e^zeta - 1) and abs(zeta).
    slope : (slot, 2) written: Q.

    Returns
    -------
    The bound of the rest [Np].
    """
    n, n_seat = len(reach), len(v)
    rest = 0.0
    for s in range(n_seat):
        z = 0.0
        for k in range(1, n):
            z += q[2, k, s] * reach[k]
        rest += abs(v[s]) * z**3 / (3.0 * (1.0 - z))
    for k in range(1, n):
        q_re, q_im = 0.0, 0.0
        for s in range(n_seat):
            q_re += v[s] * q[0, k, s]
            q_im += v[s] * q[1, k, s]
        slope[k, 0], slope[k, 1] = q_re, q_im
        for j in range(1, k + 1):
            s_re, s_im = 0.0, 0.0
            for s in range(n_seat):
                s_re += v[s] * (q[0, k, s] * q[0, j, s] - q[1, k, s] * q[1, j, s])
                s_im += v[s] * (q[0, k, s] * q[1, j, s] + q[1, k, s] * q[0, j, s])
            if j < k:  # twice a half
                rest += np.sqrt(s_re * s_re + s_im * s_im) * reach[k] * reach[j]
                continue
            # half of (Q - S) zeta^2, and what e^zeta has beyond its second power
            third = 0.5 * zeta[k] ** 2 * np.exp(zeta[k])
            rest += 0.5 * np.sqrt((q_re - s_re) ** 2 + (q_im - s_im) ** 2) * zeta[k] ** 2
            rest += np.sqrt(q_re * q_re + q_im * q_im) * third * zeta[k] / 3.0
            rest += 0.5 * np.sqrt(s_re * s_re + s_im * s_im) * third * (2.0 * zeta[k] + third)
    return rest


@kernel
def box_bound(
    re: Array, im: Array, omega: Array, a: Array, layout: Array, box: Array, enough: float, share: Array
) -> tuple[float, float]:
    """Least sum over the frequencies of the variance of the levels, in a box of settings.

    Parameters
    ----------
    re, im : (column, freq, seat). omega : (freq,) [rad/s]. a : (seat,) sum 1.
    layout : (slot,) columns.
    box : (slot, 5) middle and half side of the gain [Np], of the delay [s]; polarity.
    enough : nothing more is wanted of the bound.
    share : (slot, 2) written: how much the levels change over the box by each gain and delay.

    Returns
    -------
    The bound, and the sum at the middle [Np2]; the latter infinite where the bound reached `enough` before the end.
    """
    n, n_seat = len(layout), len(a)
    r, reach, zeta = np.zeros((n, 2)), np.zeros(n), np.zeros(n)
    level, low, high, v = np.empty(n_seat), np.empty(n_seat), np.empty(n_seat), np.empty(n_seat)
    q, slope, total = np.empty((3, n, n_seat)), np.zeros((n, 2)), np.zeros((n, 2))
    share[:] = 0.0
    apart, joint, value = 0.0, 0.0, 0.0
    r[0, 0] = 1.0
    for f in range(len(omega)):
        for k in range(1, n):
            size, turn = box[k, 4] * np.exp(box[k, 0]), omega[f] * box[k, 2]
            r[k, 0], r[k, 1] = size * np.cos(turn), -size * np.sin(turn)
            stretch, half = np.exp(box[k, 1]), min(omega[f] * box[k, 3], np.pi)
            reach[k] = np.sqrt((stretch - 1.0) ** 2 + 4.0 * stretch * np.sin(0.5 * half) ** 2)
            zeta[k] = np.sqrt(box[k, 1] ** 2 + (omega[f] * box[k, 3]) ** 2)
        z = levels_in(re, im, layout, f, r, reach, level, low, high, q)
        mean = np.sum(a * level)
        value += np.sum(a * (level - mean) ** 2)
        for k in range(1, n):
            size = 0.0
            for s in range(n_seat):
                size += min(q[2, k, s], 2.0)
            share[k, 0] += size * box[k, 1]
            share[k, 1] += size * min(omega[f] * box[k, 3], 2.0)
        found, spread = end_shares(low, high, a, v)
        least = found * found / spread if spread > 0.0 else 0.0
        if spread == 0.0 or z > NEAREST:
            apart += least
            joint += least
        else:
            at_middle = np.sum(v * level) - rest_of(v, q, reach, zeta, slope)
            lowest = at_middle
            for k in range(1, n):
                lowest -= abs(slope[k, 0]) * box[k, 1] + omega[f] * abs(slope[k, 1]) * box[k, 3]
            if lowest > 0.0 and lowest * lowest > least * spread:
                part = lowest / spread
                apart += lowest * part
                joint += 2.0 * part * at_middle - part * part * spread
                for k in range(1, n):
                    total[k, 0] += 2.0 * part * slope[k, 0]
                    total[k, 1] += 2.0 * part * slope[k, 1] * omega[f]
            else:
                apart += least
                joint += least
        if apart > enough:
            return (1.0 - SLACK) * apart, np.inf
    for k in range(1, n):
        joint -= abs(total[k, 0]) * box[k, 1] + abs(total[k, 1]) * box[k, 3]
    return (1.0 - SLACK) * max(apart, joint), value


@kernel
def allowed(box: Array, span: Array) -> tuple[bool, bool]:
    """Whether some settings of a box (slot, 5) keep the largest differences of gain and delay, and its middle does."""
    some, middle = True, True
    for k in range(1, len(box)):
        for j in range(k):
            for p in range(2):
                apart = abs(box[k, 2 * p] - box[j, 2 * p])
                middle = middle and apart <= span[p] * (1.0 + 1e-12)
                some = some and apart - box[k, 2 * p + 1] - box[j, 2 * p + 1] <= span[p] * (1.0 + 1e-12)
    return some, middle


@kernel
def whole_range(box: Array, span: Array, polarity: int) -> None:
    """Make a box (slot, 5) of all settings with the k-th slot inverted where that bit of `polarity` is set."""
    box[:] = 0.0
    box[:, 4] = 1.0
    for k in range(1, len(box)):
        box[k, 1], box[k, 3] = span[0], span[1]
        if (polarity >> (k - 1)) & 1:
            box[k, 4] = -1.0


@kernel
def layout_bound(
    re: Array,
    im: Array,
    omega: Array,
    a: Array,
    layout: Array,
    span: Array,
    both: bool,
    ends: Array,
    box: Array,
    best: Array,
) -> tuple[float, float, int]:
    """The least sum over the frequencies that any settings of a layout reach, from below.

    Parameters
    ----------
    re, im, omega, a, layout : as for `box_bound`.
    span : (2,) largest differences of gain [Np] and delay [s]. both : either polarity.
    ends : (3,) a bound that is enough, the least sum known [Np2]; by what part of it the bound may stay below.
    box : (most, slot, 5) room for the boxes that are open at one time.
    best : (slot, 5) written where a sum less than the one known was met: there.

    Returns
    -------
    The bound and the least sum known [Np2], and how many boxes were looked at.
    """
    n, most = len(layout), len(box)
    bound, side, heap = np.zeros(most), np.zeros(most, np.int64), np.zeros(most, np.int64)
    share, spare = np.zeros((n, 2)), np.zeros((n, 5))
    enough, known = min(ends[0], ends[1] * (1.0 - ends[2])), ends[1]
    size = made = looked = 0
    for polarity in range(2 ** (n - 1) if both else 1):
        whole_range(box[made], span, polarity)
        bound[made], value = box_bound(re, im, omega, a, layout, box[made], np.inf, share)
        looked += 1
        side[made] = int(np.argmax(share[1:])) if np.sum(share) > 0.0 else -1
        if value < known:
            known = value
            best[:] = box[made]
            enough = min(enough, known * (1.0 - ends[2]))
        push(heap, bound, size, made)
        size += 1
        made += 1
    while size > 0 and bound[heap[0]] < enough and made < most and side[heap[0]] >= 0:
        item = pop(heap, bound, size)
        size -= 1
        k, p, before = 1 + side[item] // 2, side[item] % 2, bound[item]
        spare[:] = box[item]
        place = item  # the first half takes the room of the whole
        for turn in (-1.0, 1.0):
            new = box[place]
            new[:] = spare
            new[k, 2 * p + 1] *= 0.5
            new[k, 2 * p] += turn * new[k, 2 * p + 1]
            some, middle = allowed(new, span)
            if not some:
                continue
            looked += 1
            least, value = box_bound(re, im, omega, a, layout, new, enough, share)
            if middle and value < known:
                known = value
                best[:] = new
                enough = min(enough, known * (1.0 - ends[2]))
            least = max(least, before)
            if least < enough:
                bound[place], side[place] = least, int(np.argmax(share[1:]))
                push(heap, bound, size, place)
                size += 1
                if place == made:
                    made += 1
                place = made
    return min(bound[heap[0]], enough) if size > 0 else enough, known, looked


@kernel
def layouts_bound(
    re: Array,
    im: Array,
    omega: Array,
    a: Array,
    layouts: Array,
    span: Array,
    both: bool,
    ends: Array,
    most: int,
    least: Array,
    best: Array,
) -> tuple[int, float, int]:
    """The bound of every layout of a list, as far as is wanted.

    Parameters
    ----------
    re, im, omega, a, span, both, ends : as for `layout_bound`.
    layouts : (layout, slot) columns.
    most : boxes open at one time for each layout.
    least : (layout,) written [Np2].
    best : (slot, 5) written where a sum less than the one known was met: there.

    Returns
    -------
    The layout of `best`, -1 for none; the least sum known [Np2]; how many boxes were looked at.
    """
    n = layouts.shape[1]
    box, own = np.empty((most, n, 5)), ends.copy()
    where, looked = -1, 0
    for i in range(len(layouts)):
        found, known, count = layout_bound(re, im, omega, a, layouts[i], span, both, own, box, best)
        least[i] = found
        looked += count
        if known < own[1]:
            own[1], where = known, i
    return where, own[1], looked
