"""Transfer functions from every source to every seat of a room.

    H = 4 pi [ Z_sc - Z_sb (1 + Y Z_bb)^-1 Y Z_bc ]   [1/m], H = p / (j omega rho q / 4 pi), free field e^{-jkr}/r

with Z the rigid room's port matrix (`ports`), b the boundary modes (`boundary`) and Y their strengths
(`strengths`). This is the Woodbury identity: one small solve per frequency, whatever the number of room modes.
Only seats are solved for; every source is one more column.
"""

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from math import pi

import numpy as np
from numpy.typing import ArrayLike
from threadpoolctl import threadpool_limits

from roommodes.acoustics.checks.surfaces import require_surfaces
from roommodes.acoustics.ports import Ports
from roommodes.acoustics.precision import Precision
from roommodes.acoustics.room import Room, Surface
from roommodes.acoustics.room_boundary import Boundary, boundary_of
from roommodes.acoustics.strengths import Matrices
from roommodes.arrays import Complexes, Floats
from roommodes.effort import require_room_for
from roommodes.errors import OutsideModel
from roommodes.refined_solve import solved_each
from roommodes.running import Running

CHUNK_BYTES = 32e6  # how much one block of frequencies may take for each of its boundary matrices
CLOSEST_M = 0.02
LOWEST_HZ, HIGHEST_HZ = 5.0, 400.0  # outside, the constructions' laws and the point source say nothing
INTERRUPTED = "interrupted while the room was computed"


def bulk_k2(room: Room, omega: Complexes) -> Complexes:
    """k^2 with the bulk loss: (k,) rad/s -> (k,) [1/m2]."""
    return np.asarray((omega / room.air.speed_of_sound_m_s * (1.0 - 0.5j * room.loss_factor)) ** 2)


def transfer_function(
    room: Room,
    surfaces: Sequence[Surface],
    *,
    frequency_hz: ArrayLike,
    seat_m: ArrayLike,
    source_m: ArrayLike,
    precision: Precision | None = None,
    running: Running = Running(),
) -> Complexes:
    """Pressure at every seat from every source.

    Parameters
    ----------
    room : the room.
    surfaces : what the walls are made of, later ones over earlier ones; the rest is rigid.
    frequency_hz : (n_freq,), all above zero [Hz].
    seat_m, source_m : (n_seat, 3), (n_source, 3) inside the room or on its walls [m].
    precision : how far the sums go.
    running : progress, cancelling, threads.

    Returns
    -------
    (n_freq, n_seat, n_source) complex128 [1/m].

    Raises
    ------
    Interrupted : when cancelled.
    OutsideModel : for a frequency or a place for which the model says nothing, and where this machine has not the
        memory, or the work would take more than `effort.MOST_HOURS`.
    """
    running.step("room", 0.0)
    precision = precision or Precision()
    hz = np.atleast_1d(np.asarray(frequency_hz, dtype=np.float64))
    seats = np.atleast_2d(np.asarray(seat_m, dtype=np.float64))
    sources = np.atleast_2d(np.asarray(source_m, dtype=np.float64))
    require_valid(room, hz, seats, sources)
    require_surfaces(room, surfaces)
    boundary = boundary_of(room, surfaces, frequency_hz=hz, seat_m=seats, source_m=sources, precision=precision)
    result = np.empty((len(hz), len(seats), len(sources)), dtype=np.complex128)
    # one frequency block per thread and one thread per block: small matrices do not gain from threads inside
    running.check(INTERRUPTED)
    if not room.is_box:
        import scipy.sparse.linalg  # noqa: F401, PLC0415 (now, so that its threads are bound as well)
    with threadpool_limits(1):
        ports = Ports(
            room,
            boundary.families,
            seat_m=seats,
            source_m=sources,
            max_wavenumber=2.0 * pi * float(hz.max()) / room.air.speed_of_sound_m_s,
            precision=precision,
            running=running,
        )
        points = len(seats) + len(sources)
        plane = ports.k2_modes.size / min(ports.k2_modes.shape)
        numbers = boundary.size * (boundary.size + points) + 4.0 * ports.k2_modes.size + 2.0 * points * plane
        step = max(1, int(CHUNK_BYTES / (16.0 * numbers)))
        parts = [slice(start, start + step) for start in range(0, len(hz), step)]
        effort = replace(ports.effort, at_once=step, frequencies=len(hz))
        require_room_for(effort, room.size_m, float(hz.max()))
        pool = ThreadPoolExecutor(effort.blocks(running.thread_count))
        blocks = [pool.submit(pressure_at, ports, boundary, hz[part]) for part in parts]
        try:
            for part, block in zip(parts, blocks, strict=True):
                result[part] = block.result()
                running.check(INTERRUPTED)
                running.step("room", min(part.stop, len(hz)) / len(hz))
        finally:
            pool.shutdown(cancel_futures=True)
    return result


def pressure_at(ports: Ports, boundary: Boundary, hz: Floats) -> Complexes:
    """H at some frequencies: (k, seat, source)."""
    omega = (2.0 * pi * hz).astype(np.complex128)
    z = ports.at(bulk_k2(ports.room, omega))
    pressure = z.seat_source
    if boundary.size:
        matrices = Matrices(omega)
        system = matrices.system(boundary.strengths, z.boundary)
        driven = solved_each(system.transpose(0, 2, 1), z.seat_boundary.transpose(0, 2, 1))
        reaction = matrices.times(boundary.strengths, z.source_boundary.transpose(0, 2, 1))
        pressure = pressure - driven.transpose(0, 2, 1) @ reaction
    return np.asarray(4.0 * pi * pressure)


def require_valid(room: Room, hz: Floats, seats: Floats, sources: Floats) -> None:
    """Refuse frequencies and places for which the model says nothing.

    Raises
    ------
    OutsideModel : see `transfer_function`.
    """
    if not (len(hz) and hz.min() >= LOWEST_HZ and hz.max() <= HIGHEST_HZ):
        got = f"{hz.min():g} to {hz.max():g} Hz" if len(hz) else "none"
        raise OutsideModel(f"frequencies: got {got}; the model holds from {LOWEST_HZ:g} to {HIGHEST_HZ:g} Hz")
    for what, points in (("seat", seats), ("source", sources)):
        outside = np.flatnonzero(((points < -1e-9) | (points > np.array(room.size_m) + 1e-9)).any(axis=1))
        if not len(outside) and not room.is_box:
            outside = np.flatnonzero(~room.shape.contains(points))
            if len(outside):
                place = ", ".join(f"{value:g}" for value in points[outside[0]])
                raise OutsideModel(
                    f"{what} {outside[0]} is at ({place}) m, in a block, above a slope or in a part of the "
                    "room that is cut off; move it into the air"
                )
        if len(outside):
            place = ", ".join(f"{value:g}" for value in points[outside[0]])
            size = " x ".join(f"{value:g}" for value in room.size_m)
            raise OutsideModel(f"{what} {outside[0]} is at ({place}) m, outside the room of {size} m; move it inside")
    if len(seats) and len(sources):
        gap = np.sqrt(((seats[:, None] - sources[None]) ** 2).sum(axis=-1))
        if gap.min() < CLOSEST_M:
            s, c = np.unravel_index(int(gap.argmin()), gap.shape)
            raise OutsideModel(
                f"source {c} is {gap.min():.3f} m from seat {s}; a point source says nothing within {CLOSEST_M:g} m; "
                "move it away"
            )
