"""The subwoofer as a circuit: a driver in a sealed or vented box, per volt at its terminals.

| symbol | name | meaning |
| --- | --- | --- |
| f_s, Q_es, Q_ms | fs_hz, qes, qms | resonance in free air; electrical and mechanical quality there |
| V_as, S_d, X | vas_m3, cone_area_m2, xmax_m | compliance as a volume of air; area of the cone; its travel one way |
| R_e, L_e | re_ohm, inductance_h | of the voice coil |
| C_ab, R_al, M_ap | | compliance of the air in the box; its leaks; mass of the air in the port |
| U_b | | volume velocity into C_ab: all that the closed or vented box radiates |

The mechanical side of the driver sees Z_m = R_ms + j omega M_ms + 1 / (j omega C_ms) + S_d^2 Z_box, and its coil
Z_m + (Bl)^2 / (R_e + j omega L_e). Cone, port and leaks radiate together what flows into C_ab [2], as a point source:
p = j omega rho U_b / (4 pi) at 1 m in free field. Port losses are part of the box losses Q_l. There is no thermal
compression, and nothing grows stiffer with excursion: within its limits the box is linear.

References
----------
[1] R. H. Small, "Direct-radiator loudspeaker system analysis" and "Closed-box loudspeaker systems", J. Audio Eng. Soc.
    20-21, 1972-3 (from memory, f_c, Q_tc and f_3 too).
[2] R. H. Small, "Vented-box loudspeaker systems", J. Audio Eng. Soc. 21, 1973 (abstract seen, the rest from memory).
[3] End corrections of a pipe: 0.85 a with a flange, 0.61 a without (Rayleigh; Levine & Schwinger, 1948; from memory).
"""

from dataclasses import dataclass
from math import log10, pi, sqrt

import numpy as np
from numpy.typing import ArrayLike

from roommodes.acoustics.air import Air
from roommodes.arrays import Complexes, Floats

REFERENCE_PA = 20e-6
END_CORRECTION = 0.85 + 0.61  # [3] in radii: one end flush with the cabinet, one free inside


@dataclass(frozen=True, slots=True, kw_only=True)
class Driver:
    """A driver by its small-signal parameters and its limits.

    Two alike in one box, in parallel, are one with twice the area, vas, power, and half re_ohm and inductance.

    Parameters
    ----------
    fs_hz, qes, qms : resonance in free air [Hz]; electrical and mechanical quality.
    vas_m3, cone_area_m2 : [m3], [m2].
    re_ohm, inductance_h : voice coil [ohm], [H].
    xmax_m : travel one way within which it is clean, peak [m].
    power_w : heat that the voice coil stands, its rms current squared times re_ohm [W].
    """

    fs_hz: float
    qes: float
    qms: float
    vas_m3: float
    cone_area_m2: float
    re_ohm: float
    xmax_m: float
    power_w: float
    inductance_h: float = 0.0

    @property
    def qts(self) -> float:
        """Total quality."""
        return self.qes * self.qms / (self.qes + self.qms)

    def reference_efficiency(self, air: Air) -> float:
        """Acoustic power into half space over electrical power into re_ohm, well above resonance, [1]."""
        return 4.0 * pi**2 / air.speed_of_sound_m_s**3 * self.fs_hz**3 * self.vas_m3 / self.qes


@dataclass(frozen=True, slots=True, kw_only=True)
class Port:
    """A vented box's port and the losses of the box.

    Parameters
    ----------
    area_m2, length_m : of the pipe, without end corrections [m2], [m].
    velocity_m_s : peak velocity of its air up to which it is clean [m/s].
    ql : quality of the box with all its losses, at the tuning.
    """

    area_m2: float
    length_m: float
    velocity_m_s: float
    ql: float

    @property
    def acting_length_m(self) -> float:
        """With the air that moves at both ends, [3]."""
        return self.length_m + END_CORRECTION * sqrt(self.area_m2 / pi)

    def tuning_hz(self, box_m3: float, air: Air) -> float:
        """Resonance of port and box [Hz]."""
        return air.speed_of_sound_m_s / (2.0 * pi) * sqrt(self.area_m2 / (self.acting_length_m * box_m3))


def port_length_m(*, area_m2: float, tuning_hz: float, box_m3: float, air: Air) -> float:
    """Length that tunes a box [m]; below zero where an opening without any length is tuned lower."""
    acting = area_m2 / box_m3 * (air.speed_of_sound_m_s / (2.0 * pi * tuning_hz)) ** 2
    return acting - END_CORRECTION * sqrt(area_m2 / pi)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PerVolt:
    """What one volt at the terminals does, rms for rms; every array (n_freq,).

    Parameters
    ----------
    pressure_pa : at 1 m in free field, complex [Pa].
    displacement_m : of the cone, complex [m].
    current_a : complex [A].
    port_velocity_m_s : of the air in the port; None for a sealed box [m/s].
    """

    pressure_pa: Complexes
    displacement_m: Complexes
    current_a: Complexes
    port_velocity_m_s: Complexes | None

    @property
    def power_w(self) -> Floats:
        """Electrical power taken [W]."""
        return np.asarray(self.current_a.real)


