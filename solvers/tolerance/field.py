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

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from math import pi

import numpy as np
from numpy.typing import NDArray

from roommodes.acoustics.air import Air
from roommodes.arrays import Complexes, Floats
from solvers.tolerance.inputs import Builds, Inputs
from solvers.tolerance.modes import Modes
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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Level:
    """The reduced equations at one frequency.

    Parameters
    ----------
    k2 : squared wavenumber of the drawn room, complex [1/m2].
    low : (m,) indices of the low modes among `BandField.modes`; all of them in a room that is no box.
    system : (n_wall_term + 2 + n_bundle, r (r + 1) / 2) fixed matrices, upper triangles: walls, the rest's value and
        its slope over k^2, bundles of low modes.
    bundle : (m, n_bundle) what the low modes' D give of each bundle.
    overlap : (r, m) Q^T U.
    ear, cabinet : (n_point, n_monomial, r) Q^T Z_b of the modes above the cut.
    ear_slope, cabinet_slope : (n_point, r) over k^2.
    direct : (n_ear, n_monomial, n_cabinet, n_monomial) ear to cabinet of the modes above the cut.
    direct_slope : (n_ear, n_cabinet).
    leading : how many of the basis are enough where differences between rooms are wanted, not figures of each.
    """

    k2: complex
    low: NDArray[np.intp]
    system: Complexes
    bundle: Complexes
    overlap: Complexes
    ear: Complexes
    ear_slope: Complexes
    cabinet: Complexes
    cabinet_slope: Complexes
    direct: Complexes
    direct_slope: Complexes
    leading: int

    def coarse(self) -> "Level":
        """The same on the leading part of the basis."""
        r, few = len(self.overlap), self.leading
        packed = _square(r)[:few, :few][np.triu_indices(few)]
        return replace(
            self,
            system=np.ascontiguousarray(self.system[:, packed]),
            overlap=np.ascontiguousarray(self.overlap[:few]),
            ear=np.ascontiguousarray(self.ear[..., :few]),
            ear_slope=np.ascontiguousarray(self.ear_slope[..., :few]),
            cabinet=np.ascontiguousarray(self.cabinet[..., :few]),
            cabinet_slope=np.ascontiguousarray(self.cabinet_slope[..., :few]),
        )


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

    def coarse(self) -> "Field":
        """The same on the leading parts of the bases: quicker, and less exact."""
        return Field(bands=[replace(band, levels=tuple(one.coarse() for one in band.levels)) for band in self.bands])

    def transfer(self, builds: Builds) -> Complexes:
        """(n, n_freq, n_ear, n_cabinet) [1/m]; about `CHUNK` rooms at a time is quick."""
        return np.concatenate([band.transfer(builds) for band in self.bands], axis=1)


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
        grown = builds.size_m / self.size_m
        mean_grown = np.prod(grown, axis=1) ** (1.0 / 3.0)
        ear, cabinet = (self.inputs.as_drawn(point, builds) for point in (builds.ear_m, builds.cabinet_m))
        mixed = self.modes.of(builds)
        ear_shape, cabinet_shape = (self.modes.shapes_at(point) for point in (ear, cabinet))
        if mixed.mixture is not None:
            ear_shape, cabinet_shape = ear_shape @ mixed.mixture, cabinet_shape @ mixed.mixture
        ear_power, cabinet_power = self.ears.monomials(ear), self.cabinets.monomials(cabinet)
        speed = np.array([Air(temperature_c=float(one)).speed_of_sound_m_s for one in builds.temperature_c])
        omega = 2.0 * pi * self.frequency_hz
        wall = None if self.walls is None else self.walls.coefficients(builds, omega)
        result = np.empty((len(builds), len(omega), ear.shape[1], cabinet.shape[1]), dtype=np.complex128)
        for index, level in enumerate(self.levels):
            k2 = (omega[index] / speed * (1.0 - 0.5j * self.loss_factor)) ** 2
            d = 1.0 / (mixed.volume_m3[:, None] * (mixed.k2[:, level.low] - k2[:, None]))
            slope = (mean_grown**2 * k2 - level.k2) / mean_grown
            for start in range(0, len(builds), BLOCK):
                part = slice(start, start + BLOCK)
                at = _At(
                    level=level,
                    d=d[part],
                    scale=1.0 / mean_grown[part],
                    slope=slope[part],
                    ear_shape=ear_shape[part][:, :, level.low],
                    cabinet_shape=cabinet_shape[part][:, :, level.low],
                    ear_power=ear_power[part],
                    cabinet_power=cabinet_power[part],
                    mixture=None if mixed.mixture is None else mixed.mixture[part],
                )
                result[part, index] = 4.0 * pi * at.pressure(None if wall is None else wall[part, index])
        return result


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _At:
    """Some built rooms at one frequency; n rooms, m low modes."""

    level: Level
    d: Complexes  # (n, m)
    scale: Floats  # (n,) of the smooth part
    slope: Complexes  # (n,) change of k^2, with that scale
    ear_shape: Floats  # (n, ear, m)
    cabinet_shape: Floats
    ear_power: Floats  # (n, ear, monomial)
    cabinet_power: Floats
    mixture: Floats | None  # (n, m, m)

    def pressure(self, wall: Complexes | None) -> Complexes:
        """H / 4 pi: (n, ear, cabinet), with the walls' coefficients (n, n_term)."""
        level = self.level
        direct = self._direct()
        if wall is None:
            return direct + (self.ear_shape * self.d[:, None, :]) @ self.cabinet_shape.transpose(0, 2, 1)
        overlap = level.overlap if self.mixture is None else level.overlap @ self.mixture  # (r, m) or (n, r, m)
        across = np.swapaxes(overlap, -1, -2)
        ear = self._smooth(level.ear, level.ear_slope, self.ear_power)  # (n, ear, r)
        ear += _over(self.ear_shape * self.d[:, None, :], across)
        system = self._system(wall, overlap, across)
        driven = np.asarray(np.linalg.solve(system, ear.transpose(0, 2, 1)), np.complex128).transpose(0, 2, 1)
        low = (self.ear_shape - _over(driven, overlap)) * self.d[:, None, :]
        cabinet = self._smooth(level.cabinet, level.cabinet_slope, self.cabinet_power)
        pressure = direct + low @ self.cabinet_shape.transpose(0, 2, 1) - driven @ cabinet.transpose(0, 2, 1)
        return np.asarray(pressure)

    def _system(self, wall: Complexes, overlap: Complexes, across: Complexes) -> Complexes:
        """Y^-1 + Z_bb in the basis: (n, r, r)."""
        level = self.level
        coefficient = np.concatenate([wall, self.scale[:, None], self.slope[:, None]], axis=1)
        square = _square(len(level.overlap))
        if self.mixture is None:
            coefficient = np.concatenate([coefficient, self.d @ level.bundle], axis=1)
            return np.take(coefficient @ level.system, square, axis=1)
        system = np.take(coefficient @ level.system[: coefficient.shape[1]], square, axis=1)
        return np.asarray(system + (overlap * self.d[:, None, :]) @ across)  # in place of the drawn room's own modes

    def _smooth(self, value: Complexes, slope: Complexes, power: Floats) -> Complexes:
        """A smooth part on the basis: (n, point, r)."""
        at = (power.transpose(1, 0, 2) @ value).transpose(1, 0, 2)
        return at * self.scale[:, None, None] + self.slope[:, None, None] * slope[None]

    def _direct(self) -> Complexes:
        """Ears against cabinets, the modes above the cut alone: (n, ear, cabinet)."""
        level = self.level
        n_ear, n_power, n_cabinet, n_other = level.direct.shape
        half = self.ear_power.transpose(1, 0, 2) @ level.direct.reshape(n_ear, n_power, n_cabinet * n_other)
        half = half.reshape(n_ear, -1, n_cabinet, n_other)
        value: Complexes = np.einsum("encp,ncp->nec", half, self.cabinet_power)
        return np.asarray(value * self.scale[:, None, None] + self.slope[:, None, None] * level.direct_slope[None])


def _over(many: Complexes, matrix: Complexes) -> Complexes:
    """Many matrices times one, as one product, or times one each: (n, point, a) by (a, b) or (n, a, b)."""
    if matrix.ndim == 3:
        return np.asarray(many @ matrix)
    n, points, size = many.shape
    return np.asarray((many.reshape(n * points, size) @ matrix).reshape(n, points, -1))


@lru_cache(maxsize=256)
def _square(r: int) -> NDArray[np.intp]:
    """Where each entry of a symmetric matrix stands in its packed upper triangle: (r, r)."""
    first, second = np.triu_indices(r)
    index = np.empty((r, r), dtype=np.intp)
    index[first, second] = index[second, first] = np.arange(len(first))
    return index
