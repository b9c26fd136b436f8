"""Hops over positions and drives: the Python side of `search.kernels.hop`.

One hop throws one of a plan's subs elsewhere and lets the plan land again. The chain goes on from where it landed
if that is good enough, else from where it hopped off.
"""

from dataclasses import dataclass

import numpy as np

from roommodes.arrays import Floats, Integers
from solvers.search.columns import Columns
from solvers.search.kernels import hop as kernels_hop
from solvers.search.kernels import quick as kernels_quick
from solvers.search.kernels.hop import Bounds, Habits, Plans, Rules
from solvers.search.kernels.sweep import Limits, Tables
from solvers.search.problem import DriveRange
from solvers.search.state import State, placed, random_drives

ARCHIVE = 48  # plans remembered per burst of hops
HABITS = Habits(looks=32, moves=5, steps=4)
THOROUGH = Habits(looks=10**6, moves=12, steps=8)  # every column
POLISH_STEPS, POLISH_TOLERANCE = 40, 1e-4  # of the polish in float32
WARM = 0.05  # part by which a landing may be worse and still be gone on from


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Burst:
    """The result of some hops of one chain.

    Parameters
    ----------
    value, state : of the plan to go on from [dB^2].
    met : the best plans met, one per layout, lowest value first.
    visits : slots that were searched.
    """

    value: float
    state: State
    met: list[tuple[float, State]]
    visits: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Hopper:
    """Everything that the chains of one problem share; safe to use from several threads."""

    quick: Tables
    tables: Tables
    limits: Limits
    rules: Rules
    columns: Columns
    drives: DriveRange
    reward: float
    throws: int = 1

    def burst(
        self,
        start: State,
        *,
        value: float,
        hops: int,
        random: np.random.Generator,
        habits: Habits = HABITS,
    ) -> Burst:
        """Hop on from a plan.

        Parameters
        ----------
        start : the plan to hop off from.
        value : of it; infinite for a start of its own, which lands before the first hop.
        hops : how many.
        random : what to draw from; moved on.
        habits : how thorough each visit to a sub is.
        """
        n = len(start.column)
        bounds = self._bounds(n)
        archive = Plans(
            value=np.full(ARCHIVE, np.inf),
            columns=np.zeros((ARCHIVE, n), dtype=np.int64),
            pol=np.ones((ARCHIVE, n)),
            x=np.zeros((ARCHIVE, 2 * n)),
        )
        home = start
        visits = 0
        for _ in range(hops):
            state = (home if np.isinf(value) else self._thrown(home, random)).copy()
            x = self._unknowns(state)
            found, more = kernels_hop.land(
                self.quick,
                self.tables,
                self.limits,
                self.rules,
                habits,
                bounds,
                random.permutation(n),
                random.permutation(self.columns.count),
                state.column,
                state.polarity,
                x,
                archive,
            )
            visits += more
            if np.isinf(value) or found < value + WARM * abs(value):
                value, home = float(found), _state(state.column, state.polarity, x)
        order = [i for i in np.argsort(archive.value, kind="stable") if np.isfinite(archive.value[i])]
        met = [(float(archive.value[i]), _state(archive.columns[i], archive.pol[i], archive.x[i])) for i in order]
        return Burst(value=value, state=home, met=met, visits=visits)

    def polish(self, start: State) -> tuple[float, State]:
        """Polish the drives in float32; returns the value [dB^2] and where it ended."""
        n = len(start.column)
        low, high, reward = self._bounds(n)
        state = start.copy()
        x = self._unknowns(state)
        kernels_hop.settle(x, low, high, reward)
        value = kernels_quick.polish_quick(
            self.tables,
            state.column,
            state.polarity,
            low,
            high,
            reward,
            POLISH_STEPS,
            POLISH_TOLERANCE,
            np.inf,
            x,
            kernels_quick.scratch_of(self.tables, n),
        )
        return float(value), _state(state.column, state.polarity, x)

    def _bounds(self, n: int) -> Bounds:
        (gain_low, gain_high), (delay_low, delay_high) = self.drives.gain_db, self.drives.delay_s
        return Bounds(
            low=np.repeat([float(gain_low), 1e3 * delay_low], n),
            high=np.repeat([float(gain_high), 1e3 * delay_high], n),
            reward=float(self.reward),
        )

    def _unknowns(self, state: State) -> Floats:
        state = placed(state, self.drives)
        return np.concatenate([state.gain_db, 1e3 * state.delay_s])

    def _thrown(self, home: State, random: np.random.Generator) -> State:
        """The plan with one of its subs, or up to `throws`, thrown elsewhere, drive and all.

        With two thrown at once the other half of a good plan of four hardly ever led back to it; with one, one time
        in ten. So one is right where the last tenths of a decibel are sought, more where the goal itself moves.
        """
        n = len(home.column)
        slots = random.permutation(n)[: int(random.integers(1, self.throws + 1))]
        state = home.copy()
        drives = random_drives(home.column, self.drives, random)
        for slot in slots:
            others = np.delete(state.column, slot)
            fits = np.flatnonzero(
                self.columns.beside(others) & (self.columns.group == self.columns.group[state.column[slot]])
            )
            if len(fits):
                state.column[slot] = random.choice(fits)
            state.delay_s[slot] = drives.delay_s[slot]
            state.gain_db[slot] = drives.gain_db[slot]
            state.polarity[slot] = drives.polarity[slot]
        return state


def rules_of(columns: Columns) -> Rules:
    """Which columns may stand together."""
    return Rules(
        group=columns.group,
        clash=columns.clash,
        zone_size=columns.zone_size,
        zone_limit=columns.zone_limit,
    )


def _state(columns: Integers, polarity: Floats, x: Floats) -> State:
    n = len(columns)
    return State(column=columns.copy(), delay_s=1e-3 * x[n:], gain_db=x[:n].copy(), polarity=polarity.copy())
