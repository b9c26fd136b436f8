"""Rigid modes of the rectangular room, their shapes, count and density, and where the modal range ends.

References
----------
[1] H. Kuttruff, Room Acoustics, sections 3.1 and 3.2 (as transcribed in pyrato's documentation).
[2] D.-Y. Maa, Distribution of eigentones in a rectangular chamber at low frequency range, JASA 10, 1939.
[3] M. R. Schroeder, The "Schroeder frequency" revisited, JASA 99(5) 3240, 1996, equations 1 and 2.
"""

from dataclasses import dataclass, replace
from math import pi, sqrt

import numpy as np
from numpy.typing import NDArray

from roommodes.acoustics.room import Room
from roommodes.acoustics.wall_bases import cosine_table
from roommodes.arrays import Complexes, Floats
from roommodes.elements.mesh import Mesh
from roommodes.elements.traces import values_at
from roommodes.errors import OutsideModel
from roommodes.ranges import number as as_text

ON_WALL_M = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class RigidModes:
    """Modes of the room with rigid walls, in rising frequency.

    Parameters
    ----------
    number : (n_mode, 3) mode numbers along x, y, z.
    frequency_hz : (n_mode,) [Hz].
    """

    number: NDArray[np.intp]
    frequency_hz: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BoxShape:
    """Pressure of a mode of a box, as a sum of its rigid modes sqrt(eps) cos cos cos.

    Parameters
    ----------
    room : the box.
    origin_m : (3,) of its corner [m].
    amplitudes : (nx, ny, nz) of each rigid mode, their squares summing to 1.
    """

    room: Room
    origin_m: Floats
    amplitudes: Complexes

    def holds(self, point_m: Floats) -> NDArray[np.bool_]:
        """Which points lie in the air or on its faces: (n, 3) -> (n,)."""
        inside = point_m - self.origin_m
        return np.asarray(((inside >= -ON_WALL_M) & (inside <= np.array(self.room.size_m) + ON_WALL_M)).all(axis=1))

    def at(self, point_m: Floats) -> Complexes:
        """At points (n, 3) [m]: (n,)."""
        places = (point_m - self.origin_m).T
        x, y, z = (
            cosine_table(length, place, count)
            for length, place, count in zip(self.room.size_m, places, self.amplitudes.shape, strict=True)
        )
        along = np.tensordot(x, self.amplitudes, axes=(1, 0))  # (n, ny, nz)
        return np.asarray(np.einsum("nj,njk,nk->n", y, along, z))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ElementShape:
    """The same of a room that is no box, as a sum of its rigid modes by elements.

    Parameters
    ----------
    mesh : its elements.
    vectors : (size, mode) its rigid modes, the mean of each one's square over the room 1.
    amplitudes : (mode,) their squares summing to 1.
    """

    mesh: Mesh
    vectors: Floats
    amplitudes: Complexes

    def holds(self, point_m: Floats) -> NDArray[np.bool_]:
        """Which points lie in the air or on its faces: (n, 3) -> (n,)."""
        return self.mesh.shape.contains(point_m)

    def at(self, point_m: Floats) -> Complexes:
        """At points (n, 3) [m]: (n,)."""
        return np.asarray(values_at(self.mesh, point_m) @ (self.vectors @ self.amplitudes))


ModeShape = BoxShape | ElementShape


def rigid_shape(shape: ModeShape, number: tuple[int, ...]) -> ModeShape:
    """The rigid mode of these numbers, or of this rank, of the same room."""
    amplitudes = np.zeros_like(shape.amplitudes)
    amplitudes[number] = 1.0
    return replace(shape, amplitudes=amplitudes)


def shape_pressure(shape: ModeShape, point_m: Floats) -> Complexes:
    """A shape at points (..., 3) [m]: (...).

    Raises
    ------
    OutsideModel : a point lies outside the room's air.
    """
    points = np.asarray(point_m, dtype=np.float64)
    flat = points.reshape(-1, 3)
    if len(wrong := np.flatnonzero(~shape.holds(flat))):
        place = ", ".join(as_text(float(value)) for value in flat[wrong[0]])
        raise OutsideModel(f"point {wrong[0]} is at ({place}) m, outside the room's air; move it inside")
    return shape.at(flat).reshape(points.shape[:-1])


def rigid_modes(room: Room, max_hz: float, *, with_pressure_mode: bool = False) -> RigidModes:
    """All rigid modes up to `max_hz` [1]; the (0, 0, 0) pressure mode only on request."""
    c = room.air.speed_of_sound_m_s
    axes = [np.arange(int(2.0 * size * max_hz / c) + 1) for size in room.size_m]
    number = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
    hz = 0.5 * c * np.sqrt(((number / np.array(room.size_m)) ** 2).sum(axis=1))
    chosen = hz <= max_hz
    if not with_pressure_mode:
        chosen &= number.sum(axis=1) > 0
    number, hz = number[chosen], hz[chosen]
    order = np.lexsort((*number.T[::-1], np.round(hz, 9)))
    return RigidModes(number=number[order].astype(np.intp), frequency_hz=hz[order])


def mode_count(room: Room, frequency_hz: Floats) -> Floats:
    """Smoothed number of modes below a frequency: (k,) -> (k,), [2]."""
    c, f = room.air.speed_of_sound_m_s, np.asarray(frequency_hz, dtype=np.float64)
    volume = 4.0 * pi / 3.0 * room.volume_m3 * (f / c) ** 3
    return np.asarray(volume + pi / 4.0 * room.wall_area_m2 * (f / c) ** 2 + room.edge_length_m / 8.0 * f / c)


def mode_density_per_hz(room: Room, frequency_hz: Floats) -> Floats:
    """Modes per hertz, the derivative of `mode_count`: (k,) -> (k,) [1/Hz]."""
    c, f = room.air.speed_of_sound_m_s, np.asarray(frequency_hz, dtype=np.float64)
    volume = 4.0 * pi * room.volume_m3 * f**2 / c**3
    return np.asarray(volume + pi / 2.0 * room.wall_area_m2 * f / c**2 + room.edge_length_m / (8.0 * c))


def crossover_hz(room: Room, decay_time_s: float) -> float:
    """Where single modes give way to statistics: three modes per half-power bandwidth [3, eq. 1] [Hz]."""
    return 2000.0 * sqrt(decay_time_s / room.volume_m3)


def half_power_bandwidth_hz(decay_time_s: float) -> float:
    """Bandwidth of a mode that decays by 60 dB in `decay_time_s` [3, eq. 2] [Hz]."""
    return float(np.log(1e6)) / (2.0 * pi * decay_time_s)
