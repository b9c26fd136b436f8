"""Gains and delays on a processor's steps: found there, not rounded afterwards.

From the nearest steps, gains and delays are moved by a few steps each, one sub at a time and gain and delay of one sub
together, as long as that lowers V^2 - reward * mean level.
"""

from itertools import product

import numpy as np
from numpy.typing import NDArray

from roommodes.arrays import Complexes, Floats
from roommodes.responses.metrics import drive_weights, level_db, seat_pressure
from solvers.search.problem import DriveRange

JUMPS = (-4, -2, -1, 1, 2, 4)  # steps that are tried
TOGETHER = (-2, -1, 1, 2)  # of gain and delay of one sub at once
MOST_MOVES = 200
SAVES = 1e-9  # dB^2; less is not worth a move


def on_steps(
    transfer: Complexes,
    frequency_hz: Floats,
    seat_weight: Floats,
    polarity: Floats,
    *,
    gain_db: Floats,
    delay_s: Floats,
    drives: DriveRange,
    reward: float = 0.0,
) -> tuple[Floats, Floats]:
    """Gains and delays on the steps, as good as moving single subs from the nearest ones makes them.

    Parameters
    ----------
    transfer : (n_freq, n_seat, n_slot) [1/m].
    frequency_hz : (n_freq,) [Hz].
    seat_weight : (n_seat,) sum 1.
    polarity : (n_slot,) +1 or -1.
    gain_db, delay_s : (n_slot,) within the ranges [dB], [s].
    drives : ranges and steps.
    reward : worth of a decibel of mean level [dB^2].

    Returns
    -------
    Gains (n_slot,) [dB], the highest at the top of its range; delays (n_slot,) [s], the least at its bottom.
    """
    step = np.array([drives.gain_step_db, drives.delay_step_s])
    span = np.array([drives.gain_span_db, drives.delay_span_s])
    most = np.floor(span / np.where(step > 0.0, step, 1.0) + 1e-9)
    stepped = step > 0.0
    # below the highest gain, above the least delay
    start = np.array([drives.gain_db[1] - gain_db, delay_s - drives.delay_s[0]])
    at = np.where(stepped[:, None], np.round(start / np.where(stepped, step, 1.0)[:, None]), start)
    at[stepped] = np.clip(at[stepped], 0.0, most[stepped, None])

    def settings(rows: Floats) -> tuple[Floats, Floats]:
        rows = rows - rows.min(axis=1, keepdims=True)  # only differences count
        values = np.where(stepped[:, None], rows * step[:, None], rows)
        return drives.gain_db[1] - values[0], drives.delay_s[0] + values[1]

    def value(rows: Floats) -> float:
        gain, delay = settings(rows)
        weights = drive_weights(frequency_hz, gain_db=gain, delay_s=delay, polarity=polarity)
        level = level_db(seat_pressure(transfer, weights))
        mean = level @ seat_weight
        return float(np.mean(((level - mean[:, None]) ** 2) @ seat_weight) - reward * mean.mean())

    moves = _moves(stepped, len(polarity))
    best = value(at)
    for _ in range(MOST_MOVES):
        trials = [at + move for move in moves]
        allowed = [trial for trial in trials if (np.ptp(trial, axis=1)[stepped] <= most[stepped]).all()]
        values = [value(trial) for trial in allowed]
        if not values or min(values) >= best - SAVES:
            break
        place = int(np.argmin(values))
        at, best = allowed[place], values[place]
    return settings(at)


def _moves(stepped: NDArray[np.bool_], n_slot: int) -> list[Floats]:
    """Every change that is tried: (2, n_slot) each, of gains and of delays [steps]."""
    found = []
    for slot in range(n_slot):
        for control in np.flatnonzero(stepped):
            for jump in JUMPS:
                move = np.zeros((2, n_slot))
                move[control, slot] = jump
                found.append(move)
        if stepped.all():
            for gain, delay in product(TOGETHER, TOGETHER):
                move = np.zeros((2, n_slot))
                move[:, slot] = gain, delay
                found.append(move)
    return found
