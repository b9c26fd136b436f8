"""Plain NumPy twins of the compiled kernels, in float64: slow, short, and what the kernels are tested against.

Axes: frequency, seat, column. `transfer` may have any scale per frequency; costs are in (log2 of power)^2 as in
`search.kernels.sweep`. The twin of `search.kernels.quick.value_quick` is `polish.value_and_slope`.
"""

from collections.abc import Sequence

import numpy as np

from roommodes.arrays import Complexes, Floats, Integers
from roommodes.responses.metrics import drive_weights
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
