"""Some built rooms at one frequency: the reduced equations, put together and solved."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roommodes.arrays import Complexes, Floats
from solvers.tolerance.level import Level, real_times, square


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
    """

    level: Level
    d: Complexes
    scale: Floats
    slope: Complexes
    mixture: Floats | None
    wall: Complexes | None

    @property
    def overlap(self) -> Complexes:
        """(r, m), or (n, r, m) where modes mix."""
        return self.level.overlap if self.mixture is None else self.level.overlap @ self.mixture

    def system(self, overlap: Complexes) -> Complexes:
        """Y^-1 + Z_bb in the basis: (n, r, r)."""
        level = self.level
        assert self.wall is not None, "rigid walls have no equations"
        coefficient = np.concatenate([self.wall, self.scale[:, None], self.slope[:, None]], axis=1)
        whole = square(len(level.overlap))
        if self.mixture is None:
            coefficient = np.concatenate([coefficient, self.d @ level.bundle], axis=1)
            return np.take(coefficient @ level.system, whole, axis=1)
        system = np.take(coefficient @ level.system[: coefficient.shape[1]], whole, axis=1)
        # in place of the drawn room's own modes
        return np.asarray(system + (overlap * self.d[:, None, :]) @ np.swapaxes(overlap, -1, -2))


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
        driven = np.asarray(np.linalg.solve(at.system(overlap), ear.transpose(0, 2, 1)), np.complex128)
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
        answer = np.asarray(np.linalg.solve(at.system(overlap), right.transpose(0, 2, 1)), np.complex128)
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
    at: At, points: Points, drive: Complexes, walls: Sequence[tuple[NDArray[np.intp], Complexes]]
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
    system, whole = at.system(overlap), square(len(level.overlap))
    found = []
    for terms, change in walls:
        changed = system + np.take(change @ level.system[terms], whole, axis=1)
        found.append(still - ear @ np.linalg.solve(changed, asked.transpose(0, 2, 1)))
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
