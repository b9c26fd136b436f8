"""Learns the small bases of `tolerance.field` from the full equations, in the drawn room and in seeded sample rooms.

At each frequency the full equations are solved in a few sample rooms, with other walls and temperature, for ears and
cabinets at other places; how the low modes alone drive the walls is added, because size and temperature move those.
What matters of all these answers is the basis (`tolerance.basis`). Lower bands have boundary modes of their own, fewer.
"""

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import cached_property
from math import pi
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.stats import qmc
from threadpoolctl import threadpool_limits

from roommodes.acoustics.air import Air
from roommodes.acoustics.box_within import box_within
from roommodes.acoustics.ports import Ports
from roommodes.acoustics.precision import Precision
from roommodes.acoustics.room import Room, Surface
from roommodes.acoustics.room_boundary import Boundary
from roommodes.acoustics.strengths import Matrices
from roommodes.acoustics.transfer import bulk_k2
from roommodes.arrays import Complexes, Floats
from roommodes.running import Running
from solvers.tolerance.bands import Band, bands_of
from solvers.tolerance.basis import MIXED, MIXED_MODES, Reaction, leading_of, mixed
from solvers.tolerance.field import BandField, Field
from solvers.tolerance.inputs import Builds, Inputs
from solvers.tolerance.kept_levels import depends_on, packed, unpacked
from solvers.tolerance.level import Level, real_times
from solvers.tolerance.modes import Modes, ShapedModes, box_modes, shaped_modes
from solvers.tolerance.rest import K2_STEP, Rest, Smooth
from solvers.tolerance.walls import Walls

# 3e-4 of the seats' rms at most on the demo, beside which the spreads are large
PRECISION = Precision(cut=3.0, extra_order=5, edge_wavenumber=30.0, plane_wavenumber=100.0, near_error=1e-2)
LOW_REACH, LOW_MORE = 1.6, 0.6  # modes below LOW_REACH k + LOW_MORE [1/m] are worked out one by one
AT_ONCE = 2  # wavenumbers of one frequency
SAMPLES, MORE = 12, 15  # rooms beside the drawn one from which a basis is learnt: at first, and where it is not settled
SETTLED = 0.5  # of the directions that they show, what a settled basis has at most
MODE_SAMPLES = 2  # of them, with the low modes too
CLIMATES, LEAST_BUNDLE = 128, 3e-8  # rooms that show how low modes change, and the weakest change that is kept


def reduced_field(
    inputs: Inputs,
    *,
    frequency_hz: Floats,
    seed: int,
    running: Running = Running(),
    note: str = "",
) -> Field:
    """Prepare the field of a project's uncertain inputs.

    Parameters
    ----------
    inputs : ears, cabinets and what is uncertain.
    frequency_hz : (n_freq,) [Hz].
    seed : of the sample rooms.
    running : progress, cancelling, threads.
    note : beside the progress.

    Raises
    ------
    Interrupted : when cancelled.
    OutsideModel, ValueError : as the model does.
    """
    running.step("room", 0.0, note)
    bands: list[BandField] = []
    done = 0
    with threadpool_limits(1):
        # the highest first: what no machine can do is refused before the rest is worked out
        for hz in reversed(bands_of(frequency_hz, one=box_within(inputs.project.room) is None)):
            begin, done = done, done + len(hz)
            part = running.part(begin / len(frequency_hz), done / len(frequency_hz))
            bands.append(_band_field(Band.of(inputs, hz, PRECISION), seed, part, note))
    return Field(bands=bands[::-1])


