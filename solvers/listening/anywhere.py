"""The field of a sub anywhere in its zones, at seats whose rows move, and over the listening plane.

What is smooth in the field (`near_field` takes off the rest) is known at the lattice's places and followed between
them by polynomials, along each axis of a zone. Where a row may move, the smooth part at its ears is a Chebyshev series
in the row's shift. Over the listening plane it is known at the plane's nodes, from every place of the lattice; at each
frequency that matrix has a low rank, and its leading singular vectors stand for it.

Errors measured in the demo's room up to 120 Hz, over the rms of the seats: between places 0.1, 0.15 and 0.2 m apart
1e-7, 1e-6 and 1e-5 on a line by a wall, at most 6e-6, 7e-5 and 9e-4 beside a glazed one; a row shifted by up to 0.2,
0.5 and 0.9 m either way with 6, 7 and 8 terms 2e-7, 2e-6 and 5e-5.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product
from math import ceil, pi

import numpy as np
from numpy.polynomial import chebyshev

from roommodes.acoustics.room import Room
from roommodes.arrays import Complexes, Floats, Integers
from roommodes.places.lattice import LEAST_NODES, Lattice, lattice_of, parts_of
from roommodes.places.positions import position_key, to_micrometre
from roommodes.places.seats import Listening
from roommodes.places.zones import Ground, Zone
from roommodes.plan.plan import Results
from roommodes.project.project import Project
from roommodes.running import Running
from solvers.listening.near_field import rough
from solvers.listening.plane import Plane, listening_plane
from solvers.project_transfer import QUICK, project_transfer, require_project_fits

PER_WAVELENGTH = 14.0  # places, at the end of the band: below it no place is taken from its neighbours
LEAST_TERMS, TERMS_PER_RADIAN = 5, 0.75  # of a row's series: 5 and some for each radian of its whole way
PLANE_ERROR = 3e-4  # of the plane's smooth part, rms
SAME_FIELD = 1e-4  # over the seats' rms: beyond it the model is no longer the one that the plan was searched with
CENTIMETRE_M = 0.01
OTHER_MODEL = (
    "This version's model differs from the one that the plan was searched with (version {version}): subs stand at the "
    "file's candidates only, rows as drawn, and there is no map. Run optimise again for all of it."
)
WHOLE_STEPS = "Subs stand at the places in whole steps that the project asks for (round_m), not between them."
LARGE_ZONES = "The zones are large: subs stand on a grid of places, not between them."


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ZoneGrid:
    """The places of a zone.

    Parameters
    ----------
    name : of the zone.
    axes_m : places along x, y and z [m].
    index : (n_x, n_y, n_z) into the places of the field, -1 where no sub may stand.
    closed : (n_cell, 3) lower corners of the cells whose corners are free, but not all that lies between.
    """

    name: str
    axes_m: tuple[Floats, Floats, Floats]
    index: Integers
    closed: Integers


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RowShift:
    """What a row that may move hears elsewhere.

    Parameters
    ----------
    row : its index.
    low_m, high_m : how far it may be shifted along x [m].
    ear : (n_own,) indices of its ears.
    series : (n_term - 1, n_freq, n_own, n_place), the smooth part's Chebyshev coefficients from T_1 on, over the way
        from low_m to high_m [1/m].
    """

    row: int
    low_m: float
    high_m: float
    ear: Integers
    series: Complexes


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlaneField:
    """The smooth part over the listening plane, left times right at each frequency.

    Parameters
    ----------
    plane : where.
    left : for each frequency (n_node, n_rank), nodes with x slowest.
    right : for each frequency (n_rank, n_place) [1/m].
    """

    plane: Plane
    left: tuple[Complexes, ...]
    right: tuple[Complexes, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Anywhere:
    """The field from every place.

    Parameters
    ----------
    frequency_hz : (n_freq,) [Hz].
    listening : the ears, all seats first.
    position_m : (n_place, 3) [m]: the lattice, its candidates first, and places of the plan file between them.
    snap : (n_snap,) the places that are candidates.
    smooth : (n_freq, n_ear, n_place), the field less its `rough` part [1/m].
    grids : of the zones in which a sub may stand between the places; empty where it may not.
    step_m : between places.
    shifts : of the rows that may move.
    plane : None where the model says nothing of it.
    remarks : what is missing, in sentences.
    """

    frequency_hz: Floats
    listening: Listening
    position_m: Floats
    snap: Integers
    smooth: Complexes
    grids: tuple[ZoneGrid, ...] = ()
    step_m: float = 0.0
    shifts: tuple[RowShift, ...] = ()
    plane: PlaneField | None = None
    remarks: tuple[str, ...] = ()


def page_lattice(project: Project, frequency_hz: Floats, step_m: float) -> Lattice:
    """The lattice of a project with steps of about `step_m`."""
    return lattice_of(project.zones, project.candidates, project.ground(), step_m=step_m)


def row_terms(project: Project, highest_hz: float) -> dict[int, int]:
    """How many terms the series of each row that may move has."""
    wavenumber = 2.0 * pi * highest_hz / project.room.air.speed_of_sound_m_s
    return {
        number: LEAST_TERMS + ceil(TERMS_PER_RADIAN * wavenumber * sum(row.move_m))
        for number, row in enumerate(project.rows)
        if row.move_m and sum(row.move_m) > 0.0
    }


def longest_step_m(project: Project, highest_hz: float) -> float:
    """The longest step from which places between are taken [m]."""
    return project.room.air.speed_of_sound_m_s / highest_hz / PER_WAVELENGTH


def at_candidates(results: Results, remarks: Sequence[str] = ()) -> Anywhere:
    """What the plan file alone says: subs stand at its candidates, rows as drawn."""
    listening = listening_of(results)
    position = results.candidates.position_m
    near = rough(listening.position_m, position, results.project.room, results.frequency_hz)
    return Anywhere(
        frequency_hz=results.frequency_hz,
        listening=listening,
        position_m=position,
        snap=np.arange(len(position)),
        smooth=results.ears()[0] - near,
        remarks=tuple(remarks),
    )


def anywhere(
    results: Results,
    *,
    step_m: float,
    rows: bool = True,
    plane: bool = True,
    running: Running = Running(),
) -> Anywhere:
    """Ask the model for what the plan file does not hold.

    Parameters
    ----------
    results : of a search on the model.
    step_m : between places of the lattice, about [m].
    rows, plane : whether rows may move, and whether the listening plane is wanted.
    running : progress, cancelling, threads.

    Raises
    ------
    Interrupted : when cancelled.
    OutsideModel : the model cannot take this project.
    """
    project, hz, listening = results.project, results.frequency_hz, results.project.listening()
    require_project_fits(project)
    room = project.room
    lattice = page_lattice(project, hz, step_m)
    n_first, n_ear = results.candidates.n_first, len(listening.position_m)
    between = results.candidates.position_m[n_first:]
    position = np.vstack([lattice.position_m, between])
    snap = np.concatenate([np.arange(n_first), len(lattice.position_m) + np.arange(len(between))])
    moves = _Moves.of(project, listening, row_terms(project, float(hz[-1])) if rows else {})
    ears = np.vstack([listening.position_m, moves.ear_m])
    field = project_transfer(project, frequency_hz=hz, seat_m=ears, source_m=position, running=running.under("places"))
    known, _ = results.ears()
    if not _same(known, field[:, :n_ear, snap]):
        return at_candidates(results, [OTHER_MODEL.format(version=results.software_version)])
    field[:, :n_ear, snap] = known
    smooth = field - rough(ears, position, room, hz)
    fine = _widest_m(project.zones, lattice) <= longest_step_m(project, float(hz[-1]))
    whole_steps = project.search.round_m > 0.0
    between_them = fine and not whole_steps
    found = Anywhere(
        frequency_hz=hz,
        listening=listening,
        position_m=position,
        snap=snap,
        smooth=smooth[:, :n_ear],
        grids=zone_grids(project.zones, lattice, project.ground()) if between_them else (),
        step_m=lattice.step_m,
        shifts=moves.shifts(smooth[:, n_ear:]),
        remarks=(WHOLE_STEPS,) if whole_steps else (() if fine else (LARGE_ZONES,)),
    )
    if not plane:
        return found
    return replace(found, plane=_plane_field(project, found, running))


def listening_of(results: Results) -> Listening:
    """The ears of a plan file, all seats first, with their weights."""
    if results.measured is None:
        return results.project.listening()
    seats = results.seats
    return Listening(position_m=seats.position_m, weight=seats.weight, seat=np.arange(len(seats), dtype=np.intp))


def zone_grids(zones: Sequence[Zone], lattice: Lattice, ground: Ground) -> tuple[ZoneGrid, ...]:
    """The zones in which a sub may stand between the lattice's places, with what is free there."""
    number = {position_key(point): place for place, point in enumerate(lattice.position_m)}
    found = []
    for zone in zones:
        axes = zone.axes(parts_of(zone, lattice.step_m))
        points = to_micrometre(np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1))
        index = np.array([number.get(position_key(point), -1) for point in points.reshape(-1, 3)])
        index = index.reshape(points.shape[:3])
        if max(index.shape) >= LEAST_NODES:
            closed = _closed_cells(axes, index, ground)
            found.append(ZoneGrid(name=zone.name, axes_m=axes, index=index, closed=closed))
    return tuple(found)


