"""Unknowns and memory that the solution of a room of some shape takes, estimated beforehand.

The factors' fill grows a little faster than the number of unknowns; its law here was measured on rooms of 5000 to
50 000 unknowns.
"""

from math import pi

import numpy as np

from roommodes.elements.mesh import degree_for, largest_cell_m
from roommodes.errors import OutsideModel
from roommodes.shapes.shape import Shape

MOST_BYTES = 8e9
FILL, FILL_POWER = 280.0, 1.35  # bytes of one factor: FILL n^FILL_POWER, n the number of unknowns
VECTORS = 3.6  # of the eigenvalue solver and the result, for each mode
FIELDS = 900  # boundary modes, as allowed for


def mode_estimate(shape: Shape, wavenumber: float) -> float:
    """How many modes lie below a wavenumber, smoothed (Weyl's law with its surface and edge terms)."""
    k = wavenumber
    volume = shape.volume_m3 * k**3 / (6.0 * pi**2)
    return volume + shape.surface_m2 * k**2 / (16.0 * pi) + shape.square_edge_length_m * k / (16.0 * pi)


def unknowns(shape: Shape, wavenumber: float) -> int:
    """About how many unknowns a mesh for this wavenumber has."""
    grid = shape.grid(largest_cell_m(wavenumber))
    x, y, z = (np.array([degree_for(float(h), wavenumber) for h in np.diff(plane)]) for plane in grid.planes)
    return int((x[:, None, None] * y[None, :, None] * z[None, None, :])[grid.air].sum())


def bytes_for(shape: Shape, wavenumber: float, cut: float, *, nodes: int) -> float:
    """About how much memory a solution takes."""
    size = float(unknowns(shape, wavenumber))
    factors = FILL * size**FILL_POWER * (nodes + 1)
    vectors = 8.0 * size * (VECTORS * mode_estimate(shape, cut) + FIELDS * (nodes + 1))
    return float(factors + vectors)


def require_affordable(shape: Shape, wavenumber: float, cut: float, *, nodes: int) -> None:
    """Refuse what would take too much memory.

    Raises
    ------
    OutsideModel : saying what it would take, and which wavenumber would do.
    """
    needed = bytes_for(shape, wavenumber, cut, nodes=nodes)
    if needed <= MOST_BYTES:
        return
    lower = wavenumber
    while bytes_for(shape, lower, cut * lower / wavenumber, nodes=nodes) > MOST_BYTES:
        lower *= 0.9
        if lower < 0.05 * wavenumber:
            break
    raise OutsideModel(
        f"a room of this shape would take about {needed / 1e9:.0f} GB of memory up to the highest frequency asked "
        f"for; allowed: {MOST_BYTES / 1e9:.0f} GB. Ask up to {100.0 * lower / wavenumber:.0f} % of that frequency, or "
        "leave out blocks that are small against a metre"
    )