def _band_field(band: Band, seed: int, running: Running, note: str) -> BandField:
    """A band's field, whose equations are kept between runs in a box."""
    room = band.inputs.project.room
    modes: Modes | None = box_modes(band.inputs, highest_k2=(LOW_REACH * band.max_wavenumber + LOW_MORE) ** 2)
    if modes is None:
        learner = _learner(band, None, seed=seed, running=running)
        modes, levels = learner.modes, _levels(learner, running, note)
    else:
        known = modes

        def learnt() -> dict[str, NDArray[Any]]:
            return packed(_levels(_learner(band, known, seed=seed, running=running), running, note))

        asked = (*depends_on(band.inputs), band.frequency_hz, seed, PRECISION)
        levels = unpacked(running.arrays("tolerance", asked, learnt))
    return BandField(
        frequency_hz=band.frequency_hz,
        size_m=np.array(room.size_m),
        loss_factor=room.loss_factor,
        inputs=band.inputs,
        modes=modes,
        ears=band.ears,
        cabinets=band.cabinets,
        walls=band.walls,
        levels=levels,
    )


def _levels(learner: "_Learner", running: Running, note: str) -> tuple[Level, ...]:
    """The reduced equations at each frequency."""
    levels: list[Level] = []
    count = len(learner.omega)
    with ThreadPoolExecutor(replace(learner.ports.effort, at_once=AT_ONCE).blocks(running.thread_count)) as pool:
        for level in pool.map(learner.level, range(count)):
            levels.append(level)
            running.check("interrupted while the room was prepared")
            running.step("room", len(levels) / count, note)
    return tuple(levels)


def _learner(band: Band, modes: Modes | None, *, seed: int, running: Running) -> "_Learner":
    """The full equations in the drawn room and the sample rooms, ready to be asked at each frequency."""
    inputs, walls, frequency_hz = band.inputs, band.walls, band.frequency_hz
    sobol = qmc.Sobol(max(inputs.size, 1), rng=seed).random(16)[:MORE]
    samples = inputs.drawn().joined(inputs.builds(sobol[:, : inputs.size]))
    ports = Ports(
        inputs.project.room,
        band.boundary.families,
        seat_m=band.ear_m.reshape(-1, 3),
        source_m=band.cabinet_m.reshape(-1, 3),
        max_wavenumber=1.05 * band.max_wavenumber,  # where it is warmest
        precision=PRECISION,
        running=running,
    )
    rooms = [inputs.built(samples, index) for index in range(len(samples))] if walls else []
    if modes is None:
        modes = shaped_modes(inputs, ports, running=running)
    return _Learner(
        room=inputs.project.room,
        ports=ports,
        boundary=band.boundary,
        walls=walls,
        samples=samples,
        omega=2.0 * pi * frequency_hz,
        strengths=[] if walls is None else [_strengths(walls, *one, frequency_hz=frequency_hz) for one in rooms],
        climates=inputs.builds(_climates(inputs.size)),
        modes=modes,
        overlaps=ports.overlaps(modes.number),
        ear_fit=band.ear_fit,
        cabinet_fit=band.cabinet_fit,
    )


def _strengths(walls: Walls, room: Room, surfaces: Sequence[Surface], *, frequency_hz: Floats) -> list[Complexes]:
    """How hard the walls of a sample room are at all frequencies, see `_Learner`."""
    matrices = Matrices((2.0 * pi * frequency_hz).astype(np.complex128))
    return [matrices.of(strength) for strength in walls.strengths(room, surfaces)]


