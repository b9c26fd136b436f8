"""Maps of the level over the listening plane: stills for paper, and the data of the map that moves on the page."""

import base64
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.figure import Figure

from cli.figures.report import (
    FEW_SEATS,
    HIGHEST_DB,
    LOWEST_DB,
    STEP_DB,
    LevelMap,
    level_key,
    pressure_map,
    ramp_colours,
)
from cli.report.blocks import Picture, shown
from cli.report.with_filters import seat_level_db
from roommodes.arrays import Floats
from roommodes.plan.plan import Plan
from roommodes.responses.metrics import normalised
from roommodes.shapes.outlines import solid_at
from solvers.listening.before_after import BeforeAfter

MOST_FRAMES = 64
QUANTUM_DB, FLOOR_DB = 0.01, -30.0  # how levels travel to the page: two bytes each
COMMON_LENGTH_M = 6.4
MARK_WIDTHS, MARK_HEIGHT, MARK_GAP = (
    (48, 70),
    27,
    4,
)  # of a seat's mark without and with a decimal, in hundredths of a metre
STILLS, STILLS_IN = 3, 7.2  # frequencies shown on paper, width of all [inch]
STILLS_OF_MANY = 2  # of many seats, so that their numbers can be read


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MappedLayout:
    """A layout with its levels relative to the average over the seats at each frequency.

    Parameters
    ----------
    name : what it is called.
    sub_m : (n_sub, 3) [m].
    seat_db : (n_freq, n_seat) [dB].
    map_db : (n_freq, n_x, n_y) [dB].
    """

    name: str
    sub_m: Floats
    seat_db: Floats
    map_db: Floats


def mapped_layouts(plan: Plan, compared: BeforeAfter) -> list[MappedLayout]:
    """The usual layout, if there is a map of it, and the plan.

    A map counts from the model's average over the seats, the seats from their own: measured levels have another zero.
    """
    own = seat_level_db(plan)
    modelled = compared.plan_seat_db if plan.measured is not None else own
    layouts = [("this plan", own, modelled, compared.plan_map_db, plan.positions_m)]
    rival = compared.rival
    if rival and compared.rival_map_db is not None:
        layouts.insert(0, ("usual layout", rival.level_db, rival.level_db, compared.rival_map_db, rival.positions_m))
    weight = normalised(plan.seats.weight)
    return [
        MappedLayout(
            name=name,
            sub_m=sub_m,
            seat_db=levels - (levels @ weight)[:, None],
            map_db=maps - (at_seats @ weight)[:, None, None],
        )
        for name, levels, at_seats, maps, sub_m in layouts
    ]


def stills(plan: Plan, compared: BeforeAfter, layouts: list[MappedLayout]) -> Picture:
    """For paper: the maps of each layout at the frequencies at which the seats differ most."""
    hz, many = plan.frequency_hz, len(plan.seats) > FEW_SEATS
    frames = telling_frames(layouts[0].seat_db, hz, STILLS_OF_MANY if many else STILLS)

    def draw(figure: Figure) -> None:
        grid = figure.add_gridspec(len(layouts) + 1, len(frames), height_ratios=[*[1.0] * len(layouts), 0.06])
        for row, one in enumerate(layouts):
            for column, frame in enumerate(frames):
                levels = LevelMap(
                    x_m=compared.plane.x_m,
                    y_m=compared.plane.y_m,
                    level_db=one.map_db[frame],
                    seat_m=plan.seats.position_m,
                    seat_db=one.seat_db[frame],
                    sub_m=one.sub_m,
                    solid_m=solid_m(plan, compared),
                )
                pressure_map(figure.add_subplot(grid[row, column]), levels, title=f"{one.name}, {hz[frame]:.0f} Hz")
        level_key(figure.add_subplot(grid[-1, :]))

    alt = "; ".join(
        f"at {hz[frame]:.0f} Hz "
        + ", ".join(
            f"{one.name}: seats from {one.seat_db[frame].min():+z.0f} to {one.seat_db[frame].max():+z.0f} dB"
            for one in layouts
        )
        for frame in frames
    )
    length_m, width_m, _ = plan.project.room.size_m
    each = min(3.4, STILLS_IN / len(frames) * width_m / length_m)  # height of a map [inch]
    return Picture(
        title="The frequencies at which the seats differ most." if len(plan.seats) > 1 else "Some frequencies.",
        alt=f"Levels relative to the average over the seats: {alt}.",
        size_in=(STILLS_IN, len(layouts) * (each + 0.2) + 0.6),
        draw=draw,
        raster=True,
        still=True,
    )