def _widest_m(zones: Sequence[Zone], lattice: Lattice) -> float:
    """The longest way between neighbours of the lattice along an axis [m]: its steps are even parts of each zone."""
    axes = [axis for zone in zones for axis in zone.axes(parts_of(zone, lattice.step_m))]
    return max((float(np.diff(axis).max()) for axis in axes if len(axis) > 1), default=0.0)


def _closed_cells(axes: tuple[Floats, Floats, Floats], index: Integers, ground: Ground) -> Integers:
    """Lower corners of the cells whose corners are free but whose inside is not: (n_cell, 3)."""
    spans = [range(max(1, len(axis) - 1)) for axis in axes]
    wide = [len(axis) > 1 for axis in axes]
    closed = []
    for cell in product(*spans):
        corners = [(i, i + 1) if extends else (i,) for i, extends in zip(cell, wide, strict=True)]
        if (index[np.ix_(*corners)] < 0).any():
            continue
        sides = [
            np.linspace(axis[i], axis[i + 1], 1 + ceil((axis[i + 1] - axis[i]) / _apart(wide))) if extends else axis[:1]
            for axis, i, extends in zip(axes, cell, wide, strict=True)
        ]
        inside = np.stack(np.meshgrid(*sides, indexing="ij"), axis=-1).reshape(-1, 3)
        if not ground.allows(inside).all():
            closed.append(cell)
    return np.array(closed, dtype=np.int64).reshape(-1, 3)


