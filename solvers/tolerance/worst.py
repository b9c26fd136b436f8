"""The worst of the sampled rooms in words: in what it differs from the drawing."""

import numpy as np

from roommodes.lengths import Lengths, lengths_of
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


def _by(move_m: float, lengths: Lengths) -> str:
    return lengths.shift(move_m) if lengths.feet else f"{1e3 * move_m:+z.0f} mm"


def difference_words(inputs: Inputs, builds: Builds) -> tuple[str, ...]:
    """In what the first of some rooms differs from the drawing, in sentences."""
    drawn = inputs.drawn()
    lines = []
    lengths = lengths_of(inputs.project)
    grown = builds.size_m[0] - drawn.size_m[0]
    if grown.any():
        longer, wider, higher = (_by(float(one), lengths) for one in grown)
        lines.append(f"room longer by {longer}, wider by {wider}, higher by {higher}")
    planes = zip(inputs.uncertain, builds.plane_m[0], strict=True)
    if moves := [f"{one.plane.name} {_by(float(by), lengths)}" for one, by in planes if by]:
        lines.append(f"{', '.join(moves)} (plus: rearward, to the right, up)")
    warmer = builds.temperature_c[0] - drawn.temperature_c[0]
    if warmer:
        lines.append(f"air {warmer:+z.1f} deg C")
    for name, here, there in (("cabinets", builds.cabinet_m, drawn.cabinet_m), ("ears", builds.ear_m, drawn.ear_m)):
        moved = np.linalg.norm(here[0] - there[0], axis=1)
        if moved.any():
            most, mean = (_by(float(one), lengths).removeprefix("+") for one in (moved.max(), moved.mean()))
            lines.append(f"{name} moved by up to {most}, {mean} on average")
    by_construction: dict[str, list[str]] = {}
    for one, factor in zip(inputs.properties, builds.factor[0], strict=True):
        word = _WORDS.get(
            one.field, one.field.rsplit("_pa", 1)[0].rsplit("_kg", 1)[0].removesuffix("_m").replace("_", " ")
        )
        by_construction.setdefault(one.construction, []).append(f"{word} x {factor:.2f}")
    lines += [f"{name}: {', '.join(words)}" for name, words in by_construction.items()]
    return tuple(lines)
