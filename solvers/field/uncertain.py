"""What a plan's promise is worth where some of its seats were estimated: its variation with the field's errors drawn.

Errors are drawn from the field's deviations, at each seat and for each sub by themselves, alike within a third octave:
errors of a field hang together over neighbouring frequencies, and drawn anew at each they would average out.
"""

from dataclasses import dataclass

import numpy as np

from roommodes.arrays import Complexes, Floats
from roommodes.plan.plan import Plan
from roommodes.responses.metrics import level_db, normalised, variation_db
from roommodes.responses.third_octaves import bands_of

DRAWS = 400
SEED = 1
NINE_OF_TEN = 0.9
LEVEL_DB = 20.0 / np.log(10.0) / np.sqrt(2.0)  # of a level, by a complex deviation of the whole response


@dataclass(frozen=True, slots=True, kw_only=True)
class EstimatedSeat:
    """How sure a plan's response is at a seat that was not measured.

    Parameters
    ----------
    name : of the seat.
    deviation : one standard deviation of the plan's complex response over its rms at the seats, rms over frequency.
    level_db : the same of its level, median over frequency [dB].
    """

    name: str
    deviation: float
    level_db: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Uncertain:
    """A plan's variation with the errors of its estimated seats.

    Parameters
    ----------
    seats : those that were estimated.
    seat_count : all seats.
    promised_db : variation with the estimate as it is [dB].
    mean_db : its mean over the draws [dB].
    nine_of_ten_db : what nine of ten draws stay below [dB].
    draws : how many.
    """

    seats: tuple[EstimatedSeat, ...]
    seat_count: int
    promised_db: float
    mean_db: float
    nine_of_ten_db: float
    draws: int = DRAWS


def uncertain(plan: Plan, *, filters: bool = True) -> Uncertain | None:
    """The variation of a plan over its own band, or that of its filters; None where all its seats were measured.

    Parameters
    ----------
    plan : on measured responses or not.
    filters : with the plan's filters.
    """
    record = plan.measured
    if record is None or record.deviation is None:
        return None
    hz, transfer, deviation = plan.frequency_hz, plan.transfer, record.deviation[:, :, plan.candidate_index]
    if filters and plan.tuning is not None and (inside := np.isin(hz, plan.tuning.grid(hz))).any():
        hz, transfer, deviation = hz[inside], transfer[inside], deviation[inside]
    estimated = np.flatnonzero(deviation.any(axis=(0, 2)))
    if not len(estimated):
        return None
    weights = plan.weights(hz) if filters else plan.drives.weights(hz)
    pressure = np.einsum("fsc,fc->fs", transfer, weights)
    spread = np.sqrt(np.einsum("fsc,fc->fs", deviation**2, np.abs(weights) ** 2))
    power = (np.abs(pressure) ** 2) @ normalised(plan.seats.weight)
    drawn = _drawn(hz, pressure, deviation, weights, plan.seats.weight)
    return Uncertain(
        seats=tuple(
            EstimatedSeat(
                name=plan.seats.name[at],
                deviation=float(np.sqrt(np.mean(spread[:, at] ** 2 / power))),
                level_db=float(LEVEL_DB * np.median(spread[:, at] / np.abs(pressure[:, at]))),
            )
            for at in estimated
        ),
        seat_count=len(plan.seats),
        promised_db=variation_db(level_db(pressure), plan.seats.weight),
        mean_db=float(drawn.mean()),
        nine_of_ten_db=float(np.quantile(drawn, NINE_OF_TEN)),
    )


def _drawn(hz: Floats, pressure: Complexes, deviation: Floats, weights: Complexes, seat_weight: Floats) -> Floats:
    """The variation with errors drawn: (DRAWS,) [dB]."""
    rng = np.random.default_rng(SEED)
    _, band = np.unique(bands_of(hz), return_inverse=True)
    _, n_seat, n_sub = deviation.shape
    found = np.empty(DRAWS)
    for draw in range(DRAWS):
        unit = rng.normal(scale=np.sqrt(0.5), size=(2, int(band.max()) + 1, n_seat, n_sub))
        error = np.einsum("fsc,fc->fs", deviation * (unit[0] + 1j * unit[1])[band], weights)
        found[draw] = variation_db(level_db(pressure + error), seat_weight)
    return found
