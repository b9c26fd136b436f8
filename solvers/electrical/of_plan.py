"""Cables, circuits, heat and quantities of a plan.

A channel gives power_w into load_ohm, or as much as its voltage drives through the load. Of the highest power an eighth
is given on average (common practice, no source); circuits are filled by a third of it, the draw of dense programme
(common practice, no source), to four fifths of what their breaker is rated for (common practice, no source).
"""

from dataclasses import dataclass
from math import ceil

import numpy as np

from roommodes.places.zones import Triple
from roommodes.plan.plan import Plan
from roommodes.project.placing.standing import feet_m
from roommodes.subwoofer.channels import Channel, channel_current_a, channel_voltage_v
from roommodes.subwoofer.supply import ElectricalTable
from roommodes.subwoofer.tables import ChannelTable
from solvers.electrical.routes import TALL_M, Walls, walls_of
from solvers.electrical.sections import drop_percent, loss_db, loudspeaker_section_mm2, supply_section_mm2
from solvers.loudness.cabinets import FIXED_FROM_M, PROGRAMME_SHARE, heat_of, heat_w_of

DENSE_SHARE = 1.0 / 3.0
CIRCUIT_SHARE = 0.8
ROUND_UP_M = 0.5  # lengths are ordered in such steps


@dataclass(frozen=True, slots=True, kw_only=True)
class Cable:
    """A cable of the schedule.

    Parameters
    ----------
    name : L1, L2 for loudspeakers, S1 and so on for the supply.
    start, end : what it joins.
    length_m : with slack at both ends, rounded up; None where a place is not known [m].
    ends_m : its terminals in the room; None where one is not known [m].
    over_door : it goes up and over a door or opening.
    load_ohm, current_a : of a loudspeaker cable the load, of both the highest current; None where not known.
    section_mm2 : of a copper conductor; None where length or load is not known, or no standard one is enough.
    loss : dB of a loudspeaker cable, percent of the supply voltage of the other; None where not known.
    """

    name: str
    start: str
    end: str
    length_m: float | None
    over_door: bool
    load_ohm: float | None
    current_a: float | None
    section_mm2: float | None
    loss: float | None
    ends_m: tuple[Triple, Triple] | None = None

    @property
    def supply(self) -> bool:
        """Whether it brings power to an amplifier."""
        return self.name.startswith("S")


@dataclass(frozen=True, slots=True, kw_only=True)
class Unit:
    """An amplifier as it stands: its name, place [m], outputs, highest power and heat [W]; None where not known."""

    name: str
    table: ChannelTable
    at_m: Triple | None
    channels: tuple[Channel, ...]
    power_w: float | None

    @property
    def heat_w(self) -> float | None:
        """On average, of the amplifier itself [W]."""
        return None if self.power_w is None else heat_w_of(self.table, self.power_w)

    def draw_w(self, share: float) -> float | None:
        """Taken from the supply while so much of the highest power is given [W]."""
        return None if self.power_w is None else share * self.power_w / self.table.efficiency + self.table.idle_w


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplyCircuit:
    """A circuit: the amplifiers on it, and their draw of dense programme [A]."""

    number: int
    amplifiers: tuple[str, ...]
    current_a: float


@dataclass(frozen=True, slots=True, kw_only=True)
class HeatIn:
    """Heat on average into the room or a cupboard [W]; of a closed cupboard its rise [K] and the air to 15 K or so."""

    place: str
    heat_w: float
    rise_k: float | None = None
    flow_m3_h: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """A line of the bill of quantities; price of one, in the project's currency."""

    item: str
    quantity: float
    unit: str
    price: float | None = None

    @property
    def total(self) -> float | None:
        """Price of all."""
        return None if self.price is None else self.price * self.quantity


@dataclass(frozen=True, slots=True, kw_only=True)
class Electrical:
    """All of it, and what is not known."""

    cables: tuple[Cable, ...]
    circuits: tuple[SupplyCircuit, ...]
    heat: tuple[HeatIn, ...]
    items: tuple[Item, ...]
    unknown: tuple[str, ...]


def electrical_of(plan: Plan) -> Electrical:
    """What the electrician needs of a plan."""
    table = plan.project.tables.electrical
    units = _units(plan)
    walls = walls_of(plan.project, table.route_height_m)
    cables = (*_loudspeaker_cables(plan, units, walls, table), *_supply_cables(units, walls, table))
    return Electrical(
        cables=cables,
        circuits=_circuits(units, table),
        heat=_heat(plan, units),
        items=_items(plan, units, cables, table),
        unknown=_unknown(plan, units, table),
    )


