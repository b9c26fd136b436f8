"""Where the steps of a fit ended, made into its outcome: uncertainties, suspects, places left out, judgement."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from roommodes.arrays import Floats
from roommodes.measured.data import MeasuredSet
from roommodes.running import Running
from solvers.fit.estimate import Estimate
from solvers.fit.left_out import places_left_out
from solvers.fit.outcome import Fit, Found, Stop, outcome, spread
from solvers.fit.parameter import Parameter
from solvers.fit.steps import State, Steps
from solvers.fit.verdict import Compared, DataNoise

WIDEST = 10.0
WIDER = 1.1  # of the linear theory's variances: in 30 seeded rooms the true values lay 1.08 +- 0.04 times as far off
RIVAL = 6.0  # less likely by a factor of 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Ends:
    """Both ends of a fit.

    Parameters
    ----------
    stage : steps over the whole band, as precise as the outcome shall be.
    first, last : the room as drawn and as fitted.
    rivals : other points (n,), and by how much what is minimised is larger there.
    stop, steps : how the steps ended.
    """

    stage: Steps
    first: State
    last: State
    rivals: Sequence[tuple[Floats, float]]
    stop: Stop
    steps: int


def covariance(stage: Steps, state: State) -> Floats:
    """Of the parameters where some steps ended, by the linear theory: (n, n)."""
    state, _ = stage.weighed(state)
    weight, wide = stage.weights(state.left)
    curvature, _ = stage.curvature(state, weight / np.sqrt(wide), stage.space.free)
    return np.asarray(WIDER * np.linalg.inv(curvature), dtype=np.float64)


def ended(measured: MeasuredSet, ends: Ends, noise: Floats, *, running: Running) -> Fit:
    """The outcome.

    Parameters
    ----------
    measured : what was fitted to.
    ends : of the steps.
    noise : (n_freq, n_sub) rms of the noise at the steps' frequencies, NaN where nobody knows.
    running : once cancelled, what takes time is left out: suspects and places left out.
    """
    stage, last = ends.stage, ends.last
    weight, wide = stage.weights(last.left)
    moments = spread(covariance(stage, last), last.u, ends.rivals)
    deviation = np.sqrt(np.diag(moments))
    estimates = tuple(
        Estimate(
            parameter=p,
            value=p.value(float(u)),
            deviation=p.deviation(float(u), float(s)),
            moved=float(u),
            known=float(s),
        )
        for p, u, s in zip(stage.space.free, last.u, deviation, strict=True)
    )
    stopped = ends.stop is Stop.INTERRUPTED or running.stop_asked()
    found = outcome(
        measured,
        stage.space,
        Compared(
            frequency_hz=stage.hz, data=stage.data, before=stage.data - ends.first.left, after=stage.data - last.left
        ),
        DataNoise(rms=noise, freedom=stage.freedom(), widening=wide),
        Found(
            u=last.u,
            estimates=estimates,
            correlation=moments / np.outer(deviation, deviation),
            source=last.source,
            suspects={} if running.stop_asked() else suspects(stage, last, weight / np.sqrt(min(wide, WIDEST))),
            rivals=[other for other, behind in ends.rivals if behind < RIVAL],
            stop=ends.stop,
            steps=ends.steps,
        ),
    )
    left_out = None if stopped else places_left_out(measured, stage, ends.first, last, running=running)
    return replace(found, judgement=replace(found.judgement, left_out=left_out))


def suspects(stage: Steps, last: State, weight: Floats) -> dict[Parameter, tuple[float, float]]:
    """Held size and loss: by how much each would have to change, and what share of the misfit that would take."""
    space = stage.space
    asked = [p for p in space.held if p.group in {"size", "loss"}]
    if not asked:
        return {}
    response = stage.model.response(last.u, asked, dict.fromkeys(asked, 0.0))
    if response is None:
        return {}
    state = replace(last, response=replace(last.response, slopes={**last.response.slopes, **response.slopes}))
    square, product, size = stage.normal(state, weight, (*space.free, *asked))
    prior = np.eye(len(product))
    held = np.arange(len(asked)) + len(space.free)
    prior[held, held] = 1e-2
    gradient = product.copy()
    gradient[: len(last.u)] -= last.u
    found = {}
    for place, parameter in zip(held, asked, strict=True):
        only = [*range(len(space.free)), int(place)]
        moved = np.linalg.solve((square + prior)[np.ix_(only, only)], gradient[only])
        gone = 2.0 * moved @ product[only] - moved @ square[np.ix_(only, only)] @ moved
        found[parameter] = (float(moved[-1]) * parameter.sigma, float(gone) / max(size, 1e-300))
    return found