def _climates(size: int) -> Floats:
    """Points all over the unit cube, the first half of them corners: (n, size)."""
    unit = np.array(qmc.Sobol(max(size, 1), rng=0).random(CLIMATES))[:, :size]
    unit[: CLIMATES // 2] = np.round(unit[: CLIMATES // 2])
    return unit


@dataclass(frozen=True, kw_only=True, eq=False)
class _Learner:
    """What all frequencies share.

    Parameters
    ----------
    room : as drawn.
    ports, boundary, walls : of the full equations for all ears and cabinets; walls None where all are rigid.
    omega : (n_freq,) [rad/s].
    samples, strengths : the sample rooms, and how hard the walls of each are: `Matrices.of` one after the other.
    climates : rooms all over what may be, for the modes that are worked out one by one.
    modes : m that are worked out one by one.
    overlaps : (n_boundary, m) of each boundary mode with each of these.
    ear_fit, cabinet_fit : (n_point, n_monomial, n_node), see `bands.stencil`.
    """

    room: Room
    ports: Ports
    boundary: Boundary
    walls: Walls | None
    omega: Floats
    samples: Builds
    strengths: list[list[Complexes]]
    climates: Builds
    modes: Modes
    overlaps: Floats
    ear_fit: Floats
    cabinet_fit: Floats

    @cached_property
    def k2_modes(self) -> Floats:
        """(m,) squared wavenumbers of the modes [1/m2]."""
        return np.asarray(self.ports.k2_modes[tuple(self.modes.number.T)])

    @cached_property
    def shapes(self) -> tuple[Floats, Floats]:
        """(point, m) shapes of the modes at the ears' and the cabinets' nodes."""
        return self.ports.field.shapes_at(self.modes.number)

    @cached_property
    def speeds(self) -> list[float]:
        """Speed of sound in each sample room [m/s]."""
        return [Air(temperature_c=float(one)).speed_of_sound_m_s for one in self.samples.temperature_c]

    @cached_property
    def climate_modes(self) -> tuple[Floats, Floats]:
        """Squared wavenumbers (n, m) [1/m2] and volume (n,) [m3] in `climates`."""
        mixed = self.modes.of(self.climates)
        return mixed.k2, mixed.volume_m3

    @cached_property
    def climate_speeds(self) -> Floats:
        """Speed of sound in `climates` (n,) [m/s]."""
        return np.array([Air(temperature_c=float(one)).speed_of_sound_m_s for one in self.climates.temperature_c])

    def level(self, index: int) -> Level:
        """The reduced equations at one of the frequencies."""
        omega = float(self.omega[index])
        k2 = bulk_k2(self.room, np.array([omega], dtype=np.complex128))
        low = np.flatnonzero(self.k2_modes <= (LOW_REACH * abs(k2[0]) ** 0.5 + LOW_MORE) ** 2)
        if isinstance(self.modes, ShapedModes):
            low = np.arange(len(self.k2_modes))  # they mix among each other
        without = np.zeros(self.ports.k2_modes.shape, dtype=np.bool_)
        without[tuple(self.modes.number[low].T)] = True
        rest = Rest.of(self.ports, complex(k2[0]), without)
        overlap = self.overlaps[:, low]
        basis = self._basis(index, k2[0], low, rest, overlap)
        r = basis.shape[1]
        reduced = basis.T @ overlap
        rows, columns = np.triu_indices(r)
        bundle, bundled = self._bundles(omega, low, np.linalg.norm(reduced, axis=0) ** 2)
        walls = rest.boundary.over(lambda part: basis.T @ real_times(part, basis))
        system = np.concatenate(
            [
                np.empty((0, len(rows))) if self.walls is None else self.walls.matrices(basis, omega)[:, rows, columns],
                np.stack([walls.value, walls.slope])[:, rows, columns],
                bundled @ (reduced[rows] * reduced[columns]).T,
            ]
        )
        ear, ear_slope = _points(rest.seat_boundary, basis, self.ear_fit)
        cabinet, cabinet_slope = _points(rest.source_boundary, basis, self.cabinet_fit)
        shape = (len(self.ear_fit), self.ear_fit.shape[2], len(self.cabinet_fit), self.cabinet_fit.shape[2])
        direct = rest.seat_source.value.reshape(shape)
        return Level(
            k2=complex(k2[0]),
            low=low,
            system=system,
            bundle=bundle,
            overlap=reduced,
            ear=ear,
            ear_slope=ear_slope,
            cabinet=cabinet,
            cabinet_slope=cabinet_slope,
            direct=np.einsum("epn,encm,cqm->epcq", self.ear_fit, direct, self.cabinet_fit, optimize=True),
            direct_slope=rest.seat_source.slope.reshape(shape)[:, 0, :, 0],
        )

    def _bundles(self, omega: float, low: NDArray[np.intp], weight: Floats) -> tuple[Complexes, Complexes]:
        """What the low modes' D of all rooms are made of: in a box they hang on its size and temperature alone.

        Parameters
        ----------
        omega : [rad/s].
        low : the modes.
        weight : (m,) how large the matrix of each one is.

        Returns
        -------
        (m, n_bundle) D to bundles, (n_bundle, m) bundles to D.
        """
        if isinstance(self.modes, ShapedModes):  # none in a room that differs: there they mix
            return np.eye(len(low), dtype=np.complex128), np.eye(len(low), dtype=np.complex128)
        mode_k2, volume = self.climate_modes
        k2 = bulk_k2(self.room, np.array([omega], dtype=np.complex128))
        k2 = k2 * (self.room.air.speed_of_sound_m_s / self.climate_speeds) ** 2
        d = 1.0 / (volume[:, None] * (mode_k2[:, low] - k2[:, None]))
        scale = np.where(weight > 0.0, weight, 1.0)
        _, strength, direction = np.linalg.svd(d * scale, full_matrices=False)
        kept = direction[strength > LEAST_BUNDLE * strength[0]]
        return scale[:, None] * kept.conj().T, kept / scale

    def _basis(self, index: int, k2: complex, low: NDArray[np.intp], rest: Rest, overlap: Floats) -> Complexes:
        """Directions that the walls' reaction takes in the sample rooms at a frequency: (mode, r), see `leading_of`."""
        if self.walls is None:
            return np.empty((0, 0), dtype=np.complex128)
        volume, mode_k2 = self.room.volume_m3, self.k2_modes[low]
        nodes = [fit.shape[2] for fit in (self.ear_fit, self.cabinet_fit)]
        shapes = [shape[:, low] for shape in self.shapes]
        smooth, boundary = [part.value for part in (rest.seat_boundary, rest.source_boundary)], rest.boundary.value
        found = []
        rng = np.random.default_rng(0)
        for sample, (strengths, speed) in enumerate(zip(self.strengths, self.speeds, strict=True)):
            k2_here = k2 * (self.room.air.speed_of_sound_m_s / speed) ** 2
            d = 1.0 / (volume * (mode_k2 - k2_here))
            points = [
                part[sample % n :: n].T + overlap @ (d[:, None] * shape[sample % n :: n].T)
                for part, shape, n in zip(smooth, shapes, nodes, strict=True)
            ]
            asked = np.concatenate(points, axis=1)
            scale = float(np.linalg.norm(asked)) / asked.shape[1] ** 0.5
            whole = real_times(overlap, np.asarray(d[:, None] * overlap.T, np.complex128))
            whole += boundary
            reaction = Reaction(strengths=[one[index] for one in strengths], boundary=whole)
            if sample == 0:
                drawn, answers = reaction, reaction.answers(asked)
                heard = float(np.median(np.abs((answers * asked).sum(axis=0)))) / scale**2
            asked = mixed(asked, MIXED, rng)
            if sample < MODE_SAMPLES:  # what a shift of a mode by so much would add
                moved = np.abs(1.0 / (volume * (mode_k2 - k2_here * (1.0 + K2_STEP))) - d)
                asked = np.concatenate([asked, mixed(overlap * (moved + 0j), MIXED_MODES, rng)], axis=1)
            found.append(reaction.answers(asked, last=sample > 0) / scale)
            if sample in (SAMPLES, MORE):
                basis = leading_of(np.concatenate(found, axis=1), drawn, heard)
                if basis.shape[1] <= SETTLED * sum(one.shape[1] for one in found):
                    break
        return basis


def _points(smooth: Smooth, basis: Complexes, fit: Floats) -> tuple[Complexes, Complexes]:
    """A smooth part's coefficients (n_point, n_monomial, r) and slope (n_point, r), from (n_point n_node, boundary)."""
    n_point, _, n_node = fit.shape
    here = smooth.over(lambda part: real_times(part, basis).reshape(n_point, n_node, -1))
    return fit @ here.value, here.slope[:, 0]
