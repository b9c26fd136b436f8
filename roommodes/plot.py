"""Figures on the reader's own Axes: `rm.plot.plan(ax, plan)` draws and gives the Axes back.

Each function takes an Axes of matplotlib and what it shows, and draws in that Axes alone. `with rm.plot.style():`
around the making of figures gives them the look of the program's own.
"""
# ruff: noqa: PLC0415 (matplotlib waits until something is drawn)

from __future__ import annotations

from collections.abc import Sequence
from contextlib import AbstractContextManager
from typing import TYPE_CHECKING, Any

import numpy as np

from roommodes.acoustics.built_modes import BuiltMode
from roommodes.arrays import Complexes, Floats
from roommodes.errors import OutsideModel
from roommodes.plan.plan import Plan, Results
from roommodes.project.project import Project
from roommodes.running import Running
from roommodes.studies.results import StudyResults

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from roommodes.estimates.field_file import FieldFile
    from roommodes.plan.tolerance import Tolerance
    from solvers.crossover.with_mains import MainsMet
    from solvers.fit.outcome import Fit
    from solvers.listening.over_time import Seen
    from solvers.listening.row_compromise import Compromise
    from solvers.loudness.of_plan import PlanHeadroom
    from solvers.study.compare import Pair, StudyComparison

MODE_POINTS = 61  # a side


def style() -> AbstractContextManager[None]:
    """The look of the program's own figures, for the figures made within."""
    import matplotlib as mpl

    from cli.figures.common_axes import STYLE

    return mpl.rc_context(STYLE)


def project(ax: Axes, project: Project, *, title: str = "", candidates: bool = True) -> Axes:
    """The room from above, front wall on the left: seats, glass, what is kept free, and where a sub may stand."""
    from cli.figures.room_plan import plan_view

    return plan_view(ax, project, subs=(), title=title, candidates=candidates)


def plan(ax: Axes, plan: Plan, *, title: str = "", candidates: bool = False) -> Axes:
    """A plan from above: the room with its numbered subs, their drives listed below."""
    from cli.figures.pages import sub_marks
    from cli.figures.room_plan import plan_view

    return plan_view(ax, plan.project, subs=sub_marks(plan), title=title, candidates=candidates)


def seats(
    ax: Axes,
    plan: Plan,
    *,
    level_db: Floats | None = None,
    about_mean: bool = True,
    title: str | None = None,
    legend: bool = True,
) -> Axes:
    """The level at every seat over frequency.

    Parameters
    ----------
    ax : to draw on.
    plan : whose seats hear it, with its filters if it was tuned.
    level_db : (n_freq, n_seat) in place of the plan's own [dB].
    about_mean : the level about its mean over seats and band; False for what the plan's level counts from.
    title : left out, the variation.
    legend : names of the seats.
    """
    from cli.figures.common_axes import seat_levels
    from roommodes.responses.metrics import variation_db

    level = plan.response().level_db() if level_db is None else np.asarray(level_db)
    varies = variation_db(level, plan.seats.weight)
    return seat_levels(
        ax,
        frequency_hz=plan.frequency_hz,
        level_db=level - float(level.mean()) if about_mean else level,
        seat_name=plan.seats.name,
        seat_row=plan.seats.row.tolist(),
        title=f"variation {varies:z.2f} dB" if title is None else title,
        level_label="re mean [dB]" if about_mean else "level [dB re 1/m]",
        legend=legend,
    )


