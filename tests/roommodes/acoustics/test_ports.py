"""The port matrix: the closed sums at imaginary wavenumbers and the tail, against plain sums over modes."""

import numpy as np
import pytest

from roommodes.acoustics import contraction, imaginary
from roommodes.acoustics.contraction import AdjacentWalls, parallel_walls
from roommodes.acoustics.ports import Ports, tail_weights
from roommodes.acoustics.precision import Precision
from roommodes.acoustics.room import AXIS_OF_WALL, Room
from roommodes.acoustics.wall_bases import Family, cosine_table, legendre_family
from roommodes.shapes.faces import PLANE_AXES

ROOM = Room(length_m=4.3, width_m=3.1, height_m=2.4)
COUNTS = (560, 400, 320)
RECTANGLES = {
    "front": ((0.4, 0.2), (2.5, 2.0)),
    "rear": ((0.0, 0.0), (3.1, 2.4)),
    "left": ((1.0, 0.3), (3.2, 2.4)),
    "ceiling": ((0.0, 1.0), (2.0, 3.1)),
}


def family(wall: str, order: int = 3) -> Family:
    low, high = RECTANGLES[wall]
    return legendre_family(ROOM, wall, low, high, orders=(order, order), counts=COUNTS)


def plain_overlaps(one: Family, counts: tuple[int, int, int]) -> np.ndarray:
    """Every boundary mode's overlap with every room mode: (mode, nx, ny, nz)."""
    axis, side = AXIS_OF_WALL[one.wall]
    factors = [None, None, None]
    u, v = PLANE_AXES[axis]
    factors[u], factors[v] = one.first[:, : counts[u]], one.second[:, : counts[v]]
    normal = cosine_table(ROOM.size_m[axis], np.array([side * ROOM.size_m[axis]]), counts[axis])[0]
    product = factors[u][:, None, :, None] * factors[v][None, :, None, :]
    product = product.reshape(-1, counts[u], counts[v])[one.keep][..., None] * normal
    return np.moveaxis(product, -1, 1 + axis)


def plain_sum(rows: np.ndarray, columns: np.ndarray, k2: complex, keep: np.ndarray | None = None) -> np.ndarray:
    """Sum over modes of u v / (V (k_n^2 - k^2)), term by term."""
    k2_modes = sum(
        np.reshape((np.arange(n) * np.pi / size) ** 2, [-1 if axis == i else 1 for i in range(3)])
        for axis, (n, size) in enumerate(zip(rows.shape[1:], ROOM.size_m, strict=True))
    )
    kernel = 1.0 / (ROOM.volume_m3 * (k2_modes - k2))
    if keep is not None:
        kernel = kernel * keep(k2_modes)
    return np.tensordot(rows * kernel, columns, axes=([1, 2, 3], [1, 2, 3]))


PAIRS = [("front", "front"), ("front", "rear"), ("front", "left"), ("left", "ceiling"), ("rear", "ceiling")]


@pytest.mark.parametrize(("first", "second"), PAIRS)
def test_boundary_modes_at_an_imaginary_wavenumber(first, second, close):
    """Against a plain sum whose remainder in 1 / count is extrapolated away."""
    rows, columns, kappa = family(first, 2), family(second, 2), 2.0

    def plain(n: int) -> np.ndarray:
        return plain_sum(plain_overlaps(rows, (n, n, n)), plain_overlaps(columns, (n, n, n)), -(kappa**2))

    small, large = plain(60), plain(120)
    if rows.normal_axis != columns.normal_axis:
        want = (4.0 * large - small) / 3.0  # leaves an error of second order
    elif rows.side == columns.side:
        want = 2.0 * large - small  # of first order
    else:
        want = 0.5 * (large + plain(121))  # its terms change sign
    if rows.normal_axis == columns.normal_axis:
        opposite = rows.side != columns.side
        kernel = imaginary.wall_kernel(ROOM, kappa, rows.normal_axis, opposite=opposite, counts=COUNTS)
        got = parallel_walls(kernel, rows, columns)[0]
    else:
        got = AdjacentWalls(imaginary.edge_kernel(ROOM, kappa, (150, 150, 150))).block(rows, columns)[0]
    close(got, want, rtol=2e-3, scale=float(np.abs(want).max()))


def test_points_by_images_agree_with_the_modal_sum(close):
    kappa = 2.0
    rows = np.array([[1.0, 0.7, 1.1], [3.9, 2.8, 0.4]])
    columns = np.array([[0.0, 0.0, 0.0], [2.2, 1.5, 1.2]])
    shapes = [
        np.einsum("pi,pj,pk->pijk", *(cosine_table(ROOM.size_m[axis], points[:, axis], 110) for axis in range(3)))
        for points in (rows, columns)
    ]

    def smooth(k2):  # a soft cut, so that the plain sum converges between points
        return np.exp(-(k2 + kappa**2) / 25.0**2)

    want = plain_sum(shapes[0], shapes[1], -(kappa**2), smooth)
    got = imaginary.points_against_points(ROOM, kappa, rows, columns)
    assert np.abs(got / want - 1.0).max() < 5e-3


