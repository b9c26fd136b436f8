"""Unknowns, memory and time that the solution of a room of some shape takes, estimated beforehand.

The factors' fill grows a little faster than the number of unknowns; its law here was measured on rooms of 5000 to
50 000 unknowns. What may be taken is what this machine has, as for boxes (`effort`).
"""

from math import pi

import numpy as np

from roommodes.effort import MOST_HOURS, SOLVED_PER_S, room_bytes
from roommodes.elements.mesh import degree_for, largest_cell_m
from roommodes.errors import OutsideModel
from roommodes.shapes.shape import Shape

MOST_FACTOR_BYTES = 2.5e10  # of one factor: its entries are counted in 31 bits
FILL, FILL_POWER = 280.0, 1.35  # bytes of one factor: FILL n^FILL_POWER, n the number of unknowns
VECTORS = 3.6  # of the eigenvalue solver and the result, for each mode
FIELDS = 900  # boundary modes, as allowed for
LEAST_RATIO = 0.05  # of the frequency asked for: lower ones are not advised
SOLVES = 2.8  # with one factor, for each mode
PER_BYTE = 1.5  # operations of one solve for each byte of the factor: its numbers come from memory


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


def factor_bytes(size: float) -> float:
    """About how much memory one factor of so many unknowns takes."""
    return float(FILL * size**FILL_POWER)


def bytes_for(shape: Shape, wavenumber: float, cut: float, *, nodes: int) -> float:
    """About how much memory a solution takes."""
    size = float(unknowns(shape, wavenumber))
    vectors = 8.0 * size * (VECTORS * mode_estimate(shape, cut) + FIELDS * (nodes + 1))
    return float(factor_bytes(size) * (nodes + 1) + vectors)


def hours_for(shape: Shape, wavenumber: float, cut: float, *, nodes: int) -> float:
    """About how long a solution takes one processor [h]."""
    size, modes = float(unknowns(shape, wavenumber)), mode_estimate(shape, cut)
    factors = (nodes + 1) * (factor_bytes(size) / 8.0) ** 2 / size  # the squares of the columns' lengths, summed
    solves = PER_BYTE * factor_bytes(size) * (SOLVES * modes + nodes * FIELDS)
    kept_apart = 8.0 * size * SOLVES * modes * modes  # each new vector from all that are kept
    return float((factors + solves + kept_apart) / SOLVED_PER_S / 3600.0)


def require_affordable(shape: Shape, wavenumber: float, cut: float, *, nodes: int) -> None:
    """Refuse what would take more memory than this machine has, or more time than anybody waits.

    Raises
    ------
    OutsideModel : saying what it would take, and which wavenumber would do.
    """
    allowed = room_bytes()

    def fits(ratio: float) -> bool:
        asked = (shape, ratio * wavenumber, ratio * cut)
        one = factor_bytes(float(unknowns(*asked[:2])))
        return (
            bytes_for(*asked, nodes=nodes) <= allowed
            and one <= MOST_FACTOR_BYTES
            and hours_for(*asked, nodes=nodes) <= MOST_HOURS
        )

    if fits(1.0):
        return
    ratio = 1.0
    while ratio > LEAST_RATIO and not fits(ratio):
        ratio *= 0.9
    needed, hours = (law(shape, wavenumber, cut, nodes=nodes) for law in (bytes_for, hours_for))
    raise OutsideModel(
        f"a room of this shape would take about {needed / 1e9:.1f} GB of memory and {hours:,.1f} hours of a processor "
        f"up to the highest frequency asked for; {allowed / 1e9:.1f} GB can be had here, and at most {MOST_HOURS:g} "
        f"hours are begun. {_advice(ratio)}"
    )


def _advice(ratio: float) -> str:
    if ratio <= LEAST_RATIO:
        return "Leave out blocks that are small against a metre, or give a smaller room"
    return f"Ask up to {100.0 * ratio:.0f} % of that frequency, or leave out blocks that are small against a metre"
