"""The room's modes as built: the poles of its response, named by the textbook modes that they look like.

A mode is what rings: a complex resonance of the room together with its walls, found as a pole of the response
(`resonances`), however far it lies from the textbook's. Its name is the rigid mode that its pressure is most of. Beside
a resonance of a wall or a pane a rigid mode becomes several, which then share its name; where walls absorb strongly it
may become none. What hardly shows in the response is left out. In a room that is no box modes are numbered by their
rank with rigid walls, and named by the box's where they look like one of those.

| symbol | meaning |
| --- | --- |
| omega | complex angular frequency, 2 pi f + j delta: the mode rings as e^{-delta t} [rad/s] |
| T60 | ln(10^3) / delta, the decay time [s] |

References
----------
[1] H. Kuttruff, Room Acoustics, section 3.3: T60 = 6.91 / delta (from memory; exact).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import ceil, log, pi
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from threadpoolctl import threadpool_limits

from roommodes.acoustics.box_within import box_within
from roommodes.acoustics.checks.surfaces import require_surfaces
from roommodes.acoustics.poles import Poles, Strip, repeated
from roommodes.acoustics.precision import Precision
from roommodes.acoustics.resonances import Resonances
from roommodes.acoustics.rigid_modes import (
    BoxShape,
    ElementShape,
    ModeShape,
    RigidModes,
    mode_count,
    rigid_modes,
    rigid_shape,
    shape_pressure,
)
from roommodes.acoustics.room import Room, Surface
from roommodes.acoustics.transfer import LOWEST_HZ
from roommodes.acoustics.wall_bases import cosine_table
from roommodes.arrays import Complexes, Floats
from roommodes.elements.field import ShapedField
from roommodes.elements.solution import RigidSolution, solved
from roommodes.errors import OutsideModel
from roommodes.running import Running

AXES = (0, 1, 2)
SHORTEST_S = 0.06  # decay time of the quickest modes that are sought
LEAST_SHARE = 0.1  # of the response at its frequency, 20 dB below the whole: what is less is not seen there
LOOKED_AT = 0.5  # part of it from which on a pole of the fit is brought to its place, where its true share is known
MOST_MODES = 60
KEPT_REACH = 1.3  # modes up to this times the highest frequency are kept as unknowns
BEYOND_HZ = 12.0  # above the highest mode asked for, the equations must still hold
# 1e-4 of a mode's shift is plenty here; no seat stands near a wall, so the sums along walls may end early
PRECISION = Precision(cut=2.5, extra_order=3, edge_wavenumber=30.0, plane_wavenumber=100.0)
# for tables and pictures: frequencies to 0.02 Hz, decays to half a percent, in half the time
FOR_READING = replace(PRECISION, fewest_extra=1)
LINE_POINTS = 241
COUNTED = 2001  # frequencies at which modes are counted


@dataclass(frozen=True, slots=True, kw_only=True)
class NullPlane:
    """A plane of no pressure of a mode: where the textbook puts it and where it lies as built.

    Parameters
    ----------
    axis : 0, 1, 2 for x, y, z.
    rigid_m : coordinate with rigid walls [m].
    built_m : coordinate as built, on a line through the room where the mode is strong; None where the pressure
        has no minimum left near it [m].
    """

    axis: int
    rigid_m: float
    built_m: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class BuiltMode:
    """One mode as built, and the rigid mode that it is named by.

    Parameters
    ----------
    number : mode numbers along x, y, z of the rigid mode that its pressure is most of; (0, 0, 0) where all air of the
        room is pressed together alike. In a room that is no box the rank alone, from 0 on.
    rigid_hz, frequency_hz : of that rigid mode, and as built [Hz].
    decay_time_s : T60 as built [s].
    null_planes : every null plane of the rigid mode.
    likeness : the rigid mode's part of the mean square pressure, 0 to 1.
    share : its part of the response at its frequency, rms over all places and sources in the room. Parts of several
        modes may add or cancel.
    settled : whether the full equations confirm it to 1e-5 of its frequency.
    looks_like : in a room that is no box, numbers of the mode that it looks like of the box that encloses it, if any.
    shape : its pressure as a sum of rigid modes; ask `pressure`.
    """

    number: tuple[int, ...]
    rigid_hz: float
    frequency_hz: float
    decay_time_s: float
    null_planes: tuple[NullPlane, ...]
    likeness: float
    share: float
    settled: bool
    looks_like: tuple[int, int, int] | None = None
    shape: ModeShape | None = field(default=None, compare=False, repr=False)

    def pressure(self, point_m: ArrayLike) -> Complexes:
        """The mode's pressure as built: mean square over the room 1, real and positive where the rigid mode's is.

        It is a sum of rigid modes up to a few times its frequency: within some decimetres of a pane or of a wall that
        absorbs strongly it ripples about the true pressure.

        Parameters
        ----------
        point_m : (..., 3) in the air or on its faces [m].

        Returns
        -------
        (...) complex. The phase tells what leads: walls that absorb make a wave travel towards them.

        Raises
        ------
        OutsideModel : a point lies outside the room's air, or the mode was read from a file, which holds no shape.
        """
        return shape_pressure(self._shape(), np.asarray(point_m))

    def rigid_pressure(self, point_m: ArrayLike) -> Floats:
        """The same of the rigid mode that it is named by: in a box sqrt(eps) cos cos cos. (..., 3) [m] -> (...)."""
        return np.asarray(shape_pressure(rigid_shape(self._shape(), self.number), np.asarray(point_m)).real)

    def _shape(self) -> ModeShape:
        if self.shape is None:
            raise OutsideModel("this mode came without its shape; ask rm.modes or a project's modes for it")
        return self.shape

    @property
    def textbook(self) -> tuple[int, int, int] | None:
        """Mode numbers in a box: its own, or those that it looks like; None where it looks like none."""
        if len(self.number) == len(AXES):
            return (self.number[0], self.number[1], self.number[2])
        return self.looks_like

    @property
    def largest_shift_m(self) -> float | None:
        """How far the null plane that moved most has moved, signed; None if none is left [m]."""
        shifts = [plane.built_m - plane.rigid_m for plane in self.null_planes if plane.built_m is not None]
        return max(shifts, key=abs, default=None)

    @property
    def quality_factor(self) -> float:
        """Q = omega / (2 delta) [-]."""
        return pi * self.frequency_hz * self.decay_time_s / log(1e3)


def built_modes(
    room: Room,
    surfaces: Sequence[Surface],
    *,
    max_hz: float,
    limit: int = MOST_MODES,
    precision: Precision = PRECISION,
    running: Running = Running(),
) -> tuple[BuiltMode, ...]:
    """The modes that the room's response shows up to `max_hz`, at most `limit` of them.

    All poles from 5 Hz up that ring for `SHORTEST_S` or longer are found; those that make up `LEAST_SHARE` of the
    response at their frequency are listed.

    Parameters
    ----------
    room, surfaces : as for `transfer_function`.
    max_hz : highest frequency as built [Hz].
    limit : how many modes at most; also no mode above as many rigid ones is sought.
    precision : how far the sums go; `FOR_READING` is enough for what a person reads.
    running : progress, cancelling, threads.

    Returns
    -------
    In rising frequency as built.

    Raises
    ------
    Interrupted : when cancelled.
    OutsideModel : a surface lies outside its wall, or would make sound.
    """
    require_surfaces(room, surfaces)
    running.step("modes", 0.0)
    origin = np.zeros(3)
    if box := box_within(room):
        room, surfaces, origin = box.room, box.surfaces(surfaces), box.origin_m
        rigid = rigid_modes(room, max_hz).frequency_hz
        top_hz = float(rigid[limit]) if len(rigid) > limit else max_hz
    else:
        hz = np.linspace(0.0, max_hz, COUNTED)
        few = hz[mode_count(room, hz) <= limit + 1]
        top_hz = float(few[-1])
        import scipy.sparse.linalg  # noqa: F401, PLC0415 (now, so that its threads are bound as well)
    if top_hz <= LOWEST_HZ:
        return ()
    kept = rigid_modes(room, KEPT_REACH * top_hz, with_pressure_mode=True) if box else ranks(room, KEPT_REACH * top_hz)
    strip = Strip(low=2.0 * pi * LOWEST_HZ, high=2.0 * pi * top_hz, deepest=log(1e3) / SHORTEST_S)

    with threadpool_limits(1):  # one thread per block of frequencies gains more than threads inside small matrices

        def problem() -> Resonances:
            return Resonances(room, surfaces, kept, top_hz + BEYOND_HZ, precision, running)

        asked = (room, surfaces, max_hz, limit, precision)
        found = running.arrays("modes", asked, lambda: _found(problem(), strip, limit, running))
        solution, names = (None, []) if box else _shape_again(room, found, running)
        parts = (found[name] for name in ("omega", "amplitudes", "rigid_k2", "share", "settled"))
        return tuple(
            _described(room, w, amplitudes, (float(k2), float(part), bool(done)), names, origin, solution)
            for w, amplitudes, k2, part, done in zip(*parts, strict=True)
        )


def _found(problem: Resonances, strip: Strip, limit: int, running: Running) -> dict[str, NDArray[Any]]:
    """The poles that show, each with all modes' amplitudes, its rigid mode's k^2, its share, and if it settled."""
    found = problem.poles(strip, running.part(0.0, 0.6))
    near = np.flatnonzero(found.share >= LOOKED_AT * LEAST_SHARE)
    some = Poles(omega=found.poles.omega[near], vector=found.poles.vector[near])
    running = running.part(0.6, 1.0)
    reaction = problem.reactions_at(found, near, running.silent())
    poles, pull, settled = problem.refined(some, problem.slopes_at(found, near), reaction, running)
    share = problem.shares(found.fit, poles)
    order = np.flatnonzero(~repeated(poles, settled))
    order = order[np.argsort(poles.omega.real[order], kind="stable")]
    chosen = order[share[order] >= LEAST_SHARE][:limit]
    k2_modes = problem.ports.k2_modes
    each = [problem.amplitudes(poles.omega[one], poles.vector[one], pull[one]) for one in chosen]
    amplitudes = np.array(each, dtype=np.complex128).reshape(-1, *k2_modes.shape)
    own = [int(np.argmax(np.abs(one) ** 2)) for one in amplitudes]
    return {
        "omega": poles.omega[chosen],
        "amplitudes": amplitudes,
        "rigid_k2": k2_modes.ravel()[own],
        "share": share[chosen],
        "settled": np.asarray(settled[chosen]),
        **_shape_named(problem),
    }


def _shape_named(problem: Resonances) -> dict[str, NDArray[Any]]:
    """Of a room that is no box: by what its solution is asked for again, and textbook names by rank, -1 where none."""
    field = problem.ports.field
    if not isinstance(field, ShapedField):
        return {}
    names = [name or (-1, -1, -1) for name in problem.textbook_names()]
    return {
        "seams": np.array(field.solution.mesh.shape.seams, dtype=np.float64).reshape(-1, 2),
        "wavenumber": np.array(field.solution.max_wavenumber),
        "names": np.array(names, dtype=np.int64).reshape(-1, 3),
    }


def _shape_again(
    room: Room, found: Mapping[str, NDArray[Any]], running: Running
) -> tuple[RigidSolution, list[tuple[int, int, int] | None]]:
    """The solution that the modes' shapes refer to, and their textbook names by rank, from what is `_shape_named`."""
    seams = tuple((int(axis), float(at)) for axis, at in found["seams"])
    solution = solved(replace(room.shape, seams=seams), float(found["wavenumber"]), running)
    return solution, [None if x < 0 else (x, y, z) for x, y, z in found["names"].tolist()]


