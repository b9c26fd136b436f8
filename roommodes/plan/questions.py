"""What can be asked of a plan and of results: each question as a method that hands over to the solver.

The solvers are read when a question is asked, not before.
"""
# ruff: noqa: PLC0415 (the solvers, and scipy with them, wait until they are asked)

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Literal

from roommodes.acoustics.curve import Curve, curve_of
from roommodes.errors import OutsideModel
from roommodes.running import Running

if TYPE_CHECKING:
    from roommodes.plan.starting_values import StartingValues
    from roommodes.plan.tolerance import Tolerance
    from roommodes.project.project import Project
    from solvers.crossover.with_mains import MainsMet
    from solvers.listening.before_after import BeforeAfter
    from solvers.listening.impulses import SeatImpulses
    from solvers.listening.over_time import BeforeAfterTime
    from solvers.listening.row_compromise import Compromise
    from solvers.loudness.of_plan import PlanHeadroom
    from solvers.tolerance.robust_plans import Price


class PlanQuestions:
    """The questions that can be asked of a plan."""

    __slots__ = ()

    @property
    def _plan(self) -> Any:
        return self  # the Plan that inherits this

    def headroom(self, *, running: Running | None = None) -> PlanHeadroom:
        """How loud it plays clean at every seat against the target, what limits it, what the amplifiers must give.

        The same as `roommodes headroom`. The result's `headroom` holds arrays by third-octave band; `least_db` is the
        plan's headroom.

        Raises
        ------
        ProjectInvalid : the project does not say how loud a sub plays, or measured responses do not say how loud it is.
        """
        from solvers.loudness.of_plan import plan_headroom

        return plan_headroom(self._plan, running=running or Running())

    def tolerance(
        self,
        *,
        draws: int | None = None,
        seed: int = 1,
        checked: int = 2,
        shares: bool = True,
        frequencies: int | None = None,
        threads: int | None = None,
        running: Running | None = None,
    ) -> Tolerance:
        """What becomes of it in rooms that are not built exactly as drawn: percentiles, bands, what matters most.

        The same as `roommodes tolerance --plans 1` for this plan; the spreads stand in the project's [tolerance].

        Parameters
        ----------
        draws : built rooms, rounded up to a power of two; None for 512 to 2,048, as the figures settle.
        seed : of the rooms.
        checked : rooms that the full equations work out again.
        shares : whether to say which uncertainty matters most.
        frequencies : at most so many over the band; None for the plan file's own, 96 at most.
        threads, running : threads; progress and cancelling in place of none.

        Raises
        ------
        Interrupted : cancelled before the first rooms were done.
        OutsideModel : the model cannot take this project.
        """
        from solvers.tolerance.percentiles import Asked, lean_grid, tolerance_of

        plan = self._plan
        asked = Asked(draws=draws, seed=seed, plans=1, counts=(plan.subs,), checked=checked, indices=shares)
        grid = lean_grid(plan.project, frequencies)
        return tolerance_of(plan.alone(), asked, frequency_hz=grid, running=running or Running(threads=threads))

    def tuned(
        self,
        *,
        per_sub: int | None = None,
        shared: int | None = None,
        boost_db: float | None = None,
        cut_db: float | None = None,
        all_pass: bool = True,
        target: Mapping[float, float] | Curve | None = None,
        rate_hz: float | None = None,
        band_hz: tuple[float, float] | None = None,
        running: Running | None = None,
    ) -> Any:
        """The plan with filters: a few on single subs, then some that all share; its crossover is found anew.

        The same as `roommodes tune`. What the filters do stands in the new plan's `tuning`.

        Parameters
        ----------
        per_sub, shared : most filters on each sub (2), and shared (6).
        boost_db, cut_db : most boost (3 dB), most cut (12 dB shared, 9 dB on a sub).
        all_pass : whether single subs may have all-pass filters.
        target : level by frequency in Hz, such as {20: 4, 120: 0}, any offset; flat where left out [dB].
        rate_hz : sample rate of the processor; left out, as in the project's [processor] [Hz].
        band_hz : over which filters are sought; left out, as in the project's [tuning], else that of the search [Hz].
        running : progress, cancelling; once cancelled, the filters found so far are kept.

        Returns
        -------
        Plan.
        """
        from solvers.plans.tuned import tuned_plan
        from solvers.tuning.tune import TuneWishes

        wishes = TuneWishes(
            per_sub=per_sub,
            shared=shared,
            boost_db=boost_db,
            cut_db=cut_db,
            all_pass=all_pass,
            rate_hz=None if rate_hz is None else float(rate_hz),
            target=curve_of(target),
            band_hz=band_hz,
        )
        return tuned_plan(self._plan, wishes, running=running or Running())

    def crossed(
        self,
        *,
        at_hz: float | None = None,
        order: int | None = None,
        kind: Literal["linkwitz-riley", "butterworth"] | None = None,
        gain_db: float | None = None,
        target: Mapping[float, float] | Curve | None = None,
        band_hz: tuple[float, float] | None = None,
        running: Running | None = None,
    ) -> Any:
        """The plan with the delay and polarity of all subs against the main loudspeakers, in its `crossover`.

        The same as `roommodes crossover`; `mains()` gives all that was looked at.

        Parameters
        ----------
        at_hz, order, kind : of the crossover; left out, as in the project's [mains].
        gain_db : of all subs against the mains; left out, as loud as the mains [dB].
        target : what the levels of subs and mains are matched over, such as {20: 4, 120: 0}, any offset; flat where
            left out. One of gain_db and target [dB].
        band_hz : over which the sum is judged; left out, as in [mains], else an octave on each side [Hz].
        running : progress, cancelling, threads.

        Returns
        -------
        Plan.

        Raises
        ------
        ProjectInvalid : the project has no main loudspeakers.
        OutsideModel : no such crossover, both of gain_db and target, or the model cannot take it.
        """
        from solvers.crossover.with_mains import crossed

        how: dict[str, Any] = {"gain_db": gain_db, "target": target, "band_hz": band_hz, "running": running}
        met = self.mains(at_hz=at_hz, order=order, kind=kind, **how)
        asked = gain_db if target is None else met.best.gain_db  # kept, whatever filters the plan gets later
        return crossed(self._plan, met, asked_gain_db=asked)

    def mains(
        self,
        *,
        at_hz: float | None = None,
        order: int | None = None,
        kind: Literal["linkwitz-riley", "butterworth"] | None = None,
        gain_db: float | None = None,
        target: Mapping[float, float] | Curve | None = None,
        band_hz: tuple[float, float] | None = None,
        running: Running | None = None,
    ) -> MainsMet:
        """How it meets the main loudspeakers: the best setting, beside others; arguments as for `crossed`."""
        from solvers.crossover.with_mains import meet_mains, wanted_crossover

        if gain_db is not None and target is not None:
            raise OutsideModel("gain_db and target: got both; give one, gain_db sets what target would find")
        crossover = wanted_crossover(self._plan.project, at_hz=at_hz, order=order, kind=kind)
        curve = None if target is None else curve_of(target)
        running = running or Running()
        return meet_mains(self._plan, crossover, gain_db=gain_db, target=curve, band_hz=band_hz, running=running)

    def moved(self, project: Project, *, running: Running | None = None) -> Any:
        """The same positions, drives and filters in another project's room, with its seats, sub and target.

        The first half of `roommodes judge`; `polished` is the second.

        Parameters
        ----------
        project : the other room; its zones and keep-outs do not bind the plan.
        running : progress, cancelling, threads.

        Returns
        -------
        Plan, in results of its own.

        Raises
        ------
        OutsideModel : a sub would stand outside that room or on a seat, or the model cannot take it.
        """
        from solvers.plans.side_by_side import moved

        return moved(self._plan, project, running=running or Running())

    def polished(self, *, running: Running | None = None) -> Any:
        """The same positions with drives searched anew, without filters; its own drives where none are better.

        Parameters
        ----------
        running : progress, cancelling, threads; once cancelled, the best found until then.

        Returns
        -------
        Plan, in results of its own.
        """
        from solvers.plans.side_by_side import polished

        return polished(self._plan, running=running or Running())

    def in_project(self, project: Project | None = None, *, label: str = "a plan") -> Project:
        """A project with this plan as its [layout], all else in its text as it was; the same as `roommodes layout`.

        Parameters
        ----------
        project : left out, the plan's own.
        label : where the plan comes from, for a comment in the text.

        Raises
        ------
        ProjectInvalid : a sub cannot stand there.
        """
        from roommodes.plan.as_layout import project_with

        plan = self._plan
        comment = f"From {label}: variation {plan.variation_db:z.2f} dB."
        return project_with(project or plan.project, plan.positions_m, plan.drives, plan.kinds, comment=comment)

    def rows(self, *, threads: int | None = None, running: Running | None = None) -> Compromise:
        """What one setting for all rows costs each of them against a setting of its own; as `roommodes rows`.

        Parameters
        ----------
        threads, running : threads; progress and cancelling in place of none.
        """
        from solvers.listening.row_compromise import compromise

        return compromise(self._plan, running=running or Running(threads=threads))

    def decay(self, *, seconds: float = 2.0, running: Running | None = None) -> BeforeAfterTime:
        """How long the bass rings at the seats and when it arrives, beside identical settings; `roommodes decay`.

        Parameters
        ----------
        seconds : length of the responses, 0.5 to 3 [s].
        running : progress, cancelling, threads.

        Raises
        ------
        OutsideModel : the length is too short or too long, or measured responses tell too little.
        """
        from solvers.listening.over_time import plan_over_time

        return plan_over_time(self._plan, length_s=seconds, running=running or Running())

    def before_after(self, *, running: Running | None = None) -> BeforeAfter:
        """Beside the most even usual layout with identical settings: at the seats, and as maps."""
        from solvers.listening.before_after import before_after

        return before_after(self._plan, running=running or Running())

    def settings(self, *, rate_hz: float | None = None, filters: bool = True) -> StartingValues:
        """What is dialled into the processor, sub by sub; the same as `roommodes settings`.

        Parameters
        ----------
        rate_hz : sample rate of the processor; left out, as in the project's [processor] [Hz].
        filters : the plan's own if it was tuned, else cuts common to all subs.

        Raises
        ------
        OutsideModel : a sample rate that no processor has.
        """
        from roommodes.plan.starting_values import check_rate, starting_values
        from solvers.tuning.path_filters import path_filters

        rate = float(rate_hz or self._plan.project.processor.rate_hz)
        check_rate(rate)
        paths = path_filters(self._plan, rate) if filters else ()
        return starting_values(self._plan, rate_hz=rate, filters=paths)

    def impulses(
        self,
        *,
        sub: int | None = None,
        seconds: float = 2.0,
        rate_hz: float | None = None,
        running: Running | None = None,
    ) -> SeatImpulses:
        """Impulse response at every seat: `samples` (n_sample, n_seat) and `latency_s`; as `roommodes export`.

        Nothing sounds before the first sample: the band is faded out by a causal filter, which delays the middle of the
        band by `latency_s`.

        Parameters
        ----------
        sub : one sub alone and undriven, from 1; None for the plan as driven and filtered.
        seconds : length; measured ones only as long as their grid tells [s].
        rate_hz : sample rate; left out, as in the project's [processor] [Hz].
        running : progress, cancelling, threads.
        """
        from solvers.listening.impulses import impulses_length_s, seat_impulses

        if sub is not None and not 1 <= sub <= self._plan.subs:
            raise OutsideModel(f"sub: got {sub}; allowed: 1 to {self._plan.subs}")
        rate = float(rate_hz or self._plan.project.processor.rate_hz)
        length_s = impulses_length_s(self._plan, seconds=seconds, rate_hz=rate)
        running = running or Running()
        return seat_impulses(self._plan, sub=sub, rate_hz=rate, duration_s=length_s, running=running)