def map_data(plan: Plan, compared: BeforeAfter, layouts: list[MappedLayout]) -> dict[str, Any]:
    """What the page's script draws from; levels as 16-bit numbers, row by row from the left wall, in base64."""
    hz, plane = plan.frequency_hz, compared.plane
    frames = np.unique(np.linspace(0, len(hz) - 1, min(MOST_FRAMES, len(hz))).round().astype(int))
    room = plan.project.room
    edges = np.arange(LOWEST_DB, HIGHEST_DB, STEP_DB)
    first = telling_frames(layouts[0].seat_db, hz, 1)[0]
    mark, decimals = seat_marks(plan.seats.position_m, room.length_m)
    return {
        "hz": [round(float(hz[frame]), 1) for frame in frames],
        "start": int(np.argmin(np.abs(frames - first))),
        "nx": len(plane.x_m),
        "ny": len(plane.y_m),
        "quantum": QUANTUM_DB,
        "floor": FLOOR_DB,
        "lowest": LOWEST_DB,
        "step": STEP_DB,
        "colours": [[round(255 * part) for part in colour] for colour in ramp_colours(len(edges))],
        "mark": round(mark, 3),
        "mark_width": MARK_WIDTHS[decimals],
        "decimals": decimals,
        "solid": [[round(value, 3) for value in box] for box in solid_m(plan, compared)],
        "length": room.length_m,
        "width": room.width_m,
        "seats": [
            {"name": shown(name, 40), "x": round(x, 3), "y": round(y, 3)}
            for name, (x, y, _) in zip(plan.seats.name, plan.seats.position_m.tolist(), strict=True)
        ],
        "layouts": [
            {
                "name": one.name,
                "subs": [[round(x, 3), round(y, 3)] for x, y, _ in one.sub_m.tolist()],
                "seats": [[round(float(value), 1) + 0.0 for value in one.seat_db[frame]] for frame in frames],
                "levels": _packed(one.map_db[frames]),
            }
            for one in layouts
        ],
    }


def solid_m(plan: Plan, compared: BeforeAfter) -> tuple[tuple[float, float, float, float], ...]:
    """Rectangles of the listening plane that are not air [m]."""
    room = plan.project.room
    return () if room.is_box else solid_at(room.shape, compared.plane.height_m)


def seat_marks(seat_m: Floats, length_m: float) -> tuple[float, int]:
    """Size of the seats' marks over that in a room of common length, and decimals, so that none covers another."""
    wanted = length_m / COMMON_LENGTH_M
    first, second = np.triu_indices(len(seat_m), 1)
    apart = 100.0 * np.abs(seat_m[first, :2] - seat_m[second, :2])  # in the map's units

    def most(width: float) -> float:
        return float(np.max(apart / (width + MARK_GAP, MARK_HEIGHT + MARK_GAP), axis=1).min(initial=wanted))

    with_decimals = most(MARK_WIDTHS[1])
    return (with_decimals, 1) if with_decimals > 0.85 * wanted else (most(MARK_WIDTHS[0]), 0)


def _packed(level_db: Floats) -> str:
    """(n_frame, n_x, n_y) as little-endian 16-bit numbers in the order frame, y, x."""
    steps = np.clip(np.round((level_db - FLOOR_DB) / QUANTUM_DB), 0, 4500).astype("<u2")
    return base64.b64encode(np.ascontiguousarray(steps.transpose(0, 2, 1)).tobytes()).decode("ascii")


def telling_frames(seat_db: Floats, hz: Floats, count: int) -> list[int]:
    """Frames at which the seats of the first layout differ most, at least a third of an octave apart, rising."""
    spread = seat_db.max(axis=1) - seat_db.min(axis=1)
    chosen: list[int] = []
    order = np.argsort(-spread, kind="stable")
    if not spread.any():  # one seat: from the middle of the band outward
        order = np.argsort(np.abs(np.arange(len(hz)) - len(hz) // 2), kind="stable")
    for frame in order:
        if all(abs(np.log2(hz[frame] / hz[other])) >= 1.0 / 3.0 for other in chosen):
            chosen.append(int(frame))
        if len(chosen) == count:
            break
    return sorted(chosen)
