"""A few filters on single subs, after their drives, for what gain, delay and polarity leave of the variation.

A peaking filter changes how much a sub takes part around a frequency, an all-pass when it does. Both are sought the
same way: every sub, kind, frequency, Q and gain of a coarse grid is tried once; the best joins; all filters so far are
then moved together to the nearest optimum (least squares, within the limits), two of one kind on one sub never nearer
to each other than `tuning.filter_shapes.APART_OCTAVES`. It ends when the next filter would take
off less than it is worth. What is minimised is V^2 + (exchange * lost)^2, V the variation and `lost` the level given up
with the loudest drive at its limit: evenness bought by turning subs against each other is paid for, as in the search.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np

from roommodes.arrays import Complexes, Floats
from roommodes.filters.processor import ANY_FILTERS, FilterControls
from roommodes.filters.sections import KINDS, Section, SectionKind, section_response
from roommodes.responses.metrics import level_db, normalised
from roommodes.running import Running
from solvers.tuning.dialled import Placed, kept_within, on_steps
from solvers.tuning.filter_shapes import APART_OCTAVES, all_pass_shapes, apart, cells, peaking_shapes

GRID_PER_OCTAVE = 8
GRID_Q = (1.0, 2.5, 6.0)
GRID_GAINS = 4  # of each sign
SHALLOWEST_DB = 0.5  # a peaking filter that would do less is not worth its place
EXCHANGE = 0.05  # variation given up for a decibel more level, where the project gives no weight to output


@dataclass(frozen=True, slots=True, kw_only=True)
class SubFilterLimits:
    """What the filters of a single sub may do. The defaults are common practice, no source.

    Parameters
    ----------
    per_sub : most filters on each sub.
    boost_db, cut_db : most gain and most loss of one peaking filter at its frequency [dB].
    q : (lowest, highest), of peaking filters and all-passes.
    all_pass : whether all-passes may be used.
    worth_db : what a filter must take off the variation [dB].
    in_all : most filters of all subs together; None for no limit.
    controls : how the processor's filters are dialled in.
    """

    per_sub: int = 2
    boost_db: float = 3.0
    cut_db: float = 9.0
    q: tuple[float, float] = (0.7, 6.0)
    all_pass: bool = True
    worth_db: float = 0.05
    in_all: int | None = None
    controls: FilterControls = ANY_FILTERS

    def kinds(self) -> tuple[SectionKind, ...]:
        """The kinds that may be used."""
        return KINDS if self.all_pass else ("peaking",)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Task:
    """What does not change while filters are sought: the driven transfer, limits and price."""

    hz: Floats
    driven: Complexes  # (n_freq, n_seat, n_sub)
    drive_db: Floats  # (n_freq, n_sub), of the plan alone
    weight: Floats
    limits: SubFilterLimits
    exchange: float

    def residual(self, filters: Complexes) -> Floats:
        """Rows whose squares add to V^2 + (exchange * lost)^2; `filters` (n_freq, n_sub)."""
        level = level_db(np.einsum("fsc,fc->fs", self.driven, filters))
        mean = level @ self.weight
        rows = (level - mean[:, None]) * np.sqrt(self.weight / len(self.hz))
        loudest = self.drive_db + 20.0 * np.log10(np.abs(filters))
        lost = float(loudest.max() - self.drive_db.max() - mean.mean()) + self._mean_before()
        return np.concatenate([rows.ravel(), [self.exchange * max(lost, 0.0)]])

    def _mean_before(self) -> float:
        return float((level_db(self.driven.sum(axis=2)) @ self.weight).mean())

    def value_db(self, filters: Complexes) -> float:
        """The square root of what is minimised [dB]."""
        return float(np.sqrt(np.sum(self.residual(filters) ** 2)))

    def shapes(self, filters: Sequence[tuple[int, SectionKind]], flat: Floats) -> Complexes:
        """What filters with parameters (log f, log Q, gain) do to each sub: (n_freq, n_sub)."""
        total = np.ones((len(self.hz), self.driven.shape[2]), dtype=np.complex128)
        rows = flat.reshape(-1, 3)
        for (sub, kind), (log_f, log_q, gain) in zip(filters, rows, strict=True):
            total[:, sub] *= _shape(self.hz, kind, np.array([[np.exp(log_f), np.exp(log_q), gain]]))[0]
        return total


def sub_filters(
    frequency_hz: Floats,
    driven: Complexes,
    seat_weight: Floats,
    *,
    drive_db: Floats,
    limits: SubFilterLimits,
    rate_hz: float,
    exchange: float = EXCHANGE,
    running: Running = Running(),
) -> tuple[tuple[Section, ...], ...]:
    """Filters for each sub, on the steps in which they are dialled in; for most subs few or none.

    Parameters
    ----------
    frequency_hz : (n_freq,) on a logarithmic grid [Hz].
    driven : (n_freq, n_seat, n_sub), gain, delay and polarity of the plan in it [1/m].
    seat_weight : (n_seat,) any scale.
    drive_db : (n_sub,) gains of the plan [dB].
    limits : what the filters may do.
    rate_hz : sample rate at which they are judged in the end [Hz].
    exchange : variation given up for a decibel more level [dB per dB].
    running : progress, cancelling; once cancelled, what was found so far is returned.
    """
    n_sub = driven.shape[2]
    task = _Task(
        hz=frequency_hz,
        driven=driven,
        drive_db=np.tile(drive_db, (len(frequency_hz), 1)),
        weight=normalised(seat_weight),
        limits=limits,
        exchange=exchange,
    )
    found: list[tuple[int, SectionKind]] = []
    flat = np.empty(0)
    value = task.value_db(task.shapes(found, flat))
    most = limits.per_sub * n_sub if n_sub > 1 and driven.shape[1] > 1 else 0
    most = most if limits.in_all is None else min(most, limits.in_all)
    for step in range(most):
        if running.stop_asked():
            break
        running.step("filters", step / most)
        new = _best_of_grid(task, found, flat)
        if new is None:
            break
        (sub, kind), start = new
        trial, moved = [*found, (sub, kind)], np.concatenate([flat, start])
        moved = _moved(task, trial, moved)
        reached = task.value_db(task.shapes(trial, moved))
        if reached > value - limits.worth_db:
            break
        found, flat, value = trial, moved, reached
    sections = _worthwhile(task, _dialled(task, found, flat, rate_hz), rate_hz)
    return tuple(
        tuple(sorted((one for sub, one in sections if sub == number), key=lambda one: one.frequency_hz))
        for number in range(n_sub)
    )


def _best_of_grid(
    task: _Task, found: Sequence[tuple[int, SectionKind]], flat: Floats
) -> tuple[tuple[int, SectionKind], Floats] | None:
    """The one filter that, added to those found, brings the least variation and lost level."""
    limits, now = task.limits, task.shapes(found, flat)
    parts = task.driven * now[:, None, :]
    total = parts.sum(axis=2)
    mean_before = task._mean_before()
    loud = (task.drive_db + 20.0 * np.log10(np.abs(now))).T  # (n_sub, n_freq)
    best: tuple[float, tuple[int, SectionKind], Floats] | None = None
    for sub in range(parts.shape[2]):
        if sum(one == sub for one, _ in found) >= limits.per_sub:
            continue
        others_loudest = max((float(loud[one].max()) for one in range(len(loud)) if one != sub), default=-np.inf)
        for kind in limits.kinds():
            grid = _grid(task.hz, kind, limits)
            taken = flat.reshape(-1, 3)[[one == (sub, kind) for one in found], 0]
            distance = apart(task.hz, limits.controls.frequency_hz)
            grid = grid[(np.abs(np.log(grid[:, :1]) - taken) >= distance).all(axis=1)]
            if not len(grid):
                continue
            shapes = _shape(task.hz, kind, grid)
            pressure = total[None] + (shapes - 1.0)[:, :, None] * parts[None, :, :, sub]
            level = level_db(pressure)  # (n_grid, n_freq, n_seat)
            mean = level @ task.weight
            v2 = np.mean(((level - mean[:, :, None]) ** 2) @ task.weight, axis=1)
            own = (loud[sub] + 20.0 * np.log10(np.abs(shapes))).max(axis=1)
            lost = np.maximum(own, others_loudest) - task.drive_db.max() - mean.mean(axis=1) + mean_before
            value = v2 + (task.exchange * np.maximum(lost, 0.0)) ** 2
            at = int(np.argmin(value))
            if best is None or value[at] < best[0]:
                best = (float(value[at]), (sub, kind), np.array([*np.log(grid[at, :2]), grid[at, 2]]))
    return None if best is None else (best[1], best[2])


def _grid(hz: Floats, kind: SectionKind, limits: SubFilterLimits) -> Floats:
    """Frequencies, Q and gains that are tried: (n, 3)."""
    ends = limits.controls.frequency_hz.within(float(hz[0]), float(hz[-1]))
    if ends.is_empty:
        return np.empty((0, 3))
    count = 1 + round(GRID_PER_OCTAVE * np.log2(ends.high / ends.low))
    centres = np.geomspace(ends.low, ends.high, max(count, 2))
    sharp = sorted({float(np.clip(q, *limits.q)) for q in GRID_Q})
    parts = np.arange(1, GRID_GAINS + 1) / GRID_GAINS
    gains = [0.0] if kind == "all-pass" else [*(-limits.cut_db * parts), *(limits.boost_db * parts)]
    return np.array(list(product(centres, sharp, gains)))


def _shape(hz: Floats, kind: SectionKind, rows: Floats) -> Complexes:
    if kind == "all-pass":
        return all_pass_shapes(hz, centre_hz=rows[:, 0], q=rows[:, 1])
    return peaking_shapes(hz, centre_hz=rows[:, 0], q=rows[:, 1], gain_db=rows[:, 2])


def _moved(task: _Task, found: Sequence[tuple[int, SectionKind]], flat: Floats) -> Floats:
    """All filters moved together to the nearest optimum within the limits."""
    from scipy.optimize import least_squares  # noqa: PLC0415 (a third of a second that other uses need not pay)

    limits = task.limits
    dials = limits.controls.frequency_hz
    inside = dials.within(float(task.hz[0]), float(task.hz[-1]))
    ends = (float(np.log(inside.low)), float(np.log(inside.high)))
    low = np.tile([ends[0], np.log(limits.q[0]), -limits.cut_db], len(found))
    high = np.tile([ends[1], np.log(limits.q[1]), limits.boost_db], len(found))
    for path in set(found):
        own = 3 * np.array([place for place, one in enumerate(found) if one == path])
        low[own], high[own] = cells(flat[own], ends, apart(task.hz, dials))
    low, high = low - 1e-9, high + 1e-9
    free = np.array([[True, True, kind == "peaking"] for _, kind in found]).ravel()
    start = np.clip(flat, low, high)

    def whole(part: Floats) -> Floats:
        at = start.copy()
        at[free] = part
        return at

    def residual(part: Floats) -> Floats:
        return task.residual(task.shapes(found, whole(part)))

    answer = least_squares(
        residual,
        start[free],
        bounds=(low[free], high[free]),
        x_scale=np.tile([0.1, 0.3, 1.0], len(found))[free],
        max_nfev=40,
    )
    return whole(answer.x)


def _dialled(task: _Task, found: Sequence[tuple[int, SectionKind]], flat: Floats, rate_hz: float) -> list[Placed]:
    """The filters on the processor's steps, still within the limits."""
    limits = task.limits
    controls = kept_within(limits.controls, q=limits.q, gain_db=(-limits.cut_db, limits.boost_db))
    fitted = [
        (sub, Section(kind=kind, frequency_hz=float(np.exp(log_f)), q=float(np.exp(log_q)), gain_db=float(gain)))
        for (sub, kind), (log_f, log_q, gain) in zip(found, flat.reshape(-1, 3), strict=True)
    ]
    distance = float(np.log(2.0) * APART_OCTAVES)
    return on_steps(fitted, controls, lambda placed: _value(task, placed, rate_hz), apart=distance)


def _value(task: _Task, placed: Sequence[Placed], rate_hz: float) -> float:
    """Variation and lost level with these filters in the subs' paths [dB]."""
    filters = np.ones((len(task.hz), task.driven.shape[2]), dtype=np.complex128)
    for sub, one in placed:
        filters[:, sub] *= section_response([one], task.hz, rate_hz=rate_hz)
    return task.value_db(filters)


def _worthwhile(task: _Task, sections: list[Placed], rate_hz: float) -> list[Placed]:
    """Without those that, as dialled in, take off too little; the least useful goes first."""
    kept = [(sub, one) for sub, one in sections if one.kind == "all-pass" or abs(one.gain_db) >= SHALLOWEST_DB]
    while kept:
        whole = _value(task, kept, rate_hz)
        without = [_value(task, kept[:place] + kept[place + 1 :], rate_hz) for place in range(len(kept))]
        least = int(np.argmin(without))
        if without[least] - whole >= task.limits.worth_db / 2.0:
            break
        kept = kept[:least] + kept[least + 1 :]
    return kept
