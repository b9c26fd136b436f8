"""The plan's promise and the measurement of it, on the same frequencies and seats."""

from dataclasses import dataclass

import numpy as np

from roommodes.arrays import Complexes, Floats
from roommodes.errors import Fault, ProjectInvalid
from roommodes.measured.data import MeasuredSet
from roommodes.plan.plan import Plan
from solvers.listening.curves import through_crossover

SAME_PLACE_M = 0.3  # a measured sub so near to one of the plan's is that one
SAME_HZ = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pair:
    """What was promised beside what was measured.

    Parameters
    ----------
    frequency_hz : (n_freq,) [Hz].
    seat_name, weight : (n_seat,) seats that both know.
    sub_name : (n_sub,) the plan's subs.
    promised : (n_freq, n_seat, n_sub) each sub with its settings and filters, and through the crossover where the plan
        has one, in the plan's scale.
    together : (n_freq, n_seat) all subs at once as measured, in the measurement's scale.
    single : (n_freq, n_seat, n_sub) each sub by itself as measured, NaN for those that were not.
    noise : (n_freq,) rms of the noise in `together`, NaN where nobody knows.
    by_model : the promise rests on the model, which knows no sub's own response.
    crossed : the crossover's low-pass is in the promise.
    """

    frequency_hz: Floats
    seat_name: tuple[str, ...]
    weight: Floats
    sub_name: tuple[str, ...]
    promised: Complexes
    together: Complexes
    single: Complexes
    noise: Floats
    by_model: bool
    crossed: bool = False


def pair_of(plan: Plan, measured: MeasuredSet) -> Pair:
    """A plan and what was measured after dialling it in.

    Raises
    ------
    ProjectInvalid : no set of all subs at once, other frequencies, no common seat, or a sub that the plan has not.
    """
    faults: list[Fault] = []
    names = plan_names(plan)
    all_at_once = [index for index, one in enumerate(measured.subs.together) if one]
    if len(all_at_once) != 1:
        message = f"{len(all_at_once)} of the [[subs]] say together = true; one must: all subs playing at once."
        faults.append(Fault(where="subs", message=message))
    hz = plan.frequency_hz
    if not _same_grid(hz, measured.frequency_hz):
        measured = measured.for_search()
    if not _same_grid(hz, measured.frequency_hz):
        points = (len(hz) - 1) / np.log2(hz[-1] / hz[0])
        message = (
            f"the plan's grid is another: give band_hz = [{hz[0]:g}, {hz[-1]:g}] and "
            f"points_per_octave = {points:.0f} in [grid]."
        )
        faults.append(Fault(where="grid", message=message))
    seats = [name for name in plan.seats.name if name in measured.seats.name]
    if not seats:
        faults.append(Fault(where="responses", message=f"no seat of the plan; it has {', '.join(plan.seats.name)}."))
    owner: dict[int, int] = {}
    for index, name in enumerate(measured.subs.name):
        if index in all_at_once:
            continue
        if (sub := _sub_of(plan, names, name, measured.subs.position_m[index])) is None or sub in owner.values():
            message = f"{name!r} is none of the plan's subs, or one twice; call them {', '.join(names)}."
            faults.append(Fault(where=f"subs[{index}].name", message=message))
        else:
            owner[index] = sub
    if faults:
        raise ProjectInvalid(measured.source, faults)
    of_subs, _ = through_crossover(plan, hz)
    at_plan = [plan.seats.name.index(name) for name in seats]
    at_set = [measured.seats.name.index(name) for name in seats]
    single = np.full((len(hz), len(seats), plan.subs), np.nan, dtype=np.complex128)
    for index, sub in owner.items():
        single[:, :, sub] = measured.transfer[:, at_set, index]
    return Pair(
        frequency_hz=hz,
        seat_name=tuple(seats),
        weight=plan.seats.weight[at_plan],
        sub_name=names,
        promised=plan.transfer[:, at_plan] * (plan.weights(hz) * of_subs[:, None])[:, None, :],
        together=measured.transfer[:, at_set, all_at_once[0]],
        single=single,
        noise=measured.noise[:, all_at_once[0]],
        by_model=plan.measured is None,
        crossed=plan.crossover is not None,
    )


def _same_grid(one_hz: Floats, other_hz: Floats) -> bool:
    return len(one_hz) == len(other_hz) and bool(np.allclose(one_hz, other_hz, rtol=SAME_HZ))


def plan_names(plan: Plan) -> tuple[str, ...]:
    """What the plan's subs are called: as they were measured, else sub 1, sub 2 and so on."""
    if plan.measured is not None:
        return plan.zones
    return tuple(f"sub {number}" for number in range(1, plan.subs + 1))


def _sub_of(plan: Plan, names: tuple[str, ...], name: str, position_m: Floats) -> int | None:
    """Which of the plan's subs a measured one is: by name, else by place."""
    if name in names:
        return names.index(name)
    if np.isfinite(position_m).all():
        away = np.linalg.norm(plan.positions_m - position_m, axis=1)
        if away.min() <= SAME_PLACE_M:
            return int(away.argmin())
    return None
