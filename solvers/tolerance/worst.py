"""The worst of the drawn rooms in words: in what it differs from the drawing."""

import numpy as np

from solvers.tolerance.design import Design
from solvers.tolerance.inputs import Builds, Inputs

_WORDS = {"youngs_modulus_pa": "stiffness of the pane", "alpha": "absorption", "beta_re": "admittance"}


def worst_words(design: Design, index: int, draws: int) -> tuple[str, ...]:
    """What the room of one draw is like.

    Parameters
    ----------
    design : the rooms.
    index : of the draw, A's before B's.
    draws : how many there are.
    """
    if not design.inputs.size:
        return ()
    half = draws // 2
    a, b = design.points()
    unit = a[index] if index < half else b[index - half]
    return difference_words(design.inputs, design.inputs.builds(unit[None]))


def difference_words(inputs: Inputs, builds: Builds) -> tuple[str, ...]:
    """In what the first of some rooms differs from the drawing, in sentences."""
    drawn = inputs.drawn()
    lines = []
    grown = 1e3 * (builds.size_m[0] - drawn.size_m[0])
    if grown.any():
        lines.append(f"room longer by {grown[0]:+z.0f} mm, wider by {grown[1]:+z.0f} mm, higher by {grown[2]:+z.0f} mm")
    warmer = builds.temperature_c[0] - drawn.temperature_c[0]
    if warmer:
        lines.append(f"air {warmer:+z.1f} deg C")
    for name, here, there in (("cabinets", builds.cabinet_m, drawn.cabinet_m), ("ears", builds.ear_m, drawn.ear_m)):
        moved = np.linalg.norm(here[0] - there[0], axis=1)
        if moved.any():
            lines.append(f"{name} moved by up to {1e3 * moved.max():.0f} mm, {1e3 * moved.mean():.0f} mm on average")
    by_construction: dict[str, list[str]] = {}
    for one, factor in zip(inputs.properties, builds.factor[0], strict=True):
        word = _WORDS.get(
            one.field, one.field.rsplit("_pa", 1)[0].rsplit("_kg", 1)[0].removesuffix("_m").replace("_", " ")
        )
        by_construction.setdefault(one.construction, []).append(f"{word} x {factor:.2f}")
    lines += [f"{name}: {', '.join(words)}" for name, words in by_construction.items()]
    return tuple(lines)
