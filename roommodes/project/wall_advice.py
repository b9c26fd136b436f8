"""Warnings about what walls are made of, in the words of `project.advice`."""

from collections.abc import Iterator, Sequence
from math import pi

import numpy as np

from roommodes.acoustics.room import Room, Surface
from roommodes.acoustics.room_boundary import MOST_WAVES, Reaction
from roommodes.acoustics.visible_surfaces import visible

MOST_BETA = 100.0  # up to which the model is held against independent solutions
SHAPED_BETA = 1.5  # the same in rooms that are no boxes
PER_OCTAVE = 12  # frequencies at which walls are looked at


def reaction_warnings(room: Room, surfaces: Sequence[Surface], *, low_hz: float, high_hz: float) -> Iterator[str]:
    """Locally reacting surfaces that react more strongly than the model is checked for."""
    hz = np.geomspace(low_hz, high_hz, max(2, round(PER_OCTAVE * np.log2(high_hz / low_hz))))
    seen: set[str] = set()
    for surface in visible(surfaces):
        if surface.name in seen:
            continue
        seen.add(surface.name)
        reaction = Reaction.of(surface, hz, room)
        sides = [b - a for a, b in zip(surface.from_m, surface.to_m, strict=True)]
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
        elif max(map(reaction.wave_order, sides)) > MOST_WAVES:
            springy = int((reaction.wavenumber * reaction.beta.imag).argmax())
            beta = reaction.beta[springy]
            wave_m = 2.0 * pi / float(reaction.wavenumber[springy] * beta.imag)
            yield (
                f"{surface.name}: reacts as a spring with little resistance (beta {beta.real:.2g} + {beta.imag:.2g}j "
                f"at {hz[springy]:.0f} Hz). In the model sound then runs along it in waves of {wave_m:.2f} m, too fine "
                "for it to follow; levels there may be off by some per cent. A real wall has more resistance: give it."
            )
