"""Lengths that all come out too large by one share: the air was warmer or colder than the project says, not the room.

Modes tell the time that sound takes, L / c, and no length. Sizes and positions x are fitted with the project's
temperature; a wrong one moves every u = (x - x0) / sigma by s x0 / sigma. With a spread of s that rooms' air has
(`SPREAD`) the likeliest share is s = sum(u a) / (sum(a^2) + 1 / SPREAD^2), a = x0 / sigma, and it makes the moves
likelier by exp(s sum(u a) / 2).
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from roommodes.acoustics.air import Air
from solvers.fit.estimate import Estimate

SPREAD = 0.005  # of a length over that of the air's own: 3 degrees (common practice, no source)
LIKELIER = 8.0  # twice the logarithm from which the air is suspected
LEAST = 0.002  # share below which nobody would mind
FEWEST = 3  # lengths that must say so
LENGTHS = ("size", "subs", "microphones")


def common_scale(estimates: Sequence[Estimate]) -> float:
    """The share by which all lengths are off together, 0 where they are off each by itself."""
    told = [one for one in estimates if one.told and one.parameter.group in LENGTHS]
    if len(told) < FEWEST:
        return 0.0
    moved = np.array([one.moved for one in told])
    along = np.array([one.parameter.start / one.parameter.sigma for one in told])
    share = float(moved @ along / (along @ along + 1.0 / SPREAD**2))
    likelier = share * float(moved @ along)
    return share if likelier > LIKELIER and abs(share) > LEAST else 0.0


def as_unsure(estimates: Sequence[Estimate], share: float) -> tuple[Estimate, ...]:
    """The estimates, lengths unsure by that share too and figures of walls by twice as much, as rho c and c^2 are."""
    return tuple(_unsure(one, abs(share)) for one in estimates) if share else tuple(estimates)


def _unsure(one: Estimate, share: float) -> Estimate:
    parameter = one.parameter
    by = 0.0
    if parameter.group in LENGTHS:
        by = share * parameter.start / parameter.sigma
    elif parameter.logarithmic:
        by = 2.0 * share / parameter.sigma
    known = float(np.hypot(one.known, by))
    return replace(one, known=known, deviation=one.deviation * known / one.known)


def air_remarks(share: float, air: Air) -> tuple[str, ...]:
    """What to look at where all lengths are off together."""
    if not share:
        return ()
    warmer = -2.0 * share * air.temperature_k
    return (
        f"All lengths come out {abs(share):.1%} {'smaller' if share < 0.0 else 'larger'} than in the project, as they "
        f"do where the air is {abs(warmer):.0f} degrees {'warmer' if warmer > 0.0 else 'colder'} than its "
        f"{air.temperature_c:.0f} °C. Write what the air was as temperature_c under [room] and fit again; until then "
        "every length may be off by that share, and figures of walls by twice as much.",
    )
