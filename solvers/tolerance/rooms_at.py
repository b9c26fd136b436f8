"""Some built rooms at one frequency: the reduced equations, put together and solved."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roommodes.arrays import Complexes, Floats
from solvers.tolerance.level import Level, real_times, square

Terms = slice | NDArray[np.intp]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scratch:
    """Memory that the equations of some rooms are put together in, frequency by frequency: new pages cost time.

    Parameters
    ----------
    packed, changed : for upper triangles.
    whole : for matrices.
    """

    packed: Complexes
    changed: Complexes
    whole: Complexes

    @classmethod
    def of(cls, levels: Sequence[Level], rooms: int) -> "Scratch":
        """For as many rooms at any of the frequencies."""
        r = max(len(level.overlap) for level in levels)
        first, second = (np.empty(rooms * r * (r + 1) // 2, dtype=np.complex128) for _ in range(2))
        return cls(packed=first, changed=second, whole=np.empty(rooms * r * r, dtype=np.complex128))

    def unpacked(self, packed: Complexes, r: int) -> Complexes:
        """Symmetric matrices (n, r, r) from their upper triangles (n, r (r + 1) / 2), until it is asked again."""
        whole = self.whole[: len(packed) * r * r].reshape(-1, r, r)
        return np.asarray(np.take(packed, square(r), axis=1, out=whole, mode="clip"))


def product(coefficient: Complexes, matrices: Complexes, memory: Complexes) -> Complexes:
    """(n, k) times (k, size), in flat memory: (n, size)."""
    out = memory[: len(coefficient) * matrices.shape[1]].reshape(len(coefficient), -1)
    return np.matmul(coefficient, matrices, out=out)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class At:
    """The equations of n rooms, m low modes.

    Parameters
    ----------
    level : what the rooms have in common.
    d : (n, m) 1 / (V (k_n^2 - k^2)) of the low modes.
    scale : (n,) of the smooth part.
    slope : (n,) change of k^2, with that scale.
    mixture : (n, m, m), see `modes.Mixed`.
    wall : (n, n_term) the walls' coefficients; None where all are rigid.
    scratch : for one thread.
    """

    level: Level
    d: Complexes
    scale: Floats
    slope: Complexes
    mixture: Floats | None
    wall: Complexes | None
    scratch: Scratch

    @property
    def overlap(self) -> Complexes:
        """(r, m), or (n, r, m) where modes mix."""
        return self.level.overlap if self.mixture is None else self.level.overlap @ self.mixture

    def packed(self) -> Complexes:
        """Y^-1 + Z_bb in the basis, but for modes that mix: upper triangles (n, r (r + 1) / 2)."""
        assert self.wall is not None, "rigid walls have no equations"
        parts = [self.wall, self.scale[:, None], self.slope[:, None]]
        if self.mixture is None:
            parts.append(self.d @ self.level.bundle)
        coefficient = np.concatenate(parts, axis=1)
        return product(coefficient, self.level.system[: coefficient.shape[1]], self.scratch.packed)

    def mixing(self, overlap: Complexes) -> Complexes | None:
        """What modes that mix add to it, in place of the drawn room's own: (n, r, r); None where none do."""
        if self.mixture is None:
            return None
        return np.asarray((overlap * self.d[:, None, :]) @ np.swapaxes(overlap, -1, -2))

    def system(self, packed: Complexes, mixing: Complexes | None) -> Complexes:
        """Y^-1 + Z_bb in the basis, from its parts: (n, r, r), until it is asked again."""
        system = self.scratch.unpacked(packed, len(self.level.overlap))
        if mixing is not None:
            system += mixing
        return system


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Points:
    """Ears and cabinets in n rooms.

    Parameters
    ----------
    ear_shape, cabinet_shape : (n, point, m) the low modes there; all of a band.
    ear_power, cabinet_power : (n, point, monomial) of their moves.
    """

    ear_shape: Floats
    cabinet_shape: Floats
    ear_power: Floats
    cabinet_power: Floats

    def at(self, level: Level, part: slice) -> "Points":
        """Some of the rooms, and the low modes of a frequency."""
        return Points(
            ear_shape=self.ear_shape[part][:, :, level.low],
            cabinet_shape=self.cabinet_shape[part][:, :, level.low],
            ear_power=self.ear_power[part],
            cabinet_power=self.cabinet_power[part],
        )

    def transfer(self, at: At) -> Complexes:
        """H / 4 pi: (n, ear, cabinet), solved from the ears' side."""
        level = at.level
        direct = self.direct(at)
        if at.wall is None:
            return direct + (self.ear_shape * at.d[:, None, :]) @ self.cabinet_shape.transpose(0, 2, 1)
        overlap = at.overlap
        ear = _smooth(at, level.ear, level.ear_slope, self.ear_power)  # (n, ear, r)
        ear += _over(self.ear_shape * at.d[:, None, :], np.swapaxes(overlap, -1, -2))
        driven = np.asarray(
            np.linalg.solve(at.system(at.packed(), at.mixing(overlap)), ear.transpose(0, 2, 1)), np.complex128
        )
        driven = driven.transpose(0, 2, 1)
        low = (self.ear_shape - _over(driven, overlap)) * at.d[:, None, :]
        cabinet = _smooth(at, level.cabinet, level.cabinet_slope, self.cabinet_power)
        return direct + low @ self.cabinet_shape.transpose(0, 2, 1) - driven @ cabinet.transpose(0, 2, 1)

    def direct(self, at: At) -> Complexes:
        """Ears against cabinets, the modes above the cut alone: (n, ear, cabinet)."""
        level = at.level
        n_ear, n_power, n_cabinet, n_other = level.direct.shape
        half = real_times(self.ear_power.transpose(1, 0, 2), level.direct.reshape(n_ear, n_power, -1))
        half = half.reshape(n_ear, -1, n_cabinet, n_other)
        value: Complexes = np.einsum("encp,ncp->nec", half, self.cabinet_power)
        return np.asarray(value * at.scale[:, None, None] + at.slope[:, None, None] * level.direct_slope[None])


