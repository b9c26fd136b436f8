"""Polish: the drives of one layout moved to the nearest local optimum, in float64 on all frequencies."""

from dataclasses import dataclass

import numpy as np

from solvers import kernels_polish
from solvers.columns import Columns
from solvers.problem import DriveRange, Floats, Problem
from solvers.state import State, placed


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Polisher:
    """Everything that polishes of one problem share; safe to use from several threads."""

    re: Floats
    im: Floats
    omega: Floats
    seat_weight: Floats
    frequency_weight: Floats
    drives: DriveRange
    reward: float

    def polish(self, state: State, *, max_steps: int = 60, tolerance: float = 1e-7) -> tuple[State, float]:
        """Descend from a state; returns where it ended and the value there [dB^2].

        Parameters
        ----------
        state : the start; its columns and polarities stay.
        max_steps : steps at most.
        tolerance : ends after two steps in a row that save less than this part.
        """
        n = len(state.column)
        state = placed(state, self.drives)
        gain, delay = state.gain_db.copy(), state.delay_s.copy()
        (gain_low, gain_high), (delay_low, delay_high) = self.drives.gain_db, self.drives.delay_s
        delay += ((delay_low + delay_high) - (delay.min() + delay.max())) / 2.0
        if self.reward == 0.0:  # the common gain is free: keep both ends off their limits
            gain += ((gain_low + gain_high) - (gain.min() + gain.max())) / 2.0
        x = np.concatenate([gain, 1e3 * delay])
        low = np.repeat([gain_low, 1e3 * delay_low], n)
        high = np.repeat([gain_high, 1e3 * delay_high], n)
        value = kernels_polish.polish(
            self.re[state.column],
            self.im[state.column],
            self.omega,
            self.seat_weight,
            self.frequency_weight,
            self.reward,
            state.polarity,
            low,
            high,
            max_steps,
            tolerance,
            x,
        )
        moved = State(column=state.column, delay_s=1e-3 * x[n:], gain_db=x[:n].copy(), polarity=state.polarity)
        return placed(moved, self.drives), float(value)


def polisher_of(problem: Problem, columns: Columns, *, reward: float) -> Polisher:
    """Prepare the transfer for polishing; `reward` is the worth of one dB of output [dB]."""
    transfer = np.ascontiguousarray(columns.transfer.transpose(2, 0, 1))  # column, f, seat
    n_freq = len(problem.frequency_hz)
    return Polisher(
        re=np.ascontiguousarray(transfer.real),
        im=np.ascontiguousarray(transfer.imag),
        omega=2.0 * np.pi * problem.frequency_hz,
        seat_weight=columns.seat_weight,
        frequency_weight=np.full(n_freq, 1.0 / n_freq),
        drives=problem.drives,
        reward=reward,
    )
