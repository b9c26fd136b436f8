"""One direction of the spectral elements: element boundaries, nodal basis, discrete pencil, Gauss rules."""

from itertools import pairwise
from math import ceil

import numpy as np
import scipy.linalg
from numpy.polynomial import legendre

from roommodes.arrays import Floats


class Axis:
    """One direction of the tensor product: nodes, discrete pencil and its eigenvectors."""

    def __init__(self, breaks: Floats, order: int) -> None:
        self.breaks, self.order = breaks, order
        self.length = float(breaks[-1])
        self.n = (len(breaks) - 1) * order + 1
        inner = legendre.Legendre.basis(order).deriv().roots().real
        self.nodes = np.concatenate(([-1.0], np.sort(inner), [1.0]))
        # Lagrange cardinal functions through the nodes, as Legendre coefficients (well conditioned)
        self.cardinal = np.linalg.inv(legendre.legvander(self.nodes, order))
        points, weights = self.gauss(order + 1)
        value, slope = self.evaluate(points), self.evaluate(points, derivative=True)
        self.mass = (value.T * weights) @ value
        self.stiffness = (slope.T * weights) @ slope
        self.lam, self.E = scipy.linalg.eigh(self.stiffness, self.mass)

    def evaluate(self, points: Floats, *, derivative: bool = False) -> Floats:
        """Basis functions at points, (n_point, n)."""
        element = np.clip(np.searchsorted(self.breaks, points, side="right") - 1, 0, len(self.breaks) - 2)
        width = np.diff(self.breaks)[element]
        local = 2.0 * (points - self.breaks[element]) / width - 1.0
        table = self.cardinal
        if derivative:
            table = legendre.legder(table, axis=0) if self.order > 0 else table
            local_values = legendre.legvander(local, self.order - 1) @ table * (2.0 / width)[:, None]
        else:
            local_values = legendre.legvander(local, self.order) @ table
        out = np.zeros((len(points), self.n))
        columns = element[:, None] * self.order + np.arange(self.order + 1)
        out[np.arange(len(points))[:, None], columns] = local_values
        return out

    def gauss(self, n: int, breaks: Floats | None = None) -> tuple[Floats, Floats]:
        """Composite Gauss rule: n points in each cell; points and weights."""
        breaks = self.breaks if breaks is None else breaks
        x, w = legendre.leggauss(n)
        half = 0.5 * np.diff(breaks)
        middle = 0.5 * (breaks[1:] + breaks[:-1])
        return (middle[:, None] + half[:, None] * x).ravel(), (half[:, None] * w).ravel()

    def graded(self, centre: float, distance: float) -> tuple[Floats, Floats]:
        """Composite Gauss rule graded towards `centre`, for 1 / sqrt((x - centre)^2 + distance^2)."""
        steps = [max(distance, 1e-9 * self.length)]
        while steps[-1] < self.length:
            steps.append(4.0 * steps[-1])
        extra = [centre + sign * step for step in steps for sign in (-1.0, 1.0)] + [centre]
        cells = np.unique([*self.breaks, *(x for x in extra if 0.0 < x < self.length)])
        cells = cells[np.concatenate(([True], np.diff(cells) > 1e-13))]
        return self.gauss(12, cells)


def breakpoints(length: float, edges: set[float], planes: list[tuple[float, float]], size_m: float) -> Floats:
    """Element boundaries of one axis: every edge, planes (position, distance from what they grade) where there
    is room for them, then filled up so that no element is larger than `size_m`."""
    fixed = sorted({0.0, length, *edges})
    kept = [x for i, x in enumerate(fixed) if i == 0 or x - fixed[i - 1] > 1e-9]
    for x, distance in sorted(planes, key=lambda plane: plane[1]):
        if 0.0 < x < length and min(abs(x - other) for other in kept) > 0.4 * distance:
            kept.append(x)
    kept.sort()
    filled = [0.0]
    for low, high in pairwise(kept):
        pieces = ceil((high - low) / size_m - 1e-9)
        filled += list(low + (high - low) * np.arange(1, pieces + 1) / pieces)
    return np.array(filled)
