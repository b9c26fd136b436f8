"""How even can a layout be with settings in a box, one gain and delay of each sub for the whole band? A lower bound.

| symbol | meaning |
| --- | --- |
| H_k | transfer function of slot k at a seat and a frequency; the first slot is the reference, r_0 = 1 |
| r_k | +- e^(g - j omega t): gain g [Np] and delay t [s] of slot k against the first |
| box | middle and half sides of g and t of every slot |
| q_k | r_k H_k / p, p = sum r H, at the middle of the box |
| E_k | largest abs(r_k / r_k(middle) - 1) in the box; z = sum abs(q_k) E_k |
| v_s | signed shares of the seats, sum 0: the variance is at least (sum v l)^2 / sum (v^2 / a) for every v |

Each level l = ln abs(p) lies within ln(1 +- z) of that at the middle; in a wide box of that at the middle of the
smallest discs round all r_k, whose radii then stand in z. What variance such intervals leave at least is
one bound, frequency by frequency. The other takes the shares v that belong to it and the series of the logarithm: with
zeta = dg - j omega dt the sum over the seats of v l changes by Re(Q_k zeta_k), Q_k = sum v q_k, and a bounded rest.
These slopes are added up over the frequencies before the corner of the box is taken, since one gain and one delay serve
all. A frequency at which the box is too wide for either adds nothing.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from solvers.search.kernels.compiled import kernel

Array = NDArray[Any]

NEAREST = 0.6  # z beyond which the series is not used
NARROW = 0.5  # E up to which a box counts from its middle
WIDE_RAD, LOUD = 0.7, 2.0  # beyond these a slot's phase and share of the pressure count no more for where a box is cut
TINY = 1e-300
SLACK = 1e-9  # part of a bound that pays for rounding
ROUNDING = 1e-13  # of the sum of the subs' pressures, beside the pressure
SETTLED = 1e-12  # Np
TURNS = 5  # to find the level that most ends leave out


@kernel
def log_above(x: float) -> float:
    """An upper bound of ln(1 + x) for x >= 0, close where x is small: x (6 + x) / (6 + 4 x)."""
    return x * (6.0 + x) / (6.0 + 4.0 * x)


@kernel
def outside(low: Array, high: Array, a: Array, middle: float) -> tuple[float, float, float]:
    """How far the ends keep levels from one that is given: above it, below it, and the weight of those kept away."""
    above, below, weight = 0.0, 0.0, 0.0
    for s in range(len(a)):
        if low[s] > middle:
            above += a[s] * (low[s] - middle)
            weight += a[s]
        elif high[s] < middle:
            below += a[s] * (middle - high[s])
            weight += a[s]
    return above, below, weight


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
    least, most = -np.inf, np.inf  # between which the level lies from which the ends keep least away
    v[:] = 0.0
    above, below, weight = outside(low, high, a, middle)
    for _ in range(TURNS):
        step = (above - below) / weight if weight > 0.0 else 0.0
        if abs(step) < SETTLED:
            break
        if step > 0.0:
            least = middle
        else:
            most = middle
        middle += step
        if middle <= least or middle >= most:  # steps may go to and fro between two ends
            middle = 0.5 * (least + most)
        above, below, weight = outside(low, high, a, middle)
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
def sector_disc(low: float, high: float, half: float) -> tuple[float, float]:
    """The smallest disc round all r e^(j phi), low <= r <= high and abs(phi) <= half: its centre, real, and radius."""
    if half >= 0.5 * np.pi:
        return 0.0, high
    cosine = np.cos(half)
    centre = high * cosine
    if low >= high * (2.0 * cosine * cosine - 1.0):  # the outer corners alone touch it
        return centre, high * np.sin(half)
    centre = 0.5 * (low + high) / cosine
    return centre, np.sqrt(max(centre * centre - low * high, 0.0))


@kernel
def factors(box: Array, omega: float, r: Array, reach: Array, zeta: Array) -> bool:
    """The factors of the slots in a box at one frequency.

    Parameters
    ----------
    box : (slot, 5). omega : [rad/s].
    r : (slot, 4) written: a factor, real and imaginary part; how far others in the box lie from it at most; the size of
        that at the middle.
    reach, zeta : (slot,) written: largest abs(e^zeta - 1) and abs(zeta) from the middle of the box.

    Returns
    -------
    Whether the box is narrow, and r its middle; else r are the middles of the smallest discs.
    """
    widest = 0.0
    for k in range(1, len(box)):
        stretch, half = np.exp(box[k, 1]), min(omega * box[k, 3], np.pi)
        reach[k] = np.sqrt((stretch - 1.0) ** 2 + 4.0 * stretch * np.sin(0.5 * half) ** 2)
        zeta[k] = np.sqrt(box[k, 1] ** 2 + (omega * box[k, 3]) ** 2)
        widest = max(widest, reach[k])
    for k in range(1, len(box)):
        size, turn = np.exp(box[k, 0]), omega * box[k, 2]
        centre, r[k, 2], r[k, 3] = size, size * reach[k], size
        if widest > NARROW:
            stretch, half = np.exp(box[k, 1]), min(omega * box[k, 3], np.pi)
            centre, r[k, 2] = sector_disc(size / stretch, size * stretch, half)
        r[k, 0], r[k, 1] = box[k, 4] * centre * np.cos(turn), -box[k, 4] * centre * np.sin(turn)
    return bool(widest <= NARROW)


@kernel
def levels_in(field: Array, layout: Array, f: int, r: Array, level: Array, low: Array, high: Array, q: Array) -> float:
    """Levels of the seats at some factors, and between which ends they lie in a box round these.

    Parameters
    ----------
    field : (3, column, freq, seat) transfer functions: real and imaginary part, size.
    layout : (slot,) columns. f : which frequency. r : (slot, 4) as `factors` writes it.
    level, low, high : (seat,) written [Np]. q : (3, slot, seat) written: real and imaginary
        part; size, at the middle of the box.

    Returns
    -------
    The largest z.
    """
    n, n_seat = len(layout), field.shape[3]
    most = 0.0
    for s in range(n_seat):
        p_re, p_im, moved = 0.0, 0.0, 0.0
        for k in range(n):
            h_re, h_im = field[0, layout[k], f, s], field[1, layout[k], f, s]
            t_re = r[k, 0] * h_re - r[k, 1] * h_im
            t_im = r[k, 0] * h_im + r[k, 1] * h_re
            q[0, k, s], q[1, k, s] = t_re, t_im
            p_re += t_re
            p_im += t_im
            moved += field[2, layout[k], f, s] * (r[k, 2] + ROUNDING)
        square = max(p_re * p_re + p_im * p_im, TINY)
        one = 1.0 / square
        root = np.sqrt(one)
        for k in range(n):
            t_re, t_im = q[0, k, s], q[1, k, s]
            q[0, k, s] = (t_re * p_re + t_im * p_im) * one
            q[1, k, s] = (t_im * p_re - t_re * p_im) * one
            q[2, k, s] = r[k, 3] * field[2, layout[k], f, s] * root
        z = moved * root
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
    field: Array, omega: Array, a: Array, layout: Array, box: Array, enough: float, share: Array
) -> tuple[float, float]:
    """Least sum over the frequencies of the variance of the levels, in a box of settings.

    Parameters
    ----------
    field : (3, column, freq, seat). omega : (freq,) [rad/s]. a : (seat,) sum 1.
    layout : (slot,) columns.
    box : (slot, 5) middle and half side of the gain [Np], of the delay [s]; polarity.
    enough : nothing more is wanted of the bound.
    share : (slot, 2) written: how much the levels change over the box by each gain and delay.

    Returns
    -------
    The bound, and the sum at the middle [Np2]; the latter infinite where the bound reached `enough` before the end, and
    of a wide box.
    """
    n, n_seat = len(layout), len(a)
    r, reach, zeta = np.zeros((n, 4)), np.zeros(n), np.zeros(n)
    level, low, high, v = np.empty(n_seat), np.empty(n_seat), np.empty(n_seat), np.empty(n_seat)
    q, slope, total = np.empty((3, n, n_seat)), np.zeros((n, 2)), np.zeros((n, 2))
    share[:] = 0.0
    apart, joint, value = 0.0, 0.0, 0.0
    r[0, 0], r[0, 3] = 1.0, 1.0
    for f in range(len(omega)):
        narrow = factors(box, omega[f], r, reach, zeta)
        z = levels_in(field, layout, f, r, level, low, high, q)
        mean = np.sum(a * level)
        value += np.sum(a * (level - mean) ** 2) if narrow else np.inf
        for k in range(1, n):
            size = 0.0
            for s in range(n_seat):
                size += min(q[2, k, s], LOUD)
            share[k, 0] += size * box[k, 1]
            share[k, 1] += size * min(omega[f] * box[k, 3], WIDE_RAD)
        found, spread = end_shares(low, high, a, v)
        least = found * found / spread if spread > 0.0 else 0.0
        if spread == 0.0 or z > NEAREST or not narrow:
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
