"""The model asked directly: transfer functions, and what seats hear of a layout."""
# ruff: noqa: PLC0415 (the solvers wait until they are asked)

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from roommodes.acoustics.built_modes import BuiltMode, built_modes
from roommodes.acoustics.room import Room, Surface
from roommodes.acoustics.transfer import transfer_function
from roommodes.arrays import Complexes, Floats
from roommodes.errors import OutsideModel
from roommodes.plan.drives import Drives
from roommodes.plan.plan import Plan
from roommodes.project.bands.search_grid import search_grid_hz
from roommodes.project.project import Project
from roommodes.responses.labelled import dataset
from roommodes.running import Running

if TYPE_CHECKING:
    import xarray

    from solvers.plans.side_by_side import Seen
    from solvers.plans.watched import Watcher


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Transfer:
    """Transfer functions from every source to every seat, p / (j omega rho q / 4 pi), e^{+j omega t}.

    It can be indexed and used like its array: ``H[0, 1, 2]``, ``abs(np.asarray(H))``.

    Parameters
    ----------
    values : (n_freq, n_seat, n_source) complex128; in free field e^{-jkr} / r [1/m].
    frequency_hz : (n_freq,) [Hz].
    seat_m, source_m : (n_seat, 3), (n_source, 3) [m].
    seat_name : (n_seat,), empty where the seats have none.
    """

    values: Complexes
    frequency_hz: Floats
    seat_m: Floats
    source_m: Floats
    seat_name: tuple[str, ...] = ()

    @property
    def shape(self) -> tuple[int, ...]:
        """(n_freq, n_seat, n_source)."""
        return self.values.shape

    def __getitem__(self, key: Any) -> Any:
        return self.values[key]

    def __array__(self, dtype: Any = None, copy: bool | None = None) -> Any:
        return np.array(self.values, dtype=dtype, copy=copy)

    def to_xarray(self) -> xarray.DataArray:
        """The same with its axes named; PackageMissing without xarray."""
        axes = ("frequency", "seat", "source")
        found = dataset(
            {"transfer": (axes, self.values, {"units": "1/m"})},
            {
                "frequency": (("frequency",), self.frequency_hz, {"units": "Hz"}),
                "seat": (("seat",), list(self.seat_name) or np.arange(len(self.seat_m)), {}),
                "source": (("source",), np.arange(len(self.source_m)), {}),
                "seat_m": (("seat", "axis"), self.seat_m, {"units": "m"}),
                "source_m": (("source", "axis"), self.source_m, {"units": "m"}),
                "axis": (("axis",), ["x", "y", "z"], {}),
            },
            {},
        )
        return found["transfer"]


def transfer(
    project: Project | Room,
    *,
    frequency_hz: ArrayLike | None = None,
    seat_m: ArrayLike | None = None,
    source_m: ArrayLike | None = None,
    surfaces: Sequence[Surface] = (),
    threads: int | None = None,
    running: Running | None = None,
) -> Transfer:
    """Pressure at every seat from every source.

    Parameters
    ----------
    project : a project, or a bare room, which needs all of the next three.
    frequency_hz : (n_freq,) 5 to 400 Hz; left out, the grid of the project's search [Hz].
    seat_m, source_m : (n, 3) inside the room or on its walls; left out, the project's seats and candidates [m].
    surfaces : of a bare room, later ones over earlier ones; the rest is rigid.
    threads, running : threads; progress and cancelling in place of none.

    Raises
    ------
    Interrupted : when cancelled.
    OutsideModel : for a frequency or a place for which the model says nothing.

    Example: ``H = rm.transfer(project, source_m=[[0.3, 0.4, 0.2]])``
    """
    names: tuple[str, ...] = ()
    if isinstance(project, Project):
        room, walls = project.room, project.surfaces()
        if frequency_hz is None:
            frequency_hz = search_grid_hz(project.search, project.mains)
        if seat_m is None:
            seat_m, names = project.seats.position_m, project.seats.name
        source_m = project.candidates.position_m if source_m is None else source_m
    else:
        room, walls = project, tuple(surfaces)
    if frequency_hz is None or seat_m is None or source_m is None:
        raise OutsideModel(
            "a bare room says nothing of frequencies, seats and sources; give frequency_hz, seat_m, source_m"
        )
    hz = np.atleast_1d(np.asarray(frequency_hz, dtype=np.float64))
    seats, sources = (np.atleast_2d(np.asarray(points, dtype=np.float64)) for points in (seat_m, source_m))
    values = transfer_function(
        room,
        walls,
        frequency_hz=hz,
        seat_m=seats,
        source_m=sources,
        running=running or Running(threads=threads),
    )
    return Transfer(values=values, frequency_hz=hz, seat_m=seats, source_m=sources, seat_name=names)


