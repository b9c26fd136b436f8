"""The model inside a fit: responses and their derivatives at one situation, all from one solve a frequency.

With X = (1 + Y Z)^-1 Y and Z the rigid room's port matrix (`acoustics.transfer`), H = 4 pi [Z_sc - Z_sb X Z_bc]. Then

    dH = -4 pi P_s^T dY P_c                  where walls change, P = Z_bp - Z_bb X Z_bp the pressure on the walls;
    dH = 4 pi [1, -X Z_bs]^T dZ [1, -X Z_bc]      where the room does (`room_slopes`);

and a seat or a sub moved by a little is one more row of Z. So no parameter asks for a solve of its own.
"""

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from math import pi
from typing import Any

import numpy as np

from roommodes.acoustics.layering.layers import WallLaw
from roommodes.acoustics.plates.panes import Plate
from roommodes.acoustics.ports import Ports
from roommodes.acoustics.precision import Precision
from roommodes.acoustics.room import Room, Surface
from roommodes.acoustics.room_boundary import Boundary, boundary_of, families_of
from roommodes.acoustics.strengths import LocalStrength, Matrices, PlateStrength, SkinStrength, Strength
from roommodes.acoustics.transfer import CHUNK_BYTES, bulk_k2
from roommodes.acoustics.wall_bases import Family
from roommodes.arrays import Complexes, Floats
from roommodes.elements.field import ShapedField
from roommodes.project.constructions import AnyConstruction, Construction, law_of_layers
from roommodes.running import Running
from solvers.fit.parameter import Parameter
from solvers.fit.parameters import Situation, Space
from solvers.fit.slopes.room import AnyFamily, Enlarged, RoomSlopes
from solvers.fit.slopes.shape import ShapeSlopes

# a few 1e-3 of the seats' rms at worst, 1e-5 mostly: well below what a measurement holds
FINE = Precision(cut=2.5, lowest_cut=5.0, extra_order=4, edge_wavenumber=20.0, plane_wavenumber=60.0, near_error=2e-2)
# 1e-3 of the seats' rms on average, 1e-2 at worst, at a third of the time: on the way
QUICK = Precision(
    cut=2.0,
    lowest_cut=4.0,
    nodes=(1.0, 4.0),
    extra_order=2,
    fewest_extra=1,
    edge_wavenumber=10.0,
    plane_wavenumber=30.0,
    near_error=0.5,
)
STEP_U = 1e-3  # differences of wall laws, in prior standard deviations
STEP_LOSS_U = 1e-2  # of the loss of a room that is no box, and of the sides of a box among blocks, likewise
# by which the room is enlarged: the first that leaves all modes of its walls as they are
STEPS_ROOM_M = (5e-5, -5e-5, 5e-7, -5e-7, 5e-9, -5e-9)
STEP_M = 5e-4  # by which seats and subs are moved for their derivatives [m]


@dataclass(frozen=True, slots=True, kw_only=True)
class Response:
    """A situation's responses and their derivatives.

    Parameters
    ----------
    transfer : (n_freq, n_seat, n_sub) complex128 [1/m].
    slopes : by parameter, d transfer / du (u in prior standard deviations), same shape.
    """

    transfer: Complexes
    slopes: dict[Parameter, Complexes]


