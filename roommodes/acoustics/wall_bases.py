"""Boundary modes: short orthonormal bases on rectangles of wall, and how they overlap the room's cosines.

A locally reacting surface is described by normalised Legendre products, a vibrating pane by its own sine modes.
Both are separable, so that every overlap is a product of two one-dimensional ones.

| symbol | meaning |
| --- | --- |
| n | index of the room's cosine along an axis of length L, sqrt(eps_n) cos(n pi x / L), eps = 1 for n = 0, else 2 |
| a, b | ends of the rectangle along the axis [m] |
| l | index of the basis along the axis |

References
----------
[1] integral over [-1, 1] of P_l(t) e^{jzt} dt = 2 j^l j_l(z), j_l the spherical Bessel function
    (Abramowitz and Stegun 10.1.14).
"""

from dataclasses import dataclass
from math import pi

import numpy as np
from numpy.typing import NDArray

from roommodes.acoustics.room import AXIS_OF_WALL, Room
from roommodes.arrays import Floats
from roommodes.shapes.faces import PLANE_AXES


@dataclass(frozen=True, slots=True, kw_only=True)
class Family:
    """The boundary modes of one rectangle: products of a basis along its first and one along its second axis.

    Parameters
    ----------
    wall : the wall it lies on.
    first, second : (n_basis, n_cosine) overlaps along the wall's two axes, in the order x, y, z [sqrt(m)].
    keep : (n_mode,) flat indices, first * n_second + second, of the products that are used.
    """

    wall: str
    first: Floats
    second: Floats
    keep: NDArray[np.intp]

    @property
    def normal_axis(self) -> int:
        """Axis along the wall's normal: 0, 1 or 2."""
        return AXIS_OF_WALL[self.wall][0]

    @property
    def side(self) -> int:
        """0 for the wall at the origin, 1 for the one opposite."""
        return AXIS_OF_WALL[self.wall][1]

    def table(self, axis: int) -> Floats:
        """Overlaps along one of the wall's axes: (n_basis, n_cosine)."""
        return self.first if axis == PLANE_AXES[self.normal_axis][0] else self.second

    @property
    def size(self) -> int:
        """How many boundary modes are used."""
        return len(self.keep)


def cosine_table(length_m: float, position_m: Floats, count: int) -> Floats:
    """Room cosines at points: (n_point,) -> (n_point, count), sqrt(eps_n) cos(n pi x / L)."""
    n = np.arange(count)
    scale = np.where(n == 0, 1.0, np.sqrt(2.0))
    return scale * np.cos(np.outer(position_m, n * (pi / length_m)))


def legendre_overlaps(length_m: float, start_m: float, end_m: float, *, order: int, count: int) -> Floats:
    """Overlap of normalised Legendre polynomials on [start, end] with the room's cosines.

    Parameters
    ----------
    length_m : room length along the axis [m].
    start_m, end_m : the rectangle's ends along the axis [m].
    order : number of polynomials, degrees 0 to order - 1.
    count : number of cosines.

    Returns
    -------
    (order, count) float64 [sqrt(m)], closed by [1].
    """
    from scipy.special import spherical_jn  # noqa: PLC0415 (a tenth of a second that rooms read from what is kept need not pay)

    width, centre = end_m - start_m, 0.5 * (start_m + end_m)
    n = np.arange(count)
    wavenumber = n * (pi / length_m)
    scale = np.where(n == 0, 1.0, np.sqrt(2.0))
    degree = np.arange(order)[:, None]
    # Re[j^l e^{j k x_c}] = cos(k x_c + l pi / 2)
    phase = np.cos(wavenumber * centre + degree * (pi / 2.0))
    bessel = spherical_jn(degree, (0.5 * width) * wavenumber[None, :])
    return np.asarray(scale * np.sqrt((2 * degree + 1) * width) * bessel * phase)


def sine_overlaps(length_m: float, start_m: float, end_m: float, *, order: int, count: int) -> Floats:
    """Overlap of sqrt(2/a) sin(j pi (x - start) / a), j = 1..order, with the room's cosines.

    Parameters and result as in `legendre_overlaps`; row j - 1 is the j-th sine.
    """
    width = end_m - start_m
    n = np.arange(count)
    wavenumber = (n * (pi / length_m))[None, :]
    scale = np.where(n == 0, 1.0, np.sqrt(2.0))
    bend = (np.arange(1, order + 1) * (pi / width))[:, None]

    def half(q: NDArray[np.floating], phase: NDArray[np.floating]) -> Floats:
        # integral over [0, a] of sin(q t + phase) dt = a sinc(q a / 2) sin(q a / 2 + phase)
        arc = 0.5 * width * q
        return np.asarray(width * np.sinc(arc / pi) * np.sin(arc + phase))

    start_phase = wavenumber * start_m
    both = half(bend + wavenumber, start_phase) + half(bend - wavenumber, -start_phase)
    return np.asarray(scale * np.sqrt(2.0 / width) * 0.5 * both)


def legendre_family(
    room: Room,
    wall: str,
    from_m: tuple[float, float],
    to_m: tuple[float, float],
    *,
    orders: tuple[int, int],
    counts: tuple[int, int, int],
) -> Family:
    """Legendre products on a rectangle; `counts` cosines per room axis, `orders` polynomials per side.

    Of all products those inside a quarter ellipse are kept: the ones of high degree along both sides add nothing.
    """
    axes = PLANE_AXES[AXIS_OF_WALL[wall][0]]
    tables = [
        legendre_overlaps(room.size_m[axis], from_m[i], to_m[i], order=orders[i], count=counts[axis])
        for i, axis in enumerate(axes)
    ]
    return Family(wall=wall, first=tables[0], second=tables[1], keep=kept_products(orders))


def kept_products(orders: tuple[int, int]) -> NDArray[np.intp]:
    """Flat indices of the products inside the quarter ellipse of degrees through (orders[0], 0), (0, orders[1])."""
    first, second = np.meshgrid(*(np.arange(order) / (order - 0.5) for order in orders), indexing="ij")
    return np.flatnonzero(first**2 + second**2 <= 1.0)


def sine_family(
    room: Room,
    wall: str,
    from_m: tuple[float, float],
    to_m: tuple[float, float],
    *,
    mode_numbers: NDArray[np.intp],
    counts: tuple[int, int, int],
) -> Family:
    """Plate modes (j, k) of a simply supported rectangle; `mode_numbers` (n_mode, 2), each from 1."""
    axes = PLANE_AXES[AXIS_OF_WALL[wall][0]]
    orders = (int(mode_numbers[:, 0].max()), int(mode_numbers[:, 1].max()))
    tables = [
        sine_overlaps(room.size_m[axis], from_m[i], to_m[i], order=orders[i], count=counts[axis])
        for i, axis in enumerate(axes)
    ]
    keep = (mode_numbers[:, 0] - 1) * orders[1] + (mode_numbers[:, 1] - 1)
    return Family(wall=wall, first=tables[0], second=tables[1], keep=keep)
