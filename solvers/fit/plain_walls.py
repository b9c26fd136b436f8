"""Walls without a construction: each reacts with an admittance of its own over frequency, whatever it is built of.

A leaf on a spring may react as a mass or as a spring, and a fit that starts on the wrong side of its resonance does not
find its way round. An admittance does: the response changes with it evenly. So the walls are fitted as plain
admittances first; what the constructions must be to react like that is where their own fit starts. And where
constructions cannot explain the data, the admittances tell what the walls do.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from roommodes.acoustics.curve import Curve
from roommodes.acoustics.layering.layers import WallLaw
from roommodes.acoustics.room import WALLS
from roommodes.acoustics.wall_laws import Rigid
from roommodes.arrays import Complexes, Floats
from roommodes.project.construction_kinds.plain_constructions import MeasuredAdmittanceTable, Sides
from roommodes.project.constructions import layers_in
from roommodes.project.project import Project
from solvers.fit.parameters import Space
from solvers.fit.priors import LEAST_RE

POINTS_PER_OCTAVE = 1.5  # of an admittance over frequency
MOST_BETA = 0.3  # where a wall's law says more, its admittance begins with this
SIDES = (-2.5, 0.0, 2.5)  # starts on either side of a wall's resonance, in prior standard deviations
REACTIVE = ("stiffness_pa_m", "stud_stiffness_pa_m", "gap_m", "mass_kg_m2", "inner_mass_kg_m2")


@dataclass(frozen=True, slots=True, kw_only=True)
class PlainWall:
    """A construction that is fitted as an admittance, and the sides of its largest surface [m]."""

    table: MeasuredAdmittanceTable
    sides_m: Sides


def plain_walls(project: Project, frequency_hz: Floats) -> dict[str, PlainWall]:
    """The locally reacting constructions in use, each as an admittance that begins as its law has it.

    Parameters
    ----------
    project : whose walls.
    frequency_hz : (n_freq,) the band [Hz].
    """
    low, high = float(frequency_hz[0]), float(frequency_hz[-1])
    number = max(2, round(POINTS_PER_OCTAVE * float(np.log2(high / low))) + 1)
    hz = np.array([float(f"{value:.4g}") for value in np.geomspace(low, high, number)])
    found: dict[str, PlainWall] = {}
    air = project.room.air
    for name, sides in _sides(project).items():
        law = project.constructions()[name].law(sides)
        if isinstance(law, Rigid) or not isinstance(law, WallLaw):
            continue
        beta = law.admittance(2.0 * np.pi * hz.astype(np.complex128), air)
        beta = beta * np.minimum(1.0, MOST_BETA / np.maximum(np.abs(beta), 1e-9))
        found[name] = PlainWall(
            table=admittance_table(hz, np.maximum(beta.real, LEAST_RE) + 1j * beta.imag), sides_m=sides
        )
    return found


def admittance_table(frequency_hz: Floats, beta: Complexes, source: str = "") -> MeasuredAdmittanceTable:
    """A construction that reacts so: (n_point,), (n_point,)."""
    hz = tuple(frequency_hz.tolist())
    return MeasuredAdmittanceTable(
        kind="measured admittance",
        beta_re=Curve(hz, tuple(beta.real.tolist())),
        beta_im=Curve(hz, tuple(beta.imag.tolist())),
        source=source,
    )


def _sides(project: Project) -> dict[str, Sides]:
    """Each construction that stands alone, in no list of layers, and the sides of its largest surface [m]."""
    tables, room = project.tables, project.room
    whole = [(layers_in(getattr(tables.walls, wall)), room.wall_size_m(wall)) for wall in WALLS]
    parts = [
        (layers_in(one.construction), (abs(one.to_m[0] - one.from_m[0]), abs(one.to_m[1] - one.from_m[1])))
        for one in tables.regions
    ]
    sides: dict[str, Sides] = {}
    layered = {name for layers, _ in (*whole, *parts) if len(layers) > 1 for name in layers}
    for (name, *_), size in (*whole, *parts):
        if name not in layered and size[0] * size[1] > sides.get(name, (0.0, 0.0))[0] * sides.get(name, (0.0, 0.0))[1]:
            sides[name] = size
    return sides


def as_constructions(
    plain: Space, u: Floats, known: Floats, built: Space, walls: Mapping[str, PlainWall], frequency_hz: Floats
) -> Floats:
    """Where the constructions' fit starts: parameters that react as the fitted admittances do, the rest as it is.

    Parameters
    ----------
    plain, u, known : the space of the admittances, where its fit ended (n_free,), and the posterior standard deviations
        there, in those of the prior.
    built : the space of the constructions.
    walls : which constructions were fitted as admittances.
    frequency_hz : (n_freq,) [Hz].

    Returns
    -------
    (n_free of `built`,).
    """
    values = dict(zip((p.name for p in plain.free), u.tolist(), strict=True))
    start = np.array([values.get(p.name, 0.0) for p in built.free])
    tables = plain.situation(u).tables
    air = plain.situation(u).room.air
    omega = 2.0 * np.pi * frequency_hz.astype(np.complex128)
    for owner, wall in walls.items():
        places = [index for index, p in enumerate(built.free) if p.owner == owner]
        if not places:
            continue
        wanted = tables[owner].law(wall.sides_m)
        assert isinstance(wanted, WallLaw), "an admittance"
        beta = wanted.admittance(omega, air)
        unsure = _unsure(plain, u, known, owner, frequency_hz)

        def law_misses(
            moved: Floats,
            owner: str = owner,
            places: list[int] = places,
            wall: PlainWall = wall,
            beta: Complexes = beta,
            unsure: Floats = unsure,
        ) -> Floats:
            table = built.situation_of({built.free[i]: float(x) for i, x in zip(places, moved, strict=True)}).tables[
                owner
            ]
            law = table.law(wall.sides_m)
            assert isinstance(law, WallLaw), "locally reacting"
            off = (law.admittance(omega, air) - beta) / unsure
            return np.concatenate([off.real, off.imag, moved])

        from scipy.optimize import least_squares  # noqa: PLC0415 (a fifth of a second, and only fits need it)

        best = None
        for first in _starts(built, places):
            found = least_squares(law_misses, first, method="lm")
            if best is None or found.cost < best.cost:
                best = found
        assert best is not None, "at least one start"
        start[places] = best.x
    return start


def _starts(space: Space, places: list[int]) -> list[Floats]:
    """Starts on all sides of what can resonate."""
    starts = [np.zeros(len(places))]
    for position, index in enumerate(places):
        if space.free[index].key in REACTIVE:
            starts = [one + side * np.eye(len(places))[position] for one in starts for side in SIDES]
    return starts


def _unsure(plain: Space, u: Floats, known: Floats, owner: str, frequency_hz: Floats) -> Floats:
    """Standard deviation of an owner's fitted admittance over frequency: (n_freq,)."""
    parts = []
    for key in ("beta_re", "beta_im"):
        chosen = [i for i, p in enumerate(plain.free) if p.owner == owner and p.key == key]
        points = [plain.free[i] for i in chosen]
        deviation = [p.deviation(float(u[i]), float(known[i])) for i, p in zip(chosen, points, strict=True)]
        hz = tuple(p.at_hz or 1.0 for p in points)
        parts.append(Curve(hz, tuple(deviation)).at(frequency_hz))
    return np.asarray(np.hypot(*parts))