def pressures(at: At, driven: Sequence[tuple[Points, Complexes]]) -> list[Complexes]:
    """What drives give at the ears, over 4 pi: the equations of the rooms are solved once, from the cabinets' side.

    Parameters
    ----------
    at : n rooms.
    driven : points in them, with drives (n, n_cabinet, n_plan).

    Returns
    -------
    (n, ear, n_plan) for each of `driven`.
    """
    level, d = at.level, at.d[:, None, :]
    low = [
        real_times(points.cabinet_shape.transpose(0, 2, 1), drive).transpose(0, 2, 1) * d for points, drive in driven
    ]
    found = [points.direct(at) @ drive for points, drive in driven]
    if at.wall is not None:
        overlap = at.overlap
        asked = [
            drive.transpose(0, 2, 1) @ _smooth(at, level.cabinet, level.cabinet_slope, points.cabinet_power)
            for points, drive in driven
        ]  # (n, plan, r) each
        right = np.concatenate(asked, axis=1) + _over(np.concatenate(low, axis=1), np.swapaxes(overlap, -1, -2))
        system = at.system(at.packed(), at.mixing(overlap))
        answer = np.asarray(np.linalg.solve(system, right.transpose(0, 2, 1)), np.complex128)
        moved = _over(answer.transpose(0, 2, 1), overlap) * d  # (n, plan, m)
        start = 0
        for index, (points, drive) in enumerate(driven):
            part = slice(start, start + drive.shape[2])
            low[index] = low[index] - moved[:, part]
            found[index] -= _smooth(at, level.ear, level.ear_slope, points.ear_power) @ answer[:, :, part]
            start = part.stop
    return [
        value + real_times(points.ear_shape, one.transpose(0, 2, 1))
        for value, one, (points, _) in zip(found, low, driven, strict=True)
    ]


def pressures_with(
    at: At, points: Points, drive: Complexes, walls: Sequence[tuple[Terms, Complexes]]
) -> list[Complexes]:
    """What drives give at the ears, over 4 pi, in rooms that differ from n of them in walls alone.

    Parameters
    ----------
    at : n rooms.
    points, drive : in them; (n, n_cabinet, n_plan).
    walls : for each change which of the walls' terms differ, and by how much their coefficients do: (n, n_differ).

    Returns
    -------
    (n, ear, n_plan) for each of `walls`.
    """
    level, d, overlap = at.level, at.d[:, None, :], at.overlap
    low = real_times(points.cabinet_shape.transpose(0, 2, 1), drive).transpose(0, 2, 1) * d
    still = points.direct(at) @ drive + real_times(points.ear_shape, low.transpose(0, 2, 1))
    cabinet = _smooth(at, level.cabinet, level.cabinet_slope, points.cabinet_power)
    asked = drive.transpose(0, 2, 1) @ cabinet + _over(low, np.swapaxes(overlap, -1, -2))
    ear = _smooth(at, level.ear, level.ear_slope, points.ear_power)
    ear += _over(points.ear_shape * d, np.swapaxes(overlap, -1, -2))
    packed, mixing = at.packed(), at.mixing(overlap)
    found = []
    for terms, change in walls:
        changed = product(change, level.system[terms], at.scratch.changed)
        changed += packed
        found.append(still - ear @ np.linalg.solve(at.system(changed, mixing), asked.transpose(0, 2, 1)))
    return found


def _smooth(at: At, value: Complexes, slope: Complexes, power: Floats) -> Complexes:
    """A smooth part on the basis: (n, point, r)."""
    here = real_times(power.transpose(1, 0, 2), value).transpose(1, 0, 2)
    return np.asarray(here * at.scale[:, None, None] + at.slope[:, None, None] * slope[None])


def _over(many: Complexes, matrix: Complexes) -> Complexes:
    """Many matrices times one, as one product, or times one each: (n, point, a) by (a, b) or (n, a, b)."""
    if matrix.ndim == 3:
        return np.asarray(many @ matrix)
    n, points, size = many.shape
    return np.asarray((many.reshape(n * points, size) @ matrix).reshape(n, points, -1))
