"""One channel of an amplifier and the subs that hang on it: how voltage and current are shared.

| symbol | meaning |
| --- | --- |
| Y_k = 1 / Z_k | admittance of sub k at its terminals |
| V, I | voltage and current of the channel |
| v_k, i_k | voltage and current of sub k |

In parallel every sub has the channel's voltage and the currents add: v_k = V, I = V sum Y_k. In series every sub has
the channel's current and the voltages add: v_k = I Z_k, V = I sum Z_k (Kirchhoff's laws). A sub whose wires are swapped
takes the same.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np

from roommodes.arrays import Complexes, Floats
from roommodes.subwoofer.tables import ChannelTable, NamedAmplifierTable, Wiring

LEAST_SHARE_OF_LOAD = 0.8  # IEC 60268-5: the impedance is nowhere below 80 % of the rated one (from memory)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Circuit:
    """Voltage and current of each sub for one volt of the channel; rms, complex.

    Parameters
    ----------
    voltage_v : (n_sub, n_freq) at each sub [V].
    current_a : (n_freq,) of the channel [A].
    """

    voltage_v: Complexes
    current_a: Complexes

    @property
    def load_ohm(self) -> Floats:
        """Size of the impedance that the channel sees: (n_freq,) [ohm]."""
        return np.asarray(1.0 / np.abs(self.current_a))


def circuit(admittance: Complexes, wiring: Wiring) -> Circuit:
    """Subs on one channel: (n_sub, n_freq) admittances [S]."""
    if wiring == "parallel":
        return Circuit(voltage_v=np.ones_like(admittance), current_a=np.asarray(admittance.sum(axis=0)))
    impedance = 1.0 / admittance
    current = 1.0 / impedance.sum(axis=0)
    return Circuit(voltage_v=np.asarray(impedance * current), current_a=np.asarray(current))


def channel_voltage_v(table: ChannelTable) -> float | None:
    """Highest rms voltage of a channel [V]; None where it is not known."""
    rated = None
    if table.power_w is not None and table.load_ohm is not None:
        rated = sqrt(table.power_w * table.load_ohm)
    given = [volt for volt in (table.voltage_v, rated) if volt is not None]
    return min(given) if given else None


def channel_current_a(table: ChannelTable) -> float | None:
    """Highest rms current of a channel, as stated or that at which its power is rated [A]; None where not known."""
    rated = None
    if table.power_w is not None and table.load_ohm is not None:
        rated = sqrt(table.power_w / table.load_ohm)
    given = [amps for amps in (table.current_a, rated) if amps is not None]
    return min(given) if given else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
    """One output of an amplifier with what hangs on it.

    Parameters
    ----------
    number : over all amplifiers, from 1.
    amplifier : its name; empty for the amplifier of each sub.
    output : of that amplifier, from 1.
    subs : which, from 0.
    table : the amplifier; None where the project says nothing of amplifiers.
    """

    number: int
    amplifier: str
    output: int
    subs: tuple[int, ...]
    table: ChannelTable | None

    @property
    def wiring(self) -> Wiring:
        """How its subs are wired."""
        return "parallel" if self.table is None else self.table.wiring

    @property
    def shared(self) -> bool:
        """Whether several subs hang on it."""
        return len(self.subs) > 1

    def circuit(self, admittance: Complexes) -> Circuit:
        """Its subs, all alike: (n_freq,) admittance of one of them [S]."""
        alike = np.repeat(admittance[None], len(self.subs), axis=0)
        return circuit(alike, self.wiring if self.shared else "parallel")


def channels_of(
    groups: Sequence[tuple[int, ...]], amplifiers: Sequence[NamedAmplifierTable], own: Sequence[ChannelTable | None]
) -> tuple[tuple[Channel, ...], int]:
    """What hangs where, and for how many groups there was no channel left.

    Parameters
    ----------
    groups : subs that share a channel where the project names none for them, from 0; every sub once.
    amplifiers : the project's; their `subs` go before the groups.
    own : (n_sub,) the amplifier of each sub, where `amplifiers` is empty.

    Returns
    -------
    The channels in use, in the order of the amplifiers; groups left over have channels after those, of no amplifier.
    """
    if not amplifiers:
        found = [
            Channel(number=number, amplifier="", output=number, subs=subs, table=own[subs[0]])
            for number, subs in enumerate(groups, start=1)
        ]
        return tuple(found), 0
    every = {sub for group in groups for sub in group}
    named = {number - 1 for one in amplifiers for subs in one.subs or () for number in subs}
    rest = [left for group in groups if (left := tuple(sub for sub in group if sub not in named))]
    taken: list[tuple[str, int, tuple[int, ...], ChannelTable]] = []
    for one in amplifiers:
        listed = one.subs or ()
        for output in range(1, one.channels + 1):
            if output <= len(listed):
                subs = tuple(number - 1 for number in listed[output - 1] if number - 1 in every)
            else:
                subs = rest.pop(0) if rest else ()
            if subs:
                taken.append((one.name, output, subs, one))
    taken += [("", 0, subs, amplifiers[-1]) for subs in rest]
    channels = [
        Channel(number=number, amplifier=name, output=output, subs=subs, table=table)
        for number, (name, output, subs, table) in enumerate(taken, start=1)
    ]
    return tuple(channels), len(rest)
