"""Polish: the drives of one layout moved to the nearest local optimum, in float64 on all frequencies, in NumPy.

V^2 - reward * mean level is minimised by Levenberg's and Marquardt's damped Gauss-Newton steps, projected on the
limits of delay and gain. scipy's L-BFGS-B finds the same optima; this needs fewer evaluations, because variation is
a sum of squares, and spares the import of scipy.optimize.

Derivatives, with q_c = w_c H_c / p: dL/dgain_c = Re q_c, dL/ddelay_c = (20 / ln 10) omega Im q_c.
"""

from dataclasses import dataclass

import numpy as np

from roommodes.arrays import Complexes, Floats
from solvers.search.columns import Columns
from solvers.search.problem import DriveRange, Problem
from solvers.search.state import State, placed

DB_PER_NEPER = 20.0 / np.log(10.0)
LEAST_MAGNITUDE = 1e-20  # an exact zero of pressure gets -400 dB, as in roommodes.responses.metrics
SHORT = 100.0  # dB2 of V^2 for the square of a missing decibel
FIRST_DAMPING, LEAST_DAMPING, MOST_DAMPING = 1e-2, 1e-7, 1e8


def value_and_slope(
    transfer: Complexes,
    frequency_hz: Floats,
    seat_weight: Floats,
    polarity: Floats,
    x: Floats,
    *,
    reward: float,
    least_db: float | None = None,
    beside: Complexes | None = None,
) -> tuple[float, Floats, Floats]:
    """V^2 - reward * mean level, its gradient, and the Gauss-Newton approximation of its second derivatives.

    Parameters
    ----------
    transfer : (n_freq, n_seat, n_slot) complex128.
    frequency_hz : (n_freq,) [Hz].
    seat_weight : (n_seat,) sum 1.
    polarity : (n_slot,) +1 or -1.
    x : (2 n_slot,) gains [dB], then delays [ms].
    reward : worth of one dB of mean level [dB].
    least_db : mean level that is asked for: `SHORT` times the square of what is missing is added [dB]; None for none.
    beside : (n_freq, n_seat) what plays beside them at a weight that nothing changes; None for nothing.

    Returns
    -------
    (value [dB^2], (2 n_slot,), (2 n_slot, 2 n_slot)).
    """
    n = len(polarity)
    omega = 2e-3 * np.pi * frequency_hz  # per ms
    weights = polarity * 10.0 ** (x[:n] / 20.0) * np.exp(-1j * np.outer(omega, x[n:]))
    parts = transfer * weights[:, None, :]
    pressure = parts.sum(axis=2) if beside is None else parts.sum(axis=2) + beside
    magnitude = np.abs(pressure)
    heard = magnitude > LEAST_MAGNITUDE
    level = 20.0 * np.log10(np.where(heard, magnitude, LEAST_MAGNITUDE))
    q = np.where(heard[:, :, None], parts / np.where(heard, pressure, 1.0)[:, :, None], 0.0)
    d = np.concatenate([q.real, DB_PER_NEPER * omega[:, None, None] * q.imag], axis=2)
    mean = level @ seat_weight
    mean_d = np.einsum("fsx,s->fx", d, seat_weight)
    root = np.sqrt(seat_weight / len(frequency_hz))
    r = ((level - mean[:, None]) * root).ravel()
    e = ((d - mean_d[:, None, :]) * root[:, None]).reshape(-1, 2 * n)
    value = float(r @ r) - reward * float(mean.mean())
    slope, curvature, rise = 2.0 * (e.T @ r), 2.0 * (e.T @ e), mean_d.mean(axis=0)
    if least_db is not None and (short := least_db - float(mean.mean())) > 0.0:
        value += SHORT * short**2
        slope = slope - 2.0 * SHORT * short * rise
        curvature = curvature + 2.0 * SHORT * np.outer(rise, rise)
    return value, slope - reward * rise, curvature


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Polisher:
    """Everything that polishes of one problem share; safe to use from several threads.

    With something beside the subs their common gain and delay count too, and a start is taken as it is `placed`.
    """

    transfer: Complexes
    frequency_hz: Floats
    seat_weight: Floats
    drives: DriveRange
    reward: float
    least_db: float | None = None
    beside: Complexes | None = None

    def polish(self, state: State, *, max_steps: int = 100, tolerance: float = 1e-8) -> tuple[State, float]:
        """Descend from a state; returns where it ended and the value there [dB^2].

        Parameters
        ----------
        state : the start; its columns and polarities stay.
        max_steps : evaluations at most.
        tolerance : ends when a step saves less than this part.
        """
        n = len(state.column)
        state = placed(state, self.drives)
        gain, delay = state.gain_db, state.delay_s
        (gain_low, gain_high), (delay_low, delay_high) = self.drives.gain_db, self.drives.delay_s
        if self.beside is None:
            delay = delay + ((delay_low + delay_high) - (delay.min() + delay.max())) / 2.0
        alone = self.beside is None
        if self.reward == 0.0 and self.least_db is None and alone:  # the common gain is free: keep off the limits
            gain = gain + ((gain_low + gain_high) - (gain.min() + gain.max())) / 2.0
        low = np.repeat([gain_low, 1e3 * delay_low], n)
        high = np.repeat([gain_high, 1e3 * delay_high], n)
        transfer = self.transfer[:, :, state.column]
        x = np.clip(np.concatenate([gain, 1e3 * delay]), low, high)

        def look(at: Floats) -> tuple[float, Floats, Floats]:
            return value_and_slope(
                transfer,
                self.frequency_hz,
                self.seat_weight,
                state.polarity,
                at,
                reward=self.reward,
                least_db=self.least_db,
                beside=self.beside,
            )

        value, slope, curvature = look(x)
        damping = FIRST_DAMPING
        for _ in range(max_steps):
            free = (low < high) & ~((x <= low) & (slope > 0.0)) & ~((x >= high) & (slope < 0.0))
            if not free.any():
                break
            matrix = curvature[np.ix_(free, free)]
            scaled = matrix + np.diag(damping * np.diag(matrix) + 1e-12)
            trial = x.copy()
            trial[free] -= np.linalg.lstsq(scaled, slope[free], rcond=None)[0]
            trial = np.clip(trial, low, high)
            new = look(trial)
            if new[0] < value:
                saved = value - new[0]
                x = trial
                value, slope, curvature = new
                damping = max(0.2 * damping, LEAST_DAMPING)
                if saved < tolerance * max(abs(value), 1e-12):
                    break
            else:
                damping *= 5.0
                if damping > MOST_DAMPING:
                    break
        moved = State(column=state.column, delay_s=1e-3 * x[n:], gain_db=x[:n].copy(), polarity=state.polarity)
        return placed(moved, self.drives), value


def polisher_of(problem: Problem, columns: Columns, *, reward: float) -> Polisher:
    """Prepare the transfer for polishing; `reward` is the worth of one dB of output [dB]."""
    return Polisher(
        transfer=columns.transfer,
        frequency_hz=problem.frequency_hz,
        seat_weight=columns.seat_weight,
        drives=problem.drives,
        reward=reward,
    )
