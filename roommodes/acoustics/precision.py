"""Where the model's sums over modes and images end."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Precision:
    """Where the sums end; the defaults meet 1e-4 of the receivers' rms with a wide margin.

    Parameters
    ----------
    cut, lowest_cut : k_cut over the largest wavenumber asked for, and the least k_cut [1/m]; the nodes must lie
        well below it.
    nodes : kappa_i [1/m].
    plane_wavenumber : how far the cosines along a wall are summed, for parallel walls and points [1/m].
    edge_wavenumber : how far all three axes are summed, for walls that share an edge [1/m].
    extra_order : Legendre polynomials beyond half a side's length in wavelengths, for a surface of beta = 1.
    fewest_extra : the same, at least, however weak the surface.
    near_error : aimed error over the seats' rms where a source and a seat both stand close to a surface.
    """

    cut: float = 4.0
    lowest_cut: float = 8.0
    nodes: tuple[float, ...] = (1.0, 3.0, 6.0)
    plane_wavenumber: float = 300.0
    edge_wavenumber: float = 70.0
    extra_order: int = 7
    fewest_extra: int = 2
    near_error: float = 1e-3