class ResultsQuestions:
    """The questions that can be asked of all plans at once."""

    __slots__ = ()

    @property
    def _results(self) -> Any:
        return self  # the Results that inherit this

    @property
    def loudness_known(self) -> bool:
        """Whether sound pressure follows from a sub's limits: responses in 1/m, or in Pa at a known voltage."""
        return bool(self._results.absolute or self._results.project.drive is not None)

    def tolerance(
        self,
        *,
        draws: int | None = None,
        seed: int = 1,
        plans: int = 3,
        counts: Sequence[int] | None = None,
        checked: int = 2,
        shares: bool = True,
        frequencies: int | None = None,
        threads: int | None = None,
        running: Running | None = None,
    ) -> Tolerance:
        """What becomes of the leading plans in rooms that are not built exactly as drawn; `roommodes tolerance`.

        Parameters
        ----------
        plans, counts : leading plans of each number of subs; numbers of subs, None for all.
        draws, seed, checked, shares, frequencies, threads, running : as for a plan's `tolerance`.
        """
        from solvers.tolerance.percentiles import Asked, lean_grid, tolerance_of

        results = self._results
        numbers = None if counts is None else tuple(counts)
        asked = Asked(draws=draws, seed=seed, plans=plans, counts=numbers, checked=checked, indices=shares)
        grid = lean_grid(results.project, frequencies)
        return tolerance_of(results, asked, frequency_hz=grid, running=running or Running(threads=threads))

    def robust(
        self,
        *,
        counts: Sequence[int] | None = None,
        seed: int = 1,
        threads: int | None = None,
        running: Running | None = None,
    ) -> tuple[Any, tuple[Price, ...]]:
        """Results whose drives and order suit rooms that are not built exactly as drawn, and what that costs.

        The same as `roommodes tolerance --robust`.

        Raises
        ------
        ProjectInvalid : the plans rest on measured responses.
        Interrupted : cancelled before the rooms were drawn.
        """
        from solvers.tolerance.robust_plans import robust_results

        return robust_results(self._results, counts=counts, seed=seed, running=running or Running(threads=threads))

    def again(self, *, threads: int | None = None, running: Running | None = None) -> Any:
        """The same search run anew from what the results hold: the same plans with the same version and libraries."""
        from solvers.plans.solve_again import solve_again

        return solve_again(self._results, running=running or Running(threads=threads))
