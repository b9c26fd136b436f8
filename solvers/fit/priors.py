"""How well figures are known before anything is measured (common practice, no source)."""

from collections.abc import Mapping
from dataclasses import dataclass

SIZE_M, SUB_M, MICROPHONE_M = 0.03, 0.03, 0.02
LOSS = 0.7
FREE: Mapping[str, Mapping[str, float]] = {  # kind -> parameter -> sigma of its logarithm
    "admittance": {"beta_re": 1.0, "beta_im": 0.5},
    "measured admittance": {"beta_re": 1.0, "beta_im": 0.0},
    "absorption": {"alpha": 0.7},
    "impedance": {"mass_kg_m2": 0.3, "resistance_pa_s_m": 1.0, "stiffness_pa_m": 0.5},
    # a frame holds a pane stiffer than simple supports do: that shows as a larger Young's modulus
    "pane": {"density_kg_m3": 0.1, "youngs_modulus_pa": 0.7, "loss_factor": 0.8},
    "partition": {
        "inner_mass_kg_m2": 0.2,
        "outer_mass_kg_m2": 0.2,
        "stud_stiffness_pa_m": 0.7,
        "inner_resistance_pa_s_m": 1.0,
        "outer_resistance_pa_s_m": 1.0,
    },
    "double glazing": {"density_kg_m3": 0.1, "youngs_modulus_pa": 0.7, "gap_m": 0.3, "loss_factor": 0.8},
    "door": {"density_kg_m3": 0.2, "youngs_modulus_pa": 0.7, "loss_factor": 0.8, "edge_gap_m": 0.7},
    "porous": {"flow_resistivity_pa_s_m2": 0.5},
    "perforated": {"open_fraction": 0.2, "fill_flow_resistivity_pa_s_m2": 0.7},
}
LEAST_RE = 0.005  # real part at which a free admittance begins at least


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """How well a room is known before measuring.

    Parameters
    ----------
    size_m : one standard deviation of each length [m].
    im_beta : of the imaginary part of a free admittance: so much, and that share of its size.
    """

    size_m: float = SIZE_M
    im_beta: tuple[float, float] = (0.1, 0.5)


USUAL = Known()
LOOSE = Known(size_m=0.15, im_beta=(0.3, 0.5))  # boards before the walls, built nobody knows how
