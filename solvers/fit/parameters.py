"""What a fit may change, from where, and how far: parameters with their priors.

Every parameter is counted in standard deviations u of its prior: positive quantities as x = x0 e^{sigma u}, lengths as
x = x0 + sigma u. So u = 0 is the project as it stands, and a wide prior is a large sigma. The sigmas say how well such
a figure is known before anything is measured (common practice, no source); values stay inside the file's ranges.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from roommodes.acoustics.curve import Curve
from roommodes.acoustics.room import WALLS, Room, Surface
from roommodes.acoustics.wall_laws import ALPHA_MAX
from roommodes.arrays import Floats
from roommodes.errors import Fault, ProjectInvalid
from roommodes.project.construction_kinds.plain_constructions import MeasuredAdmittanceTable
from roommodes.project.constructions import KINDS, AnyConstruction, Construction, layers_in, layers_words
from roommodes.project.project import Project
from roommodes.project.reading import nearest
from roommodes.project.room import face_surface, solid_faces, surface_of
from roommodes.ranges import number
from roommodes.toml.values import Range
from solvers.fit.parameter import GROUPS, Group, Parameter, length
from solvers.fit.priors import FREE, LEAST_RE, LOSS, MICROPHONE_M, SUB_M, USUAL, Known
from solvers.fit.shape import MovableShape

UNITS = (
    ("_kg_m2", "kg/m2"),
    ("_kg_m3", "kg/m3"),
    ("_pa_s_m2", "Pa s/m2"),
    ("_pa_s_m", "Pa s/m"),
    ("_pa_m", "Pa/m"),
    ("_pa", "Pa"),
    ("_m", "m"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Situation:
    """A room with everything that a fit may have changed.

    Parameters
    ----------
    room : the room.
    tables : constructions in use, by name.
    sub_m, seat_m : (n_sub, 3), (n_seat, 3) [m].
    """

    room: Room
    tables: Mapping[str, AnyConstruction]
    sub_m: Floats
    seat_m: Floats


class Space:
    """All parameters of a fit, and what the room is for given values of them.

    Parameters
    ----------
    project : where the fit starts.
    sub_name, sub_m, seat_name, seat_m : what was measured, and where [m].
    hold : groups, owners or parameters that stay as they are.
    instead : constructions to take in place of the project's own, by name.
    known : how well the room is known before measuring.

    Raises
    ------
    ProjectInvalid : `hold` names something that is no parameter, or holds everything.
    """

    def __init__(
        self,
        project: Project,
        *,
        sub_name: Sequence[str],
        sub_m: Floats,
        seat_name: Sequence[str],
        seat_m: Floats,
        hold: Sequence[str] = (),
        instead: Mapping[str, AnyConstruction] | None = None,
        known: Known = USUAL,
    ) -> None:
        self.project = project
        self.replaced = frozenset(instead or ())
        self._known = known
        self.sub_m, self.seat_m = sub_m, seat_m
        self.sub_name, self.seat_name = tuple(sub_name), tuple(seat_name)
        self.shape = MovableShape(project.room)
        self._solid_faces = solid_faces(project.tables.blocks, project.tables.slopes)
        library = project.constructions()
        walls = [getattr(project.tables.walls, wall) for wall in WALLS]
        solids = [self._solid_faces[face] for face in self._solid_faces if project.room.shape.face(face)]
        made = [*walls, *solids, *(region.construction for region in project.tables.regions)]
        names = dict.fromkeys(name for each in made for name in layers_in(each))
        self.used: dict[str, Construction] = {name: library[name] for name in names}
        for name, table in (instead or {}).items():
            self.used[name] = Construction(name=name, table=table)
        possible = (*self._walls(), *self._room(), *self._places())
        _refuse_unknown(project, possible, hold)
        self.free = tuple(p for p in possible if not {p.group, p.owner, p.name, p.key} & set(hold))
        self.held = tuple(p for p in possible if p not in self.free)
        if not self.free:
            raise ProjectInvalid(project.source, [Fault(where="", message="everything is held; leave something free.")])

    def situation(self, u: Floats) -> Situation:
        """The room for values (n_free,) of the free parameters, in prior standard deviations."""
        return self.situation_of(dict(zip(self.free, u.tolist(), strict=True)))

    def situation_of(self, values: Mapping[Parameter, float]) -> Situation:
        """The room for some parameters' values; all others stay as they are in the project."""
        room = self.project.room
        tables = {name: one.table for name, one in self.used.items()}
        sub_m, seat_m = self.sub_m.copy(), self.seat_m.copy()
        changes: dict[str, Any] = {}
        for parameter, u in values.items():
            value = parameter.value(u)
            if parameter.group in {"size", "loss"}:
                changes[parameter.key] = value
            elif parameter.group == "shape":
                continue  # below, all of them together
            elif parameter.group == "walls":
                tables[parameter.owner] = with_value(tables[parameter.owner], parameter, value)
            elif parameter.group == "subs":
                sub_m[self.sub_name.index(parameter.owner), "xyz".index(parameter.key[0])] = value
            else:
                seat_m[self.seat_name.index(parameter.owner), "xyz".index(parameter.key[0])] = value
        room = self.shape.moved(replace(room, **changes), values)
        size = np.array(room.size_m)
        sub_m, seat_m = np.clip(sub_m, 0.0, size), np.clip(seat_m, 0.0, size)
        if not room.is_box:  # what would go into a block stays where it was given
            for moved, given in ((sub_m, self.sub_m), (seat_m, self.seat_m)):
                solid = ~room.shape.contains(moved)
                moved[solid] = given[solid]
        return Situation(room=room, tables=tables, sub_m=sub_m, seat_m=seat_m)

    def surfaces(self, situation: Situation) -> tuple[tuple[Surface, ...], tuple[tuple[str, ...], ...]]:
        """The walls of a situation in the order of `Project.surfaces`, and each one's layers by name.

        What ends at a wall's far edge in the project goes on to end there when the room's size changes.
        """
        tables = self.project.tables
        before = self.project.room
        found: list[tuple[Surface, tuple[str, ...]]] = []
        for wall in WALLS:
            layers = layers_in(getattr(tables.walls, wall))
            if any(situation.tables[name].kind != "rigid" for name in layers):
                size = situation.room.wall_size_m(wall)
                found.append((self._surface(situation, layers, wall, (0.0, 0.0), size), layers))
        for face, construction in self._solid_faces.items():
            layers = layers_in(construction)
            touched = situation.room.shape.face(face) if set(layers) <= set(situation.tables) else ()
            if touched and any(situation.tables[name].kind != "rigid" for name in layers):
                made = [Construction(name=name, table=situation.tables[name]) for name in layers]
                found.append((face_surface(situation.room, face, made, name=layers_words(construction)), layers))
        for region in tables.regions:
            if not before.is_box:
                layers = layers_in(region.construction)
                ends = (self.shape.corner(region.wall, each, situation.room) for each in (region.from_m, region.to_m))
                found.append((self._surface(situation, layers, region.wall, *ends), layers))
                continue
            old, new = before.wall_size_m(region.wall), situation.room.wall_size_m(region.wall)
            corners = [
                tuple(moved_edge(x, old=o, new=n) for x, o, n in zip(corner, old, new, strict=True))
                for corner in (region.from_m, region.to_m)
            ]
            (a0, a1), (b0, b1) = corners
            layers = layers_in(region.construction)
            found.append((self._surface(situation, layers, region.wall, (a0, a1), (b0, b1)), layers))
        return tuple(surface for surface, _ in found), tuple(layers for _, layers in found)

    @staticmethod
    def _surface(
        situation: Situation, layers: tuple[str, ...], wall: str, a: tuple[float, float], b: tuple[float, float]
    ) -> Surface:
        made = [Construction(name=name, table=situation.tables[name]) for name in layers]
        return surface_of(made, wall, a, b, name=layers_words(layers))

    def _walls(self) -> list[Parameter]:
        found = []
        for name, construction in self.used.items():
            table = construction.table
            if isinstance(table, MeasuredAdmittanceTable):
                found += free_admittance(name, table, self._known.im_beta)
                continue
            for key, sigma in FREE.get(table.kind, {}).items():
                start = 1.0 if key == "alpha" else float(getattr(table, key))
                if start == 0.0:
                    continue  # nothing to scale; write a first guess into the project to have it fitted
                low, high = _range(table, key, start)
                found.append(
                    Parameter(
                        group="walls",
                        owner=name,
                        key=key,
                        unit=next((unit for end, unit in UNITS if key.endswith(end)), ""),
                        start=start,
                        sigma=sigma,
                        logarithmic=True,
                        low=low,
                        high=high,
                    )
                )
        return found

    def _room(self) -> list[Parameter]:
        room = self.project.room
        found = []
        if room.loss_factor > 0.0:
            found.append(
                Parameter(
                    group="loss",
                    owner="",
                    key="loss_factor",
                    unit="",
                    start=room.loss_factor,
                    sigma=LOSS,
                    logarithmic=True,
                    low=1e-5,
                    high=0.2,
                )
            )
        sizes = ("length_m", "width_m", "height_m") if room.is_box else ()  # else its planes move
        for key, size in zip(sizes, room.size_m, strict=False):
            found.append(length("size", "", key, size, self._known.size_m, high=60.0))
        return [*found, *self.shape.planes]

    def _places(self) -> list[Parameter]:
        room = self.project.room
        found = []
        sides: tuple[tuple[Group, tuple[str, ...], Floats, float], ...] = (
            ("subs", self.sub_name, self.sub_m, SUB_M),
            ("microphones", self.seat_name, self.seat_m, MICROPHONE_M),
        )
        for group, names, places, sigma in sides:
            for name, place in zip(names, places, strict=True):
                for axis, key in enumerate(("x_m", "y_m", "z_m")):
                    found.append(length(group, name, key, float(place[axis]), sigma, high=room.size_m[axis]))
        return found


