"""How hard each wall is in many built rooms at once: the terms of the reduced system that belong to the walls.

The boundary's part of the system is Y^-1, the inverse of the strengths (`acoustics.strengths`). In the reduced
basis Q it is a sum of fixed matrices with coefficients that are all that a built room changes:

- a locally reacting surface, or what lies before a pane: Q^T Q over its boundary modes, times 1 / y;
- the explicit modes of a pane: Q^T diag(1 / y_jk) Q. At one frequency the 1 / y_jk of all rooms that may be met lie
  close to a few directions, which sample rooms show (singular vectors); each direction is a fixed matrix;
- the skin of a pane: its inverse as drawn, times how much stiffer its lowest mode has become.

All strengths stand for boundary modes of the drawn rectangle; a rectangle that has grown by g = (its area / the drawn
one's)^(1/2) takes Y^-1 / g^2. In a room that is no box faces grow with the room; that moved blocks and slopes cover a
little more or less of them is left out.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import pi
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.stats import qmc

from roommodes.acoustics.air import Air
from roommodes.acoustics.layering.layers import WallLaw
from roommodes.acoustics.plates.panes import Plate, behind_one_another
from roommodes.acoustics.room import AXIS_OF_WALL, Room, Surface
from roommodes.acoustics.room_boundary import PLATE_MARGIN, Boundary, shown_parts
from roommodes.acoustics.strengths import (
    FrontStrength,
    LocalStrength,
    PlateStrength,
    SkinStrength,
    Strength,
    front_law,
    plate_modes,
    plate_reaction,
)
from roommodes.acoustics.wall_laws import Absorption
from roommodes.arrays import Complexes, Floats
from roommodes.project.constructions import AnyConstruction
from roommodes.project.project import Project
from roommodes.project.room import face_sides
from roommodes.shapes.faces import PLANE_AXES
from solvers.tolerance.inputs import Builds, Inputs, construction_names

Indices = NDArray[np.intp]

SAMPLES = 32  # rooms that show how the modes of a pane may change
DIRECTIONS, LEAST_DIRECTION = 10, 1e-12  # kept at most; what one must be of the first: the rest is rounding
SKIN_BEND = 2.0  # a skin's lowest mode: squared bending wavenumber over the highest explicit one's


@dataclass(frozen=True, slots=True)
class ManyAirs:
    """`roommodes.acoustics.air.Air` at many temperatures: every quantity is (n, 1)."""

    speed_of_sound_m_s: Floats
    density_kg_m3: Floats
    impedance_pa_s_m: Floats

    @classmethod
    def of(cls, temperature_c: Floats) -> "ManyAirs":
        """(n,) [deg C]."""
        airs = [Air(temperature_c=float(one)) for one in temperature_c]
        speed = np.array([air.speed_of_sound_m_s for air in airs])[:, None]
        density = np.array([air.density_kg_m3 for air in airs])[:, None]
        return cls(speed, density, speed * density)

    def part(self, index: NDArray[np.intp]) -> "ManyAirs":
        """Some of them, or some more than once."""
        return ManyAirs(self.speed_of_sound_m_s[index], self.density_kg_m3[index], self.impedance_pa_s_m[index])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Local:
    """Boundary modes that react at every point by themselves, on walls with one normal.

    Parameters
    ----------
    names : the layers' constructions, the inner one first.
    sides_m : of the surface as drawn [m].
    units : (2, 3) along its two sides.
    """

    names: tuple[str, ...]
    sides_m: tuple[float, float]
    units: Floats
    modes: Indices


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Glass:
    """Boundary modes of one pane: explicit plate modes, then the skin's.

    Parameters
    ----------
    units : (2, 3) along its two sides.
    waves2 : (2, plate mode) (j pi / a)^2, (k pi / b)^2 as drawn [1/m2].
    outside : (n_freq, plate mode) impedance of the air outside as drawn [Pa s/m].
    direction : (n_freq, direction, plate mode) what 1 / y is made of.
    """

    names: tuple[str, ...]
    sides_m: tuple[float, float]
    units: Floats
    plate: Indices
    skin: Indices
    skin_strength: SkinStrength
    waves2: Floats
    outside: Complexes
    direction: Complexes


class Walls:
    """The walls of a project in the reduced system.

    Parameters
    ----------
    inputs : what is uncertain.
    surfaces : of the drawn room, with the laws that `boundary` was made of.
    boundary : its boundary modes.
    frequency_hz : (n_freq,) that it will be asked for [Hz].
    """

    def __init__(
        self, inputs: Inputs, surfaces: Sequence[Surface], boundary: Boundary, *, frequency_hz: Floats
    ) -> None:
        self.inputs = inputs
        self.boundary = boundary
        self.omega = 2.0 * pi * frequency_hz
        room = inputs.project.room
        self.drawn_m, self.drawn_air = np.array(room.size_m), room.air
        self._known = inputs.project.constructions()
        self._place = {id(surface.law): index for index, surface in enumerate(surfaces)}
        names = construction_names(inputs.project)
        sides, units = law_sides(inputs.project, surfaces), [self._units(surface.wall) for surface in surfaces]
        panes = [surface for surface in shown_parts(room, surfaces) if isinstance(surface.law, Plate)]
        edges = np.cumsum([0, *(strength.size for strength in boundary.strengths)])
        local: dict[Any, tuple[Local, list[Indices]]] = {}
        glass: list[Glass] = []
        sobol = qmc.Sobol(max(inputs.size, 1), rng=0).random(SAMPLES)
        samples = inputs.drawn().joined(inputs.builds(sobol[:, : inputs.size]))
        for index, strength in enumerate(boundary.strengths):
            modes = np.arange(edges[index], edges[index + 1])
            if isinstance(strength, LocalStrength | FrontStrength):
                law = strength.law if isinstance(strength, LocalStrength) else strength.pane
                place = self._place[id(law)]
                one = Local(names=names[place], sides_m=sides[place], units=units[place], modes=modes)
                local.setdefault((one.names, law, one.units.tobytes()), (one, []))[1].append(modes)
            elif isinstance(strength, PlateStrength):
                place = self._place[id(strength.pane)]
                skin = boundary.strengths[index + 1]
                assert isinstance(skin, SkinStrength), "a pane's skin follows its plate modes"
                pane = panes[len(glass)]
                own = sides[place] if strength.pane.divides else _sides(pane)
                bare = self._bare(strength, skin, pane, units=units[place], names=names[place], sides_m=own)
                here = replace(bare, plate=modes, skin=np.arange(edges[index + 1], edges[index + 2]))
                glass.append(replace(here, direction=self._directions(here, samples)))
        self.local = tuple(replace(one, modes=np.concatenate(modes)) for one, modes in local.values())
        self.glass = tuple(glass)

    def matrices(self, basis: Complexes, omega: float) -> Complexes:
        """The fixed matrices in a basis (mode, r) at one of the frequencies [rad/s]: (n_term, r, r)."""
        index = int(np.argmin(np.abs(self.omega - omega)))
        found = [basis[one.modes].T @ basis[one.modes] for one in self.local]
        for pane in self.glass:
            plate, skin = basis[pane.plate], basis[pane.skin]
            found += [plate.T @ (one[:, None] * plate) for one in pane.direction[index]]
            drawn = pane.skin_strength.matrix(np.array([omega], dtype=np.complex128))[0]
            found.append(skin.T @ np.linalg.solve(drawn, skin))
        return np.stack(found)

    def terms(self, construction: str) -> slice | Indices:
        """Which of the fixed matrices hang on a construction; a slice, which is no copy, where they stand together."""
        sizes = [(one.names, 1) for one in self.local] + [(one.names, one.direction.shape[1] + 1) for one in self.glass]
        found = np.flatnonzero(np.repeat([construction in names for names, _ in sizes], [size for _, size in sizes]))
        return slice(found[0], found[-1] + 1) if np.ptp(found) == len(found) - 1 else found

    def coefficients(self, builds: Builds, omega: Floats, construction: str | None = None) -> Complexes:
        """What each fixed matrix is multiplied by, for all the frequencies.

        Parameters
        ----------
        builds : n rooms.
        omega : (n_freq,) [rad/s].
        construction : only of the matrices that hang on this one, see `terms`.

        Returns
        -------
        (n, n_freq, n_term).
        """
        air: Any = ManyAirs.of(builds.temperature_c)
        grown = builds.size_m / self.drawn_m
        w = omega[None, :].astype(np.complex128)
        found = []
        local = [one for one in self.local if construction is None or construction in one.names]
        glass = [one for one in self.glass if construction is None or construction in one.names]
        for one in local:
            first, second = _stretched(one.units, grown)
            area = (first * second)[:, None]
            law = self._law(one.names, one.sides_m, builds)
            front = front_law(law) if isinstance(law, Plate) else law
            assert front is not None, "a bare pane has no locally reacting part"
            beta = front.admittance(w + 0.0 * air.density_kg_m3, air)
            found.append((air.speed_of_sound_m_s / (1j * w * beta * area))[:, :, None])
        for pane in glass:
            inverse, stiffer = self._inverse(pane, builds)
            found += [(inverse @ np.linalg.pinv(pane.direction)).swapaxes(0, 1), stiffer.T[:, :, None]]
        return np.concatenate(found, axis=2)

    def strengths(self, room: Room, surfaces: Sequence[Surface]) -> tuple[Strength, ...]:
        """The strengths of one built room on the drawn room's boundary modes, its sides as drawn."""
        found: list[Strength] = []
        for strength in self.boundary.strengths:
            drawn = strength.law if isinstance(strength, LocalStrength) else strength.pane
            law: Any = surfaces[self._place[id(drawn)]].law
            name = "law" if isinstance(strength, LocalStrength) else "pane"
            changed: Any = {name: law, "air": room.air}
            found.append(replace(strength, **changed))
        return tuple(found)

    def _units(self, wall: str) -> Floats:
        """Along the two sides of a wall or a face: (2, 3)."""
        if wall in AXIS_OF_WALL:
            return np.eye(3)[list(PLANE_AXES[AXIS_OF_WALL[wall][0]])]
        plane = self.inputs.project.room.shape.face(wall)[0].plane
        return np.stack([plane.along, plane.up])

    def _bare(
        self,
        strength: PlateStrength,
        skin: SkinStrength,
        surface: Surface,
        *,
        units: Floats,
        names: tuple[str, ...],
        sides_m: tuple[float, float],
    ) -> Glass:
        """A pane as drawn, before its modes' places and its directions are known."""
        a, b = _sides(surface)
        numbers = plate_modes(strength.pane, a, b, PLATE_MARGIN * float(self.omega.max()))
        outside = np.zeros((len(self.omega), strength.size), dtype=np.complex128)
        if strength.radiation is not None:
            outside = strength.radiation.impedance_pa_s_m(self.omega.astype(np.complex128), strength.air)
        nowhere = np.empty(0, dtype=np.intp)
        return Glass(
            names=names,
            sides_m=sides_m,
            units=units,
            plate=nowhere,
            skin=nowhere,
            skin_strength=skin,
            waves2=np.stack([(numbers[:, 0] * pi / a) ** 2, (numbers[:, 1] * pi / b) ** 2]),
            outside=outside,
            direction=np.empty((0, 0, 0), dtype=np.complex128),
        )

    def _directions(self, pane: Glass, samples: Builds) -> Complexes:
        """What 1 / y of a pane's modes is made of in sample rooms: (n_freq, direction, plate mode)."""
        inverse = self._inverse(pane, samples)[0]
        size = np.linalg.norm(inverse, axis=1, keepdims=True)  # every mode counts alike, by what it may be
        _, strength, direction = np.linalg.svd(inverse / size, full_matrices=False)
        least = LEAST_DIRECTION * strength[:, :1]
        kept = min(DIRECTIONS, int(np.count_nonzero(strength > least, axis=1).max()))
        return np.asarray(direction[:, :kept] * size)

    def _inverse(self, pane: Glass, builds: Builds) -> tuple[Complexes, Complexes]:
        """1 / y of a pane's explicit modes (n_freq, n, plate mode), and its skin's over the drawn one's (n_freq, n)."""
        n_freq, count = len(self.omega), len(builds)
        at = np.tile(np.arange(count), n_freq)  # one frequency after the other, each with all rooms
        w = np.repeat(self.omega, count)[:, None].astype(np.complex128)
        air: Any = ManyAirs.of(builds.temperature_c).part(at)
        law = self._law(pane.names, pane.sides_m, builds.part(at))
        assert isinstance(law, Plate), "a pane stays one"
        first, second = (each[at, None] for each in _stretched(pane.units, builds.size_m / self.drawn_m))
        bend2 = pane.waves2[0] / first**2 + pane.waves2[1] / second**2
        drawn_air = self.drawn_air
        outside = np.repeat(pane.outside, count, axis=0) * (air.density_kg_m3 / drawn_air.density_kg_m3)
        area = first * second
        inverse = 1.0 / (plate_reaction(law, w, bend2, outside, air) * area)
        far = SKIN_BEND * pane.waves2.sum(axis=0).max()
        shape = 0.5 * (1.0 / first**2 + 1.0 / second**2)
        nothing = np.zeros((1, 1), dtype=np.complex128)
        drawn = plate_reaction(pane.skin_strength.pane, w, np.array([far]), nothing, drawn_air)
        built = plate_reaction(law, w, far * shape, nothing, air) * area
        return inverse.reshape(n_freq, count, bend2.shape[1]), (drawn / built).reshape(n_freq, count)

    def _law(self, names: tuple[str, ...], sides_m: tuple[float, float], builds: Builds) -> WallLaw | Plate:
        """The law of layers with every uncertain number as (n, 1)."""
        laws = []
        for name in names:
            table: AnyConstruction = self._known[name].table
            changed: dict[str, Any] = {}
            for index, one in enumerate(self.inputs.properties):
                if one.construction == name and one.field != "alpha":
                    changed[one.field] = getattr(table, one.field) * builds.factor[:, index, None]
            law: Any = table.model_copy(update=changed).law(sides_m)
            for index, one in enumerate(self.inputs.properties):
                if one.construction == name and one.field == "alpha" and isinstance(law, Absorption):
                    factor: Any = builds.factor[:, index, None]
                    law = replace(law, factor=factor)
            laws.append(law)
        return behind_one_another(laws)


def law_sides(project: Project, surfaces: Sequence[Surface]) -> list[tuple[float, float]]:
    """The sides that the law of each of `Project.surfaces` was made for [m]."""
    regions = len(surfaces) - len(project.tables.regions)
    found = []
    for index, surface in enumerate(surfaces):
        sides = _sides(surface)
        if index < regions and surface.wall not in AXIS_OF_WALL:
            sides = face_sides(project.room, surface)
        found.append(sides)
    return found


def _stretched(units: Floats, grown: Floats) -> tuple[Floats, Floats]:
    """By how much two sides grow: (2, 3), (n, 3) -> (n,), (n,)."""
    axes = [int(np.abs(unit).argmax()) if np.abs(unit).max() > 1.0 - 1e-9 else -1 for unit in units]
    first, second = (
        grown[:, axis] if axis >= 0 else np.asarray(np.linalg.norm(grown * unit, axis=1))
        for axis, unit in zip(axes, units, strict=True)
    )
    return first, second


def _sides(surface: Surface) -> tuple[float, float]:
    return (surface.to_m[0] - surface.from_m[0], surface.to_m[1] - surface.from_m[1])
