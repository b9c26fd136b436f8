"""Plans side by side, whatever room each stands in; and one plan in another room, as it is and polished.

Plans are compared over the band that all of them cover, with the filters of their single subs; filters that all subs
share are left to the common equaliser, which changes no variation.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from roommodes.arrays import Floats
from roommodes.errors import OutsideModel
from roommodes.plan.as_layout import kind_in
from roommodes.plan.drives import Drives
from roommodes.plan.plan import Plan
from roommodes.project.project import Project
from roommodes.responses.metrics import level_db, normalised, output_db, seat_pressure, variation_db
from roommodes.responses.third_octaves import bands_of, bands_within
from roommodes.running import Running
from solvers.choice.aims import decay_s, smoothness_db
from solvers.loudness.headroom import headroom, loudness_of
from solvers.plans.by_hand import judge_layout
from solvers.search.explore import Effort
from solvers.search.from_project import drives_of
from solvers.search.problem import Problem
from solvers.search.search import search

LEAST_OCTAVES = 0.5  # of a band in common
EFFORT = Effort(hops=24)  # one layout has few drives to try


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Seen:
    """One plan as it stands beside others.

    Parameters
    ----------
    plan : the plan.
    frequency_hz : (n_freq,) of its own grid within the band in common [Hz].
    level_db : (n_freq, n_seat), the loudest sub at its limit; highest clean levels where it is known how loud a sub
        plays [dB re 1/m, or dB re 20 uPa].
    variation_db, output_db, smoothness_db : over the band in common [dB].
    decay_s : likewise [s].
    bands : third-octave bands, numbers.
    band_variation_db, band_mean_db : (n_band,) rms over the band of the deviation over the seats; mean level [dB].
    headroom_db : band -> over the target; empty where there is none to work out [dB].
    price : of all its subs; None where the project gives none.
    """

    plan: Plan
    frequency_hz: Floats
    level_db: Floats
    variation_db: float
    output_db: float
    smoothness_db: float
    decay_s: float
    bands: tuple[int, ...]
    band_variation_db: Floats
    band_mean_db: Floats
    headroom_db: dict[int, float]
    price: float | None

    @property
    def mean_db(self) -> Floats:
        """(n_freq,) weighted mean over the seats [dB]."""
        return np.asarray(self.level_db @ normalised(self.plan.seats.weight))

    @property
    def least_headroom(self) -> tuple[int, float] | None:
        """The band with the least headroom, and that; None where there is none to work out [dB]."""
        if not self.headroom_db:
            return None
        band = min(self.headroom_db, key=lambda one: self.headroom_db[one])
        return band, self.headroom_db[band]


def common_band_hz(plans: Sequence[Plan]) -> tuple[float, float]:
    """The band that all plans cover [Hz].

    Raises
    ------
    OutsideModel : there is none, or next to none.
    """
    low = max(float(plan.frequency_hz[0]) for plan in plans)
    high = min(float(plan.frequency_hz[-1]) for plan in plans)
    if high < low * 2.0**LEAST_OCTAVES:
        bands = "; ".join(f"{plan.frequency_hz[0]:g} to {plan.frequency_hz[-1]:g} Hz" for plan in plans)
        raise OutsideModel(
            f"the bands of these plans have too little in common: {bands}; half an octave is needed. Set "
            "[search] band_hz alike"
        )
    return low, high


def seen(plan: Plan, band_hz: tuple[float, float]) -> Seen:
    """A plan over a band that it covers."""
    hz = plan.frequency_hz
    inside = (hz >= band_hz[0] * (1.0 - 1e-9)) & (hz <= band_hz[1] * (1.0 + 1e-9))
    transfer, weight = plan.results.ears()
    pressure = seat_pressure(transfer[inside][:, :, plan.candidate_index], plan.weights(hz[inside], shared=False))
    level, n_seat = level_db(pressure), len(plan.seats)
    limit = plan.limit_db
    shown = level[:, :n_seat] + plan.to_limit_db + (0.0 if limit is None else limit[inside, None])
    bands = bands_within(hz[inside])
    number, share = bands_of(hz[inside]), normalised(weight)
    square = ((level - (level @ share)[:, None]) ** 2) @ share
    mean = shown @ normalised(plan.seats.weight)
    return Seen(
        plan=plan,
        frequency_hz=hz[inside],
        level_db=shown,
        variation_db=variation_db(level, weight),
        output_db=output_db(level, weight, plan.drives.gain_db),
        smoothness_db=float(smoothness_db(level, weight, hz[inside])),
        decay_s=float(decay_s(pressure, weight, hz[inside])),
        bands=bands,
        band_variation_db=np.array([np.sqrt(np.mean(square[number == band])) for band in bands]),
        band_mean_db=np.array([np.mean(mean[number == band]) for band in bands]),
        headroom_db=_headroom(plan, bands),
        price=plan.price,
    )


def moved(plan: Plan, project: Project, *, running: Running = Running()) -> Plan:
    """A plan's positions and drives in another project's room, with its seats, sub and target.

    Raises
    ------
    Interrupted : when cancelled.
    OutsideModel : a position lies outside that room or on a seat, or the model cannot take it.
    """
    kind = kind_in(project, plan.kinds)
    there = judge_layout(project, plan.positions_m, plan.drives, kind=kind, stop="as in another room", running=running)
    return replace(there, tuning=plan.tuning)


def polished(plan: Plan, *, running: Running = Running()) -> Plan:
    """The same positions with drives searched anew, without filters; the plan's own where none are better.

    Parameters
    ----------
    plan : in results of its own or of a file.
    running : progress, cancelling; once cancelled, the best found until then.
    """
    project, results = plan.project, plan.results
    transfer, weight = results.ears()
    problem = Problem(
        frequency_hz=plan.frequency_hz,
        transfer=transfer[:, :, plan.candidate_index],
        seat_weight=weight,
        drives=drives_of(project),
        paired=project.search.shared_drives,
    )
    (outcome,) = search(problem, counts=[plan.subs], seed=results.seed, keep=1, effort=EFFORT, running=running)
    bare = plan.with_drives(plan.drives)
    if not outcome.plans:
        return bare
    best = outcome.plans[0]
    order = np.argsort(best.candidate_index)
    found = best.drives
    drives = Drives(gain_db=found.gain_db[order], delay_s=found.delay_s[order], polarity=found.polarity[order])
    other = plan.with_drives(drives)
    if np.count_nonzero(weight) == 1:  # nothing differs between seats: level decides
        return other if other.output_db > bare.output_db else bare
    return other if other.variation_db < bare.variation_db else bare


def _headroom(plan: Plan, bands: tuple[int, ...]) -> dict[int, float]:
    if plan.results.limit_db is None or plan.wired.faults:
        return {}
    loudness = loudness_of(plan.project, plan.frequency_hz)
    if loudness is None:
        return {}
    found = headroom(plan, loudness)
    each = zip(found.bands, found.headroom_db.tolist(), strict=True)
    return {band: value for band, value in each if band in bands}
