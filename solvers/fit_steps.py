"""The steps of a fit over one band of frequencies; what is minimised, and why so: see `fit`."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from solvers.fit_model import FitModel, Response
from solvers.fit_outcome import Stop, even_weight, misfit, span, stacked, widening
from solvers.fit_parameters import Parameter, Space
from solvers.fit_source import Source, SourceModel

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

MOST_TRIES = 4
LARGEST_STEP = 1.0
STEADY = 0.3  # moves of all parameters below which size and loss keep their slopes
SCAN_STEPS = 2
SCANNED = 0.02  # share of the response that a pane must move for that
LOCAL = 5.0
WIDEST = 10.0  # k while the steps are taken
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
    tell : called with (share of a step done, note).
    cancelled : polled.
    """

    def __init__(
        self,
        space: Space,
        frequency_hz: Floats,
        data: Complexes,
        source: SourceModel,
        *,
        tell: Callable[[float, str], None],
        cancelled: Callable[[], bool],
    ) -> None:
        self.space = space
        self.hz = frequency_hz
        self.data = data
        self.source = source
        self.tell = tell
        self.cancelled = cancelled
        self.model = FitModel(space, frequency_hz, cancelled)
        self.latency = np.zeros(data.shape[2])
        self.local = False

    def start(self, u: Floats) -> State | None:
        """The point u with all slopes; None when cancelled."""
        response = self.model.response(u, self.space.free, {}, lambda done, total: self.tell(done / total, ""))
        if response is None:
            return None
        self.latency = self.source.latency_s(self.data, response.transfer)
        return self._with_source(u, response, None)

    def run(self, state: State, *, most: int, settled: float) -> tuple[State, Stop, int]:
        """Steps until every move is below `settled` posterior standard deviations, at most `most`."""
        damping = 1e-2
        for number in range(1, most + 1):
            weight, wide = self.weights(state.left)
            weight = weight / np.sqrt(min(wide, WIDEST))
            curvature, gradient = self.curvature(state, weight, self.space.free)
            taken, move, damping = self._step(state, weight, curvature, gradient, damping, number)
            if taken is None:
                return state, Stop.INTERRUPTED if self.cancelled() else Stop.NO_BETTER, number
            state = taken
            deviation = np.sqrt(np.diag(np.linalg.inv(curvature)))
            if float(np.max(np.abs(move) / deviation)) < settled:
                return state, Stop.SETTLED, number
        return state, Stop.STEPS, most

    # -- one point ----------------------------------------------------------------------------------------------------

    def _evaluate(self, u: Floats, wanted: Sequence[Parameter], before: State, note: str) -> State | None:
        """Response with the wanted slopes (those left out are taken from `before`) and F at u."""
        response = self.model.response(u, wanted, {}, lambda done, total: self.tell(done / total, note))
        if response is None:
            return None
        response = Response(transfer=response.transfer, slopes={**before.response.slopes, **response.slopes})
        return self._with_source(u, response, before.source)

    def _with_source(self, u: Floats, response: Response, start: Source | None) -> State:
        weight = even_weight(self.data)
        source = self.source.solve(self.data, response.transfer, weight, self.latency, start)
        left = self.data - source.factor(self.hz) * response.transfer
        return State(u=u, response=response, source=source, left=left)

    def weights(self, left: Complexes) -> tuple[Floats, float]:
        """1 / sigma (n_freq, n_sub) from what is left, and k.

        Once the fit is near (`local`), sigma follows what is left over half-octaves, within bounds: unbounded, it
        would let the fit give up an octave.
        """
        even = even_weight(self.data)
        power = np.mean(np.abs(left * even[:, None, :]) ** 2, axis=1) / self._freedom()
        sigma2 = np.full_like(power, power.mean())
        if self.local:
            apart = np.log2(self.hz)[:, None] - np.log2(self.hz)[None, :]
            near = np.where(np.abs(apart) < 0.5, np.cos(np.pi * apart) ** 2, 0.0)
            smooth = (near @ power) / near.sum(axis=1)[:, None]
            sigma2 = np.clip(smooth, sigma2 / LOCAL, sigma2 * LOCAL)
        weight = even / np.sqrt(sigma2 + FLOOR**2)
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
        self, state: State, weight: Floats, curvature: Floats, gradient: Floats, damping: float, number: int
    ) -> tuple[State | None, Floats, float]:
        """The next point, the undamped move, and the damping for the step after it."""
        move: Floats = np.asarray(np.linalg.solve(curvature, gradient), dtype=np.float64)
        now = self._cost(state, weight)
        for _ in range(MOST_TRIES):
            stiff = curvature + damping * np.diag(np.diag(curvature))
            damped: Floats = np.asarray(np.linalg.solve(stiff, gradient), dtype=np.float64)
            damped = damped * min(1.0, LARGEST_STEP / max(float(np.abs(damped).max()), 1e-12))
            steady = float(np.abs(damped).max()) < STEADY and number > 1
            wanted = [p for p in self.space.free if not (steady and p.group in {"size", "loss"})]
            share = 100.0 * misfit(state.left, self.data)
            trial = self._evaluate(state.u + damped, wanted, state, f"misfit {share:.1f} %")
            if trial is None:
                return None, move, damping
            if self._cost(trial, weight) <= now * (1.0 + 1e-9):
                return trial, damped, max(damping / 5.0, 1e-6)
            damping = max(8.0 * damping, 1e-2)
        return None, move, damping

    def scan(self, state: State, moves: Sequence[float]) -> State:
        """Try other stiffnesses of panes: their resonances may lie far from where they are drawn.

        From each start, `moves` prior standard deviations away, some steps are taken with the slopes of size and loss
        as they are; the best of all is the new start.
        """
        size = float(np.linalg.norm(state.response.transfer))
        for place, parameter in enumerate(self.space.free):
            if parameter.key != "youngs_modulus_pa":
                continue
            if float(np.linalg.norm(state.response.slopes[parameter])) < SCANNED * size:
                continue
            found = [state]
            for move in moves:
                u = state.u.copy()
                u[place] += move
                other = self._few_steps(state, u, f"{parameter.owner}: stiffness")
                if other is None:
                    return state
                found.append(other)
            own = self._few_steps(state, state.u, f"{parameter.owner}: stiffness")
            found += [own] if own else []
            weight = even_weight(self.data)
            noise = min(misfit(one.left, self.data) for one in found) ** 2 + FLOOR**2
            scale = weight / np.sqrt(noise * max(1.0, WIDEST / 2.0))
            state = min(found, key=lambda one: self._cost(one, scale))
        again = self._evaluate(state.u, self.space.free, state, "stiffness")
        return again or state

    def _few_steps(self, state: State, u: Floats, note: str) -> State | None:
        """`SCAN_STEPS` steps from u with the slopes of size and loss that `state` has."""
        quick = [p for p in self.space.free if p.group not in {"size", "loss"}]
        found = self._evaluate(u, quick, state, note)
        for _ in range(SCAN_STEPS):
            if found is None:
                return None
            weight, wide = self.weights(found.left)
            weight = weight / np.sqrt(min(wide, WIDEST))
            curvature, gradient = self.curvature(found, weight, self.space.free)
            move = np.asarray(np.linalg.solve(curvature + 1e-2 * np.diag(np.diag(curvature)), gradient))
            move = move * min(1.0, LARGEST_STEP / max(float(np.abs(move).max()), 1e-12))
            found = self._evaluate(found.u + move, quick, found, note)
        return found
