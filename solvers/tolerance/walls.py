"""How hard each wall is in many built rooms at once: the terms of the reduced system that belong to the walls.

The boundary's part of the system is Y^-1, the inverse of the strengths (`acoustics.strengths`). In the reduced
basis Q it is a sum of fixed matrices with coefficients that are all that a built room changes:

- a locally reacting surface: Q^T Q over its boundary modes, times 1 / y;
- the explicit modes of a pane: Q^T Q times (m omega^2 - j omega r) / (omega^2 rho), and three matrices, one for each
  term of omega_jk^2 = (D/m) [(j pi/a)^4 + 2 (j pi/a)^2 (k pi/b)^2 + (k pi/b)^4], since both sides may grow;
- the skin of a pane: Y = (first / lambda) sum over t of x^t M_t with x = step / lambda and lambda the pane's
  omega_jk^2 over the drawn one's, so that Y^-1 = (lambda / first) F(x); F is smooth, and passed through `NODES`
  values of x.

All strengths stand for boundary modes of the drawn rectangle; a rectangle that has grown by g = (its area / the drawn
one's)^(1/2) takes Y^-1 / g^2.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import pi
from typing import Any

import numpy as np
from numpy.typing import NDArray

from roommodes.acoustics.air import Air
from roommodes.acoustics.curve import Curve
from roommodes.acoustics.room import Pane, Room, Surface
from roommodes.acoustics.room_boundary import PLATE_MARGIN, Boundary
from roommodes.acoustics.strengths import LocalStrength, PlateStrength, SkinStrength, Strength, plate_modes
from roommodes.acoustics.visible_surfaces import visible
from roommodes.acoustics.wall_laws import ALPHA_MAX, Absorption, ConstantAdmittance, admittance_of_absorption
from roommodes.arrays import Complexes, Floats
from roommodes.shapes.faces import PLANE_AXES
from solvers.tolerance.inputs import Builds, Inputs, construction_names

Indices = NDArray[np.intp]

NODES = 4  # values of x at which a skin is inverted


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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Local:
    """Boundary modes of one construction on walls with one normal."""

    law: Any
    construction: str
    axis: int
    modes: Indices


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Glass:
    """Boundary modes of one pane: explicit plate modes, then the skin's."""

    pane: Pane
    construction: str
    axis: int
    plate: Indices
    skin: Indices
    parts: Floats  # (3, plate mode): (j pi / a)^4, 2 (j pi / a)^2 (k pi / b)^2, (k pi / b)^4
    moments: Floats