def free_admittance(
    owner: str, table: MeasuredAdmittanceTable, im_beta: tuple[float, float] = USUAL.im_beta
) -> list[Parameter]:
    """Real and imaginary part at every point of an admittance's curves."""
    found = []
    for key, curve in (("beta_re", table.beta_re), ("beta_im", table.beta_im)):
        for hz, value in zip(curve.hz, curve.value, strict=True):
            real = key == "beta_re"
            found.append(
                Parameter(
                    group="walls",
                    owner=owner,
                    key=key,
                    unit="",
                    start=max(value, LEAST_RE) if real else value,
                    sigma=FREE[table.kind][key] if real else im_beta[0] + im_beta[1] * abs(value),
                    logarithmic=real,
                    low=1e-5 if real else -100.0,
                    high=100.0,
                    at_hz=hz,
                )
            )
    return found


def moved_edge(value: float, *, old: float, new: float) -> float:
    """A coordinate on a wall whose length went from `old` to `new`: what ended at the far edge still does."""
    return new if abs(value - old) < 1e-6 else min(value, new)


def with_value(table: AnyConstruction, parameter: Parameter, value: float) -> AnyConstruction:
    """The construction with one parameter changed; a curve is scaled as a whole."""
    if parameter.at_hz is not None:
        whole: Curve = getattr(table, parameter.key)
        points = zip(whole.hz, whole.value, strict=True)
        changed: Any = Curve(whole.hz, tuple(value if hz == parameter.at_hz else old for hz, old in points))
    elif parameter.key == "alpha":
        curve: Curve = getattr(table, "alpha")  # noqa: B009 (only this kind has it)
        changed = Curve(curve.hz, tuple(min(alpha * value, ALPHA_MAX) for alpha in curve.value))
    else:
        changed = value
    return table.model_copy(update={parameter.key: changed})


def _range(table: AnyConstruction, key: str, start: float) -> tuple[float, float]:
    """What the file allows for a construction's key, on the side of zero where the value stands."""
    if key == "alpha":
        return 1e-3, 1e3
    allowed = next(one for one in KINDS[table.kind].model_fields[key].metadata if isinstance(one, Range))
    tiny = 1e-9 * abs(start)
    return (max(allowed.low, tiny), allowed.high) if start > 0.0 else (allowed.low, -tiny)


def _refuse_unknown(project: Project, possible: Sequence[Parameter], hold: Sequence[str]) -> None:
    known = dict.fromkeys(
        [*GROUPS, *(p.owner for p in possible if p.owner), *(p.name for p in possible), *(p.key for p in possible)]
    )
    faults = [
        Fault(
            where="",
            message=f"{number_or_text(name)} is nothing that a fit may change.{nearest(name, list(known))} Groups: "
            f"{', '.join(GROUPS)}; or a construction, a block, a slope, a sub, a seat, or one of their parameters.",
        )
        for name in hold
        if name not in known
    ]
    if faults:
        raise ProjectInvalid(project.source, faults)


def number_or_text(name: str) -> str:
    """A name as it is shown in a message."""
    return f'"{name[:60]}"' if name else number(0)