def modes(
    project: Project | Room,
    *,
    surfaces: Sequence[Surface] = (),
    max_hz: float = 120.0,
    threads: int | None = None,
    running: Running | None = None,
) -> tuple[BuiltMode, ...]:
    """The modes of a room as built up to a frequency: what frequency, how long they ring, and their pressure anywhere.

    Parameters
    ----------
    project : a project, or a bare room.
    surfaces : of a bare room, later ones over earlier ones; the rest is rigid.
    max_hz : highest frequency as built [Hz].
    threads, running : threads; progress and cancelling in place of none.

    Returns
    -------
    In rising frequency; ``mode.pressure(points)`` and ``mode.rigid_pressure(points)`` take (..., 3) in m.

    Raises
    ------
    Interrupted, OutsideModel : when cancelled; the model cannot take this room.

    Example: ``x, y = np.meshgrid(...); rm.modes(project)[0].pressure(np.stack([x, y, 0 * x + 1.2], axis=-1))``
    """
    running = running or Running(threads=threads)
    if isinstance(project, Project):
        return project.modes(max_hz=max_hz, running=running)
    return built_modes(project, surfaces, max_hz=max_hz, running=running)


def predict(project: Project, *, threads: int | None = None, running: Running | None = None) -> Plan:
    """What every seat hears from the [layout] of a project, as a plan; the same as `roommodes predict`.

    The command shows levels with the loudest sub at its limit: the plan's `level_at_limit_db`.

    Parameters
    ----------
    project : with a layout.
    threads, running : threads; progress and cancelling in place of none.

    Raises
    ------
    ProjectInvalid : the project has no layout.
    Interrupted, OutsideModel : when cancelled; the model cannot take this project.
    """
    from solvers.plans.by_hand import predict_layout

    return predict_layout(project, running=running or Running(threads=threads))


def judge(
    project: Project,
    positions_m: ArrayLike,
    drives: Drives | None = None,
    *,
    kinds: Sequence[str] | None = None,
    threads: int | None = None,
    running: Running | None = None,
) -> Plan:
    """Any layout in any project as a plan like any other, judged as the search judges its own.

    Parameters
    ----------
    project : the room and the seats; its zones and keep-outs do not bind the layout.
    positions_m : (n_sub, 3) acoustic centres [m].
    drives : gain, delay and polarity of each sub; left out, all alike.
    kinds : which of the project's kinds of subwoofer each sub is, by name; may be left out where it has one.
    threads, running : threads; progress and cancelling in place of none.

    Raises
    ------
    ProjectInvalid : not as many drives or kinds as positions, or no such kind.
    Interrupted, OutsideModel : when cancelled; a position outside the room or on a seat.

    Example: ``rm.judge(project, [[0.3, 0.4, 0.3], [5.9, 0.4, 0.3]]).variation_db``
    """
    from solvers.plans.by_hand import judge_layout, kind_named

    kind = None if kinds is None else kind_named(project, kinds)
    return judge_layout(project, positions_m, drives, kind=kind, running=running or Running(threads=threads))


def watcher() -> Watcher:
    """Keeps what it worked out of one project for the next look at it, as `roommodes watch` does between saves.

    Returns
    -------
    An object whose ``look(project)`` gives the layout's plan, the modes, and in words what was worked out anew.

    Example: ``eye = rm.watcher(); eye.look(project); eye.look(project.with_(length_m=6.2)).plan.variation_db``
    """
    from solvers.plans.watched import Watcher

    return Watcher()


def compare(*plans: Plan) -> tuple[Seen, ...]:
    """Plans side by side over the band that all of them cover, in whatever rooms; the same as `roommodes compare`.

    Parameters
    ----------
    plans : two or more, from files, `search`, `predict` or `judge`.

    Returns
    -------
    For each plan its levels, `variation_db`, `output_db`, `smoothness_db`, `decay_s` over that band, `bands` with
    `band_variation_db` and `band_mean_db` by third-octave, `least_headroom` where it is known how loud a sub plays.

    Raises
    ------
    OutsideModel : their bands have less than half an octave in common.

    Example: ``before, after = rm.compare(rm.predict(project), plan)``
    """
    from solvers.plans.side_by_side import common_band_hz, seen

    if not plans:
        return ()
    band_hz = common_band_hz(plans)
    return tuple(seen(plan, band_hz) for plan in plans)