class FitModel:
    """Responses of a space's situations at fixed frequencies.

    Parameters
    ----------
    space : parameters.
    frequency_hz : (n_freq,) [Hz].
    running : asked between blocks of frequencies whether to stop; the work then ends early with None.
    precision : how far the sums go.
    """

    def __init__(self, space: Space, frequency_hz: Floats, running: Running, precision: Precision = FINE) -> None:
        self.space = space
        self.hz = frequency_hz
        self.running = running
        self.precision = precision

    def transfer(self, situation: Situation) -> Complexes | None:
        """(n_freq, n_seat, n_sub) [1/m]; None when cancelled."""
        solved = self._solve(Wanted(self.space, situation, {}, ()))
        return None if solved is None else solved.transfer

    def response(
        self, u: Floats, wanted: Sequence[Parameter], at: dict[Parameter, float], note: str = ""
    ) -> Response | None:
        """Responses at the free parameters' values `u` with slopes of the `wanted` ones; None when cancelled.

        `at` holds the values of wanted parameters that are held (0, as they stand in the project); the progress
        begins at 0 and carries the note.
        """
        values = {**dict(zip(self.space.free, u.tolist(), strict=True)), **at}
        self.running.step("fit", 0.0, note)
        return self._solve(Wanted(self.space, self.space.situation_of(values), values, wanted))

    def _solve(self, wanted: "Wanted") -> Response | None:
        room = wanted.situation.room
        surfaces, names = self.space.surfaces(wanted.situation)
        boundary = self.boundary(wanted.situation, surfaces)
        ports = self.ports(wanted, boundary)
        changed = wanted.changed(boundary, surfaces, names)
        slopes_of_room: RoomSlopes | ShapeSlopes | None = self._shape_slopes(wanted, ports)
        if wanted.room and room.is_box:
            slopes_of_room = RoomSlopes(
                room,
                boundary.families,
                self._enlarged(wanted, boundary, surfaces),
                seat_m=wanted.situation.seat_m,
                source_m=wanted.situation.sub_m,
                top_hz=float(self.hz.max()),
            )
        numbers = boundary.size * (2 * boundary.size + 4 * wanted.points) + 4.0 * ports.k2_modes.size
        step = max(1, int(CHUNK_BYTES / (16.0 * numbers)))
        parts = [slice(start, start + step) for start in range(0, len(self.hz), step)]

        def block(part: slice) -> dict[Parameter | None, Complexes] | None:
            if self.running.stop_asked():
                return None
            return _block(ports, boundary.strengths, self.hz[part], wanted, changed, slopes_of_room)

        threads = replace(ports.effort, at_once=step).blocks(self.running.thread_count)
        with ThreadPoolExecutor(threads) as pool:
            found = list(pool.map(block, parts))
        done = [one for one in found if one is not None]
        if len(done) < len(found):
            return None
        joined = {key: np.concatenate([one[key] for one in done]) for key in done[0]}
        transfer, slopes = joined.pop(None), {p: value for p, value in joined.items() if p}
        for parameter in () if room.is_box else wanted.room:
            if parameter in slopes:
                continue
            other = self.transfer(wanted.with_moved(parameter, STEP_LOSS_U))
            if other is None:
                return None
            slopes[parameter] = (other - transfer) / STEP_LOSS_U
        return Response(transfer=transfer, slopes=slopes)

    def _shape_slopes(self, wanted: "Wanted", ports: Ports) -> ShapeSlopes | None:
        """Slopes over planes of blocks and slopes, where the room is solved by elements."""
        situation = wanted.situation
        planes = self.space.shape.planes_in(situation.room, wanted.room) if isinstance(ports.field, ShapedField) else {}
        if not planes or self.running.stop_asked():
            return None
        assert isinstance(ports.field, ShapedField), "its planes are asked for"
        return ShapeSlopes(
            situation.room, ports.field, planes, seats=len(situation.seat_m), sources=len(situation.sub_m)
        )

    def _enlarged(self, wanted: "Wanted", boundary: Boundary, surfaces: Sequence[Surface]) -> dict[str, Enlarged]:
        """For each size whose slope is wanted a room that is a little larger."""
        found = {}
        for parameter in wanted.room:
            if parameter.group != "size":
                continue
            for step in STEPS_ROOM_M:  # a plate of a whole wall gains modes with its size, on either side
                other = wanted.with_moved(parameter, step / parameter.sigma)
                others = self.space.surfaces(other)[0]
                families = families_of(other.room, others, **self._asked(other))
                if not _alike(families, boundary.families):
                    continue
                strengths: tuple[Strength | None, ...] = ()
                if any(_reacts_otherwise(one, here) for one, here in zip(others, surfaces, strict=True)):
                    strengths = self.boundary(other, others).strengths
                    if _plate_modes_in(strengths) != _plate_modes_in(boundary.strengths):
                        continue
                found[parameter.key] = Enlarged(step_m=step, room=other.room, families=families, strengths=strengths)
                break
        return found

    def ports(self, wanted: "Wanted", boundary: Boundary) -> Ports:
        """The rigid room seen from a boundary, seats and subs."""
        room = wanted.situation.room
        return Ports(
            room,
            boundary.families,
            seat_m=wanted.seat_m,
            source_m=wanted.sub_m,
            max_wavenumber=2.0 * pi * float(self.hz.max()) / room.air.speed_of_sound_m_s,
            precision=self.precision,
        )

    def boundary(self, situation: Situation, surfaces: Sequence[Surface]) -> Boundary:
        """The walls of a situation as modes with strengths."""
        return boundary_of(situation.room, surfaces, **self._asked(situation))

    def _asked(self, situation: Situation) -> dict[str, Any]:
        """Frequencies, places and precision that boundary modes are made for."""
        return {
            "frequency_hz": self.hz,
            "seat_m": situation.seat_m,
            "source_m": situation.sub_m,
            "precision": self.precision,
        }