def load_ohm(plan: Plan, channel: Channel) -> float | None:
    """The least load of a sub on a channel: the resistance of its voice coil, else by what the channel is rated for."""
    driver = plan.kinds[channel.subs[0]].driver
    if driver is not None:
        return driver.re_ohm
    if channel.table is None or channel.table.load_ohm is None:
        return None
    count = len(channel.subs)
    return channel.table.load_ohm * (count if channel.wiring == "parallel" else 1.0 / count)


def _units(plan: Plan) -> tuple[Unit, ...]:
    """Every amplifier with the channels in use; those of single subs stand where the sub stands or all at one place."""
    found: dict[str, list[Channel]] = {}
    for channel in plan.wired.channels:
        if channel.table is not None:
            name = channel.amplifier or f"amplifier of sub {channel.subs[0] + 1}"
            found.setdefault(name, []).append(channel)
    units = []
    for name, channels in found.items():
        table = channels[0].table
        assert table is not None, "left out above"
        powers = [_power_w(plan, channel) for channel in channels]
        known = [power for power in powers if power is not None]
        total = sum(known) if len(known) == len(powers) else None
        own = table.at_m
        if own is None and not channels[0].amplifier:
            x, y, z = plan.positions_m[channels[0].subs[0]].tolist()
            own = (x, y, z)
        units.append(Unit(name=name, table=table, at_m=own, channels=tuple(channels), power_w=total))
    return tuple(units)


def _power_w(plan: Plan, channel: Channel) -> float | None:
    """The highest power of a channel [W]."""
    table = channel.table
    if table is None:
        return None
    if table.power_w is not None:
        return table.power_w
    volts, load = channel_voltage_v(table), load_ohm(plan, channel)
    return None if volts is None or load is None else volts**2 / load


def _loudspeaker_cables(plan: Plan, units: tuple[Unit, ...], walls: Walls, table: ElectricalTable) -> list[Cable]:
    cables = []
    for unit in units:
        if unit.table.at_m is None and not unit.channels[0].amplifier:
            continue  # built into the sub
        for channel in unit.channels:
            for sub in channel.subs:
                x, y, z = plan.positions_m[sub].tolist()
                length, over = _length(unit.at_m, (x, y, z), walls, table)
                load = load_ohm(plan, channel)
                section = None
                if length is not None and load is not None:
                    section = loudspeaker_section_mm2(length, load, table.loudspeaker_loss_db)
                loss = None
                if length is not None and load is not None and section is not None:
                    loss = loss_db(length, section, load)
                cables.append(
                    Cable(
                        name=f"L{sub + 1}",
                        start=f"{unit.name}, output {channel.output}",
                        end=f"sub {sub + 1}",
                        length_m=length,
                        over_door=over,
                        load_ohm=load,
                        current_a=_sub_current_a(channel),
                        section_mm2=section,
                        loss=loss,
                        ends_m=None if unit.at_m is None else (unit.at_m, (x, y, z)),
                    )
                )
    return sorted(cables, key=lambda cable: int(cable.name[1:]))


def _sub_current_a(channel: Channel) -> float | None:
    """The most that one sub of a channel takes [A]."""
    amps = None if channel.table is None else channel_current_a(channel.table)
    if amps is None:
        return None
    return amps / len(channel.subs) if channel.wiring == "parallel" else amps


def _supply_cables(units: tuple[Unit, ...], walls: Walls, table: ElectricalTable) -> list[Cable]:
    cables = []
    for number, unit in enumerate(units, start=1):
        length, over = _length(table.board_m, unit.at_m, walls, table)
        draw = unit.draw_w(DENSE_SHARE)
        current = None if draw is None else draw / table.supply_v
        section = drop = None
        if length is not None and current is not None:
            section = supply_section_mm2(length, current, table.supply_v, table.supply_drop_percent)
            if section is not None:
                drop = drop_percent(length, section, current, table.supply_v)
        cables.append(
            Cable(
                name=f"S{number}",
                start="supply",
                end=unit.name,
                length_m=length,
                over_door=over,
                load_ohm=None,
                current_a=current,
                section_mm2=section,
                loss=drop,
                ends_m=None if table.board_m is None or unit.at_m is None else (table.board_m, unit.at_m),
            )
        )
    return cables


def _length(
    start: Triple | None, end: Triple | None, walls: Walls, table: ElectricalTable
) -> tuple[float | None, bool]:
    """With slack at both ends, rounded up to half metres."""
    if start is None or end is None:
        return None, False
    run, over = walls.run_m(start, end)
    return ceil((run + 2.0 * table.slack_m) / ROUND_UP_M - 1e-9) * ROUND_UP_M, over


