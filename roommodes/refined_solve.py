"""Linear equations solved in single precision and refined to double: half the work of a factorisation in double.

    x <- x + F^-1 (b - A x),   F the factors of A in single precision

Every round takes the error down by about the precision of F times the condition of A; where that is too little, the
equations are solved in double [1].

References
----------
[1] J. Langou et al., Exploiting the performance of 32 bit floating point arithmetic in obtaining 64 bit accuracy,
    Proc. SC06, 2006 (from memory).
"""

import numpy as np

from roommodes.arrays import Complexes

LARGE = 1000  # unknowns from which on factorising is most of the work
ROUNDS = 6
SETTLED = 1e-8  # of the last correction, over the answer: what is left is smaller by as much as that round gained
TINY = 1e-300  # in place of zero below a fraction
GAIN = 0.1  # of a correction over the one before, at most


def solved_each(system: Complexes, right: Complexes) -> Complexes:
    """Answers of some systems, each with several right sides: (k, n, n), (k, n, m) -> (k, n, m).

    Raises
    ------
    LinAlgError : a system is singular.
    """
    if system.shape[1] < LARGE:
        return np.asarray(np.linalg.solve(system, right))
    result = np.empty(right.shape, dtype=np.complex128)
    for matrix, b, place in zip(system, right, result, strict=True):
        found = _refined(matrix, b)
        place[:] = np.linalg.solve(matrix, b) if found is None else found
    return result


def _refined(matrix: Complexes, right: Complexes) -> Complexes | None:
    """The answer (n, m), or None where single precision will not do."""
    from scipy.linalg.lapack import cgetrf, cgetrs  # noqa: PLC0415 (a tenth of a second that small rooms need not pay)

    with np.errstate(over="ignore", invalid="ignore"):
        factors, pivots, fault = cgetrf(matrix.astype(np.complex64), overwrite_a=True)
        if fault:
            return None
        found, left, last = np.zeros(right.shape, dtype=np.complex128), right, np.inf
        for _ in range(ROUNDS):
            scale = np.maximum(np.abs(left).max(axis=0), TINY)  # single precision has no small numbers
            step = scale * cgetrs(factors, pivots, (left / scale).astype(np.complex64))[0].astype(np.complex128)
            found += step
            size = float((np.abs(step).max(axis=0) / np.maximum(np.abs(found).max(axis=0), TINY)).max(initial=0.0))
            if size <= SETTLED:
                return found
            if not size <= GAIN * last:
                return None
            left, last = right - matrix @ found, size
    return None
