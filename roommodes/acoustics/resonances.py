"""The room with its walls as an eigenproblem: complex resonances of the two together.

A few rigid modes a (all up to well above the band) are kept as unknowns; everything else, the other room modes
and the walls' reaction, is folded into a small matrix that is smooth in frequency:

    T(omega) a = [ diag(k_n^2 - k^2) + U Y' U^T / V ] a = 0,    Y' = (1 + Y Z')^-1 Y,

with U the kept modes' overlap with the boundary modes, Y the walls' strengths and Z' the port matrix without
the kept modes (`ports`). T is exact, and unlike 1 + Y Z it has no poles at the rigid modes. Its inverse is the room's
response from any kept mode to any other, so that its poles are what the responses show.

| symbol | meaning |
| --- | --- |
| omega | complex angular frequency, 2 pi f + j delta: a pole rings as e^{-delta t} [rad/s] |
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from math import pi
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from roommodes.acoustics.poles import Poles, RationalMatrix, Strip, newton_step, poles_in, value_and_slope
from roommodes.acoustics.ports import Ports, SmoothPorts
from roommodes.acoustics.precision import Precision
from roommodes.acoustics.rigid_modes import RigidModes
from roommodes.acoustics.room import Room, Surface
from roommodes.acoustics.room_boundary import Boundary, boundary_of
from roommodes.acoustics.strengths import Matrices, PlateStrength, times
from roommodes.acoustics.transfer import CHUNK_BYTES, LOWEST_HZ, bulk_k2
from roommodes.arrays import Complexes, Floats
from roommodes.elements.field import ShapedField
from roommodes.elements.likeness import textbook_names
from roommodes.running import Running

TOGETHER = 13  # frequencies to a block of work
AT_ONCE = 4  # of these whose matrices are at hand together: few enough to stay in the processor's cache
BOX_SHARE = 0.5  # of what a pair of boundary modes takes in such a call, for each mode of the box
PLATE_REACH = 1.2  # panes' modes with resonances up to this times the highest frequency are unknowns of the fit
ORDER_HZ = 16  # frequencies at which the walls' strength is looked at, to choose their polynomials
STEP_HZ = 9.0  # between samples of the folded walls; halved until their fit is good enough
MOST_HALVINGS = 4
GOOD = 1e-7  # largest error of that fit
OF_FIT = 32  # frequencies whose matrices are taken from the fit together: so their memory is used again
KEPT_BYTES = 256e6  # of the walls' reactions at the samples; where there are more, each pole's own is worked out
SURE = 3e-4  # of the equations' parts, what may be left at a pole where its error goes with the square
REFINED = 1e-5  # relative move of omega at which a pole stands where the full equations have it
MOST_ROUNDS, OF_FIT_ROUNDS = 6, 2  # of Newton's steps on a pole; those of them with the fit's slope
SLOPE_STEP = 1e-6  # of omega, to find a slope
LONGEST = 0.01  # step over omega that a pole of the fit may be moved by
Answer = TypeVar("Answer")
INTERRUPTED = "interrupted while the modes were sought"


class Resonances:
    """T(omega) of one room, and its poles.

    Parameters
    ----------
    room, surfaces : as for `transfer_function`.
    kept : the rigid modes kept as unknowns, the pressure mode among them.
    highest_hz : the highest frequency at which T will be asked for; the kept modes may lie above it.
    precision : how far the sums go.
    running : progress and cancelling, where the room's shape is to be solved first.
    """

    def __init__(
        self,
        room: Room,
        surfaces: Sequence[Surface],
        kept: RigidModes,
        highest_hz: float,
        precision: Precision,
        running: Running = Running(),
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
            frequency_hz=np.geomspace(min(LOWEST_HZ, highest_hz), highest_hz, ORDER_HZ),
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
            running=running,
        )
        index = tuple(kept.number.T)
        self.is_kept = np.zeros(self.ports.k2_modes.shape, dtype=bool)
        self.is_kept[index] = True
        self.kept_overlaps = self.ports.overlaps(kept.number)  # (mode, kept)
        self.kept_k2 = self.ports.k2_modes[index]
        self.plates, self._plate_scale = self._plates(2.0 * pi * highest_hz)
        self.others = np.setdiff1d(np.arange(self.boundary.size), self.plates)
        order = np.concatenate([self.others, self.plates])
        self.smooth = SmoothPorts(self.ports, without=self.is_kept, max_wavenumber=highest, order=order)

    def _plates(self, highest_omega: float) -> tuple[NDArray[np.intp], Floats]:
        """Places of the panes' modes whose own resonances lie in the band or little above, and |y|^(1/2) / omega."""
        places, scales, start = [np.empty(0, dtype=np.intp)], [np.empty(0)], 0
        looked = highest_omega * np.array([0.4, 0.7, 1.0], dtype=np.complex128)
        for strength in self.boundary.strengths:
            if isinstance(strength, PlateStrength):
                own = np.flatnonzero(strength.pane.speed_m2_s() * strength.bend2 <= PLATE_REACH * highest_omega)
                places.append(start + own)
                least = np.abs(strength.matrix(looked)[:, own]).min(axis=0)
                scales.append(least**0.5 / (0.7 * highest_omega))
            start += strength.size
        return np.concatenate(places), np.concatenate(scales)

    def textbook_names(self) -> list[tuple[int, int, int] | None]:
        """What the kept modes of a room that is no box look like in the box that encloses it; empty in a box."""
        field = self.ports.field
        return textbook_names(field.solution, len(self.kept_k2)) if isinstance(field, ShapedField) else []

    def _each(
        self, answer: Callable[[Complexes], Iterable[Answer]], omega: Complexes, running: Running
    ) -> Iterator[Answer]:
        """What `answer` gives at any number of frequencies, some at a time."""
        numbers = max(1.0, float(self.boundary.size) ** 2, BOX_SHARE * self.ports.k2_modes.size)
        together = max(1, min(TOGETHER, int(CHUNK_BYTES / (16.0 * numbers))))
        parts = [omega[start : start + together] for start in range(0, len(omega), together)]
        with ThreadPoolExecutor(replace(self.ports.effort, at_once=together).blocks(running.thread_count)) as pool:
            for number, answers in enumerate(running.each(pool, answer, parts), 1):
                running.check(INTERRUPTED)
                running.step("modes", number / len(parts))
                yield from answers
        running.check(INTERRUPTED)

    def matrix(self, omega: complex) -> Complexes:
        """A with A a = k^2 a at this frequency: (kept, kept) [1/m2]."""
        wide = self._with_plates(np.array([omega]))[0][0]
        return np.asarray(np.diag(self.kept_k2) + self._without_plates(wide[None])[0])

    def complete(self, folded: Complexes, omega: Complexes) -> Complexes:
        """T from U Y' U^T / V: (k, kept, kept), (k,) -> (k, kept, kept) [1/m2]."""
        index = np.arange(len(self.kept_k2))
        whole = folded.copy()
        whole[:, index, index] += self.kept_k2 - bulk_k2(self.room, omega)[:, None]
        return whole

    def poles(self, strip: Strip, running: Running) -> "Fitted":
        """All poles in a strip, of a fit to T."""
        omega = strip.samples(2.0 * pi * STEP_HZ)
        answers: list[NDArray[np.complex64]] = []
        value = self._sampled(omega, answers, running)
        fit = RationalMatrix(omega, value)
        for _ in range(MOST_HALVINGS):
            if fit.error <= GOOD:
                break
            between = strip.between(omega)
            value = np.concatenate([value, self._sampled(between, answers, running)])
            omega = np.concatenate([omega, between])
            fit = RationalMatrix(omega, value)

        def whole(at: Complexes) -> Complexes:
            return self._of_fit(fit, at)

        found = poles_in(whole, strip)
        every = tuple(answers) if len(answers) == len(omega) else None
        return Fitted(poles=found, share=self.shares(fit, found), fit=fit, answers=every)

    def _of_fit(self, fit: RationalMatrix, omega: Complexes) -> Complexes:
        """T as a fit has it: (k,) -> (k, kept, kept)."""
        parts = [omega[start : start + OF_FIT] for start in range(0, max(1, len(omega)), OF_FIT)]
        return np.concatenate([self.complete(self._without_plates(fit.at(part)), part) for part in parts])

    def slopes_at(self, found: "Fitted", chosen: NDArray[np.intp]) -> Complexes:
        """dT / domega at some of the poles, as the fit has it: (p, kept, kept)."""
        return value_and_slope(lambda at: self._of_fit(found.fit, at), found.poles.omega[chosen])[1]

    def _sampled(self, omega: Complexes, answers: list[NDArray[np.complex64]], running: Running) -> Complexes:
        """What `_with_plates` gives at any number of frequencies; the reactions are added to `answers` while few."""
        size = 8.0 * len(self.others) * (len(self.kept_k2) + len(self.plates))
        values = []
        for folded, answer in self._each(self._with_plates, omega, running):
            values.append(folded)
            if (len(answers) + 1) * size <= KEPT_BYTES:
                answers.append(answer.astype(np.complex64))
        return np.stack(values)

    def _with_plates(self, omega: Complexes) -> list[tuple[Complexes, Complexes]]:
        """Like U Y' U^T / V, with the panes' modes in `plates` as unknowns too: (kept + plate, same) for each of (k,).

        Their own resonances are then no poles of it, and few frequencies serve a fit. The unknowns are the reactions of
        these modes over j sigma V^(1/2), which keeps it symmetric; sigma goes with omega, so that it stays finite at 0.
        With each come the other boundary modes' reactions over V^(1/2): (other, kept + plate).
        """
        if not self.boundary.size:
            none = np.zeros((len(self.kept_k2),) * 2, dtype=np.complex128)
            return [(none, none[:0])] * len(omega)
        matrices = Matrices(omega)
        strengths = [matrices.of(strength) for strength in self.boundary.strengths]
        parts = [slice(start, start + AT_ONCE) for start in range(0, len(omega), AT_ONCE)]
        return [one for part in parts for one in self._folded(omega[part], [y[part] for y in strengths])]

    def _folded(self, omega: Complexes, strengths: Sequence[Complexes]) -> Iterator[tuple[Complexes, Complexes]]:
        """The same of a few frequencies whose strengths, as `Matrices.of` has them, are known."""
        kept, plates, count = len(self.kept_k2), self.plates, len(self.others)
        z = self.smooth.at(bulk_k2(self.room, omega))
        sigma = 1j * self._plate_scale * omega[:, None]  # (k, plate)
        overlaps = self.kept_overlaps / self.room.volume_m3**0.5
        right = np.empty((len(omega), count, kept + len(plates)), dtype=np.complex128)
        right[:, :, :kept] = overlaps[self.others]
        np.multiply(z[:, :count, count:], -sigma[:, None, :], out=right[:, :, kept:])
        theirs = self._of_others(strengths)
        system = times(theirs, z[:, :count, :count])
        index = np.arange(count)
        system[:, index, index] += 1.0
        answer = np.linalg.solve(system, times(theirs, right))
        found = right.transpose(0, 2, 1) @ answer
        across = sigma[:, :, None] * overlaps[plates][None]
        found[:, kept:, :kept] += across
        found[:, :kept, kept:] += across.transpose(0, 2, 1)
        own = np.concatenate([y if y.ndim == 2 else np.zeros(y.shape[:2]) for y in strengths], axis=1)[:, plates]
        among = z[:, count:, count:]
        among[:, np.arange(len(plates)), np.arange(len(plates))] += 1.0 / own
        found[:, kept:, kept:] -= sigma[:, :, None] * sigma[:, None, :] * among
        return zip(found, answer, strict=True)

    def _of_others(self, strengths: Sequence[Complexes]) -> list[Complexes]:
        """Strengths, as `Matrices.of` has them, of the boundary modes `others` alone: panes' skins are among these."""
        found, start = [], 0
        is_other = np.isin(np.arange(self.boundary.size), self.others)
        for y in strengths:
            end = start + y.shape[1]
            found.append(y[:, is_other[start:end]] if y.ndim == 2 else y)
            start = end
        return found

    def _without_plates(self, wide: Complexes) -> Complexes:
        """U Y' U^T / V from what `_with_plates` gives: (k, kept + plate, same) -> (k, kept, kept)."""
        kept = len(self.kept_k2)
        if wide.shape[1] == kept:
            return wide
        across = wide[:, kept:, :kept]
        return np.asarray(
            wide[:, :kept, :kept] - across.transpose(0, 2, 1) @ np.linalg.solve(wide[:, kept:, kept:], across)
        )

    def reactions_at(self, found: "Fitted", chosen: NDArray[np.intp], running: Running) -> Complexes:
        """The walls' reaction to some of the poles, Y' U^T v, as the fit has it: (p, boundary mode)."""
        omega, vector, fit = found.poles.omega[chosen], found.poles.vector[chosen], found.fit
        if found.answers is None:
            each = zip(omega[:, None], vector[:, None], self._each(self._with_plates, omega, running), strict=True)
            parts = []
            for at, own, (wide, answer) in each:
                both = self._both(wide[None], own)
                parts.append(self._pull(at, both, both @ answer.T))
            return np.concatenate([np.empty((0, self.boundary.size), dtype=np.complex128), *parts])
        both = self._both(fit.at(omega), vector)
        single, others = both.astype(np.complex64), np.zeros((len(omega), len(self.others)), dtype=np.complex128)
        for share, number in zip(fit.shares(omega).T, fit.support, strict=True):
            others += share[:, None] * (single @ found.answers[number].T)
        return self._pull(omega, both, others)

    def _both(self, wide: Complexes, vector: Complexes) -> Complexes:
        """Kept modes (p, kept) and what plates they move, from what `_with_plates` gives: (p, kept + plate)."""
        kept = len(self.kept_k2)
        pressure = wide[:, kept:, :kept] @ vector[:, :, None]
        return np.concatenate([vector, -np.linalg.solve(wide[:, kept:, kept:], pressure)[:, :, 0]], axis=1)

    def _pull(self, omega: Complexes, both: Complexes, others: Complexes) -> Complexes:
        """Y' U^T v from these and the other boundary modes' reactions over V^(1/2): (p, boundary mode)."""
        pull = np.empty((len(omega), self.boundary.size), dtype=np.complex128)
        pull[:, self.others] = others
        pull[:, self.plates] = 1j * self._plate_scale * omega[:, None] * both[:, len(self.kept_k2) :]
        return np.asarray(pull * self.room.volume_m3**0.5)

    def _confirmed(
        self, omega: Complexes, v: Complexes, pull: Complexes
    ) -> tuple[Complexes, Complexes, NDArray[np.bool_]]:
        """One step of the full equations' quotient from poles and walls that nearly solve them.

        With q the walls' reaction, r = Y (U v - Z' q) - q is what is left of their equations. Then v^T U Y' U^T v is
        (U v)^T q + (U v - Z' q)^T r, and omega is off by v^T T v / v^T T' v; both but for squares of errors. No matrix
        is made or factorised. The slope is the quotient's own: a fit's is poor where walls resonate.

        Parameters
        ----------
        omega, v, pull : (p,), (p, kept), q (p, boundary mode).

        Returns
        -------
        omega (p,), moved unless the step is long; v^T T' v (p,); and which are sure (p,): where the step is short and
        little left of the equations.
        """
        step, count = SLOPE_STEP * omega, len(omega)
        twice = np.concatenate([omega, omega + step])
        form, left, walls = self._quotient(twice, np.tile(v, (2, 1)), np.tile(pull, (2, 1)))
        steep = (form[count:] - form[:count]) / step
        move = form[:count] / steep
        part = np.abs(move) / np.abs(omega)
        small = (left[:count] < SURE) & (walls[:count] < SURE)
        return np.where(part < LONGEST, omega - move, omega), steep, np.asarray((part < REFINED) & small)

    def _quotient(self, omega: Complexes, v: Complexes, pull: Complexes) -> tuple[Complexes, Floats, Floats]:
        """v^T T v as `_confirmed` has it, and what is left of the room's and of the walls' equations: (p,) each."""
        k2, volume = bulk_k2(self.room, omega), self.room.volume_m3
        pressure = v @ self.kept_overlaps.T
        free = pressure - self.ports.times(k2, pull, without=self.is_kept)
        rest = Matrices(omega).times(self.boundary.strengths, free[:, :, None])[:, :, 0] - pull
        air = (self.kept_k2 - k2[:, None]) * v
        form = (v * air).sum(axis=1) + ((pressure * pull).sum(axis=1) + (free * rest).sum(axis=1)) / volume
        whole = np.abs(k2) * np.linalg.norm(v, axis=1)
        left = np.linalg.norm(air + pull @ self.kept_overlaps / volume, axis=1) / whole
        walls = np.linalg.norm(rest, axis=1) / np.maximum(np.linalg.norm(pull, axis=1), 1e-300)
        return np.asarray(form), np.asarray(left), np.asarray(walls)

    def refined(
        self, poles: Poles, slope: Complexes, pull: Complexes, running: Running
    ) -> tuple[Poles, Complexes, NDArray[np.bool_]]:
        """Poles of the fit brought to where the full equations have them, their vectors to those equations' scale.

        Parameters
        ----------
        poles, slope, pull : of the fit: (p,), dT / domega there (p, kept, kept), q (p, boundary mode).

        Returns
        -------
        The poles (p,), the walls' reaction to each, Y' U^T v (p, boundary mode), and whether it settled (p,).
        """
        vector, pull = poles.vector.copy(), pull.copy()
        if not len(poles.omega):
            return poles, pull, np.zeros(0, dtype=bool)
        omega, steep, settled = self._confirmed(poles.omega, vector, pull)
        going = np.flatnonzero(~settled)
        slope = slope.copy()
        for number in range(MOST_ROUNDS):
            if not len(going):
                break
            if number == OF_FIT_ROUNDS:
                slope[going] = value_and_slope(lambda at: self._exact(at, running), omega[going])[1]
            for one, (wide, answer) in zip(
                going[:, None], self._each(self._with_plates, omega[going], running.silent()), strict=True
            ):
                value = self.complete(self._without_plates(wide[None]), omega[one])
                vector[one] = newton_step(value, slope[one], vector[one])[1]
                both = self._both(wide[None], vector[one])
                pull[one] = self._pull(omega[one], both, both @ answer.T)
            omega[going], steep[going], settled[going] = self._confirmed(omega[going], vector[going], pull[going])
            going = going[~settled[going]]
            running.step("modes", float(settled.mean()))
        scale = np.sqrt(np.where(settled, steep, 1.0))[:, None]
        return Poles(omega=omega, vector=vector / scale), pull / scale, settled

    def _exact(self, omega: Complexes, running: Running) -> Complexes:
        """T of the full equations: (k,) -> (k, kept, kept)."""
        wide = [one for one, _ in self._each(self._with_plates, omega, running.silent())]
        return self.complete(self._without_plates(np.stack(wide)), omega)

    def shares(self, fit: RationalMatrix, poles: Poles) -> Floats:
        """Of the response at each pole's frequency, as `Fitted` has it; the response is that of the fit: (p,)."""
        part = (np.abs(poles.vector) ** 2).sum(axis=1) / poles.omega.imag
        response = np.linalg.inv(self._of_fit(fit, poles.omega.real.astype(np.complex128)))
        return np.asarray(part / np.linalg.norm(response, axis=(1, 2)))

    def amplitudes(self, omega: complex, kept: Complexes, pull: Complexes) -> Complexes:
        """Amplitudes of all modes of the box, from the kept ones' and the walls' reaction: (nx, ny, nz)."""
        w = np.array([omega])
        all_modes = -self.ports.pulled(pull) / (self.room.volume_m3 * (self.ports.k2_modes - bulk_k2(self.room, w)[0]))
        all_modes[tuple(self.kept.number.T)] = kept
        return np.asarray(all_modes)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fitted:
    """Poles of a fit to T.

    Parameters
    ----------
    poles : (p,).
    share : (p,) of the response at each one's frequency, by the fit: the pole's part over the whole, both as rms over
        all places and sources in the room. Parts of several poles may take from one another, so that shares may sum to
        more or less than 1.
    fit, answers : the fit, and what the walls do at each of its samples; None where that would be too much to keep.
    """

    poles: Poles
    share: Floats
    fit: RationalMatrix
    answers: tuple[NDArray[np.complex64], ...] | None