class Walls:
    """The walls of a project in the reduced system.

    Parameters
    ----------
    inputs : what is uncertain.
    surfaces : of the drawn room, with the laws that `boundary` was made of.
    boundary : its boundary modes.
    max_omega : the highest frequency that the boundary was made for [rad/s].
    """

    def __init__(self, inputs: Inputs, surfaces: Sequence[Surface], boundary: Boundary, *, max_omega: float) -> None:
        self.inputs = inputs
        self.boundary = boundary
        self._place = {id(surface.law): index for index, surface in enumerate(surfaces)}
        names = construction_names(inputs.project)
        panes = [surface for surface in visible(surfaces) if isinstance(surface.law, Pane)]
        edges = np.cumsum([0, *(strength.size for strength in boundary.strengths)])
        local: dict[tuple[str, int], tuple[Any, list[Indices]]] = {}
        glass: list[Glass] = []
        for index, (family, strength) in enumerate(zip(boundary.families, boundary.strengths, strict=True)):
            modes = np.arange(edges[index], edges[index + 1])
            if isinstance(strength, LocalStrength):
                name = names[self._place[id(strength.law)]]
                local.setdefault((name, family.normal_axis), (strength.law, []))[1].append(modes)
            elif isinstance(strength, PlateStrength):
                surface = panes[len(glass)]
                a, b = (high - low for low, high in zip(surface.from_m, surface.to_m, strict=True))
                numbers = plate_modes(strength.pane, a, b, PLATE_MARGIN * max_omega)
                first, second = (numbers[:, 0] * pi / a) ** 2, (numbers[:, 1] * pi / b) ** 2
                skin = boundary.strengths[index + 1]
                assert isinstance(skin, SkinStrength), "a pane's skin follows its plate modes"
                glass.append(
                    Glass(
                        pane=strength.pane,
                        construction=names[self._place[id(strength.pane)]],
                        axis=family.normal_axis,
                        plate=modes,
                        skin=np.arange(edges[index + 1], edges[index + 2]),
                        parts=np.stack([first**2, 2.0 * first * second, second**2]),
                        moments=skin.moments,
                    )
                )
        self.local = tuple(
            Local(law=law, construction=name, axis=axis, modes=np.concatenate(modes))
            for (name, axis), (law, modes) in local.items()
        )
        self.glass = tuple(glass)

    @property
    def n_term(self) -> int:
        """How many fixed matrices there are."""
        return len(self.local) + (4 + NODES) * len(self.glass)

    def matrices(self, basis: Complexes, omega: float) -> Complexes:
        """The fixed matrices in a basis (mode, r) at one frequency [rad/s]: (n_term, r, r)."""
        found = [basis[one.modes].T @ basis[one.modes] for one in self.local]
        for pane in self.glass:
            plate, skin = basis[pane.plate], basis[pane.skin]
            found.append(plate.T @ plate)
            found += [plate.T @ (part[:, None] * plate) for part in pane.parts]
            for x in self._nodes(pane, omega):
                total = np.tensordot(x ** np.arange(len(pane.moments)), pane.moments, axes=1)
                found.append(skin.T @ np.linalg.solve(total.astype(np.complex128), skin))
        return np.stack(found)

    def coefficients(self, builds: Builds, omega: Floats) -> Complexes:
        """What each fixed matrix is multiplied by: (n, n_freq, n_term), for frequencies (n_freq,) [rad/s]."""
        air = ManyAirs.of(builds.temperature_c)
        grown = builds.size_m / np.array(self.inputs.project.room.size_m)
        w = omega[None, :].astype(np.complex128)
        found = []
        for one in self.local:
            beta = self._admittance(one, builds, w, air)
            first, second = PLANE_AXES[one.axis]
            area = (grown[:, first] * grown[:, second])[:, None]
            found.append(air.speed_of_sound_m_s / (1j * w * beta * area))
        for pane in self.glass:
            found += self._pane(pane, builds, w, air, grown)
        return np.stack(found, axis=2)

    def strengths(self, room: Room, surfaces: Sequence[Surface]) -> tuple[Strength, ...]:
        """The strengths of one built room on the drawn room's boundary modes, its sides as drawn."""
        found: list[Strength] = []
        for strength in self.boundary.strengths:
            if isinstance(strength, LocalStrength):
                law: Any = surfaces[self._place[id(strength.law)]].law
                found.append(replace(strength, law=law, air=room.air))
                continue
            pane: Any = surfaces[self._place[id(strength.pane)]].law
            stiffer = _speed2(pane) / _speed2(strength.pane)
            if isinstance(strength, PlateStrength):
                omega_mode = strength.omega_mode * stiffer**0.5
                found.append(replace(strength, pane=pane, air=room.air, omega_mode=omega_mode))
            else:
                powers = stiffer ** -(1.0 + np.arange(len(strength.moments)))
                moments = strength.moments * powers[:, None, None]
                found.append(replace(strength, pane=pane, air=room.air, moments=moments))
        return tuple(found)

    def _admittance(self, one: Local, builds: Builds, w: Complexes, air: ManyAirs) -> Complexes:
        """beta of a locally reacting construction: (n, n_freq)."""
        law, update = one.law, self._scaled(one.construction, one.law, builds)
        if isinstance(law, Absorption):
            alpha = law.alpha.at(w.real / (2.0 * pi)) * update.get("alpha", np.ones((len(builds), 1)))
            return admittance_of_absorption(np.minimum(alpha, ALPHA_MAX)).astype(np.complex128)
        if isinstance(law, ConstantAdmittance):
            return np.asarray(
                update.get("beta_re", law.beta_re)
                + 1j * update.get("beta_im", law.beta_im)
                + 0.0 * w * air.density_kg_m3
            )
        many: Any = replace(law, **update)  # numbers become (n, 1) arrays; the laws broadcast
        return np.asarray(many.admittance(w + 0.0 * air.density_kg_m3, air))

    def _scaled(self, construction: str, law: Any, builds: Builds) -> dict[str, Any]:
        """The law's fields with their factors, (n, 1) each; for a curve, the factor alone."""
        found = {}
        for index, one in enumerate(self.inputs.properties):
            if one.construction == construction:
                value = getattr(law, one.field)
                factor = builds.factor[:, index, None]
                found[one.field] = factor if isinstance(value, Curve) else factor * value
        return found

    def _pane(self, pane: Glass, builds: Builds, w: Complexes, air: ManyAirs, grown: Floats) -> list[Complexes]:
        """The coefficients of one pane, in the order of its matrices."""
        many: Any = replace(pane.pane, **self._scaled(pane.construction, pane.pane, builds))
        first, second = (grown[:, axis, None] for axis in PLANE_AXES[pane.axis])
        mass, soft = many.surface_mass_kg_m2, 1.0 + 1j * many.loss_factor
        resistance = air.impedance_pa_s_m if many.radiates else 0.0
        scale = 1.0 / (w**2 * air.density_kg_m3 * first * second)
        bending = -many.bending_stiffness_n_m * soft * scale
        stiffer = many.bending_stiffness_n_m / mass / _speed2(pane.pane) / (first * second) ** 2
        step = (w**2 - 1j * w * resistance / mass) / soft
        outer = -stiffer * mass * soft * scale
        x = step / stiffer
        nodes = np.stack([self._nodes(pane, float(one)) for one in w[0].real])  # (n_freq, node)
        weights = [
            np.prod([(x - nodes[:, j]) / (nodes[:, i] - nodes[:, j]) for j in range(NODES) if j != i], axis=0)
            for i in range(NODES)
        ]
        return [
            (mass * w**2 - 1j * w * resistance) * scale,
            bending / first**4,
            bending / (first * second) ** 2,
            bending / second**4,
            *(outer * weight for weight in weights),
        ]

    def _nodes(self, pane: Glass, omega: float) -> Floats:
        """Where a pane's skin is inverted: (node,) values of x [rad2/s2], over all that may be met."""
        low = high = 1.0
        for one in self.inputs.properties:
            if one.construction == pane.construction:
                power = {"thickness_m": 2.0, "youngs_modulus_pa": 1.0}.get(one.field, 0.0)
                low, high = low * one.low**power, high * one.high**power
        ends = np.array([0.95 / high, 1.05 / low]) * omega**2
        middle, half = ends.mean(), 0.5 * (ends[1] - ends[0])
        return np.asarray(middle + half * np.cos(pi * (np.arange(NODES) + 0.5) / NODES))


def _speed2(pane: Pane) -> float:
    """D / m [m4/s2]."""
    return pane.bending_stiffness_n_m / pane.surface_mass_kg_m2
