"""The reduced equations at one frequency: what all rooms have in common."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from roommodes.arrays import Complexes, Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Level:
    """The reduced equations at one frequency.

    Parameters
    ----------
    k2 : squared wavenumber of the drawn room, complex [1/m2].
    low : (m,) indices of the low modes among `BandField.modes`; all of them in a room that is no box.
    system : (n_wall_term + 2 + n_bundle, r (r + 1) / 2) fixed matrices, upper triangles: walls, the rest's value and
        its slope over k^2, bundles of low modes.
    bundle : (m, n_bundle) what the low modes' D give of each bundle.
    overlap : (r, m) Q^T U.
    ear, cabinet : (n_point, n_monomial, r) Q^T Z_b of the modes above the cut.
    ear_slope, cabinet_slope : (n_point, r) over k^2.
    direct : (n_ear, n_monomial, n_cabinet, n_monomial) ear to cabinet of the modes above the cut.
    direct_slope : (n_ear, n_cabinet).
    """

    k2: complex
    low: NDArray[np.intp]
    system: Complexes
    bundle: Complexes
    overlap: Complexes
    ear: Complexes
    ear_slope: Complexes
    cabinet: Complexes
    cabinet_slope: Complexes
    direct: Complexes
    direct_slope: Complexes


@lru_cache(maxsize=256)
def square(r: int) -> NDArray[np.intp]:
    """Where each entry of a symmetric matrix stands in its packed upper triangle: (r, r)."""
    first, second = np.triu_indices(r)
    index = np.empty((r, r), dtype=np.intp)
    index[first, second] = index[second, first] = np.arange(len(first))
    return index


def real_times(real: Floats, many: Complexes) -> Complexes:
    """A product of real and complex matrices, without zeros for the imaginary parts."""
    flat = np.ascontiguousarray(many)
    return np.asarray(np.matmul(real, flat.view(np.float64)).view(np.complex128))
