r"""Cross-sections of cables by length and load.

| symbol | meaning |
| --- | --- |
| rho | resistivity of annealed copper at 20 degrees C, 1/58 ohm mm2/m [1] |
| l | length of the cable [m]; both conductors have 2 l |
| A | cross-section of a conductor [mm2] |
| Z | size of the load's impedance [ohm] |
| I, U | current [A] and supply voltage [V] |

A loudspeaker cable of resistance R = 2 rho l / A in front of a load Z takes 20 lg(1 + R / Z) dB, resistance and load in
phase, which is the most. A supply cable drops R I of U. The section is the smallest standard one [2] that keeps to the
loss or drop allowed. Heating, bunching, protection and earthing are not in it: a qualified electrician decides.

References
----------
[1] IEC 60028:1925, International standard of resistance for copper (from memory).
[2] IEC 60228:2004, Conductors of insulated cables, table 1 (from memory).
"""

from math import log10

COPPER_OHM_MM2_M = 1.0 / 58.0
SECTIONS_MM2 = (0.75, 1.0, 1.5, 2.5, 4.0, 6.0, 10.0, 16.0, 25.0)
LEAST_SUPPLY_MM2 = 1.5  # fixed wiring (common practice, no source); local codes may ask for more


def loop_ohm(length_m: float, section_mm2: float) -> float:
    """Resistance of both conductors of a cable at 20 degrees C [ohm]."""
    return 2.0 * COPPER_OHM_MM2_M * length_m / section_mm2


def loss_db(length_m: float, section_mm2: float, load_ohm: float) -> float:
    """What a loudspeaker cable takes at most [dB]."""
    return 20.0 * log10(1.0 + loop_ohm(length_m, section_mm2) / load_ohm)


def drop_percent(length_m: float, section_mm2: float, current_a: float, supply_v: float) -> float:
    """What of the supply voltage a cable drops [%]."""
    return 100.0 * loop_ohm(length_m, section_mm2) * current_a / supply_v


def loudspeaker_section_mm2(length_m: float, load_ohm: float, allowed_db: float) -> float | None:
    """The smallest standard section with no more loss than allowed; None where none is large enough [mm2]."""
    fitting = (one for one in SECTIONS_MM2 if loss_db(length_m, one, load_ohm) <= allowed_db)
    return next(fitting, None)


def supply_section_mm2(length_m: float, current_a: float, supply_v: float, allowed_percent: float) -> float | None:
    """The smallest standard section with no more drop than allowed; None where none is large enough [mm2]."""
    wide = (one for one in SECTIONS_MM2 if one >= LEAST_SUPPLY_MM2)
    return next((one for one in wide if drop_percent(length_m, one, current_a, supply_v) <= allowed_percent), None)
