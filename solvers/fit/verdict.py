"""Whether a fitted model explains the measurements: what it leaves, held against the noise that they hold.

Whiteness over frequency alone would not do. A response with a smooth loudspeaker in it can hide a wrong wall, and what
is left of coarse data looks white. So the size counts: what is left must be the noise, as the data tell it
(`measured.noise`) or the manifest says, over the whole band, over every half octave of every sub, and without a run
along frequency. Where nobody knows the noise, nobody can say "up to noise".
"""

from dataclasses import dataclass
from enum import Enum
from math import sqrt

import numpy as np

from roommodes.arrays import Complexes, Floats
from solvers.field.errors import LeftOut

WHITE = 2.0  # k up to which what is left counts as noise
MOST_EXCESS, MOST_LOCAL = 1.2, 1.6  # rms of what is left over the noise's: in all, in a half octave of a sub
KNOWN, LEAST_KNOWN = 0.5, 0.15  # share of the points whose noise must be known: to agree, to object
FLOOR = 2e-3  # of the data's rms: what the model's own sums may leave
MOST_LEFT = 0.6  # share of the data's rms from which a fit explains too little
STRETCH_OCTAVE = 0.5
GOOD = 0.01  # noise of a good measurement over its rms (common practice, no source)


class Verdict(Enum):
    """Whether the corrected project explains the data."""

    NOISE = "up to noise"
    PARTLY = "in part: not up to noise"
    UNKNOWN = "in part: the noise is not known"
    REFUSED = "not explained"


