"""All poles of a matrix function's inverse in a strip of the complex plane: a nonlinear eigenproblem, solved whole.

    T(omega) v = 0,   T(omega) = G(omega) + diag(d) - q(omega),   G symmetric and smooth

G is dear: it is computed at some hundred points round the strip and, from these, is a rational function everywhere in
it (`RationalMatrix`). All else is cheap. Circles cover the strip; contour integrals of T^-1 around each one hold
all poles inside (`inside_circle`), and Newton's steps on vector and frequency together bring each to its place.

| symbol | meaning |
| --- | --- |
| omega | complex angular frequency, e^{+j omega t}: decays as e^{-Im(omega) t} [rad/s] |
| A_p | (1 / 2 pi j) closed integral of omega^p T^-1 P, P some probes |

References
----------
[1] Y. Nakatsukasa, O. Sete, L. N. Trefethen, The AAA algorithm for rational approximation, SIAM J. Sci. Comput. 40(3),
    2018; for many functions with the same poles: P. Lietaert and others, IMA J. Numer. Anal. 42(2), 2022 (from memory).
[2] W.-J. Beyn, An integral method for solving nonlinear eigenvalue problems, Linear Algebra Appl. 436, 2012 (from
    memory); with higher moments, as in section 5 there.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roommodes.arrays import Complexes

FIT = 1e-10  # largest error of G over the largest value, at which the fit ends
PROBES = 12  # random quadratic forms that the fit watches besides the diagonal
HALF, NEAR = 0.42, 1.1  # half of what one circle answers for over the depth; first values lie so near
NODES = 72
MOMENTS = 2
COLUMNS = 48  # probes of a contour integral: MOMENTS times as many poles can lie in one circle
RANK = 1e-7  # singular values below this share of the largest hold nothing
STEPS = 12
SLOPES = 3  # steps at which the slope is found anew: later ones are short
SETTLED = 1e-9
LONGEST = 0.2  # step of Newton over omega
SAME = 1e-6  # relative distance of two omegas that are one
ALIKE = 0.99  # |cosine| of two vectors that are one
AGAIN, UNDER_WAY = (1e-5, ALIKE), (1e-3, 0.9)  # both for a pole that full equations settled, and for one they did not


@dataclass(frozen=True, slots=True, kw_only=True)
class Strip:
    """Where poles are sought.

    Parameters
    ----------
    low, high : of the real part [rad/s].
    deepest : of the imaginary part, from 0 [rad/s].
    """

    low: float
    high: float
    deepest: float

    def holds(self, omega: Complexes) -> NDArray[np.bool_]:
        """Which ones lie in it: (p,) -> (p,)."""
        along = (omega.real >= self.low) & (omega.real <= self.high)
        return np.asarray(along & (omega.imag > 0.0) & (omega.imag <= self.deepest))

    @property
    def radius(self) -> float:
        """Of the circles that cover it [rad/s]."""
        return 0.68 * self.deepest

    @property
    def centres(self) -> Complexes:
        """Of the circles; where two meet they reach from below 0 to the deepest."""
        number = max(1, int(np.ceil((self.high - self.low) / (2.0 * HALF * self.deepest))))
        return np.asarray(np.linspace(self.low, self.high, 2 * number + 1)[1::2] + 0.5j * self.deepest)

    def belongs(self, omega: Complexes, centre: complex) -> NDArray[np.bool_]:
        """Which first values one circle answers for, and no neighbour; the rest would be sought twice: (p,) -> (p,)."""
        along = np.abs(omega.real - centre.real) <= NEAR * HALF * self.deepest
        return np.asarray(along & (np.abs(omega.imag - centre.imag) <= NEAR * 0.5 * self.deepest))

    @property
    def _margin(self) -> float:
        return self.radius - 0.5 * self.deepest

    def samples(self, step: float) -> Complexes:
        """Points on two lines, below and above all circles, `step` apart on the nearer one [rad/s]."""
        margin = self._margin
        near = np.arange(max(self.low - 2.0 * margin, 0.5 * self.low), self.high + 3.0 * margin, step)
        far = np.arange(near[0] + 0.5 * step, near[-1], 1.7 * step)
        return np.concatenate([near - 1j * margin, far + 1j * (self.deepest + margin)])

    def between(self, samples: Complexes) -> Complexes:
        """Points half-way between neighbours on each of the two lines."""
        lines = [np.sort(samples.real[low]) for low in (samples.imag < 0.0, samples.imag > 0.0)]
        middle = [0.5 * (line[1:] + line[:-1]) for line in lines]
        return np.concatenate([middle[0] - 1j * self._margin, middle[1] + 1j * (self.deepest + self._margin)])


def rational_fit(z: Complexes, value: Complexes, *, most: int) -> tuple[NDArray[np.intp], Complexes, float]:
    """Support points and weights of a rational function through samples of many functions, [1].

    Parameters
    ----------
    z : (m,) distinct.
    value : (m, n).
    most : support points at most.

    Returns
    -------
    Indices of the support points (k,), weights (k,), largest error at the other points over each function's largest.
    """
    scale = np.abs(value).max(axis=0)
    value = value[:, scale > 0.0] / scale[scale > 0.0]
    rest = np.ones(len(z), dtype=bool)
    support: list[int] = []
    weight = np.ones(0, dtype=np.complex128)
    found = np.repeat(value.mean(axis=0)[None], len(z), axis=0)
    while True:
        miss = np.where(rest, np.abs(value - found).max(axis=1, initial=0.0), 0.0)
        worst = int(miss.argmax())
        if len(support) == most or (miss[worst] < FIT and support):
            return np.asarray(support, dtype=np.intp), weight, float(miss[worst])
        support.append(worst)
        rest[worst] = False
        cauchy = 1.0 / (z[rest, None] - z[support][None, :])
        loewner = cauchy[:, None, :] * (value[rest][:, :, None] - value[support].T[None])
        triangle = np.linalg.qr(loewner.reshape(-1, len(support)), mode="r")
        weight = np.linalg.svd(triangle)[2][-1].conj()
        found = value.copy()
        found[rest] = (cauchy @ (weight[:, None] * value[support])) / (cauchy @ weight)[:, None]


class RationalMatrix:
    """G everywhere, from its values at some points.

    Parameters
    ----------
    omega : (m,) [rad/s].
    value : (m, n, n) symmetric.
    """

    def __init__(self, omega: Complexes, value: Complexes) -> None:
        probe = np.random.default_rng(0).normal(size=(value.shape[1], PROBES))
        watched = np.concatenate(
            [np.einsum("ip,fij,jp->fp", probe, value, probe, optimize=True), np.einsum("fii->fi", value)], axis=1
        )
        self.support, self.weight, self.error = rational_fit(omega, watched, most=len(omega) // 2)
        self.omega, self.value = omega[self.support], value[self.support]

    def shares(self, omega: Complexes) -> Complexes:
        """Of the values at each of the points `support` in G: (k,) -> (k, support)."""
        away = omega[:, None] - self.omega[None, :]
        exact = np.abs(away) < 1e-9 * np.abs(self.omega)
        share = self.weight / np.where(exact, 1.0, away)
        share = np.where(exact.sum(axis=1)[:, None] > 0, exact.astype(np.complex128), share)
        return np.asarray(share / share.sum(axis=1)[:, None])

    def at(self, omega: Complexes) -> Complexes:
        """G: (k,) -> (k, n, n)."""
        return np.tensordot(self.shares(omega), self.value, axes=1)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Poles:
    """Poles of T^-1: near each one T^-1 = v v^T / (omega - omega_p) + what is smooth.

    Parameters
    ----------
    omega : (p,) [rad/s].
    vector : (p, n), v.
    """

    omega: Complexes
    vector: Complexes


def poles_in(matrix: Callable[[Complexes], Complexes], strip: Strip) -> Poles:
    """All poles of a cheap T's inverse in a strip, in rising real part.

    Parameters
    ----------
    matrix : T, (k,) rad/s -> (k, n, n) symmetric.
    strip : where.
    """
    centres = [complex(centre) for centre in strip.centres]
    parts = [inside_circle(matrix, centre, strip.radius) for centre in centres]
    own = [strip.belongs(part[0], centre) for part, centre in zip(parts, centres, strict=True)]
    omega = np.concatenate([part[0][one] for part, one in zip(parts, own, strict=True)])
    vector = np.concatenate([part[1][one] for part, one in zip(parts, own, strict=True)])
    poles, settled = newton(matrix, Poles(omega=omega, vector=vector), steps=STEPS)
    inside = np.flatnonzero(settled & strip.holds(poles.omega))
    return distinct(matrix, Poles(omega=poles.omega[inside], vector=poles.vector[inside]))


def inside_circle(
    matrix: Callable[[Complexes], Complexes], centre: complex, radius: float
) -> tuple[Complexes, Complexes]:
    """First values of all poles inside a circle, and some outside, with their vectors: (p,), (p, n), [2]."""
    turn = np.exp(2j * np.pi * (np.arange(NODES) + 0.5) / NODES)
    values = matrix(centre + radius * turn)
    size = values.shape[1]
    probe = np.random.default_rng(1).normal(size=(size, min(size, COLUMNS)))
    answer = np.linalg.solve(values, np.broadcast_to(probe.astype(np.complex128), (NODES, *probe.shape)))
    moments = [np.tensordot(turn ** (power + 1), answer, axes=1) * (radius / NODES) for power in range(2 * MOMENTS)]
    rows = range(MOMENTS)
    first = np.block([[moments[i + j] for j in rows] for i in rows])
    second = np.block([[moments[i + j + 1] for j in rows] for i in rows])
    u, s, v = np.linalg.svd(first, full_matrices=False)
    rank = int((s > RANK * s[0]).sum())
    u, s, v = u[:, :rank], s[:rank], v[:rank]
    place, shape = np.linalg.eig((u.conj().T @ second @ v.conj().T) / s)
    near = np.abs(place) < 1.1
    vector = (u @ shape)[:size, near].T
    return centre + radius * place[near], vector / np.linalg.norm(vector, axis=1)[:, None]


def newton(matrix: Callable[[Complexes], Complexes], poles: Poles, *, steps: int) -> tuple[Poles, NDArray[np.bool_]]:
    """Each pole brought to its place, and whether it settled there: (p,)."""
    omega, vector = poles.omega.copy(), poles.vector.copy()
    settled = np.zeros(len(omega), dtype=bool)
    slopes = np.empty((len(omega), vector.shape[1], vector.shape[1]), dtype=np.complex128)
    for step in range(steps):
        going = np.flatnonzero(~settled)
        if not len(going):
            break
        if step < SLOPES:
            value, slopes[going] = value_and_slope(matrix, omega[going])
        else:
            value = matrix(omega[going])
        move, vector[going] = newton_step(value, slopes[going], vector[going])
        move *= np.minimum(1.0, LONGEST * np.abs(omega[going]) / np.maximum(np.abs(move), 1e-300))
        omega[going] -= move
        settled[going] = np.abs(move) < SETTLED * np.abs(omega[going])
    return Poles(omega=omega, vector=vector), settled


def newton_step(value: Complexes, slope: Complexes, vector: Complexes) -> tuple[Complexes, Complexes]:
    """By how much each omega is too large, and the vectors nearer to the poles', scaled as `Poles` has them.

    Inverse iteration on the vector w; since T is symmetric, w^T T w / w^T T' w is off by the square of w's error only.

    Parameters
    ----------
    value, slope : T and dT / domega at each omega, (p, n, n).
    vector : (p, n).
    """
    # a T that is singular to the last bit would stop the solve
    shift = 1e-13 * np.abs(value).max(axis=(1, 2))[:, None, None] * np.eye(value.shape[1])
    turned = np.asarray(np.linalg.solve(value + shift, slope @ vector[..., None])[..., 0], dtype=np.complex128)
    turned /= np.linalg.norm(turned, axis=1)[:, None]
    steep = forms(turned, slope)
    return np.asarray(forms(turned, value) / steep), np.asarray(turned / np.sqrt(steep)[:, None])


def value_and_slope(matrix: Callable[[Complexes], Complexes], omega: Complexes) -> tuple[Complexes, Complexes]:
    """T and dT / domega: (k,) -> (k, n, n) twice."""
    step = 1e-5 * np.abs(omega)
    both = matrix(np.concatenate([omega - step, omega + step]))
    below, above = both[: len(omega)], both[len(omega) :]
    return 0.5 * (below + above), (above - below) / (2.0 * step)[:, None, None]


def distinct(matrix: Callable[[Complexes], Complexes], poles: Poles) -> Poles:
    """Each pole once. Of several at one place as many as they have vectors, those as unlike as can be."""
    groups: list[list[int]] = []
    unit = poles.vector / np.linalg.norm(poles.vector, axis=1)[:, None]
    for one in np.argsort(poles.omega.real):
        near = [g for g in groups if abs(poles.omega[g[0]] - poles.omega[one]) < SAME * abs(poles.omega[one])]
        if not near:
            groups.append([int(one)])
        elif np.linalg.norm(np.linalg.qr(unit[near[0]].T)[0].conj().T @ unit[one]) < ALIKE:
            near[0].append(int(one))
    parts = []
    for group in groups:
        vector = poles.vector[group]
        if len(group) > 1:
            vector = _unlike(vector, value_and_slope(matrix, poles.omega[group[:1]])[1][0])
        parts.append(vector)
    order = [one for group in groups for one in group]
    return Poles(omega=poles.omega[order], vector=np.concatenate([poles.vector[:0], *parts]))


def repeated(poles: Poles, settled: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Which poles are another one again, at its place and with its vector; those that settled count first: (p,).

    One that did not settle is also another again where it is under way to it.
    """
    unit = poles.vector / np.linalg.norm(poles.vector, axis=1)[:, None]
    once: list[int] = []
    for one in np.argsort(~settled, kind="stable"):
        reach, alike = AGAIN if settled[one] else UNDER_WAY
        near = [k for k in once if abs(poles.omega[k] - poles.omega[one]) < reach * abs(poles.omega[one])]
        if all(abs(unit[k].conj() @ unit[one]) < alike for k in near):
            once.append(int(one))
    return ~np.isin(np.arange(len(settled)), once)


def _unlike(vector: Complexes, slope: Complexes) -> Complexes:
    """Vectors of one pole turned so that each is 0 where one before is largest; their sum of v v^T stays: (g, n)."""
    gram = vector @ slope @ vector.T
    rest = vector.T @ np.linalg.solve(gram, vector)
    found = []
    for _ in range(len(vector)):
        pivot = int(np.abs(np.diag(rest)).argmax())
        found.append(rest[:, pivot] / np.sqrt(rest[pivot, pivot]))
        rest = rest - np.outer(found[-1], found[-1])
    return np.stack(found)


def forms(vector: Complexes, matrix: Complexes) -> Complexes:
    """v^T M v for each: (k, n), (k, n, n) -> (k,)."""
    return np.asarray(np.einsum("ki,kij,kj->k", vector, matrix, vector, optimize=True))
