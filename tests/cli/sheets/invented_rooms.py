"""Invented rooms with plans for drawings: seeded, crowded, of many sizes; nothing is computed of their sound."""

import numpy as np

from roommodes.places.zones import Candidates
from roommodes.plan.drives import Drives
from roommodes.plan.plan import Plan, Results
from roommodes.project.reading import parse_project
from roommodes.storage.stamp import Made


def plan_of(text: str) -> Plan:
    """The subs of a project's [layout] as a plan without responses."""
    project = parse_project(text, source="invented")
    layout, seats = project.layout, project.seats
    assert layout is not None, "where the subs stand"
    positions, hz = np.array(layout.positions_m), np.array([20.0, 40.0])
    count = len(positions)
    results = Results(
        project=project,
        made=Made(seed=7, software_version="0.1.0", created_utc="2025-01-02T03:04:05Z"),
        frequency_hz=hz,
        seats=seats,
        candidates=Candidates(
            position_m=positions, zone=("wall",) * count, mirror_of=np.full(count, -1, dtype=np.intp)
        ),
        transfer=np.zeros((2, len(seats), count), dtype=np.complex128),
        plans={},
    )
    drives = Drives(gain_db=np.zeros(count), delay_s=np.zeros(count), polarity=np.ones(count, dtype=np.int64))
    return Plan(
        results=results,
        rank=1,
        candidate_index=np.arange(count),
        drives=drives,
        variation_db=1.0,
        output_db=0.0,
        level_db=np.zeros((2, len(seats))),
    )


def room_text(seed: int) -> str:
    """A project with one to eight subs along its walls, some high up, rows, doors, glass, keep-outs, mains."""
    rng = np.random.default_rng(seed)

    def mm(low: float, high: float) -> float:
        return round(float(rng.uniform(low, high)), 3)

    length, width, height = mm(3.2, 9.5), mm(2.8, 6.5), mm(2.2, 3.4)
    kind = int(rng.integers(4))
    glass, riser = kind == 0, kind in {1, 2}
    lines = [f'format = 1\nname = "Invented room {seed}"']
    if rng.random() < 0.5:
        lines.append('[title]\nclient = "The owners of 4 Quarry Lane"\ndrawing_number = "A-104"')
    lines.append(f"[room]\nlength_m = {length}\nwidth_m = {width}\nheight_m = {height}")
    lines.append("[walls]\n" + ('left = "glass pane 10 mm"' if glass else 'left = "brick"'))
    if riser:
        lines.append(f"{named('blocks', 'riser', (0.6 * length, 0, 0), (length, width, 0.3))}\ncarries = true")
    if not glass:
        a = mm(0.3, 0.4 * length)
        lines.append(region("left", (a, 0.4), (a + 1.1, 2.0), "glass pane 6 mm"))
    lines.append(region("right", (mm(0.2, 0.5), 0.0), (1.4, 2.05), "door"))
    seats = max(1, int((width - 1.0) / mm(0.6, 0.9)))
    for name, share in (("front", 0.45), ("at the rear", 0.8))[: int(rng.integers(1, 3))]:
        ys = [round((width - 0.65 * (seats - 1)) / 2.0 + 0.65 * k, 3) for k in range(seats)]
        on = '\non = "riser"' if riser and share > 0.6 else ""
        lines.append(
            f'[[rows]]\nname = "{name}"\nx_m = {share * length:.3f}\ny_m = {ys}\near_height_m = {mm(1, 1.2)}{on}'
        )
    lines.append(named("keep_outs", "door and its swing", (0.2, width - 0.9, 0), (1.4, width, 2.1)))
    if rng.random() < 0.5:
        lines.append(named("keep_outs", "equipment rack", (length - 0.6, 0, 0), (length, 0.6, 1.6)))
    if rng.random() < 0.6:
        lines.append(f"[mains]\npositions_m = [[0.3, {mm(0.4, 0.8)}, 1.0], [0.3, {width - 0.7:.3f}, 1.0]]")
    lines.append("[screen]\nwidth_m = 1.8")
    if rng.random() < 0.5:
        lines.append(f"aspect = 2.39\nfoot_m = 0.7\ndistance_m = {mm(0.0, 0.7)}")
    lines.append(named("zones", "front", (0.31, 0.35, 0.27), (0.31, width - 0.35, 0.27)) + "\nspacing_m = 0.3")
    lines.append('[subwoofer]\nname = "box"\ncabinet_m = [0.42, 0.36, 0.44]')
    lines.append("port_clearance_m = 0.06\nventilation_clearance_m = 0.07")
    places = []
    for _ in range(int(rng.integers(1, 9))):
        z = 0.27 + 0.3 * riser if rng.random() < 0.7 else height - 0.4
        wall = int(rng.integers(4))
        x, y = mm(0.35, length - 0.35), mm(0.35, width - 0.35)
        at = ((0.31, y, z), (length - 0.31, y, z), (x, 0.31, z), (x, width - 0.31, z))[wall]
        places.append([round(one, 3) for one in at])
    lines.append(f"[layout]\npositions_m = {places}")
    return "\n".join(lines) + "\n"


def named(table: str, name: str, low: tuple[float, ...], high: tuple[float, ...]) -> str:
    """A box with a name."""
    return f'[[{table}]]\nname = "{name}"\n{corners(low, high)}'


def region(wall: str, low: tuple[float, ...], high: tuple[float, ...], construction: str) -> str:
    """A part of a wall."""
    return f'[[regions]]\nwall = "{wall}"\n{corners(low, high)}\nconstruction = "{construction}"'


def corners(low: tuple[float, ...], high: tuple[float, ...]) -> str:
    """Two opposite corners, to the millimetre."""
    return f"from_m = {[round(float(one), 3) for one in low]}\nto_m = {[round(float(one), 3) for one in high]}"