def _apart(wide: Sequence[bool]) -> float:
    """How densely a cell is looked at: every centimetre of a line, coarser where it has an area or a volume."""
    return CENTIMETRE_M * (1.0, 1.0, 2.5, 5.0)[sum(wide)]


def _same(known: Complexes, now: Complexes) -> bool:
    """Whether two fields are one, over the rms at each frequency."""
    scale = np.sqrt(np.mean(np.abs(known) ** 2, axis=(1, 2), keepdims=True))
    return bool(np.all(np.abs(known - now) <= SAME_FIELD * scale))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Moves:
    """The ears of the rows that may move, at the Chebyshev points of their way."""

    rows: tuple[tuple[int, float, float, Integers, int], ...]  # row, low, high, its ears, terms
    ear_m: Floats

    @classmethod
    def of(cls, project: Project, listening: Listening, terms: dict[int, int]) -> "_Moves":
        seat_row = project.seats.row
        rows, ears = [], [np.empty((0, 3))]
        for row, count in terms.items():
            toward_front, toward_rear = project.rows[row].move_m or (0.0, 0.0)
            own = np.flatnonzero(seat_row[listening.seat] == row)
            rows.append((row, -toward_front, toward_rear, own, count))
            for shift in _chebyshev_points(-toward_front, toward_rear, count):
                ears.append(listening.position_m[own] + np.array([shift, 0.0, 0.0]))
        return cls(rows=tuple(rows), ear_m=np.vstack(ears))

    def shifts(self, smooth: Complexes) -> tuple[RowShift, ...]:
        """The series from the smooth part at these ears, (n_freq, n_moved_ear, n_place)."""
        found, start = [], 0
        for row, low, high, own, count in self.rows:
            here = smooth[:, start : start + count * len(own)]
            start += count * len(own)
            here = here.reshape(len(smooth), count, len(own), -1)
            fit = np.linalg.inv(chebyshev.chebvander(_chebyshev_points(-1.0, 1.0, count), count - 1))
            series = np.einsum("tk,fken->tfen", fit[1:], here)
            found.append(RowShift(row=row, low_m=low, high_m=high, ear=own, series=series))
        return tuple(found)


def _chebyshev_points(low: float, high: float, count: int) -> Floats:
    """Chebyshev points of the first kind between two ends."""
    return np.asarray(0.5 * (low + high) + 0.5 * (high - low) * np.cos((np.arange(count) + 0.5) * (pi / count)))


def _plane_field(project: Project, found: Anywhere, running: Running) -> PlaneField:
    """The listening plane, asked by reciprocity: the places are the model's seats, the nodes its sources."""
    hz, room = found.frequency_hz, project.room
    plane = plane_of(room, found)
    field = project_transfer(
        project,
        frequency_hz=hz,
        seat_m=found.position_m,
        source_m=plane.nodes_m(),
        precision=QUICK,
        running=running.under("listening plane"),
    ).transpose(0, 2, 1)
    parts = [_low_rank(one) for one in field - rough(plane.nodes_m(), found.position_m, room, hz)]
    return PlaneField(plane=plane, left=tuple(left for left, _ in parts), right=tuple(right for _, right in parts))


def plane_of(room: Room, found: Anywhere) -> Plane:
    """The listening plane at the mean height of the seats, its nodes off every place of a sub."""
    n_seat = found.listening.n_seat
    return listening_plane(
        room,
        ear_height_m=float(np.mean(found.listening.position_m[:n_seat, 2])),
        highest_hz=float(found.frequency_hz[-1]),
        sub_m=found.position_m,
    )


def _low_rank(matrix: Complexes) -> tuple[Complexes, Complexes]:
    """The leading singular vectors of a matrix (n, m), rms error `PLANE_ERROR`: (n, rank), (rank, m)."""
    short = matrix if matrix.shape[0] <= matrix.shape[1] else matrix.conj().T
    power, vectors = np.linalg.eigh(short @ short.conj().T)  # rising; squares are precise enough for this error
    left_out = np.cumsum(np.maximum(power, 0.0))
    rank = max(1, int(np.sum(left_out > PLANE_ERROR**2 * left_out[-1])))
    kept = vectors[:, -rank:][:, ::-1]
    if short is matrix:
        return kept, kept.conj().T @ matrix
    return matrix @ kept, kept.conj().T
