"""Impulse responses at the seats: of a plan as it is driven and filtered, or of one of its subs alone."""

from dataclasses import dataclass
from math import floor

import numpy as np

from roommodes.acoustics.transfer import HIGHEST_HZ, LOWEST_HZ
from roommodes.arrays import Complexes, Floats, Integers
from roommodes.plan.plan import Plan
from roommodes.responses.impulse_response import causal, impulse_grid, impulse_response, latency_s
from roommodes.responses.metrics import seat_pressure
from roommodes.running import Running
from solvers.listening.curves import through_crossover
from solvers.listening.measured_responses import measured_responses, told_s
from solvers.listening.modelled_responses import modelled_responses


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SeatImpulses:
    """Impulse responses at the seats, nothing before their first sample.

    Parameters
    ----------
    samples : (n_sample, n_seat).
    latency_s : by how much the causal band filter delays the middle of the band [s].
    error : of the reduced model that the responses come from, see `modelled_responses`; 0 where they are measured.
    """

    samples: Floats
    latency_s: float
    error: float = 0.0


def impulses_length_s(plan: Plan, *, seconds: float, rate_hz: float) -> float:
    """Length of the responses, a whole number of samples; measured ones as long as their grid tells [s]."""
    if plan.measured is None:
        return round(seconds * rate_hz) / rate_hz
    return floor(min(seconds, told_s(plan.results)) * rate_hz) / rate_hz


def seat_impulses(
    plan: Plan, *, sub: int | None = None, rate_hz: float, duration_s: float, running: Running = Running()
) -> SeatImpulses:
    """Impulse response at every seat, from time zero on.

    The band is faded out by a causal filter, so that nothing sounds before time zero.

    Parameters
    ----------
    plan : driven with the loudest sub at its limit and the earliest without delay, with its filters, and through the
        crossover's low-pass with what is common to all subs, where the plan meets mains.
    sub : one of its subs alone and undriven, from 1; None for the whole plan.
    rate_hz : sample rate [Hz].
    duration_s : `impulses_length_s`.
    running : progress, cancelling, threads.

    Raises
    ------
    Interrupted : when cancelled.
    OutsideModel : the model cannot take it, or measured responses tell too little.
    """
    error = 0.0
    chosen = np.arange(plan.subs) if sub is None else np.array([sub - 1])
    if plan.measured is None:
        hz, weight, transfer, error = _modelled(plan, chosen, rate_hz, duration_s, running)
    else:
        hz, weight, transfer = measured_responses(plan.results, plan.candidate_index[chosen], duration_s)
    if sub is None:
        drives = plan.drives.at_limit().from_earliest().weights(hz) * plan.filter_response(hz)
        pressure = seat_pressure(transfer, drives) * through_crossover(plan, hz)[0][:, None]
    else:
        pressure = transfer[:, :, 0]
    filtered = causal(hz, weight)
    return SeatImpulses(
        samples=impulse_response(hz, pressure * filtered[:, None], rate_hz=rate_hz, duration_s=duration_s),
        latency_s=latency_s(hz, filtered, band_hz=plan.project.search.band_hz),
        error=error,
    )


def _modelled(
    plan: Plan, chosen: Integers, rate_hz: float, duration_s: float, running: Running
) -> tuple[Floats, Floats, Complexes, float]:
    """Frequencies, their weights, the model's responses of some of the plan's subs, and their error."""
    low, high = plan.project.search.band_hz
    hz, weight = impulse_grid(
        band_hz=(low, high), duration_s=duration_s, lowest_hz=LOWEST_HZ, highest_hz=min(HIGHEST_HZ, 0.49 * rate_hz)
    )
    found = modelled_responses(plan, chosen, hz, running=running.under("responses", words="interrupted"))
    return hz, weight, found.transfer * plan.kind_response(hz)[:, None, chosen], found.error