def ranks(room: Room, max_hz: float) -> RigidModes:
    """Ranks of the lowest modes of a room that is no box, from the first: about as many as lie below a frequency."""
    count = ceil(float(mode_count(room, np.array([max_hz]))[0])) + 1
    return RigidModes(number=np.arange(count, dtype=np.intp)[:, None], frequency_hz=np.full(count, np.nan))


def strongest(modes: Sequence[BuiltMode]) -> dict[tuple[int, ...], BuiltMode]:
    """Of all modes that share a name the one that makes up most of the response."""
    found: dict[tuple[int, ...], BuiltMode] = {}
    for mode in modes:
        if mode.number not in found or mode.share > found[mode.number].share:
            found[mode.number] = mode
    return found


def _described(
    room: Room,
    omega: complex,
    amplitudes: Complexes,
    found: tuple[float, float, bool],
    names: Sequence[tuple[int, int, int] | None],
    origin_m: Floats,
    rigid: RigidSolution | None,
) -> BuiltMode:
    """One mode; `found` its rigid mode's k^2, its share and whether it settled, `names` the textbook's by rank.

    In a box there are no names, and no `rigid` solution is needed.
    """
    power = np.abs(amplitudes) ** 2
    rigid_k2, share, settled = found
    number = np.unravel_index(int(power.argmax()), power.shape)
    own = tuple(int(n) for n in number)
    planes: list[NullPlane] = []
    for axis, n in enumerate(number if len(number) == len(room.size_m) else ()):
        if n:
            planes.extend(_moved(_null_planes(room, amplitudes, number, axis), float(origin_m[axis])))
    return BuiltMode(
        number=own,
        rigid_hz=room.air.speed_of_sound_m_s * rigid_k2**0.5 / (2.0 * pi),
        frequency_hz=float(omega.real) / (2.0 * pi),
        decay_time_s=log(1e3) / float(omega.imag) if omega.imag > 0.0 else float("inf"),
        null_planes=tuple(planes),
        likeness=float(power.max() / power.sum()),
        share=share,
        settled=settled,
        looks_like=names[own[0]] if len(own) == 1 and own[0] < len(names) else None,
        shape=_shape_of(room, amplitudes, own, origin_m, rigid),
    )


