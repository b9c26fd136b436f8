"""An L-shaped room with rigid walls and losses in its air, by scikit-fem's quadratic bricks and its lowest modes.

    H = 4 pi sum over n of phi_n(seat) phi_n(sub) / (k_n^2 - k^2),   k^2 = (omega / c)^2 (1 - j eta)

phi_n of unit norm: the mode at 0 Hz too, up to twice the band. What is cut off is smooth over frequency.
"""

import numpy as np
import skfem
from scipy.sparse.linalg import eigsh

from roommodes.arrays import Complexes, Floats
from tests.independent.quadratic_bricks import axis_lines

MODES = 110


def l_shaped_transfer(
    size_m: tuple[float, float, float],
    corner_m: tuple[float, float],
    *,
    frequency_hz: Floats,
    seat_m: Floats,
    sub_m: Floats,
    loss_factor: float,
    speed_m_s: float = 343.2,
) -> Complexes:
    """(n_freq, n_seat, n_sub) [1/m] of a box whose corner beyond `corner_m` (x and y) is solid."""
    edges: list[set[float]] = [{corner_m[0]}, {corner_m[1]}, set()]
    whole = skfem.MeshHex.init_tensor(*(axis_lines(size_m[axis], edges[axis], 0.85) for axis in range(3)))
    middle = whole.p[:, whole.t].mean(axis=1)
    mesh = whole.remove_elements(np.flatnonzero((middle[0] > corner_m[0]) & (middle[1] > corner_m[1])))
    basis = skfem.Basis(mesh, skfem.ElementHex2())
    stiffness = skfem.BilinearForm(lambda u, v, _: (u.grad * v.grad).sum(axis=0)).assemble(basis)
    mass = skfem.BilinearForm(lambda u, v, _: u * v).assemble(basis)
    k2, mode = eigsh(stiffness, k=MODES, M=mass, sigma=-0.1)
    seat, sub = (basis.probes(point.T) @ mode for point in (seat_m, sub_m))
    bulk = (2.0 * np.pi * frequency_hz / speed_m_s) ** 2 * (1.0 - 1j * loss_factor)
    parts = 4.0 * np.pi / (k2[None, :] - bulk[:, None])
    return np.asarray(np.einsum("sn,fn,cn->fsc", seat, parts, sub))