class Wanted:
    """A situation, and of which parameters its responses' slopes are wanted.

    Seats and subs that are moved a little for their slopes stand behind the others in `seat_m` and `sub_m`.
    """

    def __init__(
        self, space: Space, situation: Situation, values: dict[Parameter, float], wanted: Sequence[Parameter]
    ) -> None:
        self.space, self.situation, self.values = space, situation, values
        self.walls = [p for p in wanted if p.group == "walls"]
        self.room = [p for p in wanted if p.group in {"size", "loss", "shape"}]
        points = {"microphones": list(situation.seat_m), "subs": list(situation.sub_m)}
        names = {"microphones": space.seat_name, "subs": space.sub_name}
        size = np.array(situation.room.size_m)
        self.moved: list[tuple[Parameter, int, int, float]] = []  # its place among the points, its own row, the step
        for parameter in wanted:
            if parameter.group not in points:
                continue
            axis = "xyz".index(parameter.key[0])
            owner = names[parameter.group].index(parameter.owner)
            place = points[parameter.group][owner].copy()
            step = STEP_M if place[axis] + STEP_M <= size[axis] else -STEP_M
            if not _in_air(situation.room, place, axis, step):
                step = -step
            place[axis] += step
            self.moved.append((parameter, owner, len(points[parameter.group]), step / parameter.sigma))
            points[parameter.group].append(place)
        self.seat_m, self.sub_m = np.array(points["microphones"]), np.array(points["subs"])

    @property
    def points(self) -> int:
        """Seats and subs, moved ones too."""
        return len(self.seat_m) + len(self.sub_m)

    def changed(
        self,
        boundary: Boundary,
        surfaces: Sequence[Surface],
        names: Sequence[Sequence[str]],
        by_u: float = STEP_U,
    ) -> list[tuple[Parameter, list[Strength | None]]]:
        """For each parameter of walls the strengths with its value so much further; None where they stay."""
        place = {id(surface.law): index for index, surface in enumerate(surfaces)}
        owners = [place[id(law_of(strength))] for strength in boundary.strengths]
        found = []
        for parameter in self.walls:
            moved, owner = self.with_moved(parameter, by_u), parameter.owner
            strengths = [
                same_modes(strength, _law(moved, names[at], surfaces[at], owner, moved.tables[owner]))
                if owner in names[at]
                else None
                for strength, at in zip(boundary.strengths, owners, strict=True)
            ]
            found.append((parameter, strengths))
        return found

    def with_moved(self, parameter: Parameter, by_u: float) -> Situation:
        """The situation with one parameter moved by so many prior standard deviations."""
        return self.space.situation_of({**self.values, parameter: self.values[parameter] + by_u})


def _alike(families: Sequence[AnyFamily], others: Sequence[AnyFamily]) -> bool:
    """Whether boundary modes of two sizes of a box are the same ones."""
    modes = [[one.keep.tolist() for one in each if isinstance(one, Family)] for each in (families, others)]
    return modes[0] == modes[1]


def _plate_modes_in(strengths: Sequence[Strength]) -> list[int]:
    """How many plate modes each strength has, explicit or in a skin."""
    return [len(one.bend2) for one in strengths if isinstance(one, PlateStrength | SkinStrength)]


def _reacts_otherwise(one: Surface, other: Surface) -> bool:
    """Whether a surface's strengths are others in a room of another size."""
    sides = [(each.to_m[0] - each.from_m[0], each.to_m[1] - each.from_m[1]) for each in (one, other)]
    return one.law != other.law or (isinstance(one.law, Plate) and sides[0] != sides[1])


def _in_air(room: Room, place: Floats, axis: int, step: float) -> bool:
    """Whether a place moved along an axis lies in the air of a room that is no box; in a box it does."""
    moved = place + step * np.eye(3)[axis]
    return room.is_box or bool(room.shape.contains(moved[None])[0])


