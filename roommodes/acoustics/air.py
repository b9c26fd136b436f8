"""Air: speed of sound and density at a temperature.

References
----------
[1] ISO 9613-1:1993, speed of sound c = 343.2 sqrt(T / 293.15).
[2] Ideal gas at 101.325 kPa, dry air, R = 287.058 J/(kg K).
"""

from dataclasses import dataclass
from math import sqrt

ZERO_CELSIUS_K = 273.15


@dataclass(frozen=True, slots=True, kw_only=True)
class Air:
    """Dry air at sea level.

    Parameters
    ----------
    temperature_c : air temperature [deg C].
    """

    temperature_c: float = 20.0

    @property
    def temperature_k(self) -> float:
        """Absolute temperature [K]."""
        return self.temperature_c + ZERO_CELSIUS_K

    @property
    def speed_of_sound_m_s(self) -> float:
        """Speed of sound [m/s], [1]."""
        return 343.2 * sqrt(self.temperature_k / 293.15)

    @property
    def density_kg_m3(self) -> float:
        """Density [kg/m3], [2]."""
        return 101325.0 / (287.058 * self.temperature_k)

    @property
    def impedance_pa_s_m(self) -> float:
        """Characteristic impedance rho c [Pa s/m]."""
        return self.density_kg_m3 * self.speed_of_sound_m_s
