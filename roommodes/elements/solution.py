"""A rigid room solved: its modes up to a cut, and its answers to loads at a few imaginary wavenumbers.

    (K - k^2 M) p = load,   modes K v = k_n^2 M v,   phi_n = sqrt(V) v_n

All of it depends on the room's shape alone, not on what its walls are made of.
"""

from contextlib import suppress
from dataclasses import dataclass
from functools import cached_property, lru_cache
from math import ceil, log2
from typing import TYPE_CHECKING

import numpy as np

from roommodes.arrays import Floats
from roommodes.elements.cost import mode_estimate, require_affordable
from roommodes.elements.matrices import Matrices
from roommodes.elements.mesh import Mesh, mesh_of
from roommodes.elements.point_sources import Boundary, boundary_of
from roommodes.running import Running
from roommodes.shapes.shape import Shape

if TYPE_CHECKING:
    from scipy.sparse import csc_array
    from scipy.sparse.linalg import SuperLU

STEPS_PER_OCTAVE = 16  # of wavenumbers for which a room is solved
CUT = 2.0  # modes up to this times the highest wavenumber
NODES = (0.2, 0.34, 0.58, 1.0)  # imaginary wavenumbers over the highest wavenumber: 5e-4 of the tail for this cut
LANCZOS = 1.4  # vectors that the eigenvalue solver keeps, for each mode
TOLERANCE = 1e-8  # of the eigenvalues
SHIFT = 0.4  # of the squared cut: the eigenvalues nearest to it are sought, a quarter fewer steps than from below zero
LEFT = 1e-8  # of the equations, over their largest terms
SOLVES_PER_MODE = 2.1  # of the eigenvalue solver, as met; for progress alone

REMEMBERED = 4  # solutions
INTERRUPTED = "interrupted while the shape was solved"


@dataclass(frozen=True, kw_only=True, eq=False)
class RigidSolution:
    """A rigid room solved.

    Parameters
    ----------
    mesh : its elements.
    matrices : theirs.
    k2 : (mode,) squared wavenumbers, rising, the first zero [1/m2].
    vectors : (size, mode) the modes phi_n, the mean of phi_n^2 over the room 1.
    max_wavenumber : for which it was made [1/m].
    """

    mesh: Mesh
    matrices: Matrices
    k2: Floats
    vectors: Floats
    max_wavenumber: float

    @property
    def volume_m3(self) -> float:
        """Volume of the air [m3]."""
        return self.mesh.shape.volume_m3

    @property
    def cut_wavenumber(self) -> float:
        """All modes up to here are among its modes [1/m]."""
        return float(self.k2[-1] ** 0.5)

    @property
    def kappas(self) -> tuple[float, ...]:
        """The imaginary wavenumbers [1/m]."""
        return tuple(share * self.max_wavenumber for share in NODES)

    @cached_property
    def factors(self) -> "tuple[SuperLU, ...]":
        """K + kappa^2 M factorised, one for each of `kappas`."""
        stiffness, mass = self.matrices.both
        return tuple(_factor(stiffness + kappa**2 * mass) for kappa in self.kappas)

    @cached_property
    def boundary(self) -> Boundary:
        """A rule for smooth functions on all faces."""
        return boundary_of(self.mesh, self.mesh.faces)


def _factor(matrix: "csc_array") -> "SuperLU":
    from scipy.sparse import csc_array  # noqa: PLC0415 (a tenth of a second that plain boxes need not pay)
    from scipy.sparse.linalg import splu  # noqa: PLC0415 (as above)

    return splu(csc_array(matrix), permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True})


def rounded_up(wavenumber: float) -> float:
    """The next wavenumber for which rooms are solved, so that near questions share one solution [1/m]."""
    return float(2.0 ** (ceil(STEPS_PER_OCTAVE * log2(wavenumber) - 1e-9) / STEPS_PER_OCTAVE))


def solved(shape: Shape, wavenumber: float, running: Running = Running()) -> RigidSolution:
    """The rigid room of a shape for wavenumbers up to this [1/m]; the last few are remembered, and kept where asked.

    Raises
    ------
    Interrupted : when cancelled.
    OutsideModel : it would take more memory than is allowed.
    """
    return _remembered(shape, rounded_up(wavenumber), _Unseen(running))


def require_solvable(shape: Shape, wavenumber: float) -> None:
    """Refuse at once what `solved` would refuse.

    Raises
    ------
    OutsideModel : it would take more memory or time than can be had here.
    """
    wavenumber = rounded_up(wavenumber)
    require_affordable(shape, wavenumber, CUT * wavenumber, nodes=len(NODES))