def law_of(strength: Strength) -> WallLaw | Plate:
    """The law behind a strength."""
    return strength.law if isinstance(strength, LocalStrength) else strength.pane


def same_modes(strength: Strength, law: WallLaw | Plate) -> Strength:
    """The strength of the same boundary modes under another law of the same kind."""
    if isinstance(strength, LocalStrength):
        if isinstance(law, Plate):
            raise TypeError("a locally reacting surface cannot become a pane on the same modes")
        return replace(strength, law=law)
    if not isinstance(law, Plate):
        raise TypeError("a pane cannot become a locally reacting surface on the same modes")
    return replace(strength, pane=law)


def _law(
    situation: Situation, layers: Sequence[str], surface: Surface, owner: str, table: AnyConstruction
) -> WallLaw | Plate:
    """The law of a surface with the table of one of its layers changed."""
    tables = {**situation.tables, owner: table}
    sides = (surface.to_m[0] - surface.from_m[0], surface.to_m[1] - surface.from_m[1])
    return law_of_layers([Construction(name=name, table=tables[name]) for name in layers], sides)


def _block(
    ports: Ports,
    strengths: Sequence[Strength],
    hz: Floats,
    wanted: Wanted,
    changed: Sequence[tuple[Parameter, list[Strength | None]]],
    room: RoomSlopes | ShapeSlopes | None,
) -> dict[Parameter | None, Complexes]:
    """H at some frequencies (k, seat, source) under None, and its slope for each wanted parameter."""
    omega = (2.0 * pi * hz).astype(np.complex128)
    z = ports.at(bulk_k2(ports.room, omega))
    n_seat, n_source = len(wanted.situation.seat_m), len(wanted.situation.sub_m)
    size = z.boundary.shape[1]
    points = np.concatenate([z.source_boundary[:, :n_source], z.seat_boundary[:, :n_seat]], axis=1)
    points = points.transpose(0, 2, 1)  # (k, mode, point)
    matrices, reaction = Matrices(omega), np.zeros_like(points)
    if size:
        system = matrices.system(strengths, z.boundary)
        reaction = np.linalg.solve(system, matrices.times(strengths, points))  # X Z
    to_source, to_seat = reaction[:, :, :n_source], reaction[:, :, n_source:].transpose(0, 2, 1)
    by_seat = z.seat_source[:, :, :n_source] - z.seat_boundary @ to_source  # moved seats too
    by_source = z.seat_source[:, :n_seat] - to_seat @ z.source_boundary.transpose(0, 2, 1)  # moved sources too
    pressure = by_seat[:, :n_seat]
    found: dict[Parameter | None, Complexes] = {None: 4.0 * pi * pressure}
    for parameter, owner, row, step in wanted.moved:
        slope = np.zeros_like(pressure)
        if parameter.group == "subs":
            slope[:, :, owner] = (by_source[:, :, row] - pressure[:, :, owner]) / step
        else:
            slope[:, owner] = (by_seat[:, row] - pressure[:, owner]) / step
        found[parameter] = 4.0 * pi * slope
    on_walls = points - z.boundary @ reaction
    from_source, from_seat = on_walls[:, :, :n_source], on_walls[:, :, n_source:].transpose(0, 2, 1)
    edges = np.cumsum([0, *(strength.size for strength in strengths)])

    def by_walls(further: Sequence[Strength | None]) -> Complexes:
        """The change of H with other strengths; None where they stay."""
        slope = np.zeros_like(pressure)
        for old, new, start, end in zip(strengths, further, edges[:-1], edges[1:], strict=True):
            if new is None:
                continue
            change = matrices.of(new) - matrices.of(old)
            here = from_source[:, start:end]
            pulled = change[:, :, None] * here if change.ndim == 2 else change @ here
            slope -= from_seat[:, :, start:end] @ pulled
        return np.asarray(4.0 * pi * slope)

    for parameter, further in changed:
        found[parameter] = by_walls(further) / STEP_U
    for parameter in wanted.room:
        if room is None or not room.tells(parameter):
            continue
        slope = room.slope(parameter, omega, to_seat=to_seat, to_source=to_source)
        other = room.enlarged.get(parameter.key)
        if other and other.strengths:
            slope += by_walls(other.strengths) / other.step_m
        found[parameter] = parameter.slope(wanted.values[parameter]) * slope
    return found
