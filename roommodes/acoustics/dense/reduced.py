"""The equations of one room projected on small bases: they take little at each frequency.

A basis Q holds the answers of the full equations at the frequencies nearest to a part of the band, their real and their
imaginary parts each by itself: where little is lost both are nearly sums of the room's own real modes, but different
ones. So Q tells twice as much of each answer, and all products with it are real. Since the equations are symmetric, and
Q holds the answers for the seats and for the sources, the error of H goes with the square of what Q misses [1].

References
----------
[1] A. T. Patera, G. Rozza, Reduced Basis Approximation and A Posteriori Error Estimation, MIT 2006: primal and dual
    together (from memory).
[2] M. F. Hutchinson, A stochastic estimator of the trace of the influence matrix, Commun. Stat. Simul. Comput. 18,
    1989 (from memory).
"""

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from roommodes.acoustics.dense.room_terms import RoomTerms
from roommodes.acoustics.dense.window import Window
from roommodes.arrays import Complexes, Floats

LEAST = 1e-5  # what a direction of one answer must weigh against its strongest to be kept
IN_BASIS = 1e-4  # the same of all answers together, to enter a basis
CORE = 3  # frequencies with full answers in one part of the band
SERVING = 7  # frequencies whose answers enter its basis, as many on each side where the band goes on
PROBES = 6  # random vectors of signs that see what is left of the equations
CHUNK_BYTES = 16e6


class Reduced:
    """The reduced equations; `extend` enters further answers.

    Parameters
    ----------
    terms : the full equations.
    frequency_hz : (n_freq,) theirs [Hz].
    """

    def __init__(self, terms: RoomTerms, frequency_hz: Floats) -> None:
        nodes, size = terms.node.shape[:2]
        self.terms, self.hz = terms, frequency_hz
        self.taken: list[int] = []
        self._first = 0  # answers entered at first
        self._known: dict[tuple[bytes, bytes], tuple[Complexes, Floats]] = {}
        self._probe = np.random.default_rng(0).choice([-1.0, 1.0], size=(size, PROBES))
        self._probed = self._probe.T @ terms.node
        self._columns: list[NDArray[np.intp]] = []
        self._answers = np.empty((size, 0))
        self._applied = np.empty((nodes, size, 0))
        self._smooth = np.empty((nodes, 0, 0))

    def extend(self, index: Sequence[int], answers: Sequence[Complexes]) -> None:
        """Enter the answers (unknown, n) at some of the frequencies."""
        parts = []
        for one in answers:
            u, s, _ = np.linalg.svd(np.concatenate([one.real, one.imag], axis=1), full_matrices=False)
            parts.append(u[:, s > LEAST * s[0]])
            start = self._answers.shape[1] + sum(part.shape[1] for part in parts[:-1])
            self._columns.append(np.arange(start, start + parts[-1].shape[1]))
        new = np.concatenate(parts, axis=1)
        applied = self.terms.node @ new
        cross = new.T @ self._applied  # (node, new, old)
        upper = np.concatenate([self._smooth, cross.transpose(0, 2, 1)], axis=2)
        self._smooth = np.concatenate([upper, np.concatenate([cross, new.T @ applied], axis=2)], axis=1)
        self._answers = np.concatenate([self._answers, new], axis=1)
        self._applied = np.concatenate([self._applied, applied], axis=2)
        self.taken += index
        self._first = self._first or len(self.taken)

    def transfer(self, index: NDArray[np.intp]) -> tuple[Complexes, Floats]:
        """H at some of the frequencies, (k, seat, source) [1/m], and in what proportion it may be in error (k,).

        What was worked out before stands where no further answers came near.
        """
        seats = self.terms.seats
        result = np.empty((len(index), seats, len(self.terms.shape.T) - seats), dtype=np.complex128)
        doubt = np.empty(len(index))
        for inside, blocks in self._windows(self.hz[index]):
            key = (index[inside].tobytes(), blocks.tobytes())
            if key not in self._known:
                columns = np.concatenate([self._columns[one] for one in blocks])
                self._known[key] = self._in_basis(index[inside], columns)
            result[inside], doubt[inside] = self._known[key]
        return result, doubt

    def _windows(self, hz: Floats) -> Iterator[tuple[NDArray[np.intp], NDArray[np.intp]]]:
        """Parts of the band: which of the frequencies lie in each, and whose answers serve it.

        The parts are those of the first answers; further ones serve all parts near them.
        """
        taken = self.hz[self.taken]
        at: Floats = np.sort(taken[: self._first])
        starts = np.arange(0, max(1, len(at) - CORE // 2), CORE)
        edges = np.concatenate([[-np.inf], 0.5 * (at[starts[1:] - 1] + at[starts[1:]]), [np.inf]])
        for number, start in enumerate(starts):
            inside = np.flatnonzero((hz >= edges[number]) & (hz < edges[number + 1]))
            if len(inside):
                end = int(starts[number + 1]) if number + 1 < len(starts) else len(at)
                first = max(0, min(int(start) - (SERVING - (end - int(start))) // 2, len(at) - SERVING))
                low, high = at[first], at[min(first + SERVING, len(at)) - 1]
                yield inside, np.flatnonzero((taken >= low) & (taken <= high))

    def _in_basis(self, index: NDArray[np.intp], columns: NDArray[np.intp]) -> tuple[Complexes, Floats]:
        u, s, v = np.linalg.svd(self._answers[:, columns], full_matrices=False)
        kept = s > IN_BASIS * s[0]
        basis, mix = u[:, kept], v[kept].T / s[kept]
        left = np.concatenate([basis, self._probe], axis=1)
        smooth = mix.T @ self._smooth[:, columns[:, None], columns[None, :]] @ mix
        smooth = np.concatenate([smooth, self._probed @ basis], axis=1)
        window = Window(self.terms, self.hz, index, basis=basis, left=left, smooth=smooth)
        r, seats = basis.shape[1], self.terms.seats
        result = np.empty((len(index), seats, len(self.terms.shape.T) - seats), dtype=np.complex128)
        doubt = np.empty(len(index))
        step = max(1, int(CHUNK_BYTES / (16.0 * r * (r + self.terms.overlap.shape[1]))))
        for start in range(0, len(index), step):
            part = slice(start, start + step)
            system, right = window.at(index[part])
            found = np.asarray(np.linalg.solve(system[:, :r], right[:, :r]), dtype=np.complex128)
            seat, source = right[:, :r, :seats].transpose(0, 2, 1), found[:, :, seats:]
            result[part] = 4.0 * np.pi * (self.terms.direct(index[part]) - seat @ source)
            doubt[part] = self._doubt(right, found, right[:, r:] - system[:, r:] @ found)
        return result, doubt

    def _doubt(self, right: Complexes, found: Complexes, probed: Complexes) -> Floats:
        """What the error may be of, about: what is left for seats and for sources, times the answer over the question.

        `probed` is what is left of the equations, seen by the probes: the mean square over these is its own [2].
        """
        left = np.sqrt((np.abs(probed) ** 2).mean(axis=1))  # (k, point)
        size = np.linalg.norm(found, axis=1) / np.linalg.norm(right[:, : found.shape[1]], axis=1)
        seats = self.terms.seats
        return np.asarray(left[:, :seats].max(axis=1) * left[:, seats:].max(axis=1) * size.max(axis=1))
