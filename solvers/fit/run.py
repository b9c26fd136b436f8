"""Fitting a project to measurements: the most probable parameters, given priors and data (maximum a posteriori).

    minimise  sum |d - F H(u)|^2 / (sigma^2 k / 2) + |u|^2,     u in prior standard deviations

d the measured responses, F as in `fit.source`. Gauss-Newton steps on u within a trust region, with all numbers of F
eliminated (they are nearly linear). The noise sigma is at least what the data themselves tell of it
(`measured.noise`), and otherwise what is left of the data at every step (`Steps.weights`). What the model cannot
explain runs along frequency, so that neighbouring points do not count as independent: k = (1 + r) / (1 - r) with r
their correlation widens the noise, and with it every uncertainty. The inverse of the final curvature is the posterior
covariance.

The order is what finds the right valley. First all walls react as plain admittances (`plain_walls`), on the lowest
modes alone and then on more and more of them (`STAGES`): a start far off would pair a mode with its neighbour. What the
constructions must be to react like that is where their own fit starts. A pane's resonances may lie anywhere among the
modes, so that its stiffness is looked for over the whole prior. Two ends that are as likely are both told, and the
uncertainties cover both.

References
----------
[1] A. Tarantola, Inverse Problem Theory, SIAM 2005, chapter 3 (from memory): least squares with Gaussian priors.
[2] G. Golub, V. Pereyra, variable projection, SIAM J. Numer. Anal. 10, 1973 (from memory).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from threadpoolctl import threadpool_limits

from roommodes.acoustics.precision import Precision
from roommodes.arrays import Floats
from roommodes.errors import Interrupted
from roommodes.measured.loading import MeasuredSet
from roommodes.project.project import Project
from roommodes.running import Running, Step
from solvers.fit.ending import Ends, covariance, ended
from solvers.fit.freed_walls import accepted, folds, response_at, share_left, worth_freeing
from solvers.fit.model import FINE, QUICK
from solvers.fit.outcome import Fit, Stop, require_places
from solvers.fit.parameters import Space
from solvers.fit.plain_walls import PlainWall, as_constructions, plain_walls
from solvers.fit.priors import LOOSE, Known
from solvers.fit.source import Own, SourceModel
from solvers.fit.steps import State, Steps
from solvers.fit.verdict import Compared, DataNoise, Freed, Verdict, judged, misfit

MOST_FREQUENCIES = 48
STAGES = (2.0, 3.3)  # the fit begins over so many times the lowest frequency: fewer modes, no wrong neighbours
EARLY_STEPS, EARLY_SETTLED = 6, 0.5
LAST_STEPS, LAST_SETTLED = 25, 0.05  # posterior standard deviations
USUAL = 60.0  # responses computed in a fit
FINISHED = 2  # ends carried to the last
FEWEST = 10  # frequencies of a stage
GOOD_EXCESS = 1.1  # rms of what is left over the noise's, up to which no other start is tried


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
    import scipy.linalg  # noqa: F401, PLC0415 (now, so that its threads are bound as well)

    settings = settings or Settings()
    with threadpool_limits(1):
        first = _Work(project, measured, settings, running).run()
        if running.stop_asked() or not worth_freeing(measured, first):
            return first
        return _freed(project, measured, settings, running, first=first) or first


def _freed(project: Project, measured: MeasuredSet, settings: Settings, running: Running, *, first: Fit) -> Fit | None:
    """The fit with walls as admittances where that says more of the room; None where not, or when cancelled."""
    work = _Work(project, measured, settings, running, loose=True)
    if not work.built.replaced:
        return None
    shares = []
    for kept, out in folds(measured):
        part = _Work(project, kept, settings, running, loose=True)
        end = part.climbed(part.built, "places left out")
        if end is None or running.stop_asked():
            return None
        model = response_at(part.built, part.built.situation(end.state.u), part.hz, measured.seats.position_m[out])
        every = np.isin(measured.frequency_hz, part.hz)
        shares.append(share_left(model * end.state.source.own[:, None, :], measured.transfer[every][:, out]))
    freed = Freed(
        owners=tuple(sorted(work.built.replaced)),
        left_before=first.compared.misfit_after,
        left_out=float(np.sqrt(np.mean(np.square(shares)))),
        band_hz=(float(work.hz[0]), float(work.hz[-1])),
    )
    if not accepted(freed, 0.0):
        return None
    found = work.by_admittances()
    if found is None or running.stop_asked() or not accepted(freed, found.compared.misfit_after):
        return None
    remarks = (freed.remark(found.compared.misfit_after), *found.remarks)
    return replace(found, judgement=replace(found.judgement, freed=freed), remarks=remarks)


@dataclass(frozen=True, slots=True, kw_only=True)
class End:
    """Where some steps ended: the steps that can go on from it, the point, why they ended."""

    stage: Steps
    state: State
    stop: Stop


class _Work:
    """A fit; a loose one knows sizes less well, and its walls are admittances to the end."""

    def __init__(
        self,
        project: Project,
        measured: MeasuredSet,
        settings: Settings,
        running: Running,
        *,
        loose: bool = False,
    ) -> None:
        require_places(measured)
        self.project, self.measured, self.settings = project, measured, settings
        self.running, self.known = running, LOOSE if loose else Known()
        every = -(-len(measured.frequency_hz) // MOST_FREQUENCIES)
        self.hz = measured.frequency_hz[::every]
        self.data = measured.transfer[::every]
        self.noise = measured.noise[::every]
        self.own: Own = settings.own or ("none" if measured.level == "per metre" else "each")
        self.built = self._space({})
        owners = {p.owner for p in self.built.free if p.group == "walls"}
        self.walls = {name: wall for name, wall in plain_walls(project, self.hz).items() if name in owners}
        if loose:
            self.built = self._space(self.walls)
        self.done, self.steps = 0, 0

    def run(self) -> Fit:
        """The whole fit."""
        quick = self._by_plain_walls(search=False)
        if quick:
            self._told_first(quick)
        if quick and not self.running.stop_asked():
            leading = self._led([quick])
            settled = self._gone_on(quick.stage, leading[0], LAST_STEPS, LAST_SETTLED)
            if self._up_to_noise(settled):
                return self._finished([settled.state, *leading[1:]])
            quick = settled
        ends = [quick] if self.running.stop_asked() else [quick, *self._searched()]
        found = [end for end in ends if end]
        if self.running.stop_asked():
            if not found:
                raise Interrupted("interrupted; nothing was fitted")
            return self._outcome(found[0].state.u, [], Stop.INTERRUPTED)
        return self._finished(self._led(found))

    def by_admittances(self) -> Fit | None:
        """The whole fit with walls as admittances to the end; None when cancelled before the first step."""
        end = self.climbed(self.built, "walls as admittances")
        return None if end is None else self._finished([end.state])

    def _searched(self) -> list[End | None]:
        """Further ends: panes looked for on the way, from the plain walls and from the drawing."""
        return [self._by_plain_walls(search=True), self.climbed(self.built, "as drawn", search=True)]

    def _by_plain_walls(self, *, search: bool) -> End | None:
        """Where the constructions end that react as plain walls do; None when cancelled before, or without such."""
        plain = self.climbed(self._space(self.walls), "plain walls", search=search) if self.walls else None
        if plain is None:
            return None
        known = np.sqrt(np.diag(covariance(plain.stage, plain.state)))
        first = as_constructions(plain.stage.space, plain.state.u, known, self.built, self.walls, self.hz)
        return self._reached(self._stage(self.built, note="constructions"), first)

    def _told_first(self, end: End) -> None:
        """Report the first answer: a few steps on the whole band, nothing searched yet."""
        room = end.stage.space.situation(end.state.u).room
        size = " x ".join(f"{value:.2f}" for value in room.size_m)
        left = 100.0 * misfit(end.state.left, self.data)
        self.running.step("first answer", 1.0, f"{size} m, misfit {left:.1f} %")

    def _up_to_noise(self, end: End) -> bool:
        """Whether what is left is the noise that the data tell of: no other start can do much better."""
        compared = Compared(frequency_hz=self.hz, data=self.data, before=self.data, after=self.data - end.state.left)
        _, wide = end.stage.weights(end.state.left)
        noise = DataNoise(rms=self.noise, freedom=end.stage.freedom(), widening=wide)
        found = judged(compared, noise, refused=False)
        return found.verdict is Verdict.NOISE and found.excess is not None and found.excess <= GOOD_EXCESS

    def _led(self, ends: Sequence[End]) -> list[State]:
        """The likeliest points on the whole band, panes looked for from the best of them."""
        full = self._stage(self.built, note="constructions")
        leading = full.leading([end.state for end in ends], FINISHED)
        return full.leading([*full.elsewhere(leading[0]), *leading[1:]], FINISHED)

    def _finished(self, leading: Sequence[State]) -> Fit:
        """From the likeliest points to the outcome."""
        full = self._stage(self.built, note="constructions")
        found: list[End] = []
        for state in leading:
            settled = self._gone_on(full, state, LAST_STEPS, LAST_SETTLED)
            fine = self._stage(self.built, precision=FINE, note="finer sums")
            begun = fine.start(settled.state.u)
            if begun is None:
                break
            found.append(self._gone_on(fine, begun, LAST_STEPS, LAST_SETTLED))
        if self.running.stop_asked():
            return self._outcome(found[0].state.u if found else leading[0].u, [], Stop.INTERRUPTED)
        stage = found[0].stage
        best, *others = stage.leading([end.state for end in found], FINISHED)
        stop = next(end.stop for end in found if np.array_equal(end.state.u, best.u))
        return self._outcome(best.u, [(one.u, stage.behind(one, best)) for one in others], stop)

    def climbed(self, space: Space, note: str, *, search: bool = False) -> End | None:
        """Steps from the drawing over more and more of the band; None when cancelled before the first.

        `search` looks for panes on the way.
        """
        low, top = float(self.hz[0]), float(self.hz[-1])
        tops = [low * times for times in STAGES if low * times < 0.8 * top and (self.hz <= low * times).sum() >= FEWEST]
        u, end = np.zeros(len(space.free)), None
        for top_hz in (*tops, top):
            stage = self._stage(space, top_hz=top_hz, note=note)
            reached = self._reached(stage, u)
            if reached is None:
                return end
            end = reached
            if search and top_hz in {top, *tops[-1:]}:
                best = stage.leading(stage.elsewhere(reached.state), 1)[0]
                end = replace(reached, state=best)
            u = end.state.u
            if self.running.stop_asked():
                return end
        return end

    def _reached(self, stage: Steps, u: Floats) -> End | None:
        """Some steps from a point."""
        begun = stage.start(u)
        return None if begun is None else self._gone_on(stage, begun, EARLY_STEPS, EARLY_SETTLED)

    def _gone_on(self, stage: Steps, state: State, most: int, settled: float) -> End:
        state, stop, steps = stage.run(state, most=most, settled=settled)
        self.steps += steps
        return End(stage=stage, state=state, stop=stop)

    def _space(self, walls: Mapping[str, PlainWall]) -> Space:
        """The parameters, some constructions as plain admittances."""
        measured = self.measured
        return Space(
            self.project,
            sub_name=measured.subs.name,
            sub_m=measured.subs.position_m,
            seat_name=measured.seats.name,
            seat_m=measured.seats.position_m,
            hold=self.settings.hold,
            instead={name: wall.table for name, wall in walls.items()},
            known=self.known,
        )

    def _stage(
        self, space: Space, *, top_hz: float | None = None, precision: Precision = QUICK, note: str = ""
    ) -> Steps:
        """Steps over the band up to a frequency."""
        used = self.hz <= (top_hz or float(self.hz[-1])) * (1.0 + 1e-9)
        hz = self.hz[used]

        def counted(step: Step) -> None:
            self.done += 1
            share = 1.0 - np.exp(-self.done / USUAL)  # nobody knows how many more there will be
            self.running.step("fit", float(share), f"{note}, {step.note}" if step.note else note)

        measured = self.measured
        source = SourceModel(
            frequency_hz=hz,
            own=self.own,
            terms=max(2, min(round(self.settings.terms * len(hz) / len(self.hz)), len(hz) // 2)),
            gains=not (measured.common.level and measured.common.polarity),
            delays=not measured.common.time,
        )
        stage = Steps(
            space,
            hz,
            self.data[used],
            self.noise[used],
            source,
            running=replace(self.running, report=counted),
            precision=precision,
        )
        stage.local = bool(used.all())
        return stage

    # -- what came out ------------------------------------------------------------------------------------------------

    def _outcome(self, u: Floats, rivals: Sequence[tuple[Floats, float]], stop: Stop) -> Fit:
        """Both ends over the whole band, judged; an interrupt waits for them."""
        stage = self._stage(self.built, precision=FINE, note="judged")
        stage.running = stage.model.running = stage.running.unstoppable()
        first, last = stage.start(np.zeros_like(u)), stage.start(u)
        assert first is not None, "not cancelled"
        assert last is not None, "not cancelled"
        ends = Ends(stage=stage, first=first, last=stage.weighed(last)[0], rivals=rivals, stop=stop, steps=self.steps)
        return ended(self.measured, ends, self.noise, running=self.running)
