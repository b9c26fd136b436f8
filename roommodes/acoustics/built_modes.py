"""The room's modes as built: complex resonances of the room with its walls, beside the rigid ones.

A few rigid modes a (all up to well above the band) are kept as unknowns; everything else, the other room modes
and the walls' reaction, is folded into a small matrix that is smooth in frequency:

    B(omega) a = [ diag(V (k_n^2 - k^2)) + U Y' U^T ] a = 0,    Y' = (1 + Y Z')^-1 Y,

with U the kept modes' overlap with the boundary modes, Y the walls' strengths and Z' the port matrix without
the kept modes (`ports`). B is exact, and unlike 1 + Y Z it has no poles at the rigid modes. Each mode is
followed from its rigid frequency: k^2 is the eigenvalue of B(omega)'s first part that the mode belongs to, and
omega is corrected until both agree.

| symbol | meaning |
| --- | --- |
| omega | complex angular frequency, 2 pi f + j delta: the mode rings as e^{-delta t} [rad/s] |
| T60 | ln(10^3) / delta, the decay time [s] |

References
----------
[1] H. Kuttruff, Room Acoustics, section 3.3: T60 = 6.91 / delta (from memory; exact).
"""

from collections.abc import Generator, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from math import log, pi

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment
from threadpoolctl import threadpool_limits

from roommodes.acoustics.ports import Ports, Precision
from roommodes.acoustics.rigid_modes import RigidModes, rigid_modes
from roommodes.acoustics.room import Room, Surface
from roommodes.acoustics.room_boundary import Boundary, boundary_of
from roommodes.acoustics.transfer import CHUNK_BYTES, bulk_k2, strength_times
from roommodes.acoustics.wall_bases import cosine_table
from roommodes.arrays import Complexes
from roommodes.running import Running

BUILT_REACH = 1.1  # how far above its rigid frequency a mode may come to lie
KEPT_REACH = 1.3  # modes up to this times the highest mode asked for are kept as unknowns
GROUP = 5  # neighbouring modes that start from one eigenvalue problem
TOGETHER = 13  # frequencies to a call of the ports
STEPS = 20  # corrections of omega at most
FLATTEST, LONGEST_MOVE = 0.02, 0.03  # where a wall resonates on a mode, omega hardly corrects itself: go slowly
RAYLEIGH_STEPS = 2
SAME = 1e-5  # relative distance of omega below which two modes are one resonance
SETTLED = 1e-4  # relative change of omega at which a mode has settled; what is left is some hundred times less
# 1e-4 of a mode's shift is plenty here; no seat stands near a wall, so the sums along walls may end early
PRECISION = Precision(cut=2.5, extra_order=3, edge_wavenumber=30.0, plane_wavenumber=100.0)
# for tables and pictures: frequencies to 0.02 Hz, decays to half a percent, in half the time
FOR_READING = replace(PRECISION, fewest_extra=1)
LINE_POINTS = 241


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
    """One mode, with rigid walls and as built.

    Parameters
    ----------
    number : mode numbers along x, y, z of the rigid mode it grew from.
    rigid_hz, frequency_hz : with rigid walls, and as built [Hz].
    decay_time_s : T60 as built [s].
    null_planes : every null plane of the rigid mode.
    settled : whether it was found. In a room with walls that absorb strongly a rigid mode may have no successor.
    """

    number: tuple[int, int, int]
    rigid_hz: float
    frequency_hz: float
    decay_time_s: float
    null_planes: tuple[NullPlane, ...]
    settled: bool

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
    limit: int = 60,
    precision: Precision = PRECISION,
    running: Running = Running(),
) -> tuple[BuiltMode, ...]:
    """The room's modes up to `max_hz`, at most `limit` of them, each with rigid walls and as built.

    A mode here is what a rigid mode becomes. Resonances that belong to a wall alone (a pane, a light wall on its
    cavity) are not listed; where one lies on a room mode the two share their decay.

    Parameters
    ----------
    room, surfaces : as for `transfer_function`.
    max_hz : highest rigid frequency asked for [Hz].
    limit : how many modes at most.
    precision : how far the sums go; `FOR_READING` is enough for what a person reads.
    running : progress, cancelling, threads.

    Returns
    -------
    In rising rigid frequency.

    Raises
    ------
    Interrupted : when cancelled.
    """
    running.step("modes", 0.0)
    wanted = rigid_modes(room, max_hz)
    wanted = RigidModes(number=wanted.number[:limit], frequency_hz=wanted.frequency_hz[:limit])
    if not len(wanted.frequency_hz):
        return ()
    highest_hz = float(wanted.frequency_hz.max())
    kept = rigid_modes(room, KEPT_REACH * highest_hz, with_pressure_mode=True)
    with threadpool_limits(1):  # one thread per group of modes gains more than threads inside small matrices
        problem = Resonances(room, surfaces, kept, BUILT_REACH * highest_hz, precision)
        omega, shape, pull, settled = problem.follow(wanted, running)
        return tuple(
            _described(problem, tuple(int(n) for n in number), rigid_hz, w, problem.amplitudes(w, a, walls), bool(done))
            for number, rigid_hz, w, a, walls, done in zip(
                wanted.number, wanted.frequency_hz, omega, shape, pull, settled, strict=True
            )
        )


