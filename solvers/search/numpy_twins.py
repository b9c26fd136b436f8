"""Plain NumPy twins of the compiled kernels, in float64: slow, short, and what the kernels are tested against.

Axes: frequency, seat, column. `transfer` may have any scale per frequency; costs are in (log2 of power)^2 as in
`search.kernels.sweep`. The twin of `search.kernels.quick.value_quick` is `polish.value_and_slope`.
"""

from collections.abc import Sequence

import numpy as np

from roommodes.arrays import Complexes, Floats, Integers
from roommodes.responses.metrics import drive_weights
from solvers.search.kernels import settings_bound
from solvers.search.problem import DriveRange


def cost_of_pressure(pressure: Complexes, seat_weight: Floats, reward: float = 0.0) -> Floats:
    """Mean over f of the variance over seats of log2 |p|^2, less reward times its mean.

    Parameters
    ----------
    pressure : (..., n_freq, n_seat).
    seat_weight : (n_seat,) sum 1.
    reward : worth of the mean level.

    Returns
    -------
    (...).
    """
    level = 2.0 * np.log2(np.maximum(np.abs(pressure), 1e-10))
    mean = level @ seat_weight
    return np.asarray((((level - mean[..., None]) ** 2) @ seat_weight - reward * mean).mean(axis=-1))


def score_layouts(transfer: Complexes, seat_weight: Floats, layouts: Integers) -> Floats:
    """Cost of each layout with all drives equal: the twin of `search.kernels.fixed.score_layouts`.

    Parameters
    ----------
    transfer : (n_freq, n_seat, n_column).
    seat_weight : (n_seat,) sum 1.
    layouts : (n_layout, n) columns.

    Returns
    -------
    (n_layout,).
    """
    by_column = np.ascontiguousarray(transfer.transpose(2, 0, 1))
    return cost_of_pressure(by_column[layouts].sum(axis=1), seat_weight)


def pressure_of(
    transfer: Complexes, frequency_hz: Floats, column: Sequence[int], delay_s: Floats, gain_db: Floats, polarity: Floats
) -> Complexes:
    """Pressure of some columns at their drives, (n_freq, n_seat)."""
    weights = drive_weights(frequency_hz, gain_db=gain_db, delay_s=delay_s, polarity=polarity)
    return np.asarray(np.einsum("fsc,fc->fs", transfer[:, :, list(column)], weights))


def best_drive(
    transfer: Complexes,
    frequency_hz: Floats,
    seat_weight: Floats,
    others: Complexes,
    column: int,
    *,
    delays_s: Floats,
    gains_db: Floats,
    polarities: Sequence[float],
) -> tuple[float, float, float, float]:
    """Best drive of one column beside the others' pressure, by trying all: the twin of `sweep.best_drive`.

    Returns
    -------
    (cost, delay [s], gain [dB], polarity).
    """
    best = (np.inf, 0.0, 0.0, 1.0)
    for delay in delays_s:
        for gain in gains_db:
            for polarity in polarities:
                weight = drive_weights(frequency_hz, gain_db=[gain], delay_s=[delay], polarity=[polarity])
                cost = float(cost_of_pressure(others + transfer[:, :, column] * weight, seat_weight))
                if cost < best[0]:
                    best = (cost, float(delay), float(gain), float(polarity))
    return best


def sweep_layout(
    transfer: Complexes,
    frequency_hz: Floats,
    seat_weight: Floats,
    layout: Sequence[int],
    *,
    drives: DriveRange,
    max_visits: int,
) -> tuple[float, Floats, Floats, Floats]:
    """Sweep the drives of one layout from equal drives: the twin of `search.kernels.sweep.sweep_layouts`.

    Parameters
    ----------
    transfer : (n_freq, n_seat, n_column).
    frequency_hz, seat_weight : (n_freq,) [Hz], (n_seat,) sum 1.
    layout : columns.
    drives : spans and steps of delay and gain, both steps above 0.
    max_visits : to single subs.

    Returns
    -------
    (cost, delay [s], gain [dB], polarity).
    """
    n = len(layout)
    delay, gain, polarity = np.zeros(n), np.zeros(n), np.ones(n)
    cost = float(cost_of_pressure(pressure_of(transfer, frequency_hz, layout, delay, gain, polarity), seat_weight))
    polarities = (1.0, -1.0) if drives.polarity else (1.0,)
    unchanged = visit = 0
    while visit < max_visits and unchanged < n:
        slot = (visit + 1) % n
        visit += 1
        rest = [j for j in range(n) if j != slot]
        delay -= delay[rest].min()
        first = np.ceil((delay[rest].max() - drives.delay_span_s) / drives.delay_step_s - 1e-9)
        last = np.floor(drives.delay_span_s / drives.delay_step_s + 1e-9)
        lowest = gain[rest].max() - drives.gain_span_db
        steps = np.floor((gain[rest].min() + drives.gain_span_db - lowest) / drives.gain_step_db + 1e-9)
        others = pressure_of(transfer, frequency_hz, [layout[j] for j in rest], delay[rest], gain[rest], polarity[rest])
        found, *drive = best_drive(
            transfer,
            frequency_hz,
            seat_weight,
            others,
            layout[slot],
            delays_s=np.arange(first, last + 1) * drives.delay_step_s,
            gains_db=lowest + np.arange(steps + 1) * drives.gain_step_db,
            polarities=polarities,
        )
        if found < cost * (1.0 - 1e-6):
            cost = found
            delay[slot], gain[slot], polarity[slot] = drive
            unchanged = 0
        else:
            unchanged += 1
    return cost, delay, gain, polarity