@dataclass(frozen=True, slots=True, kw_only=True)
class BoxedDriver:
    """A driver in its box.

    Parameters
    ----------
    driver : what moves.
    box_m3 : volume of air that acts on it; filling adds to the empty box's [m3].
    air : around and in it.
    port : None for a sealed box.
    """

    driver: Driver
    box_m3: float
    air: Air
    port: Port | None = None

    @property
    def closed_resonance_hz(self) -> float:
        """Resonance f_c in the box, its port shut [Hz], [1]."""
        return self.driver.fs_hz * sqrt(1.0 + self.driver.vas_m3 / self.box_m3)

    @property
    def closed_q(self) -> float:
        """Total quality Q_tc in the box, its port shut, [1]."""
        return self.driver.qts * sqrt(1.0 + self.driver.vas_m3 / self.box_m3)

    @property
    def tuning_hz(self) -> float | None:
        """Of the port [Hz]; None for a sealed box."""
        return None if self.port is None else self.port.tuning_hz(self.box_m3, self.air)

    def closed_cutoff_hz(self) -> float:
        """Where a sealed box is 3 dB below its level far above resonance [Hz], [1]."""
        a = 1.0 / (2.0 * self.closed_q**2) - 1.0
        return self.closed_resonance_hz * sqrt(a + sqrt(a * a + 1.0))

    def closed_peak_db(self) -> float:
        """How far a sealed box's response rises above its level far above resonance [dB], [1]."""
        q2 = self.closed_q**2
        return 0.0 if q2 <= 0.5 else 10.0 * log10(q2**2 / (q2 - 0.25))

    def per_volt(self, frequency_hz: ArrayLike) -> PerVolt:
        """Pressure, displacement, current and port velocity for one volt.

        Parameters
        ----------
        frequency_hz : (n_freq,) above 0 [Hz].
        """
        driver, air = self.driver, self.air
        jw: Complexes = np.atleast_1d(np.asarray(frequency_hz)).astype(np.complex128) * (2j * pi)
        stiffness = air.density_kg_m3 * air.speed_of_sound_m_s**2
        omega_s = 2.0 * pi * driver.fs_hz
        cms = driver.vas_m3 / (stiffness * driver.cone_area_m2**2)
        mms = 1.0 / (omega_s**2 * cms)
        rms = omega_s * mms / driver.qms
        bl = sqrt(omega_s * mms * driver.re_ohm / driver.qes)
        cab = self.box_m3 / stiffness
        flow: Complexes = np.asarray(jw * cab)  # volume velocity in the box per pressure in it
        into_port: Complexes | None = None
        if self.port is not None:
            into_port = np.asarray(1.0 / (jw * air.density_kg_m3 * self.port.acting_length_m / self.port.area_m2))
            omega_b = 2.0 * pi * self.port.tuning_hz(self.box_m3, air)
            flow = np.asarray(flow + into_port + omega_b * cab / self.port.ql)
        box = 1.0 / flow
        mechanical = rms + jw * mms + 1.0 / (jw * cms) + driver.cone_area_m2**2 * box
        coil = driver.re_ohm + jw * driver.inductance_h
        velocity = bl / coil / (mechanical + bl**2 / coil)
        in_box = velocity * driver.cone_area_m2 * box  # pressure in the box
        return PerVolt(
            pressure_pa=np.asarray(jw * air.density_kg_m3 * (in_box * jw * cab) / (4.0 * pi)),
            displacement_m=velocity / jw,
            current_a=1.0 / (coil + bl**2 / mechanical),
            port_velocity_m_s=None
            if self.port is None or into_port is None
            else in_box * into_port / self.port.area_m2,
        )


def displaced_level_db(*, displacement_m: float, cone_area_m2: float, frequency_hz: ArrayLike, air: Air) -> Floats:
    """Level at 1 m in free field of a cone that moves so far one way: any shape [Hz] -> same [dB re 20 uPa, rms]."""
    omega = 2.0 * pi * np.asarray(frequency_hz, dtype=np.float64)
    pressure = air.density_kg_m3 * omega**2 * cone_area_m2 * displacement_m / (4.0 * pi * sqrt(2.0))
    return np.asarray(20.0 * np.log10(pressure / REFERENCE_PA))