def map(
    ax: Axes,
    plan: Plan,
    *,
    frequency_hz: float,
    field: FieldFile | None = None,
    title: str | None = None,
    running: Running | None = None,
) -> Axes:
    """The room at ear height at one frequency: level about the average over the seats in steps of 3 dB.

    Parameters
    ----------
    ax : to draw on.
    plan : with its filters, if it was tuned.
    frequency_hz : 5 to 400 Hz; with a field the plan's own next to it is taken [Hz].
    field : from ``rm.open("field.h5", "field")``, of a plan on the same measurements, its places on a grid at one
        height: levels from it in place of the model's, dotted where they are known worse than a step of the map.
    title : left out, the frequency.
    running : progress, cancelling, threads.

    Raises
    ------
    OutsideModel : the model cannot take it; Interrupted when cancelled.
    ProjectInvalid : the field's places are no grid, or it is not the plan's.
    """
    if field is not None:
        return _field_map(ax, plan, field, frequency_hz, title)
    from cli.figures.report import LevelMap, pressure_map
    from roommodes.responses.metrics import normalised
    from solvers.listening.plan_map import plan_map

    found = plan_map(plan, frequency_hz, running=running or Running())
    middle = float(found.seat_db @ normalised(plan.seats.weight))
    shown = LevelMap(
        x_m=found.x_m,
        y_m=found.y_m,
        level_db=found.level_db - middle,
        seat_m=plan.seats.position_m,
        seat_db=found.seat_db - middle,
        sub_m=plan.positions_m,
    )
    return pressure_map(ax, shown, title=f"{frequency_hz:g} Hz" if title is None else title)


def _field_map(ax: Axes, plan: Plan, field: FieldFile, frequency_hz: float, title: str | None) -> Axes:
    """The map from estimated places."""
    from cli.figures.field_maps import drawn_plane
    from solvers.field.plane import field_plane

    found = field_plane(plan, field, np.array([frequency_hz]))
    return drawn_plane(ax, plan, found, 0, title=title)


def modes(ax: Axes, project: Project, *, max_hz: float = 120.0) -> Axes:
    """The room's modes as built: decay time over frequency, each with a line from where rigid walls would put it."""
    from cli.figures.report import modes_built

    return modes_built(ax, modes=project.modes(max_hz=max_hz))


def mode(
    ax: Axes, project: Project, mode: BuiltMode, *, height_m: float | None = None, title: str | None = None
) -> Axes:
    """A mode's pressure over the room from above, in steps of 3 dB about its mean square over the room.

    Parameters
    ----------
    ax : to draw on.
    project : whose mode it is; its seats are marked with the level there.
    mode : of `modes`.
    height_m : of the plane; left out, the mean height of the ears [m].
    title : left out, its numbers and frequency.

    Raises
    ------
    OutsideModel : the plane lies outside the room.
    """
    from cli.figures.report import LevelMap, pressure_map

    room, seat_m = project.room, project.seats.position_m
    height = float(seat_m[:, 2].mean()) if height_m is None else height_m
    if not 0.0 <= height <= room.height_m:
        raise OutsideModel(f"height_m: got {height:g} m; allowed: 0 to {room.height_m:g} m")
    x, y = (np.linspace(0.0, side, MODE_POINTS) for side in (room.length_m, room.width_m))
    points = np.stack(np.broadcast_arrays(x[:, None], y[None, :], height), axis=-1)
    level = np.full(points.shape[:2], np.nan)
    air = room.shape.contains(points.reshape(-1, 3)).reshape(level.shape)
    level[air] = _db(mode.pressure(points[air]))
    name = ", ".join(str(n) for n in mode.number)
    shown = LevelMap(
        x_m=x, y_m=y, level_db=level, seat_m=seat_m, seat_db=_db(mode.pressure(seat_m)), sub_m=np.empty((0, 3))
    )
    return pressure_map(ax, shown, title=f"({name}) {mode.frequency_hz:.1f} Hz" if title is None else title)


def _db(pressure: Complexes) -> Floats:
    return np.asarray(20.0 * np.log10(np.maximum(np.abs(pressure), 1e-6)))


