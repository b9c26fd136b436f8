"""Fitting a project to measurements: the most probable parameters, given priors and data (maximum a posteriori).

    minimise  sum |d - F H(u)|^2 / (sigma^2 k / 2) + |u|^2,     u in prior standard deviations

d the measured responses, F as in `fit.source`. Gauss-Newton steps on u within a trust region, with all numbers of F
projected out of the slopes (they are free and nearly linear). The noise sigma is not known: it is taken from what is
left of the data at every step (`Steps.weights`). What the model cannot explain runs along frequency, so that
neighbouring points do not count as independent: k = (1 + r) / (1 - r) with r their correlation widens the noise, and
with it every uncertainty. The inverse of the final curvature is the posterior covariance. The steps begin on the lowest
modes alone and take in the others by and by (`STAGES`): a start far off would pair a mode with its neighbour. A pane's
resonances may lie anywhere among them, so its stiffness is tried over the prior's range and several starts are carried
through all stages. Two that end as likely are both told, and the uncertainties cover both.

References
----------
[1] A. Tarantola, Inverse Problem Theory, SIAM 2005, chapter 3 (from memory): least squares with Gaussian priors.
[2] G. Golub, V. Pereyra, variable projection, SIAM J. Numer. Anal. 10, 1973 (from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from roommodes.arrays import Floats
from roommodes.errors import Interrupted
from roommodes.measured.loading import MeasuredSet
from roommodes.project.project import Project
from roommodes.running import Running, Step
from solvers.fit.model import Response
from solvers.fit.outcome import STIFFNESS, Estimate, Fit, Stop, outcome, require_places, spread
from solvers.fit.parameters import Parameter, Space
from solvers.fit.source import Own, SourceModel
from solvers.fit.steps import SCAN_STEPS, State, Steps

MOST_FREQUENCIES = 48
STAGES = (2.0, 3.3)  # the fit begins over so many times the lowest frequency: fewer modes, no wrong neighbours
EARLY_STEPS, EARLY_SETTLED = 4, 0.5
LAST_STEPS, LAST_SETTLED = 25, 0.05  # posterior standard deviations
FAR = (-2.0, -1.5, -1.0, -0.5, 0.5, 1.0, 1.5, 2.0)  # stiffness of panes tried
NEARER = (-1.0, -0.6, -0.3, 0.3, 0.6, 1.0)  # and, once near, about where it has settled
MOST_STARTS, FINISHED = 4, 2  # of them carried through the first stage, one less through each after it; to the end
WIDER = 1.1  # of the linear theory's variances: in 30 seeded rooms the true values lay 1.08 +- 0.04 times as far off
RIVAL = 6.0  # less likely by a factor of 20
FEWEST = 10  # frequencies of a stage
WIDEST = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """How to fit.

    Parameters
    ----------
    hold : groups, constructions, subs, seats or parameters that stay as they are.
    own : each sub with a response of its own, one common to all, or none; None: none where the set's level is per
        metre, else each.
    terms : complex terms of the subs' own response.
    """

    hold: tuple[str, ...] = ()
    own: Own | None = None
    terms: int = 12


def fit(
    project: Project,
    measured: MeasuredSet,
    settings: Settings | None = None,
    *,
    running: Running = Running(),
) -> Fit:
    """Fit a project to a set of measurements.

    Parameters
    ----------
    project : where the fit starts.
    measured : from `measured.load_manifest`, with the position of every sub.
    settings : how.
    running : progress, cancelling; once cancelled, the best so far is returned if a first step was done.

    Raises
    ------
    ProjectInvalid : a sub without a position, or `hold` names nothing known.
    OutsideModel : the model cannot take this room or these places.
    Interrupted : cancelled before the first step.
    """
    settings = settings or Settings()
    work = _Work(project, measured, settings, running)
    with threadpool_limits(1):
        return work.run()


@dataclass(frozen=True, slots=True, kw_only=True)
class Ended:
    """How some steps ended, and their number."""

    stop: Stop
    steps: int


class _Work:
    def __init__(self, project: Project, measured: MeasuredSet, settings: Settings, running: Running) -> None:
        require_places(measured)
        self.project, self.measured, self.settings = project, measured, settings
        self.running = running
        every = -(-len(measured.frequency_hz) // MOST_FREQUENCIES)
        self.hz = measured.frequency_hz[::every]
        self.data = measured.transfer[::every]
        self.space = Space(
            project,
            sub_name=measured.subs.name,
            sub_m=measured.subs.position_m,
            seat_name=measured.seats.name,
            seat_m=measured.seats.position_m,
            hold=settings.hold,
        )
        self.own: Own = settings.own or ("none" if measured.level == "per metre" else "each")
        self.done = 0.0

    def run(self) -> Fit:
        top, low = float(self.hz[-1]), float(self.hz[0])
        ends = [low * times for times in STAGES if low * times < 0.8 * top and (self.hz <= low * times).sum() >= FEWEST]
        stages = [*((end, False) for end in ends), (top, False), (top, True)]
        panes = sum(p.key == STIFFNESS for p in self.space.free)
        many = MOST_STARTS if panes else 1
        total = panes * (1 + SCAN_STEPS) * len(FAR) + many * EARLY_STEPS * (len(stages) - 1) + LAST_STEPS
        starts, ended = [np.zeros(len(self.space.free))], Ended(stop=Stop.STEPS, steps=0)
        rivals: list[tuple[Floats, float]] = []
        for number, (end, last) in enumerate(stages):
            stage = self._stage(self.hz <= end * (1.0 + 1e-9), total)
            stage.local = end == top
            found = self._carried(stage, starts, first=not number, last=last)
            if found:
                leading = stage.leading([state for state, _ in found], FINISHED if end == top else MOST_STARTS - number)
                starts = [state.u for state in leading]
                rivals = [(one.u, stage.behind(one, leading[0])) for one in leading[1:]]
                how = next(how for state, how in found if state is leading[0])
                ended = Ended(stop=how.stop, steps=ended.steps + how.steps)
            elif not number:
                raise Interrupted("interrupted; nothing was fitted")
            if self.running.stop_asked():
                ended = Ended(stop=Stop.INTERRUPTED, steps=ended.steps)
                break
        return self._outcome(starts[0], rivals, ended)

    def _carried(self, stage: Steps, starts: Sequence[Floats], *, first: bool, last: bool) -> list[tuple[State, Ended]]:
        """Where the steps of a stage end from every start, and how; fewer when cancelled."""
        most, settled = (LAST_STEPS, LAST_SETTLED) if last else (EARLY_STEPS, EARLY_SETTLED)
        found = []
        for u in starts:
            start = stage.start(u)
            if start is None:
                break
            moves = FAR if first else NEARER if last else ()
            states = (stage.scan(start, moves, MOST_STARTS if first else FINISHED) or [start]) if moves else [start]
            for state in states:
                reached, stop, steps = stage.run(state, most=most, settled=settled)
                found.append((reached, Ended(stop=stop, steps=steps)))
        return found

    def _stage(self, used: NDArray[np.bool_], total: float) -> Steps:
        hz = self.hz[used]

        def counted(step: Step) -> None:
            self.done += step.fraction == 0.0  # a further response is begun
            self.running.step(step.stage, self.done / total, step.note)

        measured = self.measured
        source = SourceModel(
            frequency_hz=hz,
            own=self.own,
            terms=max(2, min(round(self.settings.terms * len(hz) / len(self.hz)), len(hz) // 2)),
            gains=not (measured.common_level and measured.common_polarity),
            delays=not measured.common_time,
        )
        return Steps(self.space, hz, self.data[used], source, running=replace(self.running, report=counted))

    # -- what came out ------------------------------------------------------------------------------------------------

    def _outcome(self, u: Floats, rivals: Sequence[tuple[Floats, float]], ended: Ended) -> Fit:
        """Both ends over the whole band, judged; an interrupt waits for them."""
        stage = self._stage(np.ones(len(self.hz), dtype=np.bool_), 1.0)
        stage.local = True
        stage.running = stage.model.running = stage.running.unstoppable()
        first, last = stage.start(np.zeros_like(u)), stage.start(u)
        assert first is not None, "not cancelled"
        assert last is not None, "not cancelled"
        last, _ = stage.weighed(last)
        weight, wide = stage.weights(last.left)
        curvature, _ = stage.curvature(last, weight / np.sqrt(wide), self.space.free)
        covariance = spread(np.asarray(WIDER * np.linalg.inv(curvature), dtype=np.float64), u, rivals)
        deviation = np.sqrt(np.diag(covariance))
        estimates = tuple(
            Estimate(
                parameter=p,
                value=p.value(float(u)),
                deviation=p.deviation(float(u), float(s)),
                moved=float(u),
                known=float(s),
            )
            for p, u, s in zip(self.space.free, last.u, deviation, strict=True)
        )
        return outcome(
            measured=self.measured,
            space=self.space,
            frequency_hz=self.hz,
            data=self.data,
            before=self.data - first.left,
            after=self.data - last.left,
            estimates=estimates,
            correlation=covariance / np.outer(deviation, deviation),
            wide=wide,
            source=last.source,
            suspects=self._suspects(stage, last, weight / np.sqrt(min(wide, WIDEST))),
            u=last.u,
            rivals=[other for other, behind in rivals if behind < RIVAL],
            stop=ended.stop,
            steps=ended.steps,
        )

    def _suspects(self, stage: Steps, last: State, weight: Floats) -> dict[Parameter, tuple[float, float]]:
        """Held size and loss: by how much each would have to change, and what share of the misfit that would take."""
        asked = [p for p in self.space.held if p.group in {"size", "loss"}]
        if not asked or self.running.stop_asked():
            return {}
        response = stage.model.response(last.u, asked, dict.fromkeys(asked, 0.0))
        if response is None:
            return {}
        slopes = {**last.response.slopes, **response.slopes}
        state = State(
            u=last.u,
            response=Response(transfer=last.response.transfer, slopes=slopes),
            source=last.source,
            left=last.left,
        )
        matrix, left = stage.projected(state, weight, (*self.space.free, *asked))
        held = np.arange(len(asked)) + len(self.space.free)
        prior = np.eye(matrix.shape[1])
        prior[held, held] = 1e-2
        gradient = matrix.T @ left
        gradient[: len(last.u)] -= last.u
        found = {}
        for place, parameter in zip(held, asked, strict=True):
            only = [*range(len(self.space.free)), int(place)]
            alone = np.linalg.solve((matrix.T @ matrix + prior)[np.ix_(only, only)], gradient[only])
            gone = left - matrix[:, only] @ alone
            share = 1.0 - float(gone @ gone) / max(float(left @ left), 1e-300)
            found[parameter] = (float(alone[-1]) * parameter.sigma, share)
        return found
