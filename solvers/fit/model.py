"""The model inside a fit: responses and their derivatives at one situation, each from what is already solved.

With P = (1 + Z Y)^-1 Z the pressure on the walls (boundary modes) from a seat or a source, a change dY of the walls
changes the transfer by

    dH = -4 pi P_s^T dY P_c,

so every parameter of every construction costs a few products. Seats and sources moved by a little are further
columns of the same solve. The room's size and loss change Z itself and are solved again.
"""

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from math import pi

import numpy as np

from roommodes.acoustics.layering.layers import WallLaw
from roommodes.acoustics.plates.panes import Plate
from roommodes.acoustics.ports import Ports
from roommodes.acoustics.precision import Precision
from roommodes.acoustics.room import Room, Surface
from roommodes.acoustics.room_boundary import boundary_of
from roommodes.acoustics.strengths import LocalStrength, Strength
from roommodes.acoustics.transfer import CHUNK_BYTES, bulk_k2, strength_times
from roommodes.arrays import Complexes, Floats
from roommodes.project.constructions import AnyConstruction, Construction, law_of_layers
from roommodes.running import Running
from solvers.fit.parameters import Parameter, Situation, Space

# a few 1e-3 of the seats' rms at worst, 1e-5 mostly: well below what a measurement holds
PRECISION = Precision(cut=2.5, extra_order=4, edge_wavenumber=30.0, plane_wavenumber=120.0, near_error=2e-2)
STEP_U = 1e-3  # differences of wall laws, in prior standard deviations
STEP_M = 5e-4  # by which seats and subs are moved for their derivatives [m]
STEP_SIZE_M = 2e-4
STEP_LOSS_U = 3e-3


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
    """

    def __init__(self, space: Space, frequency_hz: Floats, running: Running) -> None:
        self.space = space
        self.hz = frequency_hz
        self.running = running

    def transfer(self, situation: Situation) -> Complexes | None:
        """(n_freq, n_seat, n_sub) [1/m]; None when cancelled."""
        solved = self._solve(situation, situation.seat_m, situation.sub_m, ())
        return None if solved is None else solved[0]

    def response(
        self, u: Floats, wanted: Sequence[Parameter], at: dict[Parameter, float], note: str = ""
    ) -> Response | None:
        """Responses at the free parameters' values `u` with slopes of the `wanted` ones; None when cancelled.

        `at` holds the values of wanted parameters that are held (0, as they stand in the project); the progress
        begins at 0 and carries the note.
        """
        values = {**dict(zip(self.space.free, u.tolist(), strict=True)), **at}
        situation = self.space.situation_of(values)
        walls = [p for p in wanted if p.group == "walls"]
        again = [p for p in wanted if p.group in {"size", "loss"}]
        moved = {p for p in wanted if p.group in {"subs", "microphones"}}
        shifts, seats, subs = self._shifted(situation, moved)
        self.running.step("fit", 0.0, note)
        tables = [self.space.situation_of({**values, p: values[p] + STEP_U}).tables[p.owner] for p in walls]
        solved = self._solve(situation, seats, subs, list(zip(walls, tables, strict=True)))
        if solved is None:
            return None
        wide, wall_slopes = solved
        n_seat, n_sub = len(situation.seat_m), len(situation.sub_m)
        transfer = wide[:, :n_seat, :n_sub]
        slopes = {p: slope[:, :n_seat, :n_sub] for p, slope in wall_slopes.items()}
        for parameter, (column, step_u) in shifts.items():
            slope = np.zeros_like(transfer)
            if parameter.group == "subs":
                index = self.space.sub_name.index(parameter.owner)
                slope[:, :, index] = (wide[:, :n_seat, column] - transfer[:, :, index]) / step_u
            else:
                index = self.space.seat_name.index(parameter.owner)
                slope[:, index, :] = (wide[:, column, :n_sub] - transfer[:, index, :]) / step_u
            slopes[parameter] = slope
        for number, parameter in enumerate(again, 1):
            self.running.step("fit", number / (1 + len(again)), note)
            step = STEP_LOSS_U if parameter.group == "loss" else STEP_SIZE_M / parameter.sigma
            other = self.transfer(self.space.situation_of({**values, parameter: values[parameter] + step}))
            if other is None:
                return None
            slopes[parameter] = (other - transfer) / step
        return Response(transfer=transfer, slopes=slopes)

    def _shifted(
        self, situation: Situation, moved: set[Parameter]
    ) -> tuple[dict[Parameter, tuple[int, float]], Floats, Floats]:
        """Seats and subs with further ones moved a little; of each moved coordinate its column and step in u."""
        points = {"microphones": list(situation.seat_m), "subs": list(situation.sub_m)}
        names = {"microphones": self.space.seat_name, "subs": self.space.sub_name}
        size = np.array(situation.room.size_m)
        shifts: dict[Parameter, tuple[int, float]] = {}
        for parameter in sorted(moved, key=lambda p: (p.group, p.name)):
            axis = "xyz".index(parameter.key[0])
            place = points[parameter.group][names[parameter.group].index(parameter.owner)].copy()
            step = STEP_M if place[axis] + STEP_M <= size[axis] else -STEP_M
            if not _in_air(situation.room, place, axis, step):
                step = -step
            place[axis] += step
            shifts[parameter] = (len(points[parameter.group]), step / parameter.sigma)
            points[parameter.group].append(place)
        return shifts, np.array(points["microphones"]), np.array(points["subs"])

    def _solve(
        self,
        situation: Situation,
        seat_m: Floats,
        source_m: Floats,
        walls: Sequence[tuple[Parameter, AnyConstruction]],
    ) -> tuple[Complexes, dict[Parameter, Complexes]] | None:
        """Transfer between all points, and its slope for parameters of walls, each with its table `STEP_U` further."""
        surfaces, names = self.space.surfaces(situation)
        with ThreadPoolExecutor(self.running.thread_count) as pool:
            boundary = boundary_of(
                situation.room,
                surfaces,
                frequency_hz=self.hz,
                seat_m=seat_m,
                source_m=source_m,
                precision=PRECISION,
            )
            ports = Ports(
                situation.room,
                boundary.families,
                seat_m=seat_m,
                source_m=source_m,
                max_wavenumber=2.0 * pi * float(self.hz.max()) / situation.room.air.speed_of_sound_m_s,
                precision=PRECISION,
            )
            place = {id(surface.law): index for index, surface in enumerate(surfaces)}
            owner = [place[id(law_of(strength))] for strength in boundary.strengths]
            changed = [
                [
                    same_modes(strength, _law(situation, names[at], surfaces[at], p.owner, table))
                    if p.owner in names[at]
                    else None
                    for strength, at in zip(boundary.strengths, owner, strict=True)
                ]
                for p, table in walls
            ]
            numbers = (
                boundary.size * (2 * boundary.size + 4 * (len(seat_m) + len(source_m))) + 4.0 * ports.k2_modes.size
            )
            step = max(1, int(CHUNK_BYTES / (16.0 * numbers)))
            parts = [slice(start, start + step) for start in range(0, len(self.hz), step)]

            def block(part: slice) -> tuple[Complexes, list[Complexes]] | None:
                if self.running.stop_asked():
                    return None
                return _block(ports, boundary.strengths, self.hz[part], changed)

            found = list(pool.map(block, parts))
        if any(one is None for one in found):
            return None
        done = [one for one in found if one is not None]
        transfer = np.concatenate([one[0] for one in done])
        slopes = {p: np.concatenate([one[1][i] for one in done]) for i, (p, _) in enumerate(walls)}
        return transfer, slopes


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
    ports: Ports, strengths: Sequence[Strength], hz: Floats, changed: Sequence[Sequence[Strength | None]]
) -> tuple[Complexes, list[Complexes]]:
    """H at some frequencies (k, seat, source), and its slope for each set of changed strengths, per `STEP_U`."""
    omega = (2.0 * pi * hz).astype(np.complex128)
    z = ports.at(bulk_k2(ports.room, omega))
    pressure = z.seat_source
    size = z.boundary.shape[1]
    n_source = z.source_boundary.shape[1]
    if not size:
        return np.asarray(4.0 * pi * pressure), []
    points = np.concatenate([z.source_boundary, z.seat_boundary], axis=1).transpose(0, 2, 1)  # (k, mode, point)
    system = strength_times(strengths, omega, z.boundary)
    index = np.arange(size)
    system[:, index, index] += 1.0
    reaction = np.linalg.solve(system, strength_times(strengths, omega, points))  # Y (1 + Z Y)^-1 Z
    pressure = pressure - z.seat_boundary @ reaction[:, :, :n_source]
    on_walls = points - z.boundary @ reaction
    from_source, from_seat = on_walls[:, :, :n_source], on_walls[:, :, n_source:].transpose(0, 2, 1)
    slopes = []
    edges = np.cumsum([0, *(strength.size for strength in strengths)])
    for one in changed:
        slope = np.zeros_like(pressure)
        for old, new, start, end in zip(strengths, one, edges[:-1], edges[1:], strict=True):
            if new is None:
                continue
            step = new.matrix(omega) - old.matrix(omega)
            here = from_source[:, start:end]
            pulled = step[:, :, None] * here if step.ndim == 2 else step @ here
            slope -= from_seat[:, :, start:end] @ pulled
        slopes.append(4.0 * pi * slope / STEP_U)
    return np.asarray(4.0 * pi * pressure), slopes
