"""The steps of a fit over one band of frequencies; what is minimised, and why so: see `fit`."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import nnls

from roommodes.arrays import Complexes, Floats
from roommodes.running import Running
from solvers.fit.model import FitModel, Response
from solvers.fit.outcome import ALIKE, STIFFNESS, Stop, even_weight, misfit, span, stacked, widening
from solvers.fit.parameters import Parameter, Space
from solvers.fit.source import Source, SourceModel

MOST_TRIES = 6
HALVINGS = 40
REACH = 1.0  # longest step of any parameter, in prior standard deviations
STEADY = 0.1  # moves of all parameters below which size and loss keep their slopes
SCAN_STEPS = 2
SCANNED = 0.02  # share of the response that a pane must move for that
LOCAL, STIFF = 5.0, 300.0  # bounds; data that would have to say otherwise
WIDEST = 10.0  # k while the steps are taken
ROUNDS = 5
FLOOR = 1e-3  # least noise over the data's rms: what the model's own sums leave


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
    source : how F may look.
    running : progress of a step, begun anew at 0 with each; cancelling.
    """

    def __init__(
        self,
        space: Space,
        frequency_hz: Floats,
        data: Complexes,
        source: SourceModel,
        *,
        running: Running,
    ) -> None:
        self.space = space
        self.hz = frequency_hz
        self.data = data
        self.source = source
        self.running = running
        self.model = FitModel(space, frequency_hz, running)
        self.latency = np.zeros(data.shape[2])
        self.local = False

    def start(self, u: Floats) -> State | None:
        """The point u with all slopes; None when cancelled."""
        response = self.model.response(u, self.space.free, {})
        if response is None:
            return None
        self.latency = self.source.latency_s(self.data, response.transfer, even_weight(self.data))
        return self._with_source(u, response, None, even_weight(self.data))

    def run(self, state: State, *, most: int, settled: float) -> tuple[State, Stop, int]:
        """Steps until every move is below `settled` posterior standard deviations, at most `most`."""
        reach = REACH
        for number in range(1, most + 1):
            state, weight = self.weighed(state)
            curvature, gradient = self.curvature(state, weight, self.space.free)
            taken, move, reach = self._step(state, weight, curvature, gradient, reach, number)
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
        return self._with_source(state.u, state.response, state.source, weight), weight

    def _evaluate(
        self, u: Floats, wanted: Sequence[Parameter], before: State, weight: Floats, note: str
    ) -> State | None:
        """Response with the wanted slopes (those left out are taken from `before`) and F at u."""
        response = self.model.response(u, wanted, {}, note)
        if response is None:
            return None
        response = Response(transfer=response.transfer, slopes={**before.response.slopes, **response.slopes})
        return self._with_source(u, response, before.source, weight)

    def _with_source(self, u: Floats, response: Response, start: Source | None, weight: Floats) -> State:
        source = self.source.solve(self.data, response.transfer, weight, self.latency, start)
        left = self.data - source.factor(self.hz) * response.transfer
        return State(u=u, response=response, source=source, left=left)

    def weights(self, left: Complexes) -> tuple[Floats, float]:
        """1 / sigma (n_freq, n_sub) from what is left, and k.

        Far off, sigma follows `even_weight`. Once the fit is near (`local`) it follows what is left: one part that is
        the same at all frequencies, as noise is, one that goes with the level, as a model's faults do; and beyond both,
        within bounds, what is left over half-octaves. Unbounded, that would let the fit give up an octave; and a noise
        that follows every chance of the data makes uncertainties narrow, so that much must speak for it (`STIFF`).
        """
        power = np.mean(np.abs(left) ** 2, axis=1) / self._freedom()
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
        weight = 1.0 / np.sqrt(sigma2 + FLOOR**2 * even)
        return np.asarray(weight), widening(left * weight[:, None, :])

    def _freedom(self) -> float:
        """Share of the data that no parameter uses up."""
        own = {"none": 0, "common": 1, "each": self.data.shape[2]}[self.source.own] * self.source.terms * 2
        extra = (int(self.source.gains) + int(self.source.delays)) * self.data[0].size
        used = own + extra + len(self.space.free)
        return max(0.2, 1.0 - float(used) / (2.0 * float(self.data.size)))

    # -- one step -----------------------------------------------------------------------------------------------------

    def curvature(self, state: State, weight: Floats, wanted: Sequence[Parameter]) -> tuple[Floats, Floats]:
        """Half the curvature and the downhill gradient of the function over u, F's numbers projected out."""
        slopes, left = self.projected(state, weight, wanted)
        u = np.array([state.u[self.space.free.index(p)] if p in self.space.free else 0.0 for p in wanted])
        return slopes.T @ slopes + np.eye(len(wanted)), slopes.T @ left - u

    def projected(self, state: State, weight: Floats, wanted: Sequence[Parameter]) -> tuple[Floats, Floats]:
        factor = state.source.factor(self.hz)
        scale = np.sqrt(2.0) * weight[:, None, :]  # real and imaginary part have half the variance each
        slopes = stacked([factor * state.response.slopes[p] * scale for p in wanted])
        left = stacked([state.left * scale])[:, 0]
        columns = self.source.columns(state.response.transfer, state.source, self.latency)
        if columns:
            basis = span(stacked([column * scale for column in columns]))
            slopes = slopes - basis @ (basis.T @ slopes)
            left = left - basis @ (basis.T @ left)
        return slopes, left

    def _cost(self, state: State, weight: Floats) -> float:
        left: float = float(np.linalg.norm(state.left * weight[:, None, :]))
        return 2.0 * left**2 + float(state.u @ state.u)

    def _step(
        self, state: State, weight: Floats, curvature: Floats, gradient: Floats, reach: float, number: int
    ) -> tuple[State | None, Floats, float]:
        """The next point, the whole Gauss-Newton move, and the reach of the step after it."""
        whole: Floats = np.asarray(np.linalg.solve(curvature, gradient), dtype=np.float64)
        now = self._cost(state, weight)
        for _ in range(MOST_TRIES):
            move = within(curvature, gradient, reach)
            length = float(np.abs(move).max())
            steady = length < STEADY and number > 1
            wanted = [p for p in self.space.free if not (steady and p.group in {"size", "loss"})]
            share = 100.0 * misfit(state.left, self.data)
            trial = self._evaluate(state.u + move, wanted, state, weight, f"misfit {share:.1f} %")
            if trial is None:
                return None, whole, reach
            gained = now - self._cost(trial, weight)
            if gained >= -1e-9 * now:
                expected = float(2.0 * gradient @ move - move @ curvature @ move)
                return trial, whole, min(REACH, 2.0 * length) if gained > 0.5 * expected else length
            reach = 0.3 * length
        return None, whole, reach

    def leading(self, states: Sequence[State], most: int) -> list[State]:
        """At most so many states, the likeliest first, judged alike; of two with stiffnesses alike the likelier."""
        if not states:
            return []
        weight, wide = self.weights(min(states, key=lambda one: misfit(one.left, self.data)).left)
        weight = weight / np.sqrt(min(wide, WIDEST))
        kept: list[State] = []
        for state in sorted(states, key=lambda one: self._cost(one, weight)):
            apart = (np.abs(self._stiffness(state.u) - self._stiffness(one.u)).max(initial=0.0) for one in kept)
            if all(value > ALIKE for value in apart) and len(kept) < most:
                kept.append(state)
        return kept

    def behind(self, state: State, best: State) -> float:
        """By how much what is minimised is larger than for the best, at the best one's weights."""
        best, weight = self.weighed(best)
        state = self._with_source(state.u, state.response, state.source, weight)
        return self._cost(state, weight) - self._cost(best, weight)

    def scan(self, state: State, moves: Sequence[float], most: int) -> list[State]:
        """Starts at other stiffnesses of panes: their resonances may lie far from where they are drawn.

        From each start, `moves` prior standard deviations away and the pane otherwise as drawn, some steps are taken
        with the slopes of size and loss as they are. At most so many are kept, the likeliest first; none when
        cancelled.
        """
        size = float(np.linalg.norm(state.response.transfer))
        states = [state]
        for place, parameter in enumerate(self.space.free):
            if parameter.key != STIFFNESS:
                continue
            if float(np.linalg.norm(state.response.slopes[parameter])) < SCANNED * size:
                continue
            found = list(states)
            for one in states:
                for move in (0.0, *moves):
                    u = one.u.copy()
                    if move:
                        u[[p.owner == parameter.owner for p in self.space.free]] = 0.0
                    u[place] = one.u[place] + move
                    other = self._few_steps(one, u, f"{parameter.owner}: stiffness")
                    if other is None:
                        return []
                    found.append(other)
            states = self.leading(found, most)
        again = (self._evaluate(one.u, self.space.free, one, even_weight(self.data), "stiffness") for one in states)
        return [one for one in again if one is not None]

    def _stiffness(self, u: Floats) -> Floats:
        return np.array([value for value, p in zip(u, self.space.free, strict=True) if p.key == STIFFNESS])

    def _few_steps(self, state: State, u: Floats, note: str) -> State | None:
        """`SCAN_STEPS` steps from u with the slopes of size and loss that `state` has."""
        quick = [p for p in self.space.free if p.group not in {"size", "loss"}]
        found = self._evaluate(u, quick, state, even_weight(self.data), note)
        for _ in range(SCAN_STEPS):
            if found is None:
                return None
            found, weight = self.weighed(found)
            curvature, gradient = self.curvature(found, weight, self.space.free)
            found = self._evaluate(found.u + within(curvature, gradient, REACH), quick, found, weight, note)
        return found


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
    columns = np.stack([np.ones_like(level), level / level.mean()], axis=1)
    expected = np.full_like(power, power.mean())
    for _ in range(ROUNDS):
        found, _ = nnls(columns / expected[:, None], power / expected)
        expected = np.maximum(columns @ found, 1e-3 * power.mean() + 1e-300)
    return expected