class _Unseen:
    """Carries an argument past the memory, which does not tell calls apart by it."""

    def __init__(self, running: Running) -> None:
        self.running = running

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Unseen)

    def __hash__(self) -> int:
        return 0


@lru_cache(maxsize=REMEMBERED)
def _remembered(shape: Shape, wavenumber: float, unseen: _Unseen) -> RigidSolution:
    solution = solve(shape, wavenumber, unseen.running)
    unseen.running = Running()  # the memory must not hold on to its callbacks
    return solution


def solve(shape: Shape, wavenumber: float, running: Running = Running()) -> RigidSolution:
    """As `solved`, without memory."""
    require_solvable(shape, wavenumber)
    mesh = mesh_of(shape, wavenumber)
    matrices = Matrices(mesh)
    running.check(INTERRUPTED)
    found = running.arrays("shape", (shape, wavenumber), lambda: _modes(matrices, wavenumber, running))
    k2, vectors = found["k2"], found["vectors"]
    return RigidSolution(mesh=mesh, matrices=matrices, k2=k2, vectors=vectors, max_wavenumber=wavenumber)


def _modes(matrices: Matrices, wavenumber: float, running: Running) -> dict[str, Floats]:
    """k2 and vectors of `RigidSolution`."""
    mesh, (stiffness, mass) = matrices.mesh, matrices.both
    count = min(ceil(1.03 * mode_estimate(mesh.shape, CUT * wavenumber)) + 4, mesh.size - 2)
    k2, vectors = lowest_modes(stiffness, mass, count, wavenumber, running)
    volume = mesh.shape.volume_m3
    k2[0], vectors[:, 0] = 0.0, 0.0
    vectors[: mesh.n_node, 0] = volume**-0.5  # the wedges' functions have no part in a constant
    return {"k2": k2, "vectors": vectors * volume**0.5}


def lowest_modes(
    stiffness: "csc_array", mass: "csc_array", count: int, kappa: float, running: Running
) -> tuple[Floats, Floats]:
    """The lowest eigenvalues and vectors, M-orthonormal, the largest part of each positive: (count,), (size, count).

    Those nearest to a shift among them are found: within twice its distance from zero they are the lowest if the
    constant mode is one of them. What fails that, or the equations, is found from below zero, which takes longer.
    """
    found = None
    with suppress(RuntimeError):  # the shift is an eigenvalue itself
        found = _nearest_modes(stiffness, mass, count, SHIFT * (CUT * kappa) ** 2, running)
    if found is None or not _lowest(stiffness, mass, *found):
        found = _nearest_modes(stiffness, mass, count, -(kappa**2), running)
    running.step("shape", 1.0)
    k2, vectors = found
    largest = np.argmax(np.abs(vectors), axis=0)
    return k2, vectors * np.sign(vectors[largest, np.arange(count)])


def _lowest(stiffness: "csc_array", mass: "csc_array", k2: Floats, vectors: Floats) -> bool:
    """Whether modes solve the equations, and begin with the constant one."""
    heavy = mass @ vectors
    left = stiffness @ vectors - heavy * k2
    return bool(abs(k2[0]) <= LEFT * k2[-1] and np.abs(left).max() <= LEFT * k2[-1] * np.abs(heavy).max())


def _nearest_modes(
    stiffness: "csc_array", mass: "csc_array", count: int, shift: float, running: Running
) -> tuple[Floats, Floats]:
    """Eigenvalues nearest to a shift [1/m2], rising, and their vectors, M-orthonormal: (count,), (size, count)."""
    from scipy.sparse.linalg import LinearOperator, eigsh  # noqa: PLC0415 (a tenth of a second that plain boxes need not pay)

    factor = _factor(stiffness - shift * mass)
    done = 0

    def solve_one(right: Floats) -> Floats:
        nonlocal done
        done += 1
        if done % 20 == 0:
            running.check(INTERRUPTED)
            running.step("shape", min(done / (SOLVES_PER_MODE * count), 0.99))
        return np.asarray(factor.solve(right))

    size = stiffness.shape[0]
    inverse = LinearOperator((size, size), matvec=solve_one, dtype=np.float64)
    start = np.random.default_rng(1).standard_normal(size)
    kept = min(ceil(LANCZOS * count) + 20, size)
    running.step("shape", 0.0)
    k2, vectors = eigsh(stiffness, k=count, M=mass, sigma=shift, OPinv=inverse, v0=start, ncv=kept, tol=TOLERANCE)
    order = np.argsort(k2)
    return k2[order], vectors[:, order]
