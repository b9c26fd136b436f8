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
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import eigh

from roommodes.arrays import Complexes, Floats

MOST = 220  # directions that the answers are cut to before
FIRST = 0.1  # of that, what a direction may give at most that is left out before
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
        result, start = self.boundary @ answers, 0
        for one in self.strengths:
            part = slice(start, start + len(one))
            result[part] += answers[part] / one[:, None] if one.ndim == 1 else np.linalg.solve(one, answers[part])
            start = part.stop
        return result

    @property
    def weight(self) -> Floats:
        """How hard the walls are before each mode, as a weight of amplitudes: (mode,)."""
        hard = [1.0 / np.abs(one) if one.ndim == 1 else np.abs(np.linalg.inv(one).diagonal()) for one in self.strengths]
        return np.asarray(np.concatenate(hard) ** 0.5)


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
    weight = drawn.weight[:, None]
    few, strong = _strongest(weight * answers, heard)
    mixed = (few / weight) * strong
    seen = mixed.T @ drawn.times(mixed)
    value, mixture = eigh(seen.conj().T @ seen)
    value, mixture = value[::-1] / heard**2, mixture[:, ::-1]
    kept = int((value > LEAST**2).sum())
    return np.asarray(np.linalg.qr(mixed @ mixture[:, :kept])[0])


def _strongest(answers: Complexes, heard: float) -> tuple[Complexes, Floats]:
    """Orthonormal directions (mode, k) that hold nearly all of some answers (mode, n), and how much is in each (k,)."""
    modes, n = answers.shape
    k = min(modes, n, MOST)
    signs = np.random.default_rng(0).choice([-1.0, 1.0], size=(n, k))
    direction = np.linalg.qr(answers.real @ signs + 1j * (answers.imag @ signs))[0]
    inside = direction.conj().T @ answers
    value, turn = eigh(inside @ inside.conj().T)
    strong = value > FIRST * LEAST * heard
    return direction @ turn[:, strong], np.asarray(value[strong] ** 0.5)
