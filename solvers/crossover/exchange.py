"""Layouts with the mains playing: from the leading ones one sub's place at a time is exchanged for another candidate.

For one slot all columns that the wishes allow beside the others are judged at once: at a few frequencies, with the
settings of that sub on a coarse grid, the others' held, the gain of all subs against the mains matched as in
`alignment`. The leading few have their settings found anew; what is the most even with the mains is gone on from,
until no exchange helps; then from the best again with two slots filled at random. Effort is counted, not timed: the
same plans on every machine.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import product

import numpy as np

from roommodes.arrays import Complexes, Floats, Integers
from roommodes.responses.metrics import drive_weights, normalised
from roommodes.running import Running
from solvers.crossover.alignment import EDGE, RATE_HZ, Meeting
from solvers.crossover.beside_subs import HELPS_DB, Mains, Setter
from solvers.search.columns import FIXED, Columns, columns_of
from solvers.search.problem import FoundPlan, Problem
from solvers.search.state import State, plan_of, state_of

STARTS = 3  # leading layouts that are gone on from
ROUNDS = 6  # through all slots, of each start
KICKS = 4  # layouts with two slots filled at random that are gone on from
TRIED = 3  # columns of a slot whose settings are found anew
TRIED_AS_THEY_ARE = 8  # where there are none to find
MOST_SET = 80  # layouts whose settings are found, those given included
KEPT = 8  # layouts that come back
LARGEST_SWEEP = 6_000_000  # numbers: columns x settings x frequencies x seats x mains
FREQUENCIES = (6, 24)  # least, most of a sweep
DELAYS, TURNS = 12, 32  # of one sub; of all subs against the mains
STEP_DB = 4.0
LARGEST_BLOCK = 1_000_000  # numbers at once


def exchanged(
    problem: Problem,
    mains: Mains,
    plans: Sequence[FoundPlan],
    *,
    entropy: Sequence[int],
    stage: str = "layouts",
    running: Running = Running(),
) -> tuple[FoundPlan, ...]:
    """Other layouts than those given, the most even with the mains first; none where no exchange helps.

    Parameters
    ----------
    problem, mains : what is asked.
    plans : leading layouts with settings found with the mains, with as many subs each.
    entropy : what the random numbers follow from.
    stage : what the progress is shown under.
    running : progress, cancelling; once cancelled, what was met so far.
    """
    columns = columns_of(problem)
    setter = Setter(problem=problem, mains=mains, columns=columns)
    walk = _Walk(setter=setter, random=np.random.default_rng([*entropy, STARTS]), running=running, stage=stage)
    for plan in plans:
        walk.meet(plan, mains.variation_db(problem, plan))
    given = set(walk.met)
    for layout in sorted(given, key=lambda one: walk.met[one][1])[:STARTS]:
        walk.walk(layout)
    for _ in range(KICKS):
        walk.walk(walk.kicked())
    ordered = sorted((walk.met[one] for one in walk.met if one not in given), key=lambda one: one[1])[:KEPT]
    if ordered and not problem.drives.is_single and not running.stop_asked():
        random = np.random.default_rng([*entropy, 0])
        leading = min((ordered[0], setter.from_starts(ordered[0][0], random)), key=lambda one: one[1])
        ordered[0] = (setter.nudged(*leading), leading[1])
    return tuple(plan for plan, _ in ordered)


Layout = tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Walk:
    """Exchanges from one layout after another; `met` are all layouts whose settings were found and what they give."""

    setter: Setter
    random: np.random.Generator
    running: Running
    stage: str
    met: dict[Layout, tuple[FoundPlan, float]] = field(default_factory=dict)
    left: set[Layout] = field(default_factory=set)

    def meet(self, plan: FoundPlan, value: float) -> None:
        """Keep a layout with its settings, if they are the best it had."""
        layout = state_of(self.setter.columns, plan).layout
        if layout not in self.met or value < self.met[layout][1]:
            self.met[layout] = (plan, value)

    def walk(self, layout: Layout) -> None:
        """From one layout to others as long as that helps; where a walk has been before it ends."""
        for _ in range(ROUNDS):
            before = layout
            if layout in self.left:
                return
            self.left.add(layout)
            for slot in range(len(layout)):
                if self.running.stop_asked() or len(self.met) >= MOST_SET:
                    return
                layout = self._exchange(layout, slot)
            if layout == before:
                return

    def kicked(self) -> Layout:
        """The best layout with up to two slots filled at random, its settings found; itself where nothing fits."""
        best = min(self.met, key=lambda one: self.met[one][1])
        if self.running.stop_asked() or len(self.met) >= MOST_SET:
            return best
        state = state_of(self.setter.columns, self.met[best][0])
        for slot in self.random.permutation(len(best))[:2]:
            free = _free(self.setter.columns, state, int(slot))
            if len(free):
                state.column[slot] = self.random.choice(free)
        if state.layout not in self.met:
            self.meet(*self.setter.descended(plan_of(self.setter.problem, self.setter.columns, state)))
        return state.layout

    def _exchange(self, layout: Layout, slot: int) -> Layout:
        """The layout, or one with another column in a slot that is more even."""
        best = min(value for _, value in self.met.values())
        self.running.step(self.stage, 0.0, f"layouts with the mains, {len(self.met)} set, best {best:.2f} dB")
        plan, value = self.met[layout]
        columns = self.setter.columns
        state = state_of(columns, plan)
        free = _free(columns, state, slot)
        if not len(free):
            return layout
        sweep = _Sweep.of(self.setter, plan, state, slot, free, self.random)
        for after in sweep.leading(TRIED_AS_THEY_ARE if self.setter.problem.drives.is_single else TRIED):
            if after.layout not in self.met:
                self.meet(*self.setter.descended(plan_of(self.setter.problem, columns, after)))
            reached = self.met[after.layout][1]
            if reached < value - HELPS_DB:
                layout, value = after.layout, reached
        return layout


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Sweep:
    """One slot of a layout in any of some columns, at a grid of settings.

    Parameters
    ----------
    state : the layout as it is; `slot` is exchanged.
    columns : (n_column,) what may stand there.
    settings : (n_setting, 3) gain [dB], delay [s], polarity of the slot.
    scores : (n_setting, n_column) mean square of the variation with the mains [dB^2].
    """

    state: State
    slot: int
    columns: Integers
    settings: Floats
    scores: Floats

    @classmethod
    def of(
        cls, setter: Setter, plan: FoundPlan, state: State, slot: int, free: Integers, random: np.random.Generator
    ) -> "_Sweep":
        """Judge every column of `free` in a slot of a plan's layout."""
        problem, mains = setter.problem, setter.mains
        met = mains.of(problem, plan)
        alone = len(state.column) == 1 or problem.drives.is_single
        settings = np.array([_own(state, slot)]) if alone else _grid(setter, state, slot)
        turns = _turns(mains) if alone else np.ones((1, len(mains.frequency_hz)), dtype=np.complex128)
        each = max(len(settings), len(turns)) * met.high.shape[1] * met.high.shape[2]
        least, most = FREQUENCIES
        room = LARGEST_SWEEP // (each * least)
        if len(free) > room:
            free = np.sort(random.choice(free, size=max(1, room), replace=False))
        n = min(len(mains.frequency_hz), most, max(least, LARGEST_SWEEP // (each * len(free))))
        chosen = np.round(np.linspace(0, len(mains.frequency_hz) - 1, n)).astype(np.int64)
        parts = _Parts.of(setter, met, state, slot, chosen)
        weights = drive_weights(parts.hz, gain_db=settings[:, 0], delay_s=settings[:, 1], polarity=settings[:, 2])
        scores = np.empty((max(len(settings), len(turns)), len(free)))
        block = max(1, LARGEST_BLOCK // (each * n))
        for start in range(0, len(free), block):
            part = free[start : start + block]
            heard = _pressure(problem, setter.columns, part, chosen) * parts.low[:, None, None]
            scores[:, start : start + block] = parts.scores(heard, weights.T, turns[:, chosen])
        return cls(state=state, slot=slot, columns=free, settings=settings, scores=scores)

    def leading(self, count: int) -> list[State]:
        """The layout with the best columns in the slot, each at its best setting of the grid."""
        lowest = self.scores.min(axis=0)
        found = []
        for k in np.argsort(lowest, kind="stable")[:count]:
            at = int(np.argmin(self.scores[:, k])) if len(self.settings) > 1 else 0
            after = self.state.copy()
            after.column[self.slot] = self.columns[k]
            after.gain_db[self.slot], after.delay_s[self.slot], after.polarity[self.slot] = self.settings[at]
            found.append(after)
        return found


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Parts:
    """What sounds beside the slot that is exchanged, at a few frequencies.

    Parameters
    ----------
    hz : (n_freq,) [Hz].
    low : (n_freq,) what the crossover and the setting of all subs make of a sub.
    rest : (n_freq, n_seat) the other subs through it.
    high : (n_freq, n_seat, n_main) the mains through theirs.
    weight : (n_seat,) sum 1.
    below : (n_freq,) whether the gain of all subs is matched there.
    power : of all subs there as they were.
    """

    hz: Floats
    low: Complexes
    rest: Complexes
    high: Complexes
    weight: Floats
    below: np.ndarray
    power: float

    @classmethod
    def of(cls, setter: Setter, met: Meeting, state: State, slot: int, chosen: Integers) -> "_Parts":
        """The others of a layout and the mains, as they meet."""
        problem, mains = setter.problem, setter.mains
        hz, weight = mains.frequency_hz[chosen], normalised(problem.seat_weight)
        turned = met.polarity * 10.0 ** (met.gain_db / 20.0) * np.exp(-2j * np.pi * hz * met.delay_s)
        low = mains.own[chosen] * mains.crossover.responses(hz, RATE_HZ)[0] * turned
        own = drive_weights(hz, gain_db=state.gain_db, delay_s=state.delay_s, polarity=state.polarity)
        driven = _pressure(problem, setter.columns, state.column, chosen) * (own * low[:, None])[:, None, :]
        octave = np.log2(hz / mains.crossover.frequency_hz)
        below = (octave <= EDGE) & (octave >= -1.0 - EDGE)
        return cls(
            hz=hz,
            low=low,
            rest=np.delete(driven, slot, axis=2).sum(axis=2),
            high=met.high[chosen],
            weight=weight,
            below=below,
            power=float(np.sum(np.abs(driven.sum(axis=2)[below]) ** 2 @ weight)),
        )

    def scores(self, heard: Complexes, weights: Complexes, turns: Complexes) -> Floats:
        """Mean square of the variation [dB^2]: (n_setting or n_turn, n_column).

        Parameters
        ----------
        heard : (n_freq, n_seat, n_column) a column at the seats, upright and in time.
        weights, turns : (n_setting, n_freq), (n_turn, n_freq) of that column, of all subs; one of them has one row.
        """
        own = heard.transpose(2, 0, 1).astype(np.complex64)
        subs = self.rest[None, None] + weights[:, None, :, None] * own[None]
        subs = (subs * turns[:, None, :, None]).astype(np.complex64)
        if self.below.any() and self.power > 0.0:
            power = np.sum(np.abs(subs[:, :, self.below]) ** 2 @ self.weight, axis=2)
            subs *= np.sqrt(self.power / np.maximum(power, 1e-12 * self.power))[:, :, None, None].astype(np.float32)
        total = np.zeros(subs.shape[:2])
        for m in range(self.high.shape[2]):
            whole = subs + self.high[:, :, m].astype(np.complex64)
            level = 10.0 * np.log10(np.maximum(whole.real**2 + whole.imag**2, np.float32(1e-30)))
            mean = level @ self.weight
            total += np.mean((level - mean[..., None]) ** 2 @ self.weight, axis=2)
        return np.asarray(total / self.high.shape[2])


def _free(columns: Columns, state: State, slot: int) -> Integers:
    """What else may stand in a slot: (n_column,), none where its sub is fixed."""
    others, group = np.delete(state.column, slot), columns.group[state.column[slot]]
    free = np.flatnonzero(columns.beside(others) & (columns.group == group) & (group < FIXED))
    return np.asarray(free[free != state.column[slot]])


def _pressure(problem: Problem, columns: Columns, column: Integers, chosen: Integers) -> Complexes:
    """Columns at the seats, all subs of each alike: (n_freq, n_seat, n_column) [1/m]."""
    transfer = problem.transfer[chosen]
    return np.stack([transfer[:, :, list(columns.members[c])].sum(axis=2) for c in column], axis=2)


def _own(state: State, slot: int) -> tuple[float, float, float]:
    return float(state.gain_db[slot]), float(state.delay_s[slot]), float(state.polarity[slot])


def _grid(setter: Setter, state: State, slot: int) -> Floats:
    """Settings of one slot that keep every difference to the others within its range: (n_setting, 3)."""
    drives, (gain, delay, sign) = setter.problem.drives, _own(state, slot)
    gains, delays = np.delete(state.gain_db, slot), np.delete(state.delay_s, slot)
    low_db, high_db = gains.max() - drives.gain_span_db, gains.min() + drives.gain_span_db
    low_s, high_s = delays.max() - drives.delay_span_s, delays.min() + drives.delay_span_s
    own_db = np.unique(np.clip([gain - STEP_DB, gain, gain + STEP_DB], low_db, high_db))
    own_s = np.unique(np.append(np.linspace(low_s, high_s, DELAYS), np.clip(delay, low_s, high_s)))
    signs = (sign, -sign) if drives.polarity else (sign,)
    return np.array(list(product(own_db, own_s, signs)))


def _turns(mains: Mains) -> Complexes:
    """All subs later or earlier against the mains than they are, in both polarities: (n_turn, n_freq)."""
    span = mains.delay_s[1] - mains.delay_s[0]
    delay = np.append(0.0, np.linspace(-span / 2.0, span / 2.0, TURNS // 2 - 1))
    turn = np.exp(-2j * np.pi * np.outer(delay, mains.frequency_hz))
    return np.concatenate([turn, -turn])
