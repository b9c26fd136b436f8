"""The field's cases of `growth`: a room of 6.1 x 4.3 x 2.6 m up to 120 Hz, or up to 50 Hz with blocks in it."""

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from roommodes.acoustics.precision import Precision
from roommodes.acoustics.room import Room, Surface
from roommodes.acoustics.room_boundary import families_of
from roommodes.acoustics.transfer import transfer_function
from roommodes.acoustics.wall_laws import ConstantAdmittance
from roommodes.arrays import Complexes, Floats
from roommodes.elements.solution import solved
from roommodes.running import Running
from roommodes.shapes.solids import Block

SIZE_M = (6.1, 4.3, 2.6)
HIGHEST_HZ, LOWER_HZ = 120.0, 50.0  # boxes, and rooms with blocks
SAME, SAME_SHAPE = 1e-4, 1e-2  # of the receivers' rms: boxes, and other rooms
SHOWN = 3  # sources and seats whose answers are compared
PLASTER = ConstantAdmittance(beta_re=0.03, beta_im=0.02)
ALONE = Running(threads=1)
COLUMN_M = 0.2
BLOCKS = (2, 4, 6, 12)


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """What one call answers: numbers to compare, and how many unknowns it solved for (0 where nobody asks)."""

    answer: list[float]
    unknowns: int = 0


def field_case(
    *,
    candidates: int = 50,
    seats: int = 7,
    frequencies: int = 24,
    regions: int = 0,
    columns: int = 0,
    scattered: int = 0,
    cut: int = 1,
) -> Callable[[int, int], Callable[[], Found]]:
    """A maker of cases of the field.

    Parameters
    ----------
    candidates, seats, frequencies : how many.
    regions : into which one wall of plaster is drawn; 0 for four whole walls.
    columns : blocks along the left wall.
    scattered : blocks all over the floor, if there are no columns.
    cut : into how many blocks each of them is drawn, one on the other.
    """

    blocks = _columns(_in_a_row(columns) if columns else _scattered(scattered), cut)
    highest_hz = LOWER_HZ if blocks else HIGHEST_HZ

    def made(size: int, turn: int) -> Callable[[], Found]:
        del size
        room = Room(
            length_m=SIZE_M[0] + 1e-6 * turn,  # another room: no shape is remembered from the turn before
            width_m=SIZE_M[1],
            height_m=SIZE_M[2],
            blocks=blocks,
        )
        hz = np.geomspace(20.0, highest_hz, frequencies)
        seat_m = _points(seats, (2.9, 0.9, 1.0), (2.4, 2.5, 0.4), 0.5)
        source_m = _points(candidates, (0.7, 0.9, 0.4), (1.8, 2.5, 1.6), 0.0)
        walls = _regions(room, regions) if regions else _whole_walls(room)

        def call() -> Found:
            response = transfer_function(room, walls, frequency_hz=hz, seat_m=seat_m, source_m=source_m, running=ALONE)
            shown = response[[0, -1], :SHOWN, :SHOWN]  # the ends of the band are in every grid
            unknowns = 0
            if blocks:
                unknowns = solved(room.shape, 2.0 * np.pi * highest_hz / room.air.speed_of_sound_m_s, ALONE).mesh.size
            elif regions:
                families = families_of(
                    room, walls, frequency_hz=hz, seat_m=seat_m, source_m=source_m, precision=Precision()
                )
                unknowns = sum(family.size for family in families)
            return Found(answer=_numbers(shown), unknowns=unknowns)

        return call

    return made


def field_over(axis: str) -> Callable[[int, int], Callable[[], Found]]:
    """The field with one of `field_case`'s numbers as the size."""
    return lambda size, turn: field_case(**{axis: size})(size, turn)


def _points(count: int, corner_m: tuple[float, ...], extent_m: tuple[float, ...], shift: float) -> Floats:
    """Points of a sequence in a box, the same first ones however many: (count, 3) [m]."""
    steps = np.array([0.8191725134, 0.6710436067, 0.5497004779])  # powers of the root of x^4 = x + 1
    share = (shift + np.arange(1, count + 1)[:, None] * steps) % 1.0
    return np.asarray(np.array(corner_m) + np.array(extent_m) * share)


def _whole_walls(room: Room) -> tuple[Surface, ...]:
    return tuple(
        Surface(wall=wall, from_m=(0.0, 0.0), to_m=room.wall_size_m(wall), law=PLASTER)
        for wall in ("front", "rear", "right", "ceiling")
    )


def _regions(room: Room, count: int) -> tuple[Surface, ...]:
    """The right wall in two rows of regions side by side."""
    length, height = room.wall_size_m("right")
    along = np.linspace(0.0, length, count // 2 + 1)
    rows = ((0.0, 0.5 * height), (0.5 * height, height))
    return tuple(
        Surface(wall="right", from_m=(float(a), low), to_m=(float(b), high), law=PLASTER)
        for a, b in pairwise(along)
        for low, high in rows
    )


def _in_a_row(count: int) -> list[tuple[float, float]]:
    """Where columns along the left wall stand: their low corners along x and y [m]."""
    return [((k + 0.5) * SIZE_M[0] / count - 0.5 * COLUMN_M, 0.0) for k in range(count)]


def _scattered(count: int) -> list[tuple[float, float]]:
    """The same all over the floor, none in line with another."""
    x, y = (side - 2.0 * COLUMN_M for side in SIZE_M[:2])
    return [((k + 0.5) / count * x, (0.37 + 0.6180339887 * k) % 1.0 * y) for k in range(count)]


def _columns(places: list[tuple[float, float]], cut: int) -> tuple[Block, ...]:
    """Columns from floor to ceiling, each of some blocks one on the other."""
    levels = np.linspace(0.0, SIZE_M[2], cut + 1)
    return tuple(
        Block(
            name=f"column {k + 1}.{j + 1}",
            low_m=(x, y, float(levels[j])),
            high_m=(x + COLUMN_M, y + COLUMN_M, float(levels[j + 1])),
        )
        for k, (x, y) in enumerate(places)
        for j in range(cut)
    )


def _numbers(values: Complexes) -> list[float]:
    return [*values.real.ravel().tolist(), *values.imag.ravel().tolist()]


def apart(answers: list[Floats], most: float) -> str:
    """What is wrong where all sizes must answer the same."""
    rms = float(np.sqrt((answers[0] ** 2).mean()))
    worst = max(float(np.abs(other - answers[0]).max()) / rms for other in answers)
    return f"answers differ by {worst:.1e} of the rms" if not worst <= most else ""


def same(answers: list[Floats]) -> str:
    """The first sources, seats and the ends of the band are in every size, and the wall is the same."""
    return apart(answers, SAME)


def same_columns(axis: str) -> Callable[[list[Floats]], str]:
    """Each size differs from the others; the smallest must answer the same where each column is drawn as two blocks."""

    def verified(answers: list[Floats]) -> str:
        again = field_case(**{axis: BLOCKS[0]}, cut=2)(0, 0)()
        return apart([answers[0], np.array(again.answer)], SAME_SHAPE)

    return verified
