"""Drives, and the choice among layouts, for rooms that are not built exactly as drawn.

What is minimised over a set of sampled rooms is mean + LEAN * standard deviation of variation, with LEAN that of a
normal law's 90th percentile: unlike the percentile itself it is smooth and looks at every room. All kept layouts are
polished against few rooms, the leading ones against more, by scipy's L-BFGS-B with exact derivatives from several
starts. Ranks go by the 90th percentile itself.

Derivatives: as in `polish`, with q_c = w_c H_c / p, dL/dgain_c = Re q_c and dL/ddelay_c = (20 / ln 10) omega Im q_c.
"""

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import Bounds, minimize
from threadpoolctl import threadpool_limits

from roommodes.arrays import Complexes, Floats
from roommodes.running import Running
from solvers.search.polish import DB_PER_NEPER, LEAST_MAGNITUDE
from solvers.search.problem import DriveRange
from solvers.search.state import State, placed
from solvers.tolerance.inputs import Builds
from solvers.tolerance.plans import Driven, variations_db

LEAN = 1.2816  # standard deviations from the mean to the 90th percentile of a normal law
FEW_ROOMS, FEW_LAYOUTS = 32, 6  # all layouts against so many rooms; so many of them against all
STARTS = 3
JITTER_MS, JITTER_DB = 1.5, 2.0
MOST_STEPS = 80


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rooms:
    """The field in sampled rooms, and what each of their ears counts.

    Parameters
    ----------
    frequency_hz : (n_freq,) [Hz].
    transfer : (n, n_freq, n_ear, n_cabinet) [1/m].
    builds : (n) the rooms, for what their drive settings add.
    weight : (n_ear,) sum 1.
    """

    frequency_hz: Floats
    transfer: Complexes
    builds: Builds
    weight: Floats

    def first(self, count: int) -> "Rooms":
        """The first of them."""
        return Rooms(
            frequency_hz=self.frequency_hz,
            transfer=self.transfer[:count],
            builds=self.builds.part(slice(0, count)),
            weight=self.weight,
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Candidate:
    """A layout whose drives are polished.

    Parameters
    ----------
    driven : where it starts.
    shared : (n_sub,) which drive each sub has; a mirrored pair shares one.
    """

    driven: Driven
    shared: NDArray[np.intp]


def value_and_slope(rooms: Rooms, layout: Candidate, x: Floats) -> tuple[float, Floats]:
    """Mean + LEAN * standard deviation of variation over the rooms, and its gradient.

    Parameters
    ----------
    rooms : the sampled rooms.
    layout : columns, polarities and which drives are shared.
    x : (2 n_drive,) gains [dB], then delays [ms].

    Returns
    -------
    [dB], (2 n_drive,) [dB per dB, dB per ms].
    """
    n_drive, n_sub = len(x) // 2, len(layout.shared)
    omega = 2e-3 * np.pi * rooms.frequency_hz  # per ms
    gain = x[:n_drive][layout.shared] + rooms.builds.gain_db[:, :n_sub]
    delay = x[n_drive:][layout.shared] + 1e3 * rooms.builds.delay_s[:, :n_sub]
    weights = (layout.driven.polarity * 10.0 ** (gain / 20.0))[:, None, :] * np.exp(
        -1j * omega[None, :, None] * delay[:, None, :]
    )
    parts = rooms.transfer[..., layout.driven.column] * weights[:, :, None, :]
    pressure = parts.sum(axis=3)
    magnitude = np.maximum(np.abs(pressure), LEAST_MAGNITUDE)
    level = 20.0 * np.log10(magnitude)
    q = parts / np.where(np.abs(pressure) > LEAST_MAGNITUDE, pressure, 1.0)[..., None]
    deviation = level - (level @ rooms.weight)[..., None]
    square = ((deviation**2) @ rooms.weight).mean(axis=1)  # (n,) V^2
    variation = np.sqrt(np.maximum(square, 1e-24))
    # dV/dL = a deviation / (n_freq V); the mean's own part vanishes, since weighted deviations sum to zero
    pull = deviation * rooms.weight / (len(omega) * variation[:, None, None])
    by_gain = np.einsum("nfs,nfsc->nc", pull, q.real)
    by_delay = DB_PER_NEPER * np.einsum("nfs,f,nfsc->nc", pull, omega, q.imag)
    mean, spread = float(variation.mean()), float(variation.std())
    share = (1.0 + LEAN * (variation - mean) / max(spread, 1e-12)) / len(variation)
    slope = np.zeros_like(x)
    np.add.at(slope, layout.shared, share @ by_gain)
    np.add.at(slope, n_drive + layout.shared, share @ by_delay)
    return mean + LEAN * spread, slope


def polished(rooms: Rooms, layout: Candidate, drives: DriveRange, *, starts: int, entropy: Sequence[int]) -> Driven:
    """The best settings found for one layout, from its own and from some beside them."""
    random = np.random.default_rng(list(entropy))
    n_drive = int(layout.shared.max()) + 1
    first = np.array([int(np.flatnonzero(layout.shared == k)[0]) for k in range(n_drive)])
    own = np.concatenate([layout.driven.gain_db[first], 1e3 * layout.driven.delay_s[first]])
    low = np.repeat([drives.gain_db[0], 1e3 * drives.delay_s[0]], n_drive)
    high = np.repeat([drives.gain_db[1], 1e3 * drives.delay_s[1]], n_drive)
    jitter = np.repeat([JITTER_DB, JITTER_MS], n_drive)

    def look(at: Any) -> Any:
        return value_and_slope(rooms, layout, at)

    best = (value_and_slope(rooms, layout, own)[0], own)
    for start in range(starts):
        x = own if start == 0 else np.clip(own + jitter * random.normal(size=len(own)), low, high)
        found: Any = minimize(
            look, x, jac=True, method="L-BFGS-B", bounds=Bounds(low, high), options={"maxiter": MOST_STEPS}
        )
        if found.fun < best[0]:
            best = (float(found.fun), np.asarray(found.x, dtype=np.float64))
    x = best[1]
    state = placed(
        State(
            column=layout.driven.column.astype(np.int64),
            gain_db=x[:n_drive][layout.shared],
            delay_s=1e-3 * x[n_drive:][layout.shared],
            polarity=layout.driven.polarity,
        ),
        drives,
    )
    return Driven(
        column=layout.driven.column, gain_db=state.gain_db, delay_s=state.delay_s, polarity=layout.driven.polarity
    )


def ninety_db(rooms: Rooms, driven: Driven) -> float:
    """The 90th percentile of a plan's variation over the rooms [dB]."""
    level = driven.levels(rooms.transfer, rooms.frequency_hz, rooms.builds)
    return float(np.percentile(variations_db(level, rooms.weight), 90.0))


def robust_plans(
    rooms: Rooms,
    layouts: Sequence[Candidate],
    drives: DriveRange,
    *,
    seed: int,
    running: Running = Running(),
) -> list[Driven]:
    """Layouts with drives polished against the rooms, the least 90th percentile first.

    Parameters
    ----------
    rooms : the sampled rooms.
    layouts : with as many subs each.
    drives : what may be adjusted.
    seed : of the starts.
    running : cancelling, threads; once cancelled, what is polished so far is ranked beside the layouts' own drives.
    """
    few = rooms.first(FEW_ROOMS)

    def rough(job: tuple[int, Candidate]) -> Driven:
        return polished(few, job[1], drives, starts=1, entropy=[seed, 0, job[0]])

    def fine(job: tuple[int, Candidate]) -> Driven:
        return polished(rooms, job[1], drives, starts=STARTS, entropy=[seed, 1, job[0]])

    with threadpool_limits(1), ThreadPoolExecutor(running.thread_count) as pool:
        first = list(running.each(pool, rough, enumerate(layouts)))
        order = sorted(range(len(first)), key=lambda k: ninety_db(few, first[k]))[:FEW_LAYOUTS]
        jobs = [(k, Candidate(driven=first[k], shared=layouts[k].shared)) for k in order]
        second = list(running.each(pool, fine, jobs))
    found = [layout.driven for layout in layouts] + first + second
    by_layout: dict[tuple[int, ...], tuple[float, Driven]] = {}
    for one in found:
        value, key = ninety_db(rooms, one), tuple(sorted(one.column.tolist()))
        if key not in by_layout or value < by_layout[key][0]:
            by_layout[key] = (value, one)
    return [one for _, one in sorted(by_layout.values(), key=lambda pair: pair[0])]
