"""The steps of a fit over one band of frequencies; what is minimised, and why so: see `fit`."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from roommodes.acoustics.precision import Precision
from roommodes.arrays import Complexes, Floats
from roommodes.running import Running
from solvers.fit.model import QUICK, FitModel, Response
from solvers.fit.outcome import ALIKE, STIFFNESS, Stop, stacked, widening
from solvers.fit.parameter import Parameter
from solvers.fit.parameters import Space
from solvers.fit.source import Source, SourceModel
from solvers.fit.verdict import even_weight, misfit
from solvers.fit.wall_sweep import modes_swept, wall_sweep

MOST_TRIES = 6
HALVINGS = 40
REACH = 1.0  # longest step of any parameter, in prior standard deviations
LOCAL, STIFF = 5.0, 300.0  # bounds; data that would have to say otherwise
WIDEST = 10.0  # k while the steps are taken
ROUNDS = 5
FLOOR = 1e-3  # least noise over the data's rms: what the model's own sums leave
TRIED = tuple(np.arange(-3.6, 3.61, 0.15).tolist())  # stiffnesses of a pane looked at, in prior standard deviations
PROMISING, TRIAL_STEPS = 4, 4  # of them tried by so many steps
MANY_MODES, MANY_POINTS = 120, 30  # of a wall's modes and of frequencies: from there on valleys are looked for on
THINNED, TAKEN = 3, 2  # every third, and the likeliest go on
SEEN = 0.02  # share of the response that a pane must move for that


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """One point on the way."""

    u: Floats
    response: Response
    source: Source
    left: Complexes  # d - F H


class Steps:
    """Damped Gauss-Newton steps on some frequencies.

    Parameters
    ----------
    space : parameters.
    frequency_hz : (n_freq,) [Hz].
    data : (n_freq, n_seat, n_sub) complex128, measured.
    noise : (n_freq, n_sub) rms of the noise, NaN where nobody knows.
    source : how F may look.
    running : progress, cancelling, threads.
    precision : of the model.
    """

    def __init__(
        self,
        space: Space,
        frequency_hz: Floats,
        data: Complexes,
        noise: Floats,
        source: SourceModel,
        *,
        running: Running = Running(),
        precision: Precision = QUICK,
    ) -> None:
        self.space = space
        self.hz = frequency_hz
        self.data = data
        self.noise2 = np.where(np.isfinite(noise), noise, 0.0) ** 2
        self.source = source
        self.running = running
        self.model = FitModel(space, frequency_hz, running, precision)
        self.shape = np.ones((data.shape[0], data.shape[2]), dtype=np.complex128)
        self.latency = np.zeros(data.shape[2])
        self.local = False

    def start(self, u: Floats) -> State | None:
        """The point u with all slopes; None when cancelled."""
        response = self.model.response(u, self.space.free, {})
        if response is None:
            return None
        weight = even_weight(self.data)
        self.latency = self.source.latency_s(self.data, response.transfer, weight)
        self.shape = self.source.shape(self.data, response.transfer, weight, self.latency)
        return self._with_source(u, response, None, weight)

    def run(self, state: State, *, most: int, settled: float) -> tuple[State, Stop, int]:
        """Steps until every move is below `settled` posterior standard deviations, at most `most`."""
        reach = REACH
        for number in range(1, most + 1):
            state, weight = self.weighed(state)
            curvature, gradient = self.curvature(state, weight, self.space.free)
            taken, move, reach = self._step(state, weight, curvature, gradient, reach)
            if taken is None:
                return state, Stop.INTERRUPTED if self.running.stop_asked() else Stop.NO_BETTER, number
            state = taken
            deviation = np.sqrt(np.diag(np.linalg.inv(curvature)))
            if float(np.max(np.abs(move) / deviation)) < settled:
                return state, Stop.SETTLED, number
        return state, Stop.STEPS, most

    # -- one point ----------------------------------------------------------------------------------------------------

    def weighed(self, state: State) -> tuple[State, Floats]:
        """The weights of what is left, widened, and the same point with F as those weights have it."""
        weight, wide = self.weights(state.left)
        weight = weight / np.sqrt(min(wide, WIDEST))
        self.shape = self.source.shape(self.data, state.response.transfer, weight, self.latency)
        return self._with_source(state.u, state.response, state.source, weight), weight

    def _evaluate(self, u: Floats, before: State, weight: Floats) -> State | None:
        """Response with all slopes and F at u."""
        note = f"misfit {100.0 * misfit(before.left, self.data):.1f} %"
        response = self.model.response(u, self.space.free, {}, note)
        return None if response is None else self._with_source(u, response, before.source, weight)

    def _with_source(self, u: Floats, response: Response, start: Source | None, weight: Floats) -> State:
        source = self.source.solve(self.data, response.transfer, weight, self.shape, start)
        left = self.data - source.factor(self.hz) * response.transfer
        return State(u=u, response=response, source=source, left=left)

    def weights(self, left: Complexes) -> tuple[Floats, float]:
        """1 / sigma (n_freq, n_sub) from what is left, and k.

        Far off, sigma follows `even_weight`. Once the fit is near (`local`) it follows what is left: one part that is
        the same at all frequencies, as noise is, one that goes with the level, as a model's faults do; and beyond both,
        within bounds, what is left over half-octaves. Unbounded, that would let the fit give up an octave; and a noise
        that follows every chance of the data makes uncertainties narrow, so that much must speak for it (`STIFF`).
        What the data themselves tell of the noise is the least that sigma can be.
        """
        power = np.mean(np.abs(left) ** 2, axis=1) / self.freedom()
        level = np.mean(np.abs(self.data) ** 2, axis=1)
        even = 1.0 / even_weight(self.data) ** 2
        sigma2 = even * np.mean(power / even)
        if self.local:
            sigma2 = np.stack([two_parts(p, lv) for p, lv in zip(power.T, level.T, strict=True)], axis=1)
            apart = np.log2(self.hz)[:, None] - np.log2(self.hz)[None, :]
            near = np.where(np.abs(apart) < 0.5, np.cos(np.pi * apart) ** 2, 0.0)
            number = 2.0 * self.data.shape[1]  # real data of a frequency
            smooth = (number * near @ (power / sigma2) + STIFF) / (number * near.sum(axis=1)[:, None] + STIFF)
            sigma2 = sigma2 * np.clip(smooth, 1.0 / LOCAL, LOCAL)
        weight = 1.0 / np.sqrt(np.maximum(sigma2 + FLOOR**2 * even, self.noise2))
        return np.asarray(weight), widening(left * weight[:, None, :])

    def freedom(self) -> float:
        """Share of the data that no parameter uses up."""
        own = {"none": 0, "common": 1, "each": self.data.shape[2]}[self.source.own] * self.source.terms
        extra = (int(self.source.gains) + int(self.source.delays)) * self.data[0].size
        used = own + extra + len(self.space.free)
        return max(0.2, 1.0 - float(used) / (2.0 * float(self.data.size)))

    # -- one step -----------------------------------------------------------------------------------------------------

    def curvature(self, state: State, weight: Floats, wanted: Sequence[Parameter]) -> tuple[Floats, Floats]:
        """Half the curvature and the downhill gradient of the function over u, F's numbers taken along."""
        square, product, _ = self.normal(state, weight, wanted)
        u = np.array([state.u[self.space.free.index(p)] if p in self.space.free else 0.0 for p in wanted])
        return square + np.eye(len(wanted)), product - u

    def normal(self, state: State, weight: Floats, wanted: Sequence[Parameter]) -> tuple[Floats, Floats, float]:
        """Slopes^T slopes, slopes^T left and left^T left over the wanted parameters, F's numbers eliminated.

        With C the slopes over F's numbers and L their precisions the first is J^T J - J^T C (C^T C + L)^-1 C^T J.
        """
        factor = state.source.factor(self.hz)
        scale = np.sqrt(2.0) * weight[:, None, :]  # real and imaginary part have half the variance each
        columns = self.source.columns(state.response.transfer, state.source)
        square, product, size = np.zeros((len(wanted), len(wanted))), np.zeros(len(wanted)), 0.0
        for subs in self.source.together(self.data.shape[2]):

            def rows(value: Complexes, subs: NDArray[np.intp] = subs) -> Complexes:
                return np.asarray((value * scale)[:, :, subs])

            slopes = stacked([rows(factor * state.response.slopes[p]) for p in wanted])
            left = stacked([rows(state.left)])[:, 0]
            square += slopes.T @ slopes
            product += slopes.T @ left
            size += float(left @ left)
            own = [(rows(column), precision) for column, precision in columns if np.any(column[:, :, subs])]
            if own:
                along = stacked([column for column, _ in own])
                both = along.T @ slopes
                square -= both.T @ np.linalg.solve(along.T @ along + np.diag([one for _, one in own]), both)
        return square, product, size

    def cost(self, state: State, weight: Floats) -> float:
        """What is minimised."""
        left: float = float(np.linalg.norm(state.left * weight[:, None, :]))
        return 2.0 * left**2 + float(state.u @ state.u) + state.source.unlikely

    def _step(
        self, state: State, weight: Floats, curvature: Floats, gradient: Floats, reach: float
    ) -> tuple[State | None, Floats, float]:
        """The next point, the whole Gauss-Newton move, and the reach of the step after it."""
        whole: Floats = np.asarray(np.linalg.solve(curvature, gradient), dtype=np.float64)
        now = self.cost(state, weight)
        for _ in range(MOST_TRIES):
            move = within(curvature, gradient, reach)
            length = float(np.abs(move).max())
            trial = self._evaluate(state.u + move, state, weight)
            if trial is None:
                return None, whole, reach
            gained = now - self.cost(trial, weight)
            if gained >= -1e-9 * now:
                expected = float(2.0 * gradient @ move - move @ curvature @ move)
                return trial, whole, min(REACH, 2.0 * length) if gained > 0.5 * expected else length
            reach = 0.3 * length
        return None, whole, reach

    # -- several starts -----------------------------------------------------------------------------------------------

    def leading(self, states: Sequence[State], most: int) -> list[State]:
        """At most so many states, the likeliest first, judged alike; of two with stiffnesses alike the likelier."""
        if not states:
            return []
        _, weight = self.weighed(min(states, key=lambda one: misfit(one.left, self.data)))
        alike = [self._with_source(one.u, one.response, one.source, weight) for one in states]
        kept: list[State] = []
        for state in sorted(alike, key=lambda one: self.cost(one, weight)):
            apart = (np.abs(self._stiffness(state.u) - self._stiffness(one.u)).max(initial=0.0) for one in kept)
            if all(value > ALIKE for value in apart) and len(kept) < most:
                kept.append(state)
        return kept

    def behind(self, state: State, best: State) -> float:
        """By how much what is minimised is larger than for the best, at the best one's weights."""
        best, weight = self.weighed(best)
        state = self._with_source(state.u, state.response, state.source, weight)
        return self.cost(state, weight) - self.cost(best, weight)

    def elsewhere(self, state: State) -> list[State]:
        """Where else the stiffness of a pane may lie: its resonances may be far from where the steps ended.

        Every stiffness of the prior's range is looked at with all other parameters moved along their slopes; from the
        most promising ones some steps are taken. The point itself comes first; fewer when cancelled.
        """
        size = float(np.linalg.norm(state.response.transfer))
        found = [state]
        for place, parameter in enumerate(self.space.free):
            if parameter.key != STIFFNESS:
                continue
            if float(np.linalg.norm(state.response.slopes[parameter])) < SEEN * size:
                continue
            best = self.leading(found, 1)[0]
            stage, begun = self, best
            if modes_swept(self.model, best.u, parameter, TRIED[0]) > MANY_MODES and len(self.hz) >= MANY_POINTS:
                stage = self._thinned()
                thin = stage.start(best.u)
                if thin is None:
                    return found
                begun = thin
            reached = stage.by_stiffness(begun, place)
            if stage is not self:
                reached = self._again(stage.leading(reached, TAKEN), best)
            found += reached
            if self.running.stop_asked():
                return found
        return found

    def by_stiffness(self, state: State, place: int) -> list[State]:
        """Where some steps end from the most promising stiffnesses of one pane; fewer when cancelled."""
        found: list[State] = []
        costs = self._along(state, place)
        if costs is None:
            return found
        inner = [i for i in range(1, len(costs) - 1) if costs[i] <= min(costs[i - 1], costs[i + 1])]
        ends = [i for i, j in ((0, 1), (len(costs) - 1, len(costs) - 2)) if costs[i] < costs[j]]
        for one in sorted(inner + ends, key=lambda i: costs[i])[:PROMISING]:
            if abs(TRIED[one] - state.u[place]) <= ALIKE:
                continue
            u = state.u.copy()
            u[place] = TRIED[one]
            begun = self._evaluate(u, state, even_weight(self.data))
            if begun is None:
                return found
            reached, _, _ = self.run(begun, most=TRIAL_STEPS, settled=0.5)
            found.append(reached)
        return found

    def _thinned(self) -> "Steps":
        """The same over every third frequency: enough to tell valleys apart, where a solve for each is dear."""
        hz = self.hz[::THINNED]
        source = replace(self.source, frequency_hz=hz, terms=min(self.source.terms, len(hz) // 2))
        stage = Steps(
            self.space,
            hz,
            self.data[::THINNED],
            np.sqrt(self.noise2[::THINNED]),
            source,
            running=self.running,
            precision=self.model.precision,
        )
        stage.local = self.local
        return stage

    def _again(self, states: Sequence[State], before: State) -> list[State]:
        """States of a thinned stage over all frequencies; fewer when cancelled."""
        again = (self._evaluate(state.u, before, even_weight(self.data)) for state in states)
        return [state for state in again if state is not None]

    def _along(self, state: State, place: int) -> list[float] | None:
        """What is minimised over `TRIED` values of one parameter, the others moved as their slopes here say."""
        state, weight = self.weighed(state)
        others = [p for index, p in enumerate(self.space.free) if index != place]
        u = np.delete(state.u, place)
        transfers = wall_sweep(self.model, state.u, self.space.free[place], TRIED)
        if transfers is None:
            return None
        costs = []
        for value, transfer in zip(TRIED, transfers, strict=True):
            there = state.u.copy()
            there[place] = value
            response = Response(transfer=transfer, slopes=state.response.slopes)
            moved = self._with_source(there, response, state.source, weight)
            square, product, size = self.normal(moved, weight, others)
            gradient = product - u
            gained = float(gradient @ np.linalg.solve(square + np.eye(len(u)), gradient))
            costs.append(size + float(there @ there) + moved.source.unlikely - gained)
        return costs

    def _stiffness(self, u: Floats) -> Floats:
        return np.array([value for value, p in zip(u, self.space.free, strict=True) if p.key == STIFFNESS])


def within(curvature: Floats, gradient: Floats, reach: float) -> Floats:
    """The move to the lowest point of the parabola that moves nothing further than `reach`: a trust region."""
    bend, turn = np.linalg.eigh(curvature)
    slope = turn.T @ gradient

    def move(stiffer: float) -> Floats:
        return np.asarray(turn @ (slope / (bend + stiffer)))

    low, high = 1e-6, 1e12
    if np.abs(move(0.0)).max() <= reach:
        return move(0.0)
    for _ in range(HALVINGS):
        middle = float(np.sqrt(low * high))
        low, high = (middle, high) if np.abs(move(middle)).max() > reach else (low, middle)
    return move(high)


def two_parts(power: Floats, level: Floats) -> Floats:
    """Noise power as a + b level, a and b >= 0 the likeliest for what is left: all (n_freq,).

    What is left has a chi-squared distribution about its power, so that each point's error goes with that power.
    """
    from scipy.optimize import nnls  # noqa: PLC0415 (a fifth of a second, and only fits need it)

    columns = np.stack([np.ones_like(level), level / level.mean()], axis=1)
    expected = np.full_like(power, power.mean())
    for _ in range(ROUNDS):
        found, _ = nnls(columns / expected[:, None], power / expected)
        expected = np.maximum(columns @ found, 1e-3 * power.mean() + 1e-300)
    return expected
