"""What a plan asks of its subs and of the channels of its amplifiers to reach the target, one band at a time."""

from dataclasses import dataclass
from math import sqrt

import numpy as np

from roommodes.arrays import Floats
from roommodes.plan.wiring import Wired
from roommodes.project.project import Project
from roommodes.responses.metrics import SILENCE_DB
from roommodes.responses.third_octaves import bands_of
from roommodes.subwoofer.boxed_driver import REFERENCE_PA
from roommodes.subwoofer.channels import LEAST_SHARE_OF_LOAD, Channel
from roommodes.subwoofer.limits import boxed_driver


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Needs:
    """What each sub and each channel takes to bring the seats to the target, one band at a time.

    Parameters
    ----------
    voltage_v, current_a, power_w : (n_band, n_sub) rms at the terminals, and the power taken [V], [A], [W].
    travel_m : (n_band, n_sub) of the cone, peak, one way [m].
    port_velocity_m_s : (n_band, n_sub) peak, 0 for a sealed box; None where all are sealed [m/s].
    channel_voltage_v, channel_current_a, channel_power_w : (n_band, n_channel) of each channel [V], [A], [W].
    load_ohm : (n_channel,) least impedance that each channel sees at the plan's frequencies [ohm].
    load_hz : (n_channel,) where that is [Hz].
    """

    voltage_v: Floats
    current_a: Floats
    power_w: Floats
    travel_m: Floats
    port_velocity_m_s: Floats | None
    channel_voltage_v: Floats
    channel_current_a: Floats
    channel_power_w: Floats
    load_ohm: Floats
    load_hz: Floats


def needs_of(
    project: Project, on: Wired, *, frequency_hz: Floats, bands: tuple[int, ...], level_db: Floats, over_db: Floats
) -> Needs | None:
    """What the subs and their channels take; None where the project gives no driver.

    Parameters
    ----------
    project : with driver and box.
    on : what hangs where.
    frequency_hz : (n_freq,) [Hz].
    bands : third-octave bands.
    level_db : (n_freq, n_sub) of each sub at 1 m in free field when the first meets its limit [dB re 20 uPa].
    over_db : (n_band,) by how much that is above the target at the seats [dB].
    """
    boxes = [boxed_driver(kind, project.room.air) for kind in project.kinds]
    if any(box is None for box in boxes):
        return None
    each = [box.per_volt(frequency_hz) for box in boxes if box is not None]  # by kind
    by_sub = [each[kind] for kind in on.kind]
    least = 10.0 ** (SILENCE_DB / 20.0)
    pressure = np.stack([np.abs(one.pressure_pa) for one in by_sub], axis=1)
    per_volt_db = 20.0 * np.log10(np.maximum(pressure / REFERENCE_PA, least))
    number = bands_of(frequency_hz)
    used = np.zeros(len(frequency_hz))
    for band, over in zip(bands, over_db, strict=True):
        used[number == band] = over
    volts = 10.0 ** ((level_db - (used[:, None] + per_volt_db)) / 20.0)

    def most(values: Floats) -> Floats:
        return np.array([values[number == band].max(axis=0) for band in bands])

    power = volts**2 * np.stack([one.power_w for one in by_sub], axis=1)
    ported = any(one.port_velocity_m_s is not None for one in by_sub)
    port = np.stack(
        [np.zeros(len(frequency_hz)) if one.port_velocity_m_s is None else one.port_velocity_m_s for one in by_sub],
        axis=1,
    )
    hung = [channel.circuit(each[on.kind_on(channel)].current_a) for channel in on.channels]
    there = [
        volts[:, list(channel.subs)].max(axis=1) / np.abs(circuit.voltage_v[0])
        for channel, circuit in zip(on.channels, hung, strict=True)
    ]
    amps = [volt * np.abs(circuit.current_a) for volt, circuit in zip(there, hung, strict=True)]
    watts = [power[:, list(channel.subs)].sum(axis=1) for channel in on.channels]
    loads = np.stack([circuit.load_ohm for circuit in hung], axis=1)
    return Needs(
        voltage_v=most(volts),
        current_a=most(volts * np.stack([np.abs(one.current_a) for one in by_sub], axis=1)),
        power_w=most(power),
        travel_m=most(volts * sqrt(2.0) * np.stack([np.abs(one.displacement_m) for one in by_sub], axis=1)),
        port_velocity_m_s=most(volts * sqrt(2.0) * np.abs(port)) if ported else None,
        channel_voltage_v=most(np.stack(there, axis=1)),
        channel_current_a=most(np.stack(amps, axis=1)),
        channel_power_w=most(np.stack(watts, axis=1)),
        load_ohm=loads.min(axis=0),
        load_hz=frequency_hz[loads.argmin(axis=0)],
    )


def load_warnings(on: Wired, needs: Needs | None) -> list[str]:
    """Channels that see less than they are rated for, and shared ones of which it is not known what they take."""
    if needs is None:
        return [
            f"channel {channel.number} is shared by subs {sub_numbers(channel)}, and nothing says what current a sub "
            "takes: the levels hold only if the channel drives all of them as loud as one. Give [subwoofer.driver]."
            for channel in on.channels
            if channel.shared
        ]
    found = []
    for channel, load, hz in zip(on.channels, needs.load_ohm, needs.load_hz, strict=True):
        rated = None if channel.table is None else channel.table.load_ohm
        if rated is not None and load < LEAST_SHARE_OF_LOAD * rated * (1.0 - 1e-9):
            found.append(
                f"channel {channel.number} sees {load:.1f} ohm at {hz:.0f} Hz; it is rated for {rated:g} ohm, and a "
                f"load rated so stays above {LEAST_SHARE_OF_LOAD * rated:.1f} ohm (IEC 60268-5; from memory). Do not "
                "run it so unless the amplifier's maker allows it."
            )
    return found


def sub_numbers(channel: Channel) -> str:
    """``1 and 3``, or ``1, 2 and 4``."""
    words = [str(sub + 1) for sub in channel.subs]
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