def bound_in_box(transfer: Complexes, frequency_hz: Floats, seat_weight: Floats, box: Floats) -> float:
    """Least sum of variances in a box of settings: the twin of `search.kernels.settings_bound.box_bound`.

    Parameters
    ----------
    transfer : (n_freq, n_seat, n_slot).
    frequency_hz, seat_weight : (n_freq,) [Hz], (n_seat,) sum 1.
    box : (n_slot, 5) as there.

    Returns
    -------
    [Np2].
    """
    moving = np.arange(len(box)) > 0
    apart = joint = 0.0
    slopes = np.zeros((2, len(box)))
    for h, omega in zip(transfer, 2.0 * np.pi * frequency_hz, strict=True):
        half = np.minimum(omega * box[:, 3], np.pi)
        reach = np.hypot(np.exp(box[:, 1]) - 1.0, 2.0 * np.exp(0.5 * box[:, 1]) * np.sin(0.5 * half)) * moving
        zeta = np.hypot(box[:, 1], omega * box[:, 3]) * moving
        turn, size = box[:, 4] * np.exp(-1j * omega * box[:, 2]), np.exp(box[:, 0])
        centre, radius, narrow = size, size * reach, reach.max() <= settings_bound.NARROW
        if not narrow:
            discs = [
                settings_bound.sector_disc(g * np.exp(-d), g * np.exp(d), phi)
                for g, d, phi in zip(size, box[:, 1], half, strict=True)
            ]
            centre, radius = np.where(moving, np.array(discs).T, [[1.0], [0.0]])
        parts = h * turn * centre
        p = parts.sum(axis=1)
        z = np.abs(h) @ (radius + settings_bound.ROUNDING) / np.abs(p)
        level = np.log(np.abs(p))
        heard = z < 1.0 - 1e-12
        up, down = z * (6.0 + z) / (6.0 + 4.0 * z), z / np.where(heard, 1.0 - z, 1.0)
        low = np.where(heard, level - down * (6.0 + down) / (6.0 + 4.0 * down), -1e9)
        v = np.empty(len(z))
        found, spread = settings_bound.end_shares(low, level + up, seat_weight, v)
        least, lowest = (found**2 / spread if spread else 0.0), 0.0
        if spread and narrow and z.max() <= settings_bound.NEAREST:
            q = parts / p[:, None]
            slope, second = v @ q, np.einsum("s,sk,sj->kj", v, q, q)
            third = 0.5 * zeta**2 * np.exp(zeta)
            w = np.abs(q) @ reach
            cross = np.abs(second) * np.outer(reach, reach)
            rest = np.abs(v) @ (w**3 / (3.0 * (1.0 - w))) + 0.5 * (cross.sum() - np.trace(cross))
            rest += 0.5 * np.abs(slope - np.diag(second)) @ zeta**2 + np.abs(slope) @ (third * zeta) / 3.0
            rest += 0.5 * np.abs(np.diag(second)) @ (third * (2.0 * zeta + third))
            lines = np.array([slope.real, omega * slope.imag]) * moving
            middle = v @ level - rest
            lowest = middle - np.sum(np.abs(lines) * box[:, [1, 3]].T)
        if lowest > 0.0 and lowest**2 > least * spread:
            part = lowest / spread
            apart, joint = apart + lowest * part, joint + 2.0 * part * middle - part**2 * spread
            slopes += 2.0 * part * lines
        else:
            apart, joint = apart + least, joint + least
    return float(max(apart, joint - np.sum(np.abs(slopes) * box[:, [1, 3]].T)))
