"""How hard the walls are at many frequencies: Y^-1 over the boundary modes as a sum of fixed matrices.

The strengths Y (`strengths`) of a locally reacting surface are one number for all its modes, those of a pane's explicit
modes one for each. The skin of a pane, a full matrix, is smooth in frequency, and strong along few directions; along
these it is a polynomial through some nodes.

The unknowns are mixed from the boundary modes: x = B a, where B scales each mode by about |y|^(1/2) and keeps of a skin
those directions alone.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from roommodes.acoustics.strengths import Matrices, SkinStrength, Strength
from roommodes.arrays import Complexes, Floats

SKIN_NODES = 10
SKIN_ERROR = 1e-5  # of the polynomial through them, over the largest entry
SKIN_WEAKEST = 1e-6  # of a direction's strength over the strongest one's
WEAKEST = 1e-9  # of a strength over the strongest: below, Y^-1 says nothing


class NotSmooth(Exception):
    """The room is none whose equations are such a sum: it takes the direct way."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shared:
    """Unknowns of one strength: their places (n,), B^2 (n,) and 1 / y at each frequency (n_freq,) [m]."""

    place: NDArray[np.intp]
    square: Floats
    inverse: Complexes


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Skin:
    """Unknowns that react together: their places, B^T Y^-1 B at the nodes (n_node, n, n), weights (n_freq, n_node)."""

    place: slice
    node: Complexes
    weight: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WallTerms:
    """B^T Y^-1 B at all frequencies.

    Parameters
    ----------
    shared : surfaces that react locally.
    single : (n,) places of unknowns that have each a strength of their own.
    single_inverse : (n_freq, n) theirs [1].
    skins : of the panes.
    parts : B, one after the other: diagonal (n,) or (n, fewer) [m^(-1/2)].
    """

    shared: tuple[Shared, ...]
    single: NDArray[np.intp]
    single_inverse: Complexes
    skins: tuple[Skin, ...]
    parts: tuple[Floats, ...]

    def mixed(self, matrix: Floats) -> Floats:
        """B^T times a matrix: (..., mode, n) -> (..., unknown, n)."""
        found, start = [matrix[..., :0, :]], 0
        for part in self.parts:
            rows = matrix[..., start : start + len(part), :]
            found.append(part[:, None] * rows if part.ndim == 1 else part.T @ rows)
            start += len(part)
        return np.concatenate(found, axis=-2)

    def at(self, index: NDArray[np.intp]) -> "WallTerms":
        """Some of the frequencies alone."""
        return replace(
            self,
            shared=tuple(replace(one, inverse=one.inverse[index]) for one in self.shared),
            single_inverse=self.single_inverse[index],
            skins=tuple(replace(one, weight=one.weight[index]) for one in self.skins),
        )

    def add(self, system: NDArray[np.complexfloating], index: int) -> None:
        """B^T Y^-1 B at one of the frequencies, added to a matrix over the unknowns."""
        for one in self.shared:
            system[one.place, one.place] += one.inverse[index] * one.square
        system[self.single, self.single] += self.single_inverse[index]
        for skin in self.skins:
            system[skin.place, skin.place] += np.tensordot(skin.weight[index], skin.node, axes=1)


def wall_terms(strengths: Sequence[Strength], omega: Complexes) -> WallTerms:
    """The walls at some frequencies (n_freq,) [rad/s].

    Raises
    ------
    NotSmooth : a surface hardly reacts at some frequency, or a skin is not smooth enough.
    """
    matrices = Matrices(omega)
    shared: dict[bytes, list[Shared]] = {}
    single, inverses, skins = [np.empty(0, dtype=np.intp)], [np.empty((len(omega), 0), dtype=np.complex128)], []
    parts: list[Floats] = []
    start = 0
    for strength in strengths:
        if isinstance(strength, SkinStrength):
            part, node, weight = _skin(strength, omega)
            place = slice(start, start + part.shape[1])
            skins.append(Skin(place=place, node=node, weight=weight))
            start = place.stop
            parts.append(part)
            continue
        y = matrices.of(strength)
        if not np.abs(y).min() > WEAKEST * np.abs(y).max():
            raise NotSmooth
        scale = np.median(np.abs(y), axis=0) ** 0.5
        places = np.arange(start, start + strength.size)
        start += strength.size
        parts.append(scale)
        if (y == y[:, :1]).all():
            one = Shared(place=places, square=scale**2, inverse=1.0 / y[:, 0])
            shared.setdefault(one.inverse.tobytes(), []).append(one)
        else:
            single.append(places)
            inverses.append(scale**2 / y)
    return WallTerms(
        shared=tuple(
            Shared(
                place=np.concatenate([one.place for one in group]),
                square=np.concatenate([one.square for one in group]),
                inverse=group[0].inverse,
            )
            for group in shared.values()
        ),
        single=np.concatenate(single),
        single_inverse=np.concatenate(inverses, axis=1),
        skins=tuple(skins),
        parts=tuple(parts),
    )


def _skin(strength: SkinStrength, omega: Complexes) -> tuple[Floats, Complexes, Floats]:
    """B of a skin (n, fewer), B^T Y^-1 B at its nodes, and the weights of these at all frequencies."""
    low, high = float(omega.real.min()), float(omega.real.max())
    at = np.cos(np.pi * (np.arange(SKIN_NODES) + 0.5) / SKIN_NODES)
    nodes = 0.5 * (low + high) + 0.5 * (high - low) * at
    checked = np.array([low, 0.5 * (nodes[-1] + nodes[-2])])
    every = np.concatenate([nodes, checked])
    value = strength.matrix(every.astype(np.complex128))
    strong, direction = np.linalg.eigh(_size(value[SKIN_NODES // 2]))
    kept = strong > SKIN_WEAKEST * strong[-1]
    direction, scale = direction[:, kept], strong[kept] ** 0.5
    inverse = np.linalg.inv((direction.T @ value @ direction) / np.outer(scale, scale)) * (every**2)[:, None, None]
    found = np.tensordot(lagrange(nodes, checked), inverse[:SKIN_NODES], axes=1)
    if not np.abs(found - inverse[SKIN_NODES:]).max() <= SKIN_ERROR * np.abs(inverse).max():
        raise NotSmooth
    return direction * scale, inverse[:SKIN_NODES], lagrange(nodes, omega.real) / (omega.real**2)[:, None]


def _size(matrix: Complexes) -> Floats:
    """A symmetric matrix of one sign near enough to a complex symmetric one, and positive: (n, n) -> (n, n)."""
    real = matrix.real if np.trace(matrix.real) > 0.0 else -matrix.real
    return np.asarray(0.5 * (real + real.T))


def lagrange(node: Floats, at: Floats) -> Floats:
    """Lagrange polynomials: (k,) -> (k, n_node)."""
    away = at[:, None, None] - np.where(np.eye(len(node), dtype=bool), at[:, None, None] - 1.0, node[None, None, :])
    gap = node[:, None] - node[None, :] + np.eye(len(node))
    return np.asarray(np.prod(away / gap[None], axis=2))