class Resonances:
    """B(omega) of one room.

    Parameters
    ----------
    room, surfaces : as for `transfer_function`.
    kept : the rigid modes kept as unknowns, the pressure mode among them.
    highest_hz : the highest frequency at which B will be asked for; the kept modes may lie above it.
    precision : how far the sums go.
    """

    def __init__(
        self,
        room: Room,
        surfaces: Sequence[Surface],
        kept: RigidModes,
        highest_hz: float,
        precision: Precision = PRECISION,
    ) -> None:
        nowhere = np.empty((0, 3))
        self.room = room
        self.kept = kept
        highest = 2.0 * pi * highest_hz / room.air.speed_of_sound_m_s
        along = max(precision.plane_wavenumber, 2.0 * precision.cut * highest)  # well beyond the box of modes
        precision = replace(precision, plane_wavenumber=along)
        self.boundary: Boundary = boundary_of(
            room,
            surfaces,
            frequency_hz=np.array([highest_hz]),
            seat_m=nowhere,
            source_m=nowhere,
            precision=precision,
        )
        self.ports = Ports(
            room,
            self.boundary.families,
            seat_m=nowhere,
            source_m=nowhere,
            max_wavenumber=highest,
            precision=precision,
        )
        index = tuple(kept.number.T)
        self.is_kept = np.zeros(self.ports.counts, dtype=bool)
        self.is_kept[index] = True
        self.overlaps = self.ports.overlaps()
        self.kept_overlaps = self.overlaps[(slice(None), *index)]  # (mode, kept)
        self.kept_k2 = self.ports.k2_modes[index]

    def reaction(self, omega: Complexes) -> Complexes:
        """Y' U^T: (k,) -> (k, boundary mode, kept)."""
        if not self.boundary.size:
            return np.zeros((len(omega), 0, len(self.kept_k2)), dtype=np.complex128)
        size = self.boundary.size
        z = self.ports.at(bulk_k2(self.room, omega), without=self.is_kept).boundary
        wide = np.broadcast_to(self.kept_overlaps, (len(omega), *self.kept_overlaps.shape))
        both = strength_times(self.boundary.strengths, omega, np.concatenate([z, wide], axis=2))
        index = np.arange(size)
        both[:, index, index] += 1.0
        return np.asarray(np.linalg.solve(both[:, :, :size], both[:, :, size:]))

    def _reactions(self, pool: ThreadPoolExecutor, omega: Complexes) -> Iterator[Complexes]:
        """Y' U^T at any number of frequencies, as many to a call of the ports as memory allows."""
        together = max(1, min(TOGETHER, int(CHUNK_BYTES / (16.0 * max(1, self.boundary.size) ** 2))))
        parts = [omega[start : start + together] for start in range(0, len(omega), together)]
        for answers in pool.map(self.reaction, parts):
            yield from answers

    def matrix(self, omega: complex) -> Complexes:
        """A with A a = k^2 a at this frequency: (kept, kept) [1/m2]."""
        return self._folded(self.reaction(np.array([omega]))[0])

    def _folded(self, reaction: Complexes) -> Complexes:
        return np.asarray(np.diag(self.kept_k2) + self.kept_overlaps.T @ reaction / self.room.volume_m3)

    def follow(self, wanted: RigidModes, running: Running) -> tuple[Complexes, Complexes, Complexes, NDArray[np.bool_]]:
        """Omega (n,), amplitudes of kept modes (n, kept), walls' reaction (n, boundary mode), settled or not (n,)."""
        row_of = {tuple(number): row for row, number in enumerate(self.kept.number.tolist())}
        rows = np.array([row_of[tuple(number)] for number in wanted.number.tolist()])
        count = len(rows)
        omega = np.empty(count, dtype=np.complex128)
        shape = np.empty((count, len(self.kept_k2)), dtype=np.complex128)
        pull = np.empty((count, self.boundary.size), dtype=np.complex128)
        settled = np.zeros(count, dtype=bool)
        starts = range(0, count, GROUP)
        groups = [np.arange(start, min(start + GROUP, count)) for start in starts]
        middles = np.array([2.0 * pi * float(np.mean(wanted.frequency_hz[group])) for group in groups])
        with ThreadPoolExecutor(running.thread_count) as pool:
            going: dict[int, Generator[complex, Complexes, tuple[complex, Complexes, Complexes, bool]]] = {}
            for group, middle, reaction in zip(groups, middles, self._reactions(pool, middles), strict=True):
                k2, vectors = np.linalg.eig(self._folded(reaction))
                vectors = vectors / np.sqrt((vectors**2).sum(axis=0))
                # which eigenvector a rigid mode becomes: for all of them at once, so that none is taken twice
                _, choice = linear_sum_assignment(-np.abs(vectors))
                for member, one in zip(group, choice[rows[group]], strict=True):
                    going[int(member)] = self._settling(float(middle), complex(k2[one]), vectors[:, one])
            ask = {mode: next(steps) for mode, steps in going.items()}
            while ask:  # those that have not settled step together
                modes = tuple(ask)
                for mode, answer in zip(modes, self._reactions(pool, np.array(list(ask.values()))), strict=True):
                    try:
                        ask[mode] = going[mode].send(answer)
                    except StopIteration as end:
                        del ask[mode]
                        omega[mode], shape[mode], pull[mode], settled[mode] = end.value
                running.check("interrupted while the modes were followed; nothing was written")
                running.step("modes", (count - len(ask)) / count)
        share = np.abs(shape[np.arange(count), rows])
        for one in range(count):  # two that met in one resonance: it belongs to the mode it has more of
            same = np.abs(omega - omega[one]) < SAME * np.abs(omega[one])
            settled[one] &= bool(share[one] >= share[same].max())
        return omega, shape, pull, settled

    def _settling(
        self, start: float, k2: complex, vector: Complexes
    ) -> Generator[complex, Complexes, tuple[complex, Complexes, Complexes, bool]]:
        """Correct omega until it and k^2 agree: secant steps on omega, Rayleigh quotients for k^2.

        Yields every omega, is sent the `reaction` there, and returns what `follow` does for one mode.

        `k2` and `vector` belong to the matrix at `start`, so the first secant is known before the first step.
        """
        to_omega = self.room.air.speed_of_sound_m_s / (1.0 - 0.5j * self.room.loss_factor)
        identity = np.eye(len(vector))
        omega = complex(to_omega * np.sqrt(k2))
        last, last_miss = complex(start), omega - start
        for _ in range(STEPS):
            reaction = yield omega
            matrix = self._folded(reaction)
            for _ in range(RAYLEIGH_STEPS):
                k2 = complex(vector @ matrix @ vector)
                turned = np.linalg.solve(matrix - k2 * (1.0 + 1e-13) * identity, vector)
                vector = turned / np.sqrt(turned @ turned)
            miss = complex(to_omega * np.sqrt(vector @ matrix @ vector)) - omega
            slope = (miss - last_miss) / (omega - last) if omega != last else -1.0
            move = -miss / slope if abs(slope) > FLATTEST else miss
            move *= min(1.0, LONGEST_MOVE * abs(omega) / max(abs(move), 1e-30))
            last, last_miss = omega, miss
            omega = omega + move
            if abs(move) < SETTLED * abs(omega):
                return omega, vector, reaction @ vector, True
        return omega, vector, reaction @ vector, False

    def amplitudes(self, omega: complex, kept: Complexes, pull: Complexes) -> Complexes:
        """Amplitudes of all modes of the box, from the kept ones' and the walls' reaction: (nx, ny, nz)."""
        w = np.array([omega])
        all_modes = -np.tensordot(pull, self.overlaps, axes=1) / (
            self.room.volume_m3 * (self.ports.k2_modes - bulk_k2(self.room, w)[0])
        )
        all_modes[tuple(self.kept.number.T)] = kept
        return np.asarray(all_modes)


def _described(
    problem: Resonances,
    number: tuple[int, ...],
    rigid_hz: float,
    omega: complex,
    amplitudes: Complexes,
    settled: bool,
) -> BuiltMode:
    room = problem.room
    planes: list[NullPlane] = []
    for axis, n in enumerate(number):
        if n:
            planes.extend(_null_planes(room, amplitudes, number, axis))
    return BuiltMode(
        number=(number[0], number[1], number[2]),
        rigid_hz=rigid_hz,
        frequency_hz=float(omega.real) / (2.0 * pi),
        decay_time_s=log(1e3) / float(omega.imag) if omega.imag > 0.0 else float("inf"),
        null_planes=tuple(planes),
        settled=settled,
    )


def _null_planes(room: Room, amplitudes: Complexes, number: tuple[int, ...], axis: int) -> list[NullPlane]:
    """Minima of |p| along one axis, on a line where the mode is strong, near each rigid null plane."""
    length, n = room.size_m[axis], number[axis]
    line = np.linspace(0.0, length, LINE_POINTS)
    value = amplitudes
    for other in (2, 1, 0):  # from the last axis on, so that the axes' numbers stay as they are
        if other != axis:
            where = _strong_place(room.size_m[other], number[other])
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
