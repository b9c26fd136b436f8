"""The field in thousands of built rooms: the model's own equations, in a small basis for each frequency.

With q the walls' reaction, (Y^-1 + Z_bb) q = Z_bc and H = 4 pi [Z_sc - Z_sb q] (`acoustics.transfer`). The few hundred
boundary modes are needed for accuracy, but in the rooms that may come to be built q stays in a space of some dozens:
it is learnt at each frequency from the full equations in seeded sample rooms (`tolerance.reduction`), and the equations
are projected on it (Galerkin; they are symmetric, so the error is of second order in what the basis misses). Only
what changes is worked out anew for each room:

- the room modes below a cut, one by one: their k_n with the room's size, k with the temperature, their shapes at the
  places of ears and cabinets; all modes above it as one smooth part, linear in k^2 and quadratic in the places;
- every wall's strength (`tolerance.walls`).

In a room of other size, lengths are measured by its sides: shapes and overlaps then stay, up to the walls' areas. In a
room that is no box they are measured cell by cell, and the modes of another shape are mixtures of the drawn one's
(`elements.moved_modes`): all that the solution of the drawn shape has.

| symbol | meaning |
| --- | --- |
| Q, r | basis of the boundary modes at one frequency, its size |
| U | overlaps of the low modes with the boundary modes; Q^T U (r, m) |
| D | 1 / (V (k_n^2 - k^2)) of the low modes |
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from math import pi

import numpy as np

from roommodes.acoustics.air import Air
from roommodes.arrays import Complexes, Floats
from solvers.tolerance.inputs import Builds, Inputs
from solvers.tolerance.level import Level
from solvers.tolerance.modes import Modes
from solvers.tolerance.rooms_at import At, Points, Scratch, pressures, pressures_with
from solvers.tolerance.walls import Walls

CHUNK = 64  # rooms that are worked out together
BLOCK = 16  # of them at one frequency: their equations stay in the processor's cache


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Places:
    """Points that may lie a little elsewhere: a smooth function of their place is `monomials` times its coefficients.

    Parameters
    ----------
    drawn_m : (n_point, 3) [m].
    reach_m : (3,) how far they may move along each axis, above zero where they may [m].
    """

    drawn_m: Floats
    reach_m: Floats

    @property
    def axes(self) -> list[int]:
        """Along which they may move."""
        return [axis for axis in range(3) if self.reach_m[axis] > 0.0]

    def monomials(self, point_m: Floats) -> Floats:
        """1, then first and second powers of the moves: (..., n_point, 3) -> (..., n_point, n_monomial)."""
        moved = (point_m - self.drawn_m) / np.where(self.reach_m > 0.0, self.reach_m, 1.0)
        parts = [np.ones(moved.shape[:-1])]
        parts += [moved[..., axis] for axis in self.axes]
        parts += [moved[..., a] * moved[..., b] for i, a in enumerate(self.axes) for b in self.axes[i:]]
        return np.stack(parts, axis=-1)


@dataclass(frozen=True, kw_only=True, eq=False)
class Field:
    """Transfer functions in many built rooms, band by band: lower ones take fewer boundary modes.

    Parameters
    ----------
    bands : from low to high.
    """

    bands: Sequence["BandField"]

    @cached_property
    def frequency_hz(self) -> Floats:
        """(n_freq,) [Hz]."""
        return np.concatenate([band.frequency_hz for band in self.bands])

    @property
    def levels(self) -> list[Level]:
        """One per frequency."""
        return [level for band in self.bands for level in band.levels]

    @property
    def boundary_size(self) -> int:
        """Most boundary modes of any band."""
        return max(0 if band.walls is None else band.walls.boundary.size for band in self.bands)

    def transfer(self, builds: Builds) -> Complexes:
        """(n, n_freq, n_ear, n_cabinet) [1/m]; about `CHUNK` rooms at a time is quick."""
        return np.concatenate([band.transfer(builds) for band in self.bands], axis=1)

    def pressure(self, rooms: Builds, *variants: tuple[Builds, Complexes]) -> list[Complexes]:
        """What drives give at the ears, quicker than by way of `transfer`: one solution serves each drive's cabinets.

        Parameters
        ----------
        rooms : n of them; about `CHUNK` at a time is quick.
        variants : the same rooms with other ears, cabinets or settings, and drives (n, n_freq, n_cabinet, n_plan).

        Returns
        -------
        (n, n_freq, n_ear, n_plan) [1/m] for each variant.
        """
        begin, found = 0, []
        for band in self.bands:
            part = slice(begin, begin + len(band.frequency_hz))
            found.append(band.pressure(rooms, *((builds, drive[:, part]) for builds, drive in variants)))
            begin = part.stop
        return [np.concatenate(bands, axis=1) for bands in zip(*found, strict=True)]

    def pressure_with(self, rooms: Builds, drives: Complexes, walls: Sequence[tuple[str, Builds]]) -> list[Complexes]:
        """What drives give at the ears where walls alone differ, quicker than by `pressure`: only they are made anew.

        Parameters
        ----------
        rooms : n of them.
        drives : (n, n_freq, n_cabinet, n_plan).
        walls : a construction, and the same rooms with other numbers of it alone.

        Returns
        -------
        (n, n_freq, n_ear, n_plan) [1/m] for each of `walls`.
        """
        begin, found = 0, []
        for band in self.bands:
            part = slice(begin, begin + len(band.frequency_hz))
            found.append(band.pressure_with(rooms, drives[:, part], walls))
            begin = part.stop
        return [np.concatenate(bands, axis=1) for bands in zip(*found, strict=True)]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BandField:
    """The same in one band.

    Parameters
    ----------
    frequency_hz : (n_freq,) [Hz].
    size_m, loss_factor : of the drawn room.
    inputs : what is uncertain.
    modes : all low modes.
    ears, cabinets : the points.
    walls : None in a rigid room.
    levels : one per frequency.
    """

    frequency_hz: Floats
    size_m: Floats
    loss_factor: float
    inputs: Inputs
    modes: Modes
    ears: Places
    cabinets: Places
    walls: Walls | None
    levels: tuple[Level, ...]

    def transfer(self, builds: Builds) -> Complexes:
        """As `Field.transfer`."""
        points = self._points(builds)
        n_ear, n_cabinet = points.ear_shape.shape[1], points.cabinet_shape.shape[1]
        result = np.empty((len(builds), len(self.levels), n_ear, n_cabinet), dtype=np.complex128)
        for index, part, at in self._blocks(builds):
            result[part, index] = 4.0 * pi * points.at(at.level, part).transfer(at)
        return result

    def pressure(self, rooms: Builds, *variants: tuple[Builds, Complexes]) -> list[Complexes]:
        """As `Field.pressure`."""
        every = [self._points(builds) for builds, _ in variants]
        results = [
            np.empty((len(rooms), len(self.levels), points.ear_shape.shape[1], drive.shape[3]), dtype=np.complex128)
            for points, (_, drive) in zip(every, variants, strict=True)
        ]
        for index, part, at in self._blocks(rooms):
            driven = [
                (points.at(at.level, part), drive[part, index])
                for points, (_, drive) in zip(every, variants, strict=True)
            ]
            for result, value in zip(results, pressures(at, driven), strict=True):
                result[part, index] = 4.0 * pi * value
        return results

    def pressure_with(self, rooms: Builds, drives: Complexes, walls: Sequence[tuple[str, Builds]]) -> list[Complexes]:
        """As `Field.pressure_with`."""
        assert self.walls is not None, "rigid walls have no constructions"
        points, omega = self._points(rooms), 2.0 * pi * self.frequency_hz
        own, changes = self.walls.coefficients(rooms, omega), []
        for name, builds in walls:
            terms = self.walls.terms(name)
            changes.append((terms, self.walls.coefficients(builds, omega, name) - own[:, :, terms]))
        shape = (len(rooms), len(self.levels), points.ear_shape.shape[1], drives.shape[3])
        results = [np.empty(shape, dtype=np.complex128) for _ in walls]
        for index, part, at in self._blocks(rooms, own):
            here = [(terms, change[part, index]) for terms, change in changes]
            values = pressures_with(at, points.at(at.level, part), drives[part, index], here)
            for result, value in zip(results, values, strict=True):
                result[part, index] = 4.0 * pi * value
        return results

    def _points(self, builds: Builds) -> Points:
        ear, cabinet = (self.inputs.as_drawn(point, builds) for point in (builds.ear_m, builds.cabinet_m))
        mixture = self.modes.of(builds).mixture
        ear_shape, cabinet_shape = (self.modes.shapes_at(point) for point in (ear, cabinet))
        if mixture is not None:
            ear_shape, cabinet_shape = ear_shape @ mixture, cabinet_shape @ mixture
        return Points(
            ear_shape=ear_shape,
            cabinet_shape=cabinet_shape,
            ear_power=self.ears.monomials(ear),
            cabinet_power=self.cabinets.monomials(cabinet),
        )

    def _blocks(self, builds: Builds, wall: Complexes | None = None) -> Iterator[tuple[int, slice, At]]:
        """Frequency by frequency, some rooms at a time; `wall` the walls' coefficients in them, if they are known."""
        mean_grown = np.prod(builds.size_m / self.size_m, axis=1) ** (1.0 / 3.0)
        mixed = self.modes.of(builds)
        speed = np.array([Air(temperature_c=float(one)).speed_of_sound_m_s for one in builds.temperature_c])
        omega = 2.0 * pi * self.frequency_hz
        if self.walls is not None and wall is None:
            wall = self.walls.coefficients(builds, omega)
        scratch = Scratch.of(self.levels, BLOCK)
        for index, level in enumerate(self.levels):
            k2 = (omega[index] / speed * (1.0 - 0.5j * self.loss_factor)) ** 2
            d = 1.0 / (mixed.volume_m3[:, None] * (mixed.k2[:, level.low] - k2[:, None]))
            slope = (mean_grown**2 * k2 - level.k2) / mean_grown
            for start in range(0, len(builds), BLOCK):
                part = slice(start, start + BLOCK)
                at = At(
                    level=level,
                    d=d[part],
                    scale=1.0 / mean_grown[part],
                    slope=slope[part],
                    mixture=None if mixed.mixture is None else mixed.mixture[part],
                    wall=None if wall is None else wall[part, index],
                    scratch=scratch,
                )
                yield index, part, at
