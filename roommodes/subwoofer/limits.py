"""How loud a sub plays clean, and what stops it: at 1 m in free field, rms, dB re 20 uPa.

A limit comes from up to two statements, and the lower holds at each frequency: a level, stated or from a table of
measured bursts, and a driver in its box with its amplifier. Bursts are converted as they were taken [1]: a crest is
20 lg sqrt 2 above the rms of the same sine, half space 20 lg 2 above free field, and a doubled distance 20 lg 2 below.
So 1 m, peak, on the ground stands 9.03 dB above 2 m, rms, on the ground; 6 dB between the two leaves out the step
from rms to peak.

References
----------
[1] ANSI/CTA-2010-B, 2014, asks for peak levels at 1 m on a ground plane (from memory, the standard not seen).
"""

from dataclasses import dataclass
from enum import StrEnum
from math import log10, sqrt
from typing import Literal

import numpy as np

from roommodes.acoustics.air import Air
from roommodes.arrays import Complexes, Floats, Integers
from roommodes.subwoofer.boxed_driver import REFERENCE_PA, BoxedDriver, Driver, PerVolt, Port, port_length_m
from roommodes.subwoofer.channels import Channel, channel_current_a, channel_voltage_v
from roommodes.subwoofer.tables import DriverTable, PortTable, SubwooferTable
from roommodes.subwoofer.target import CREST_DB

HALF_SPACE_DB = 20.0 * log10(2.0)


class Limit(StrEnum):
    """What limits how loud a sub plays."""

    DISPLACEMENT = "displacement"
    POWER = "power"
    PORT = "port"
    VOLTAGE = "amplifier's voltage"
    CURRENT = "amplifier's current"
    BURSTS = "measured bursts"
    STATED = "stated level"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Limits:
    """Highest clean level of one sub at 1 m in free field.

    Parameters
    ----------
    frequency_hz : (n_freq,) [Hz].
    kinds : (n_kind,) what may stop it.
    level_db : (n_kind, n_freq) up to where each lets it go [dB re 20 uPa, rms].
    """

    frequency_hz: Floats
    kinds: tuple[Limit, ...]
    level_db: Floats

    @property
    def highest_db(self) -> Floats:
        """The lowest of all limits: (n_freq,) [dB re 20 uPa, rms]."""
        return np.asarray(self.level_db.min(axis=0))

    @property
    def first(self) -> Integers:
        """Index of the limit that is met first: (n_freq,)."""
        return np.asarray(self.level_db.argmin(axis=0))


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredDrive:
    """What levels count from where sound pressure was measured at a known voltage, in place of one sub at 1 m.

    Parameters
    ----------
    volts : rms voltage at a sub's terminals with a gain of 0 dB; of several that differ the highest [V].
    zero_db : sound pressure of a level of 0 dB [dB re 20 uPa].
    each_v : (n_measured,) that voltage of each sub where they differ; empty where all have `volts` [V].
    """

    volts: float
    zero_db: float
    each_v: tuple[float, ...] = ()

    def raised_db(self, index: Integers) -> tuple[float, ...]:
        """By how much the voltage of some of the measured subs lies above `volts`: (n_sub,) -> (n_sub,) [dB]."""
        return tuple(20.0 * log10(self.each_v[sub] / self.volts) for sub in index) if self.each_v else ()

    @property
    def words(self) -> str:
        """``5 V``, or ``2.83 to 5 V``."""
        return f"{min(self.each_v):g} to {self.volts:g} V" if self.each_v else f"{self.volts:g} V"


def burst_offset_db(*, distance_m: float, space: Literal["full", "half"], reading: Literal["rms", "peak"]) -> float:
    """Offset from a level measured with bursts to the rms level at 1 m in free field [dB]."""
    crest = CREST_DB if reading == "peak" else 0.0
    return 20.0 * log10(distance_m) - crest - (HALF_SPACE_DB if space == "half" else 0.0)


def boxed_driver(table: SubwooferTable, air: Air) -> BoxedDriver | None:
    """Driver and box; None where the project does not say."""
    if table.driver is None:
        return None
    keys = set(DriverTable.model_fields) - {"box_m3"}
    port = None if table.port is None else port_of(table.port, table.driver.box_m3, air)
    driver = Driver(**{key: getattr(table.driver, key) for key in keys})
    return BoxedDriver(driver=driver, box_m3=table.driver.box_m3, port=port, air=air)


def own_response(table: SubwooferTable, frequency_hz: Floats, air: Air) -> Complexes | None:
    """Driver and box per volt, amplitude and phase: (n_freq,) [Hz] -> (n_freq,) [Pa/V]; None where not known.

    A transfer function is of a source of constant volume acceleration; times this it is that of the sub.
    """
    box = boxed_driver(table, air)
    return None if box is None else box.per_volt(frequency_hz).pressure_pa