def _circuits(units: tuple[Unit, ...], table: ElectricalTable) -> tuple[SupplyCircuit, ...]:
    """Amplifiers on circuits, the largest first, each on the first that has room."""
    draws = [(unit.name, draw / table.supply_v) for unit in units if (draw := unit.draw_w(DENSE_SHARE)) is not None]
    most = CIRCUIT_SHARE * table.circuit_a
    circuits: list[list[tuple[str, float]]] = []
    for name, amps in sorted(draws, key=lambda one: -one[1]):
        free = next((one for one in circuits if sum(a for _, a in one) + amps <= most), None)
        if free is None:
            circuits.append([(name, amps)])
        else:
            free.append((name, amps))
    return tuple(
        SupplyCircuit(number=number, amplifiers=tuple(name for name, _ in one), current_a=sum(amps for _, amps in one))
        for number, one in enumerate(circuits, start=1)
    )


def _heat(plan: Plan, units: tuple[Unit, ...]) -> tuple[HeatIn, ...]:
    """Into each closed cupboard, and into the room: amplifiers that stand free, and what the subs turn into heat."""
    room, found = 0.0, []
    for unit in units:
        if unit.power_w is None or unit.heat_w is None:
            continue
        room += PROGRAMME_SHARE * unit.power_w
        closed = heat_of(unit.table, unit.power_w, plan.project.room.air)
        if closed is None:
            room += unit.heat_w
        else:
            found.append(
                HeatIn(
                    place=f"cupboard of {unit.name}",
                    heat_w=closed.heat_w,
                    rise_k=closed.rise_k,
                    flow_m3_h=closed.flow_m3_h,
                )
            )
    return (HeatIn(place="room", heat_w=room), *found) if units and room > 0.0 else tuple(found)


def _items(plan: Plan, units: tuple[Unit, ...], cables: tuple[Cable, ...], table: ElectricalTable) -> tuple[Item, ...]:
    """Subs, amplifiers, cable by section with spare length, connections, fixings."""
    items = []
    for kind in sorted(set(plan.kind.tolist())):
        sub, count = plan.project.kinds[kind], int(np.count_nonzero(plan.kind == kind))
        words = "subwoofer" if sub.name == "subwoofer" else f"subwoofer, {sub.name}"
        items.append(Item(item=words, quantity=count, unit="piece", price=sub.price))
    own = [unit for unit in units if not unit.channels[0].amplifier]
    if own:
        items.append(Item(item="amplifiers, one for each sub or channel", quantity=len(own), unit="piece"))
    for unit in units:
        outputs = len(unit.channels)
        if unit not in own:
            words = f"amplifier {unit.name}, {outputs} output{'s' * (outputs > 1)} in use"
            items.append(Item(item=words, quantity=1, unit="piece"))
    lengths: dict[tuple[str, float], float] = {}
    for cable in cables:
        if cable.length_m is not None and cable.section_mm2 is not None:
            kind = "supply cable, 3 conductors" if cable.supply else "loudspeaker cable, 2 conductors"
            at = (kind, cable.section_mm2)
            lengths[at] = lengths.get(at, 0.0) + cable.length_m
    for (kind, section), metres in sorted(lengths.items()):
        spare = ceil(metres * (1.0 + table.spare_percent / 100.0))
        items.append(
            Item(item=f"{kind} {section:g} mm2, with {table.spare_percent:g} % spare", quantity=spare, unit="m")
        )
    ends = 2 * sum(not cable.supply for cable in cables)
    if ends:
        items.append(Item(item="loudspeaker connectors", quantity=ends, unit="piece"))
    if units:
        items.append(Item(item="socket outlets", quantity=len(units), unit="piece"))
    high = int(np.sum(feet_m(plan.project, plan.positions_m, plan.kind) > FIXED_FROM_M))
    if high:
        items.append(
            Item(item="sets of fixings for a cabinet off the floor, designed for its weight", quantity=high, unit="set")
        )
    return tuple(items)


def _unknown(plan: Plan, units: tuple[Unit, ...], table: ElectricalTable) -> tuple[str, ...]:
    """What is missing, and which key gives it."""
    found = []
    if not units:
        found.append("amplifiers: give [subwoofer.amplifier] or [[amplifiers]]")
    if table.board_m is None:
        found.append("lengths of supply cables: give board_m in [electrical], where the supply comes into the room")
    if any(unit.at_m is None for unit in units):
        names = ", ".join(unit.name for unit in units if unit.at_m is None)
        found.append(f"lengths of cables of {names}: give at_m, where the amplifier stands")
    if any(unit.power_w is None for unit in units):
        found.append("power, circuits and heat: give the amplifier power_w and load_ohm")
    undriven = any(kind.driver is None for kind in plan.kinds)
    if undriven and any(load_ohm(plan, c) is None for u in units for c in u.channels):
        found.append("sections of loudspeaker cables: give load_ohm of the amplifier, or [subwoofer.driver]")
    if any(block.low_m[2] < table.route_height_m and block.high_m[2] < TALL_M for block in plan.project.room.blocks):
        found.append("cables over or under risers and other low blocks: lengths are along the walls; measure on site")
    return tuple(found)
