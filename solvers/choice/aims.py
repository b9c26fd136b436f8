"""Aims beside variation that a plan is judged by, and how they are weighed against each other.

| aim | figure | better |
| --- | --- | --- |
| variation | seat-to-seat variation [dB], `roommodes.responses.metrics` | less |
| level | mean level at the seats, loudest sub at its limit, re one sub at 1 m in free field [dB] | more |
| smoothness | rms deviation of the average level over the seats from its straight line over log f [dB] | less |
| decay | T60 of the single mode that would ring as long as what the seats hear [s] | less |
| headroom | of the plan's worst third-octave over the target [dB], `loudness.headroom` | more, up to the target |
| subs | how many | fewer |

Smoothness is what an equaliser common to all subs has to take out. A straight line is the yardstick, not a smoothed
curve: a tilt is taste and one shelf filter, while a hump an octave wide, which smoothing would swallow, needs a deep
cut. It is taken before any equaliser, and without the sub's own response.

Decay is the rms duration of the impulse response in the band. In the frequency domain, p the pressure at a seat,

    sigma^2 = int |dp/domega|^2 / int |p|^2 - t^2,   t = -Im int conj(p) dp/domega / int |p|^2,

seats and frequencies weighted by their energy, so the loudest and longest modes rule. The response of one mode is
e^{-delta t}, its energy e^{-2 delta t}, sigma = 1 / (2 delta), hence T60 = ln(10^3) / delta = ln(10^6) sigma. A delay
common to all subs changes nothing. Derivatives are differences between neighbouring frequencies: a mode narrower
than their distance is taken for as wide as that, so long decays are underrated near the band's end.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import inf, log, log10

import numpy as np

from roommodes.arrays import Complexes, Floats
from roommodes.project.tables import AimLimitsTable, AimWeightsTable
from roommodes.responses.metrics import normalised
from solvers.search.problem import FoundPlan

WithMains = Callable[[FoundPlan], float]  # variation of a plan with the main loudspeakers [dB]

EXCESS_DB, EXCESS_S = 1.0, 0.1  # beyond a limit so much weighs as much as one sub too many


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """The figures that a plan is judged by.

    Parameters
    ----------
    variation_db, output_db, smoothness_db : [dB]; output is the level less 20 lg of the number of subs.
    decay_s : [s].
    subs : how many.
    headroom_db : over the target; None where the project does not say how loud a sub plays [dB].
    with_mains_db : variation with the main loudspeakers, where plans are judged by that [dB].
    """

    variation_db: float
    output_db: float
    smoothness_db: float
    decay_s: float
    subs: int
    headroom_db: float | None = None
    with_mains_db: float | None = None

    @property
    def even_db(self) -> float:
        """The variation that the plan is judged by: with the mains where that is asked for, else of the subs [dB]."""
        return self.variation_db if self.with_mains_db is None else self.with_mains_db

    @property
    def level_db(self) -> float:
        """Mean level at the seats re one sub at 1 m in free field, the most heavily driven sub at its limit [dB].

        It is what people hear: unlike output it compares plans with different numbers of subs.
        """
        return self.output_db + 20.0 * log10(self.subs)


def smoothness_db(level_db: Floats, seat_weight: Floats, frequency_hz: Floats) -> Floats:
    """Rms deviation of the average level over the seats from its straight line over log f: (...,) [dB].

    Parameters
    ----------
    level_db : (..., n_freq, n_seat) [dB]; leading axes for several plans.
    seat_weight : (n_seat,) any scale.
    frequency_hz : (n_freq,) on a logarithmic grid [Hz].
    """
    mean = level_db @ normalised(seat_weight)
    octave = np.log2(frequency_hz / frequency_hz[0])
    octave = octave - octave.mean()
    rest = mean - mean.mean(axis=-1, keepdims=True)
    length = float(octave @ octave)
    if length > 0.0:
        rest = rest - octave * (np.vecdot(rest, octave) / length)[..., None]
    return np.asarray(np.sqrt(np.mean(rest**2, axis=-1)))


def decay_s(pressure: Complexes, seat_weight: Floats, frequency_hz: Floats) -> Floats:
    """T60 of the single mode that would ring as long as what the seats hear: (...,) [s]; 0 with a single frequency.

    Parameters
    ----------
    pressure : (..., n_freq, n_seat) complex128, any scale; leading axes for several plans.
    seat_weight : (n_seat,) any scale.
    frequency_hz : (n_freq,) rising [Hz].
    """
    plans = pressure.shape[:-2]
    if len(frequency_hz) < 2:
        return np.zeros(plans)
    step = np.diff(2.0 * np.pi * frequency_hz)
    weight = step[:, None] * normalised(seat_weight)
    slope = np.diff(pressure, axis=-2) / step[:, None]
    middle = (pressure[..., 1:, :] + pressure[..., :-1, :]) / 2.0
    energy = np.sum(weight * np.abs(middle) ** 2, axis=-2)
    moment = -np.sum(weight * (middle.conj() * slope).imag, axis=-2)
    late2 = _over(moment**2, energy)
    wide2 = (weight * np.abs(slope) ** 2).reshape(*plans, -1).sum(axis=-1)
    spread2 = _over(wide2 - late2.sum(axis=-1), energy.sum(axis=-1))
    return np.asarray(log(1e6) * np.sqrt(np.maximum(spread2, 0.0)))


def _over(part: Floats, whole: Floats) -> Floats:
    """The ratio, 0 where the whole is 0."""
    return np.asarray(np.where(whole > 0.0, part / np.where(whole > 0.0, whole, 1.0), 0.0))


def score_db(figures: Figures, weights: AimWeightsTable) -> float:
    """The aims in one number, less is better: variation, and the others at their weights [dB]."""
    return (
        figures.even_db
        - weights.output * figures.level_db
        + weights.smoothness * figures.smoothness_db
        + weights.decay * figures.decay_s
        + weights.subs * figures.subs
        - weights.headroom * min(figures.headroom_db or 0.0, 0.0)
    )


def excess(figures: Figures, limits: AimLimitsTable) -> float:
    """How far beyond the limits, 0 within them: 1 for each dB, for each tenth of a second, for each sub."""
    beyond = 0.0
    for value, limit, unit in (
        (figures.even_db, limits.variation_db, EXCESS_DB),
        (None if limits.output_db is None else -figures.level_db, _negative(limits.output_db), EXCESS_DB),
        (figures.smoothness_db, limits.smoothness_db, EXCESS_DB),
        (figures.decay_s, limits.decay_s, EXCESS_S),
        (_negative(figures.headroom_db), _negative(limits.headroom_db), EXCESS_DB),
        (figures.subs, limits.subs, 1.0),
    ):
        if limit is not None and value is not None:
            beyond += max(0.0, value - limit) / unit
    return beyond


def rank(figures: Figures, weights: AimWeightsTable, limits: AimLimitsTable) -> tuple[float, float]:
    """Key by which plans are ordered: first how far beyond the limits, then the score."""
    return excess(figures, limits), score_db(figures, weights)


def broken_limits(figures: Figures, limits: AimLimitsTable) -> tuple[str, ...]:
    """The limits that a plan does not keep, in words."""
    found: list[str] = []
    even_word = "variation" if figures.with_mains_db is None else "variation with the mains"
    for name, value, limit, unit, sign in (
        (even_word, figures.even_db, limits.variation_db, "dB", 1.0),
        ("level at the seats", figures.level_db, limits.output_db, "dB", -1.0),
        ("smoothness", figures.smoothness_db, limits.smoothness_db, "dB", 1.0),
        ("decay", figures.decay_s, limits.decay_s, "s", 1.0),
        ("headroom", figures.headroom_db, limits.headroom_db, "dB", -1.0),
        ("subs", float(figures.subs), None if limits.subs is None else float(limits.subs), "", 1.0),
    ):
        if limit is not None and value is not None and sign * (value - limit) > 0.0:
            word = "most" if sign > 0.0 else "least"
            found.append(f"{name} {value:.3g} {unit}".rstrip() + f", at {word} {limit:g} {unit}".rstrip())
    return tuple(found)


def least(figures: Sequence[Figures], weights: AimWeightsTable, limits: AimLimitsTable) -> int:
    """Index of the plan that comes first; the earlier one of equals."""
    best, at = (inf, inf), 0
    for index, one in enumerate(figures):
        if (value := rank(one, weights, limits)) < best:
            best, at = value, index
    return at


def _negative(value: float | None) -> float | None:
    return None if value is None else -value