def _shape_of(
    room: Room, amplitudes: Complexes, own: tuple[int, ...], origin_m: Floats, rigid: RigidSolution | None
) -> ModeShape:
    """The mode's pressure with its mean square over the room 1, and its own rigid mode's part positive."""
    turn = np.conj(amplitudes[own]) / abs(amplitudes[own])
    scaled = amplitudes * (turn / np.sqrt((np.abs(amplitudes) ** 2).sum()))
    if rigid:
        return ElementShape(mesh=rigid.mesh, vectors=rigid.vectors, amplitudes=scaled)
    return BoxShape(room=room, origin_m=origin_m, amplitudes=scaled)


def _moved(planes: Sequence[NullPlane], by_m: float) -> list[NullPlane]:
    """Planes of a box whose corner is not the room's origin."""
    if by_m == 0.0:
        return list(planes)
    return [
        replace(one, rigid_m=one.rigid_m + by_m, built_m=None if one.built_m is None else one.built_m + by_m)
        for one in planes
    ]


def _null_planes(room: Room, amplitudes: Complexes, number: Sequence[np.intp], axis: int) -> list[NullPlane]:
    """Minima of |p| along one axis, on a line where the mode is strong, near each rigid null plane."""
    length, n = room.size_m[axis], int(number[axis])
    line = np.linspace(0.0, length, LINE_POINTS)
    value = amplitudes
    for other in (2, 1, 0):  # from the last axis on, so that the axes' numbers stay as they are
        if other != axis:
            where = _strong_place(room.size_m[other], int(number[other]))
            factor = cosine_table(room.size_m[other], np.array([where]), amplitudes.shape[other])[0]
            value = np.tensordot(value, factor, axes=(other, 0))
    pressure = np.abs(cosine_table(length, line, amplitudes.shape[axis]) @ value)
    inner = np.flatnonzero((pressure[1:-1] < pressure[:-2]) & (pressure[1:-1] <= pressure[2:])) + 1
    planes = []
    for i in range(n):
        rigid = (i + 0.5) * length / n
        near = inner[np.abs(line[inner] - rigid) < 0.5 * length / n]
        built = None
        if len(near):
            at = near[np.argmin(np.abs(line[near] - rigid))]
            below, here, above = pressure[at - 1 : at + 2] ** 2
            built = float(line[at] + 0.5 * (line[1] - line[0]) * (below - above) / (below - 2.0 * here + above))
        planes.append(NullPlane(axis=axis, rigid_m=rigid, built_m=built))
    return planes


def _strong_place(length_m: float, number: int) -> float:
    """Where a mode is strong along an axis, well away from the walls."""
    places = np.linspace(0.2 * length_m, 0.8 * length_m, 61)
    strength = np.abs(np.cos(number * pi * places / length_m))
    return float(places[int(np.argmax(np.round(strength - 1e-3 * np.abs(places / length_m - 0.5), 9)))])
