"""What cabinets need where they stand: space before their faces, air for the amplifier, hands to lift them.

The heat balance is an estimate, no design. An amplifier turns P (1 / efficiency - 1) + idle into heat, P the power
that it gives on average: an eighth of what it is asked for at most (common practice for programme, no source). A
closed cupboard of boards loses it through its five free sides: the air inside settles Q / (U A) above the room. U
follows from 19 mm of board and still air on both sides, R = 0.13 + 0.019 / 0.13 + 0.13 m2 K/W (surface resistances
of ISO 6946, conductivity of particle board; from memory). Without any loss the air alone would warm by Q / (rho V
c_p) a second; an opening must carry Q / (rho c_p dT) of air. What the equipment itself may take is in its papers.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from roommodes.acoustics.air import Air
from roommodes.arrays import Floats, Integers
from roommodes.lengths import lengths_of
from roommodes.places.zones import Cabinet, Triple, face_direction
from roommodes.project.project import Project, cabinet_of
from roommodes.subwoofer.tables import ChannelTable

BOARD_U_W_M2K = 1.0 / (0.13 + 0.019 / 0.13 + 0.13)
HEAT_CAPACITY_J_KGK = 1005.0
PROGRAMME_SHARE = 1.0 / 8.0  # of the highest power, on average
ALLOWED_RISE_K = 10.0
TWO_PEOPLE_KG = 25.0  # UK HSE's guideline figure for one man at elbow height; from memory
FIXED_FROM_M = 0.3  # a cabinet whose foot is so far off what carries it stands or hangs on something
RAISED_M = 1.2  # a cabinet whose bottom is above this can fall on somebody


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """One cabinet where it stands, turned as the drawing has it.

    Parameters
    ----------
    number : of the sub, from 1.
    kind : of subwoofer, from 0.
    facing : (axis, direction) that its front looks.
    low_m, high_m : corners of the cabinet [m].
    free_m : face -> distance to what is before it, and what that is.
    overlaps : what it cuts into.
    """

    number: int
    kind: int
    facing: tuple[int, int]
    low_m: Triple
    high_m: Triple
    free_m: dict[str, tuple[float, str]]
    overlaps: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Heat:
    """An estimate of how warm a closed cupboard with an amplifier gets.

    Parameters
    ----------
    mean_power_w : that the amplifier gives on average [W].
    heat_w : that it turns into heat [W].
    rise_k : of the air in the cupboard, settled, all sides but the one on the wall losing heat [K].
    minutes : until the air alone would be 10 K warmer [min].
    flow_m3_h : of air that would keep it to 10 K [m3/h].
    """

    mean_power_w: float
    heat_w: float
    rise_k: float
    minutes: float
    flow_m3_h: float


def standings(project: Project, position_m: Floats, kind: Integers | None = None) -> tuple[Standing, ...]:
    """Every cabinet of a plan whose size is given.

    Parameters
    ----------
    project : cabinet, room and keep-outs.
    position_m : (n_sub, 3) acoustic centres [m].
    kind : (n_sub,) of subwoofer; left out, the first.
    """
    kinds = np.zeros(len(position_m), dtype=np.intp) if kind is None else kind
    known = [cabinet_of(table) for table in project.kinds]
    room, shape = project.room.size_m, project.ground().shape
    boxes: dict[int, tuple[Triple, Triple]] = {}
    turned: dict[int, tuple[Cabinet, tuple[int, int]]] = {}
    for k, at in enumerate(position_m):
        if (cabinet := known[kinds[k]]) is not None:
            facing = cabinet.facing_at(_triple(at), room, project.obstacles, shape)
            low_m, high_m = cabinet.boxes(at[None], facing, clearance=False)
            boxes[k], turned[k] = (_triple(low_m[0]), _triple(high_m[0])), (cabinet, facing)
    things: list[tuple[str, Triple, Triple]] = [
        *((f"keep-out {box.name}", box.low, box.high) for box in project.keep_outs),
        *((f"block {block.name}", block.low_m, block.high_m) for block in project.room.blocks),
    ]
    found = []
    for k, (low, high) in boxes.items():
        cabinet, facing = turned[k]
        faces = {*cabinet.free_faces, "rear"} if cabinet.ventilation_m > 0.0 else set(cabinet.free_faces)
        others = [*things, *((f"sub {j + 1}", a, b) for j, (a, b) in boxes.items() if j != k)]
        around = [*others, *((body.name, body.low, body.high) for body in project.mains_bodies)]
        cut = [body.name for body in project.mains_bodies if body.cuts(np.array([low]), np.array([high]))[0]]
        found.append(
            Standing(
                number=k + 1,
                kind=int(kinds[k]),
                facing=facing,
                low_m=low,
                high_m=high,
                free_m={face: _free(low, high, face_direction(face, facing), room, around) for face in sorted(faces)},
                overlaps=(*(name for name, a, b in others if _cut(low, high, a, b)), *cut),
            )
        )
    return tuple(found)


def heat_w_of(amplifier: ChannelTable, highest_power_w: float) -> float:
    """What an amplifier turns into heat on average while it is asked for so much at most [W]."""
    return PROGRAMME_SHARE * highest_power_w * (1.0 / amplifier.efficiency - 1.0) + amplifier.idle_w


def heat_of(amplifier: ChannelTable, highest_power_w: float, air: Air) -> Heat | None:
    """The balance of the cupboard; None where the amplifier stands free.

    Parameters
    ----------
    amplifier : with the cupboard's inner size.
    highest_power_w : that the amplifier is asked for, all its channels together [W].
    air : of the room.
    """
    if amplifier.closed_in_m is None:
        return None
    depth, width, height = amplifier.closed_in_m
    mean = PROGRAMME_SHARE * highest_power_w
    heat = heat_w_of(amplifier, highest_power_w)
    area = 2.0 * (depth * width + depth * height) + width * height  # its back stands against a wall
    per_k = air.density_kg_m3 * HEAT_CAPACITY_J_KGK
    return Heat(
        mean_power_w=mean,
        heat_w=heat,
        rise_k=heat / (BOARD_U_W_M2K * area),
        minutes=ALLOWED_RISE_K * per_k * depth * width * height / heat / 60.0 if heat > 0.0 else np.inf,
        flow_m3_h=heat / (per_k * ALLOWED_RISE_K) * 3600.0,
    )


def cabinet_warnings(project: Project, found: Sequence[Standing], heat: Heat | None) -> list[str]:
    """What is too near, too warm, too heavy or too high, with the numbers."""
    lengths = lengths_of(project)
    warnings = []
    for one in found:
        sub = project.kinds[one.kind]
        warnings += [f"sub {one.number} cuts into {what}; one of the two must go elsewhere." for what in one.overlaps]
        for face in dict.fromkeys((sub.driver_face, sub.port_face or sub.driver_face)):
            free, what = one.free_m[face]
            if free < sub.port_clearance_m - 1e-6:
                part = "port" if face == sub.port_face and face != sub.driver_face else "driver"
                warnings.append(
                    f"sub {one.number}: {lengths.text(free)} before its {part} on the {face} face ({what}); "
                    "port_clearance_m asks "
                    f"for {lengths.text(sub.port_clearance_m)}."
                )
        if sub.port is not None:
            face, width = sub.port_face or sub.driver_face, 2.0 * (sub.port.area_m2 / np.pi) ** 0.5
            if (free := one.free_m[face][0]) < width - 1e-6:
                warnings.append(
                    f"sub {one.number}: {lengths.text(free)} before its port, {lengths.text(width)} wide; less "
                    "than its own width shifts the tuning and makes noise (common practice, no source)."
                )
        if "rear" in one.free_m and (free := one.free_m["rear"][0]) < sub.ventilation_clearance_m - 1e-6:
            warnings.append(
                f"sub {one.number}: {lengths.text(free)} behind it ({one.free_m['rear'][1]}); "
                f"ventilation_clearance_m asks for {lengths.text(sub.ventilation_clearance_m)} of air."
            )
        middle = (np.array(one.low_m) + one.high_m) / 2.0
        if one.low_m[2] - project.room.shape.stands_on_m((middle[0], middle[1], one.low_m[2])) > FIXED_FROM_M:
            above = ", and nobody sits under what is not secured twice" if one.low_m[2] > RAISED_M else ""
            mass = "" if sub.weight_kg is None else f" with {sub.weight_kg:g} kg"
            warnings.append(
                f"sub {one.number} stands {lengths.text(one.low_m[2])} above the floor{mass}: fixings and what carries "
                "them must "
                f"be designed by a qualified person{above}."
            )
    if heat is not None and heat.rise_k > ALLOWED_RISE_K:
        warnings.append(
            f"estimate: {heat.heat_w:.0f} W of heat in the closed cupboard bring its air {heat.rise_k:.0f} K above the "
            f"room; an opening or fan that moves {heat.flow_m3_h:.0f} m3/h keeps it to {ALLOWED_RISE_K:g} K. Mind fire "
            "protection."
        )
    used = sorted({one.kind for one in found}) if len(project.kinds) > 1 else [0]
    for sub in (project.kinds[kind] for kind in used):
        if sub.weight_kg is None or sub.weight_kg <= TWO_PEOPLE_KG:
            continue
        which = "one sub" if len(project.kinds) == 1 else f"one sub of the kind {sub.name}"
        warnings.append(
            f"{which} weighs {sub.weight_kg:g} kg: two people or a lift (above {TWO_PEOPLE_KG:g} kg, a "
            "health-and-safety "
            "guideline for one man; from memory)."
        )
    return warnings


def _free(
    low: Triple, high: Triple, outward: Floats, room: Triple, things: Sequence[tuple[str, Triple, Triple]]
) -> tuple[float, str]:
    """How far it is from a face to the first thing before it, and what that is."""
    axis = int(np.argmax(np.abs(outward)))
    up = outward[axis] > 0.0
    names = (("front wall", "rear wall"), ("left wall", "right wall"), ("floor", "ceiling"))
    best = (room[axis] - high[axis] if up else low[axis], names[axis][int(up)])
    across = [other for other in range(3) if other != axis]
    for name, a, b in things:
        if all(a[k] < high[k] - 1e-6 and b[k] > low[k] + 1e-6 for k in across):
            gap = a[axis] - high[axis] if up else low[axis] - b[axis]
            if -1e-6 <= gap < best[0]:
                best = (gap, name)
    return (max(0.0, float(best[0])), best[1])


def _cut(low: Triple, high: Triple, a: Triple, b: Triple) -> bool:
    return all(low[k] < b[k] - 1e-6 and high[k] > a[k] + 1e-6 for k in range(3))


def _triple(values: Floats) -> Triple:
    x, y, z = (float(value) for value in values)
    return (x, y, z)
