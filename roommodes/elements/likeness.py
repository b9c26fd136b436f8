"""Which of the box's own modes a mode of a shape looks like: its textbook name, where it has one."""

from itertools import product
from math import pi

import numpy as np

from roommodes.elements.solution import RigidSolution
from roommodes.elements.traces import values_at

SAMPLES_PER_M = 5.0  # along each axis; modes up to some 2 half waves per metre are named
LIKE = 0.75  # of the mean square pressure
SPAN = 1.4  # the box's mode lies within this ratio of frequency


def textbook_names(solution: RigidSolution, count: int) -> list[tuple[int, int, int] | None]:
    """Mode numbers along x, y, z of the box that encloses the shape, for its first modes; None where none is near."""
    shape = solution.mesh.shape
    axes = [
        (np.arange(n) + 0.5) * size / n
        for size, n in ((size, max(4, round(SAMPLES_PER_M * size))) for size in shape.size_m)
    ]
    point = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
    point = point[shape.contains(point)]
    modes = np.asarray(values_at(solution.mesh, point) @ solution.vectors[:, :count])
    highest = SPAN * float(solution.k2[min(count, len(solution.k2)) - 1]) ** 0.5
    numbers = [
        number
        for number in product(*(range(int(highest * size / pi) + 1) for size in shape.size_m))
        if sum((n / size) ** 2 for n, size in zip(number, shape.size_m, strict=True)) * pi**2 <= highest**2
    ]
    table = np.stack(
        [
            np.prod(
                [
                    np.cos(n * pi * point[:, i] / size)
                    for i, (n, size) in enumerate(zip(number, shape.size_m, strict=True))
                ],
                axis=0,
            )
            for number in numbers
        ],
        axis=1,
    )
    both = (modes.T @ table) ** 2
    part = both / ((modes**2).sum(axis=0)[:, None] * (table**2).sum(axis=0))
    best = part.argmax(axis=1)
    return [
        (numbers[k][0], numbers[k][1], numbers[k][2]) if share >= LIKE else None
        for k, share in zip(best, part[np.arange(len(best)), best], strict=True)
    ]
