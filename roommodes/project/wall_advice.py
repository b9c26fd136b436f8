"""Warnings about what walls are made of, in the words of `project.advice`."""

from collections.abc import Iterator, Sequence
from math import pi

import numpy as np

from roommodes.acoustics.air import Air
from roommodes.acoustics.layering.layers import WallLaw
from roommodes.acoustics.plates.panes import Plate
from roommodes.acoustics.room import Room, Surface
from roommodes.acoustics.room_boundary import MOST_WAVES, Reaction
from roommodes.acoustics.strengths import front_law
from roommodes.acoustics.visible_surfaces import overlap, visible
from roommodes.acoustics.wall_laws import Opening
from roommodes.arrays import Complexes
from roommodes.lengths import METRIC, Lengths

MOST_BETA = 100.0  # up to which the model is held against independent solutions
SHAPED_BETA = 1.5  # the same in rooms that are no boxes
PER_OCTAVE = 12  # frequencies at which walls are looked at


def _sides(surface: Surface) -> list[float]:
    return [b - a for a, b in zip(surface.from_m, surface.to_m, strict=True)]


def beta_of(law: WallLaw | Plate, omega: Complexes, air: Air) -> Complexes:
    """Admittance of any wall, a pane counted as its mass would with what lies before it: (k,) rad/s -> (k,)."""
    if not isinstance(law, Plate):
        return law.admittance(omega, air)
    outside = air.impedance_pa_s_m if law.radiates else 0.0
    front = front_law(law)
    bare = air.impedance_pa_s_m / (outside + 1j * omega * law.surface_mass_kg_m2)
    return np.asarray(bare if front is None else bare + front.admittance(omega, air))


def covered_glass(surfaces: Sequence[Surface], lengths: Lengths = METRIC) -> Iterator[str]:
    """Surfaces that lie over glass without having it behind them, and glazing that others cut into panes.

    Doors and openings in a wall of glass have no glass behind them: of those only the cuts are told.
    """
    for index, new in enumerate(surfaces):
        for old in visible(surfaces[:index]):
            if not isinstance(old.law, Plate) or not overlap(new, old):
                continue
            left = [piece for piece in visible([old, new]) if piece.law is old.law]
            if old.law.glass and not isinstance(new.law, Plate | Opening):
                yield (
                    f"{new.name}: lies over {old.name} and takes its place, so that the glass there does not move in "
                    "the model. If the glass stays behind it, give layers, the inner one first, such as "
                    'construction = ["curtain", "glass pane 6 mm"].'
                )
            if left:
                sizes = ", ".join(lengths.sides(*_sides(piece)) for piece in left).replace(" m,", ",")
                yield (
                    f"{old.name}: {new.name} covers part of it; what is left is taken as "
                    f"{'one plate' if len(left) == 1 else f'{len(left)} plates'} of {sizes}, each held at its own "
                    "edges. Draw them as they are built."
                )


def pane_warnings(
    surfaces: Sequence[Surface], *, low_hz: float, high_hz: float, lengths: Lengths = METRIC
) -> Iterator[str]:
    """Panes and doors with resonances of their own inside the band."""
    for surface in visible(surfaces):
        pane = surface.law
        if not isinstance(pane, Plate):
            continue
        width, height = _sides(surface)
        hz = pane.resonances_hz(width, height, high_hz)
        inside = hz[hz >= low_hz]
        if len(inside):
            what = "pane" if pane.glass else "door"
            thick = " + ".join(f"{1e3 * one:g}" for one in pane.thicknesses_m)
            yield (
                f"{surface.name}: the {what} ({lengths.sides(width, height)}, {thick} mm) has {len(inside)} resonances "
                f"of its own between {low_hz:g} and {high_hz:g} Hz, the lowest at {inside[0]:.1f} Hz if its edges are "
                "simply supported; real frames hold it stiffer, up to about twice that. It moves peaks and nulls and "
                "may be heard to rattle; measure it before the plan is final."
            )


def reaction_warnings(
    room: Room, surfaces: Sequence[Surface], *, low_hz: float, high_hz: float, lengths: Lengths = METRIC
) -> Iterator[str]:
    """Locally reacting surfaces that react more strongly than the model is checked for."""
    hz = np.geomspace(low_hz, high_hz, max(2, round(PER_OCTAVE * np.log2(high_hz / low_hz))))
    seen: set[str] = set()
    for surface in visible(surfaces):
        if surface.name in seen:
            continue
        seen.add(surface.name)
        reaction = Reaction.of(surface, hz, room)
        worst = int(np.abs(reaction.beta).argmax())
        if reaction.most > MOST_BETA:
            yield (
                f"{surface.name}: its admittance reaches {reaction.most:.0f} times that of air at {hz[worst]:.0f} Hz. "
                f"The model was checked up to {MOST_BETA:.0f}; above, take levels near that frequency as rough. "
                "A real wall has some resistance: give it one."
            )
        elif not room.is_box and reaction.most > SHAPED_BETA:
            yield (
                f"{surface.name}: its admittance reaches {reaction.most:.1f} times that of air at {hz[worst]:.0f} Hz. "
                f"In rooms that are no boxes the model was checked up to {SHAPED_BETA:g}; above, take levels near that "
                "frequency as rough."
            )
        elif max(map(reaction.wave_order, _sides(surface))) > MOST_WAVES:
            springy = int((reaction.wavenumber * reaction.beta.imag).argmax())
            beta = reaction.beta[springy]
            wave_m = 2.0 * pi / float(reaction.wavenumber[springy] * beta.imag)
            yield (
                f"{surface.name}: reacts as a spring with little resistance (beta {beta.real:.2g} + {beta.imag:.2g}j "
                f"at {hz[springy]:.0f} Hz). In the model sound then runs along it in waves of {lengths.text(wave_m)}, "
                "too fine for it to follow; levels there may be off by some per cent. A real wall has more resistance: "
                "give it."
            )
