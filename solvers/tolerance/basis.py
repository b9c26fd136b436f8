"""Which mixtures of answers are worth a place in a reduced basis: those that the transfer functions see.

With the answers X (boundary mode, n) of sample rooms and the drawn room's symmetric equations S, A = X^T S X holds what
the walls do to the pressure between any two points that were asked for. With A = W* s W^H (the Takagi factors of a
symmetric matrix [1]), X times the leading columns of W is the basis: reduced on it by Galerkin, A keeps its largest
singular values exactly, and the first one left out is the error. Directions that are large at the walls but that no
ear hears are left out; the singular vectors of X itself would keep them. A singular value counts against what the walls
add to a point's own pressure, in the median: beside glass in resonance the largest singular value says little.

References
----------
[1] R. A. Horn, C. R. Johnson, Matrix Analysis, Cambridge 2013, section 4.4 (from memory).
[2] N. Halko, P. G. Martinsson, J. A. Tropp, Finding structure with randomness, SIAM Review 53(2), 2011 (from memory).
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import qr
from scipy.linalg.lapack import zsysv, zsysv_lwork

from roommodes.arrays import Complexes

MIXED, MIXED_MODES = 20, 40  # mixtures of what is asked for at most, at points and for modes
REVEALED = 0.01  # of LEAST: rows of A's pivoted triangle below it are left out before singular values are sought
LEAST = 1e-3  # what a singular value of A must be of what the walls add to a point's own pressure


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reaction:
    """The full equations Y^-1 + Z of one room at one frequency.

    Parameters
    ----------
    strengths : Y, block by block: diagonals (size,) or matrices (size, size) [1/m].
    boundary : Z (mode, mode) [m].
    """

    strengths: Sequence[Complexes]
    boundary: Complexes

    def times(self, answers: Complexes) -> Complexes:
        """(mode, n) -> (mode, n)."""
        result = self.boundary @ answers
        for part, one in self._parts():
            result[part] += answers[part] / one[:, None] if one.ndim == 1 else np.linalg.solve(one, answers[part])
        return result

    def answers(self, asked: Complexes, *, last: bool = False) -> Complexes:
        """The other way: (mode, n) -> (mode, n). In double precision: in single, figures hang on the library.

        The last ones are worked out in Z's own memory.
        """
        system = self.boundary if last else self.boundary.copy()
        for part, one in self._parts():
            if one.ndim == 1:
                at = np.arange(part.start, part.stop)
                system[at, at] += 1.0 / one
            else:
                system[part, part] += np.linalg.inv(one)
        size = int(zsysv_lwork(len(system))[0].real)
        return np.asarray(zsysv(system.T, asked, lwork=size, overwrite_a=True)[2])  # symmetric

    def _parts(self) -> Iterator[tuple[slice, Complexes]]:
        start = 0
        for one in self.strengths:
            yield slice(start, start + len(one)), one
            start += len(one)


def leading_of(answers: Complexes, drawn: Reaction, heard: float) -> Complexes:
    """The basis in answers (mode, n) of sample rooms, by the drawn room's equations.

    Parameters
    ----------
    answers : X.
    drawn : S.
    heard : what the walls add to a point's own pressure, in the median, in the units of A.

    Returns
    -------
    (mode, r) orthonormal, what matters most first.
    """
    rows, order = qr(answers.T @ drawn.times(answers), mode="r", pivoting=True, overwrite_a=True)
    rows = rows[np.abs(rows.diagonal()) > REVEALED * LEAST * heard]
    square, left = np.linalg.eigh(rows @ rows.conj().T)
    mixture = rows.conj().T @ left[:, square > (LEAST * heard) ** 2][:, ::-1]
    return np.asarray(np.linalg.qr(answers[:, order] @ mixture)[0])


def mixed(asked: Complexes, most: int, rng: np.random.Generator) -> Complexes:
    """Random mixtures of what is asked for, if it is more than so many: (mode, n) -> (mode, k).

    Their answers lie where those to all of it lie [2].
    """
    n = asked.shape[1]
    return asked if n <= most else asked @ rng.choice([-1.0, 1.0], size=(n, most)) / most**0.5