def counts(ax: Axes, results: Results) -> Axes:
    """Variation of the best plan of each number of subs."""
    plans = [results.plan(count, 1) for count in results.plans]
    ax.plot([one.subs for one in plans], [one.variation_db for one in plans], "o-", color="#0b4a4f")
    ax.set_xlabel("subs")
    ax.set_ylabel("variation [dB]")
    ax.set_xticks([one.subs for one in plans])
    ax.set_ylim(bottom=0.0)
    return ax


def headroom(ax: Axes, found: PlanHeadroom, *, title: str = "") -> Axes:
    """The highest clean level of every seat by third-octave against the target, from a plan's `headroom()`."""
    from cli.figures.headroom import level_axes

    level_axes(ax, found, title=title)
    return ax


def filters(ax: Axes, plan: Plan) -> Axes:
    """What the filters of a tuned plan do to each sub's level."""
    from cli.figures.tune import filter_responses

    return filter_responses(ax, plan)


def decay(ax: Axes, seen: Seen, *, until_s: float = 0.6, title: str = "") -> Axes:
    """Level over frequency and time, all seats together, from `before` or `after` of a plan's `decay()`."""
    from cli.figures.decay import level_over_time

    level_over_time(ax, seen.view, until_s=until_s)
    ax.set_title(title, loc="left", fontsize=10)
    return ax


def rows(ax: Axes, plan: Plan, found: Compromise) -> Axes:
    """Each row's mean level with one setting for all rows and with its own, from a plan's `rows()`."""
    from cli.figures.rows import row_means

    return row_means(ax, plan, found)


def crossover(ax: Axes, plan: Plan, met: MainsMet) -> Axes:
    """Subs, main loudspeakers and their sum, from a plan's `mains()`: mean level, and all seats as a band."""
    from cli.figures.crossover import sum_and_parts

    return sum_and_parts(ax, plan, met)


def tolerance(ax: Axes, found: Tolerance, subs: int, *, title: str = "") -> Axes:
    """The mean level over the seats in built rooms: median and band, of the plan with so many subs."""
    from cli.figures.common_axes import INK
    from cli.figures.tolerance import band

    level = found.plans[subs].first.mean_percentile_db
    return band(ax, found.frequency_hz, level - level.mean(), colour=INK, title=title)


def shares(ax: Axes, found: Tolerance, subs: int) -> Axes:
    """Which uncertainty matters most, from a `tolerance()` with shares, of the plan with so many subs.

    Raises
    ------
    OutsideModel : it was asked without shares.
    """
    from cli.figures.tolerance import share_bars

    known = found.plans[subs].first.shares
    if known is None:
        raise OutsideModel("shares: this tolerance was asked without them; allowed: tolerance(shares=True)")
    return share_bars(ax, found.group_name, known)


def misfit(ax: Axes, outcome: Fit) -> Axes:
    """What the model leaves of the measurements, as drawn and as fitted, from the `outcome` of a `fit`."""
    from cli.figures.fit import misfit_axes

    return misfit_axes(ax, outcome)


def distributions(ax: Axes, results: StudyResults, *, title: str = "") -> Axes:
    """For each strategy of a study the share of rooms that stay at or below a variation."""
    from cli.figures.study import distributions as draw

    return draw(
        ax,
        values=results.arrays["variation_db"],
        names=results.strategies,
        label="variation [dB]",
        title=title,
    )


def differences(
    ax: Axes,
    results: StudyResults,
    compared: StudyComparison,
    *,
    pairs: Sequence[Pair] | None = None,
    title: str = "",
) -> Axes:
    """For each pair of strategies every room as a dot, the mean difference with its interval as a bar."""
    from cli.figures.study import differences as draw

    chosen: Any = compared.pairs if pairs is None else pairs
    names = results.strategies
    return draw(
        ax,
        values=[pair.difference_db for pair in chosen],
        names=[f"{names[pair.cheaper]} / {names[pair.dearer]}" for pair in chosen],
        means=[(pair.mean_db.value, pair.mean_db.low, pair.mean_db.high) for pair in chosen],
        within_db=compared.within_db,
        title=title,
    )
