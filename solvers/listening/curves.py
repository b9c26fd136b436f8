"""The curves that a plan predicts at every seat: before and after, with the mains where it has a crossover."""

from dataclasses import dataclass

import numpy as np

from roommodes.arrays import Complexes, Floats
from roommodes.measured.manifest import clusters
from roommodes.plan.plan import Plan
from roommodes.responses.metrics import normalised, seat_pressure
from roommodes.running import Running
from solvers.crossover.responses import each_of_both

ALL_SEATS = "average over the seats"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PartCurves:
    """The same part at every seat, in one state.

    Parameters
    ----------
    part : such as "subs", "main 1" or a main's name as it was measured, "subs and main 1".
    state : "before": identical settings, no filters; subs and mains by themselves without crossover, their sum
        through it with no delay; "after": as planned, filters and crossover in it.
    pressure : (n_freq, n_seat) complex128, e^{+j omega t}; a later arrival turns by e^{-j omega tau} [1/m].
    """

    part: str
    state: str
    pressure: Complexes


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlanCurves:
    """All curves of a plan.

    Parameters
    ----------
    frequency_hz : (n_freq,) [Hz].
    seats : (n_seat,) names.
    weight : (n_seat,) what each counts, any scale.
    parts : what plays.
    """

    frequency_hz: Floats
    seats: tuple[str, ...]
    weight: Floats
    parts: tuple[PartCurves, ...]

    def averages(self, one: PartCurves) -> dict[str, Floats]:
        """In energy, of each seat's microphones and over the seats by their weights: name -> (n_freq,) level [dB]."""
        power = np.abs(one.pressure) ** 2
        found = {
            f"{name}, average of {len(points)} microphones": np.mean(power[:, list(points)], axis=1)
            for name, points in clusters(self.seats).items()
        }
        if len(self.seats) > 1:
            found[ALL_SEATS] = power @ normalised(self.weight)
        return {name: np.asarray(10.0 * np.log10(value)) for name, value in found.items()}


def plan_curves(plan: Plan, *, running: Running = Running()) -> PlanCurves:
    """Work out the curves of a plan.

    Parameters
    ----------
    plan : with its filters and its crossover, if it has them.
    running : progress, cancelling, threads.

    Raises
    ------
    ProjectInvalid, OutsideModel, Interrupted : as `solvers.crossover.responses.each_of_both`.
    """
    met = plan.crossover
    hz, subs, mains = plan.frequency_hz, plan.transfer, plan.transfer[:, :, :0]  # no mains
    if met is not None:
        hz, subs, mains = each_of_both(plan, met.crossover, running=running)
    weights = plan.drives.from_earliest().weights(hz) * plan.filter_response(hz)
    of_subs, of_mains = through_crossover(plan, hz)
    low, high = halves(plan, hz)
    plainly = subs.sum(axis=2) * (low if met is None else low * 10.0 ** (met.gain_db / 20.0))[:, None]
    after = seat_pressure(subs, weights) * of_subs[:, None]
    parts = [
        PartCurves(part="subs", state="before", pressure=np.asarray(subs.sum(axis=2))),
        PartCurves(part="subs", state="after", pressure=after),
    ]
    for number, name in enumerate(main_names(plan, mains.shape[2])):
        own = mains[:, :, number]
        through = np.asarray(own * of_mains[:, None])
        parts += [
            PartCurves(part=name, state="before", pressure=own),
            PartCurves(part=name, state="after", pressure=through),
            PartCurves(part=f"subs and {name}", state="before", pressure=plainly + own * high[:, None]),
            PartCurves(part=f"subs and {name}", state="after", pressure=after + through),
        ]
    return PlanCurves(frequency_hz=hz, seats=plan.seats.name, weight=plan.seats.weight, parts=tuple(parts))


def main_names(plan: Plan, count: int) -> tuple[str, ...]:
    """What the main loudspeakers are called: as they were measured, else by number."""
    if plan.measured is not None and plan.measured.main_name:
        return plan.measured.main_name
    return tuple(f"main {number + 1}" for number in range(count))


def through_crossover(plan: Plan, frequency_hz: Floats) -> tuple[Complexes, Complexes]:
    """What all subs share, and what all mains share, where the plan has a crossover: (n_freq,) each; else ones.

    The halves of the crossover with gain, delay and polarity of the subs, and the delay of the mains.
    """
    met = plan.crossover
    low, high = halves(plan, frequency_hz)
    if met is None:
        return low, high
    late = -2j * np.pi * frequency_hz
    subs = low * met.polarity * 10.0 ** (met.gain_db / 20.0) * np.exp(late * met.subs_delay_s)
    return np.asarray(subs), np.asarray(high * np.exp(late * met.mains_delay_s))


def halves(plan: Plan, frequency_hz: Floats) -> tuple[Complexes, Complexes]:
    """Low-pass of the subs and high-pass of the mains of a plan's crossover alone: (n_freq,) each; without one ones."""
    met, rate = plan.crossover, plan.project.processor.rate_hz
    if met is None:
        ones = np.ones(len(frequency_hz), dtype=np.complex128)
        return ones, ones
    return met.crossover.responses(frequency_hz, rate)