def port_of(table: PortTable, box_m3: float, air: Air) -> Port:
    """The port, its length worked out where the tuning is given."""
    length = table.length_m
    if length is None:
        assert table.tuning_hz is not None, "a port has a length or a tuning"
        length = port_length_m(area_m2=table.area_m2, tuning_hz=table.tuning_hz, box_m3=box_m3, air=air)
    return Port(area_m2=table.area_m2, length_m=length, velocity_m_s=table.velocity_m_s, ql=table.ql)


def voltage_limits(box: BoxedDriver, per_volt: PerVolt, channel: Channel) -> dict[Limit, Floats]:
    """Rms voltage of one sub at which each limit of driver, port and its channel is met: (n_freq,) each [V]."""
    driver = box.driver
    current = np.abs(per_volt.current_a)
    found = {
        Limit.DISPLACEMENT: driver.xmax_m / (sqrt(2.0) * np.abs(per_volt.displacement_m)),
        Limit.POWER: sqrt(driver.power_w / driver.re_ohm) / current,
    }
    if box.port is not None and per_volt.port_velocity_m_s is not None:
        found[Limit.PORT] = box.port.velocity_m_s / (sqrt(2.0) * np.abs(per_volt.port_velocity_m_s))
    if channel.table is None:
        return found
    hung = channel.circuit(per_volt.current_a)
    own = np.abs(hung.voltage_v[0])  # all on it are alike
    if (volts := channel_voltage_v(channel.table)) is not None:
        found[Limit.VOLTAGE] = volts * own
    if (amps := channel_current_a(channel.table)) is not None:
        found[Limit.CURRENT] = amps / np.abs(hung.current_a) * own
    return found


def limits_of(
    table: SubwooferTable,
    frequency_hz: Floats,
    air: Air,
    channel: Channel | None = None,
    drive: MeasuredDrive | None = None,
) -> Limits | None:
    """The limits of one sub; None where the project says nothing of them.

    Parameters
    ----------
    table : the project's sub.
    frequency_hz : (n_freq,) [Hz].
    air : of the room.
    channel : on which it hangs, with what else hangs there; left out, it is alone on its amplifier.
    drive : where levels are of measured sound pressure: each limit is then what is to be added to a level of 0 dB. A
        stated level and bursts need the driver to become a voltage; without one the amplifier's voltage alone counts.
    """
    hangs = channel or Channel(number=1, amplifier="", output=1, subs=(0,), table=table.amplifier)
    found: dict[Limit, Floats] = {}
    if (box := boxed_driver(table, air)) is not None:
        per_volt = box.per_volt(frequency_hz)
        one_volt = 20.0 * np.log10(np.abs(per_volt.pressure_pa) / REFERENCE_PA)
        for kind, volts in voltage_limits(box, per_volt, hangs).items():
            found[kind] = one_volt + 20.0 * np.log10(volts)
    if (bursts := table.bursts) is not None:
        offset = burst_offset_db(distance_m=bursts.distance_m, space=bursts.space, reading=bursts.reading)
        found[Limit.BURSTS] = bursts.level_db.at(frequency_hz) + offset
    if table.max_level_1m_db is not None:
        found[Limit.STATED] = table.max_level_1m_db.at(frequency_hz)
    if drive is not None:
        found = _of_drive(found, drive, hangs, _at_1m_db(box, frequency_hz, drive), len(frequency_hz))
    if not found:
        return None
    return Limits(frequency_hz=frequency_hz, kinds=tuple(found), level_db=np.array(list(found.values())))


def free_field_db(table: SubwooferTable, frequency_hz: Floats, air: Air, drive: MeasuredDrive | None) -> Floats:
    """Level at 1 m in free field of one sub with a gain of 0 dB, as levels count: (n_freq,) [dB]; 0 by the model.

    nan where sound pressure was measured and the driver is not known.
    """
    if drive is None:
        return np.zeros(len(frequency_hz))
    level = _at_1m_db(boxed_driver(table, air), frequency_hz, drive)
    return np.full(len(frequency_hz), np.nan) if level is None else level - drive.zero_db


def _at_1m_db(box: BoxedDriver | None, frequency_hz: Floats, drive: MeasuredDrive) -> Floats | None:
    """Level at 1 m in free field at the voltage of a measurement: (n_freq,) [dB re 20 uPa]; None without a driver."""
    if box is None:
        return None
    pressure = np.abs(box.per_volt(frequency_hz).pressure_pa) * drive.volts
    return np.asarray(20.0 * np.log10(pressure / REFERENCE_PA))


def _of_drive(
    found: dict[Limit, Floats], drive: MeasuredDrive, hangs: Channel, at_1m_db: Floats | None, n_freq: int
) -> dict[Limit, Floats]:
    """Limits at 1 m as limits of what was measured; without a driver that of the amplifier's voltage alone."""
    if at_1m_db is not None:
        return {kind: level - at_1m_db + drive.zero_db for kind, level in found.items()}
    volts = None if hangs.table is None else channel_voltage_v(hangs.table)
    if volts is None:
        return {}
    share = len(hangs.subs) if hangs.shared and hangs.wiring == "series" else 1  # all on it are alike
    return {Limit.VOLTAGE: np.full(n_freq, drive.zero_db + 20.0 * log10(volts / share / drive.volts))}