@pytest.mark.parametrize("height_m", [0.0, 0.05, 1.3])
def test_points_against_boundary_modes_by_quadrature(height_m, close):
    """Integrate the images' field over the rectangle; a point on the wall stands beside the rectangle."""
    kappa, wall = 2.0, "front"
    (y0, z0), (y1, z1) = RECTANGLES[wall]
    point = np.array([[height_m, 2.9 if height_m < 0.1 else 1.2, 1.0]])
    factors = tuple(cosine_table(ROOM.size_m[axis], point[:, axis], COUNTS[axis]) for axis in range(3))
    got = imaginary.points_against_family(ROOM, kappa, point, factors, family(wall), COUNTS)
    node, weight = np.polynomial.legendre.leggauss(24)
    y, z = 0.5 * (y1 - y0) * node + 0.5 * (y1 + y0), 0.5 * (z1 - z0) * node + 0.5 * (z1 + z0)
    grid = np.stack(np.meshgrid([0.0], y, z, indexing="ij"), axis=-1).reshape(-1, 3)
    field = imaginary.points_against_points(ROOM, kappa, point, grid).reshape(24, 24)
    basis = np.polynomial.legendre.legvander(node, 2) * np.sqrt(2 * np.arange(3) + 1)
    scale = 0.25 * np.sqrt((y1 - y0) * (z1 - z0))
    want = scale * (basis * weight[:, None]).T @ field @ (basis * weight[:, None])
    close(got[0], want.ravel()[family(wall).keep], rtol=1e-5, scale=float(np.abs(want).max()))


def test_tail_weights_give_any_pole_above_the_cut():
    k2 = np.array([0.2, 4.0, 9.0]) * (1.0 - 0.01j)
    nodes, cut = (1.0, 3.0, 6.0), 4.0 * 3.0
    weights = tail_weights(k2, nodes, cut)
    for pole in (cut**2 * 1.01, cut**2 * 3.0, cut**2 * 500.0):
        want = 1.0 / (pole - k2)
        got = weights @ (1.0 / (pole + np.square(nodes)))
        assert np.abs(got / want - 1.0).max() < 2e-3


def test_double_the_box_and_the_error_falls_as_the_tail_predicts():
    """With three nodes the tail's error falls as the sixth power of the cut, or faster."""
    families = (family("front"), family("left"))
    point = np.array([[2.0, 1.6, 1.1]])
    k2 = np.array([2.0, 5.0, 8.5]) + 0.05j
    kwargs = {"seat_m": point, "source_m": np.array([[0.4, 0.5, 0.3]]), "max_wavenumber": 3.0}

    def matrices(cut):
        z = Ports(ROOM, families, precision=Precision(cut=cut, lowest_cut=1.0), **kwargs).at(k2)
        return z.seat_source, z.seat_boundary, z.boundary

    best = matrices(12.0)
    errors = {cut: [np.abs(a - b).max() for a, b in zip(matrices(cut), best, strict=True)] for cut in (2.0, 4.0)}
    for coarse, fine in zip(errors[2.0], errors[4.0], strict=True):
        assert coarse > 2.0**5 * fine > 0.0


def test_a_plain_sum_needs_twice_the_modes_for_half_the_error():
    """Why there is a tail: cut at K, the sum over modes along a wall's normal leaves an error of order 1 / K."""
    one = family("front")
    best = parallel_walls(imaginary.wall_kernel(ROOM, 1.0, 0, opposite=False, counts=COUNTS), one, one)[0]
    errors = []
    for n in (16, 32, 64):
        table = plain_overlaps(one, (n, 200, 200))
        errors.append(np.abs(plain_sum(table, table, -1.0) - best).max())
    rates = np.array(errors[:-1]) / np.array(errors[1:])
    assert np.all((rates > 1.8) & (rates < 2.3)), rates


def test_the_modes_left_out_are_exactly_those_named(close):
    families = (family("front"), family("ceiling"))
    nowhere = np.empty((0, 3))
    ports = Ports(ROOM, families, seat_m=nowhere, source_m=nowhere, max_wavenumber=3.0, precision=Precision())
    k2 = np.array([4.0 + 0.1j])
    without = ports.k2_modes < 6.0
    overlaps = ports.overlaps(np.argwhere(without))
    back = overlaps / (ROOM.volume_m3 * (ports.k2_modes[without] - k2[0])) @ overlaps.T
    whole = ports.at(k2).boundary[0]
    close(ports.at(k2, without=without).boundary[0] + back, whole, rtol=1e-10, scale=float(np.abs(whole).max()))


def test_the_boundary_matrix_times_vectors_needs_no_matrix(close, monkeypatch):
    monkeypatch.setattr("roommodes.acoustics.ports.OVERLAP_BYTES", 4e4)  # in several parts
    families = (family("front"), family("ceiling"))
    nowhere = np.empty((0, 3))
    ports = Ports(ROOM, families, seat_m=nowhere, source_m=nowhere, max_wavenumber=3.0, precision=Precision())
    k2 = np.array([4.0 + 0.1j, 1.0 - 0.3j, 7.0])
    without = ports.k2_modes < 6.0
    random = np.random.default_rng(2)
    x = random.normal(size=(3, ports.size)) + 1j * random.normal(size=(3, ports.size))
    expected = np.einsum("kij,kj->ki", ports.at(k2, without=without).boundary, x)
    close(ports.times(k2, x, without=without), expected, rtol=1e-10, scale=float(np.abs(expected).max()))


@pytest.mark.parametrize("held", [0.0, 0.5, 2.0])
def test_sums_that_are_used_again_are_those_made_anew(held, monkeypatch):
    """Several families on each wall, on both walls of an axis, in two orders: whatever is held, to the last bit."""
    monkeypatch.setattr(contraction, "HELD", held)
    families = [family(wall, order) for wall in RECTANGLES for order in (2, 3)]
    kernel = np.random.default_rng(5).random((2, 19, 14, 9))
    shared = AdjacentWalls(kernel)
    pairs = [(a, b) for a in families for b in families if a.normal_axis != b.normal_axis]
    for rows, columns in [*pairs, *reversed(pairs)]:
        assert (shared.block(rows, columns) == AdjacentWalls(kernel).block(rows, columns)).all()