@dataclass(frozen=True, slots=True, kw_only=True)
class Freed:
    """Walls whose constructions gave way to admittances.

    Parameters
    ----------
    owners : these constructions.
    left_before : share of the rms that they left, fitted.
    left_out : share that the admittances leave at places left out of the fit, each frequency alike.
    band_hz : where the admittances are known [Hz].
    """

    owners: tuple[str, ...]
    left_before: float
    left_out: float
    band_hz: tuple[float, float]

    def remark(self, left: float) -> str:
        """What to know of it; `left` is what the admittances leave."""
        low, high = self.band_hz
        return (
            f"Constructions of the kinds drawn leave {self.left_before:.0%}: the corrected project has admittances "
            f"over frequency in place of {', '.join(self.owners)}. They leave {left:.0%}, and {self.left_out:.0%} at "
            f"places left out of the fit, a third of all at a time. They say what the walls do from {low:.0f} to "
            f"{high:.0f} Hz, not what they "
            "are built of: do not judge a change to a wall by them."
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """What is left, against the noise.

    Parameters
    ----------
    left : share of the data's rms that is left.
    noise : share of the data's rms that is noise; None where nobody knows.
    excess : rms of what is left over the noise's; None where nobody knows.
    local : the same in the worst half octave of a sub, and its middle [Hz].
    known : share of the points whose noise is known.
    widening : k, points of the data per independent sample.
    refused : held sizes explain too much of what is left.
    freed : the walls that are admittances in place of their constructions; None for none.
    left_out : every measured place predicted by a fit to the others; None where that cannot be said.
    """

    left: float
    noise: float | None
    excess: float | None
    local: tuple[float, float] | None
    known: float
    widening: float
    refused: bool
    freed: Freed | None = None
    left_out: LeftOut | None = None

    @property
    def verdict(self) -> Verdict:
        """In one word."""
        if self.refused or self.left > MOST_LEFT:
            return Verdict.REFUSED
        if self.excess is None or self.local is None:
            return Verdict.UNKNOWN
        good = self.excess <= MOST_EXCESS and self.local[0] <= MOST_LOCAL and self.widening <= WHITE
        if good:
            return Verdict.NOISE if self.known >= KNOWN else Verdict.UNKNOWN
        return Verdict.PARTLY

    @property
    def further(self) -> float:
        """By how much more uncertainties are widened than what is left would have it as noise.

        What a wrong model leaves does not average out as noise does, and moves values by as much as in the worst half
        octave. Where nobody knows the noise, all that is left above a good measurement's may be the model's.
        """
        found = {
            Verdict.PARTLY: max(self.excess or 1.0, self.local[0] if self.local else 1.0),
            Verdict.UNKNOWN: max(self.excess or 1.0, self.left / GOOD),
        }
        return max(1.0, found.get(self.verdict, 1.0))

    @property
    def text(self) -> str:
        """In sentences."""
        explained = f"{100.0 * max(0.0, 1.0 - self.left**2):.3g} % of the measured energy"
        verdict = self.verdict
        if verdict is Verdict.REFUSED:
            return (
                f"The project does not explain the measurements: {self.left:.0%} of the responses' rms is left. No "
                "corrected project is given."
            )
        if verdict is Verdict.NOISE:
            return (
                f"The corrected project explains the measurements up to noise: {self.left:.1%} of the responses' rms "
                f"is left, and {self.noise:.1%} is noise."
            )
        if verdict is Verdict.UNKNOWN:
            return (
                f"The corrected project explains {explained}; {self.left:.1%} of the responses' rms is left: not up to "
                "noise, as far as anybody can tell. The files' points lie too far apart to tell how much noise they "
                "hold: export finer, or measure a response twice and give the difference as noise_percent in "
                f"[reference]. Until then every uncertainty is {self.further:.1f} times as wide, as if all above "
                f"{GOOD:.0%} were the model's fault."
            )
        assert self.noise is not None, "known"
        text = (
            f"The corrected project explains {explained}: not up to noise. {self.left:.1%} of the responses' rms is "
            f"left, where the measurements hold {self.noise:.1%} of noise. "
        )
        if self.local and self.local[0] > 1.5 * (self.excess or 0.0):
            text += f"It is worst near {self.local[1]:.0f} Hz. "
        return text + (
            "Something in the room is not as the project has it, so a value may lie further off than its uncertainty "
            "says, although every uncertainty is widened."
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DataNoise:
    """How noisy the data are, and how many of them count.

    Parameters
    ----------
    rms : (n_freq, n_sub) of the noise, NaN where nobody knows.
    freedom : share of the data that no parameter uses up.
    widening : k, points of the data per independent sample.
    """

    rms: Floats
    freedom: float
    widening: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Compared:
    """The data beside the model, as drawn and as fitted, both with the subs' own response.

    Parameters
    ----------
    frequency_hz : (n_freq,) [Hz].
    data, before, after : (n_freq, n_seat, n_sub) complex128.
    """

    frequency_hz: Floats
    data: Complexes
    before: Complexes
    after: Complexes

    @property
    def misfit_before(self) -> float:
        """Share of the data's rms that the model as drawn leaves."""
        return misfit(self.data - self.before, self.data)

    @property
    def misfit_after(self) -> float:
        """Share of the data's rms that the fitted model leaves."""
        return misfit(self.data - self.after, self.data)

    def misfit_over_frequency(self) -> tuple[Floats, Floats]:
        """As drawn and as fitted, over seats and subs: (n_freq,) each, share of the data's rms."""
        size = _rms(self.data)
        return _rms(self.data - self.before) / size, _rms(self.data - self.after) / size


def even_weight(data: Complexes) -> Floats:
    """(n_freq, n_sub) weights that let weak frequencies count nearly as much as strong ones, and subs alike."""
    power = np.mean(np.abs(data) ** 2, axis=1)
    return np.asarray(1.0 / np.sqrt(power + 0.1 * power.mean(axis=0)))


def misfit(left: Complexes, data: Complexes) -> float:
    """Share of the data's rms that is left, by `even_weight`."""
    weight = even_weight(data)[:, None, :]
    return float(np.linalg.norm(left * weight) / np.linalg.norm(data * weight))


def _rms(value: Complexes) -> Floats:
    return np.asarray(np.sqrt(np.mean(np.abs(value) ** 2, axis=(1, 2))))


def judged(compared: Compared, noise: DataNoise, *, refused: bool) -> Judgement:
    """What the fitted model leaves of the data, judged.

    Parameters
    ----------
    compared : data and model.
    noise : of the data.
    refused : held sizes explain too much of what is left.
    """
    frequency_hz, data = compared.frequency_hz, compared.data
    left, even = data - compared.after, even_weight(data)
    known = np.isfinite(noise.rms)
    share_known = float(known.mean())
    if share_known < LEAST_KNOWN:
        return Judgement(
            left=compared.misfit_after,
            noise=None,
            excess=None,
            local=None,
            known=share_known,
            widening=noise.widening,
            refused=refused,
        )
    filled = np.where(known, noise.rms, 0.0)
    allowed = filled**2 + (FLOOR / even) ** 2
    power = np.mean(np.abs(left) ** 2, axis=1) / noise.freedom / allowed
    size = float((np.mean(np.abs(data) ** 2, axis=1) * even**2)[known].sum())
    share = sqrt(float(((filled * even) ** 2)[known].sum()) / size)
    octave = np.log2(frequency_hz / frequency_hz[0])
    worst, where = 0.0, float(frequency_hz[0])
    for start in np.arange(0.0, max(octave[-1] - 0.5 * STRETCH_OCTAVE, 1e-9), 0.5 * STRETCH_OCTAVE):
        inside = (octave >= start - 1e-9) & (octave <= start + STRETCH_OCTAVE)
        for sub in range(noise.rms.shape[1]):
            used = inside & known[:, sub]
            if used.any() and (here := sqrt(float(power[used, sub].mean()))) > worst:
                worst, where = here, float(frequency_hz[0] * 2.0 ** (start + 0.5 * STRETCH_OCTAVE))
    return Judgement(
        left=compared.misfit_after,
        noise=share,
        excess=sqrt(float(power[known].mean())),
        local=(worst, where),
        known=share_known,
        widening=noise.widening,
        refused=refused,
    )
