"""The prior of a sub's field: kernels over places, a weight each, each of unit power where it was measured.

| kernel | function of two places at one frequency |
| --- | --- |
| noise | 1 at one place, 0 between two |
| direct sound | the free field of the sub |
| plane waves | sin(kr) / kr: from all directions alike, with random amplitudes [1] |
| model | the response of the project's room, known but for one complex factor |
| n reflections | image sources of the sub, each with a random factor; boxes alone |
| n reflections, alike | the same with one random factor for all; boxes alone |
| standing waves | modes of the box, each with a random factor; boxes alone |

References
----------
[1] N. Ueno, S. Koyama, H. Saruwatari, Sound field recording using distributed microphones based on harmonic analysis of
infinite order, IEEE Signal Processing Letters 25, 2018 (the kernel; from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from roommodes.arrays import Complexes, Floats, Integers
from roommodes.project.project import Project
from solvers.field.sources import REFLECTIONS, STANDING_LOSS, image_places, spherical, standing_waves

NOISE, DIRECT, PLANE, MODEL = "noise", "direct sound", "plane waves", "model"
Features = Complexes | Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Around:
    """A sub in its room.

    Parameters
    ----------
    wavenumber : (n_freq,) [1/m].
    source_m : (3,) the sub [m].
    size_m : (3,) the box whose images and standing waves count; None for rooms of another shape [m].
    """

    wavenumber: Floats
    source_m: Floats
    size_m: Floats | None


def around(project: Project, frequency_hz: Floats, source_m: Floats, *, wider_m: float = 0.0) -> Around:
    """A sub in a project's room, the box wider by so much in plan: soft walls reflect as if from behind themselves."""
    room = project.room
    wavenumber = 2.0 * np.pi * frequency_hz / room.air.speed_of_sound_m_s
    if not room.is_box:
        return Around(wavenumber=wavenumber, source_m=source_m, size_m=None)
    shift = np.array([0.5 * wider_m, 0.5 * wider_m, 0.0])
    return Around(wavenumber=wavenumber, source_m=source_m + shift, size_m=np.array(room.size_m) + 2.0 * shift)


def shifted(place_m: Floats, *, wider_m: float) -> Floats:
    """Places in the coordinates of the wider box."""
    return np.asarray(place_m + np.array([0.5 * wider_m, 0.5 * wider_m, 0.0]))


class Waves:
    """The kernels of one sub.

    Parameters
    ----------
    sub : where it plays.
    measured_m : (n, 3) where it was measured, in the coordinates of `sub` [m].
    model : (n_freq, n) the model's response there; None to do without.
    """

    def __init__(self, sub: Around, measured_m: Floats, model: Complexes | None = None) -> None:
        self.sub = sub
        self.measured_m = measured_m
        self.model = model
        self.names: tuple[str, ...] = (NOISE, PLANE, *self._feature_names())
        self._power: list[Floats] = [
            np.asarray(np.mean((np.abs(one) ** 2).sum(axis=2), axis=1)) for one in self._features(measured_m, model)
        ]

    def at(self, used: Integers) -> "Waves":
        """The same at some of its frequencies, the last among them: up to there standing waves are taken."""
        sub = replace(self.sub, wavenumber=self.sub.wavenumber[used])
        return Waves(sub, self.measured_m, None if self.model is None else self.model[used])

    def terms(self) -> Complexes:
        """Every kernel between the measured places: (n_kernel, n_freq, n, n)."""
        n_freq, n = len(self.sub.wavenumber), len(self.measured_m)
        found: list[Features] = [
            np.broadcast_to(np.eye(n), (n_freq, n, n)),
            self._plane(self.measured_m, self.measured_m),
        ]
        for one, power in zip(self._features(self.measured_m, self.model), self._power, strict=True):
            found.append(one @ one.conj().transpose(0, 2, 1) / power[:, None, None])
        return np.asarray(np.stack(found), dtype=np.complex128)

    def cross(self, weight: Floats, place_m: Floats, model: Complexes | None = None) -> tuple[Complexes, Floats]:
        """Covariance of places (p, 3) with the measured ones, (n_freq, p, n), and their variance, (n_freq, p).

        Parameters
        ----------
        weight : (n_kernel,) of each kernel.
        place_m : (p, 3) [m].
        model : (n_freq, p) the model's response there, where the kernels know one.
        """
        here = self._features(place_m, model)
        there = self._features(self.measured_m, self.model)
        return self._between(weight, place_m, self.measured_m, here, there), self._variance(weight, here)

    def between(
        self, weight: Floats, first: tuple[Floats, Complexes | None], second: tuple[Floats, Complexes | None]
    ) -> tuple[Complexes, Floats]:
        """Covariance of the field between places (p, 3) and others (o, 3), (n_freq, p, o), without noise.

        With it the variance at the others with noise, (n_freq, o).

        Parameters
        ----------
        weight : (n_kernel,) of each kernel.
        first, second : places [m], and the model's response there, (n_freq, p or o), where the kernels know one.
        """
        here, there = self._features(*first), self._features(*second)
        return self._between(weight, first[0], second[0], here, there), self._variance(weight, there)

    def _between(
        self, weight: Floats, place_m: Floats, other_m: Floats, here: Sequence[Features], there: Sequence[Features]
    ) -> Complexes:
        covariance: Complexes = (weight[1] * self._plane(place_m, other_m)).astype(np.complex128)
        for share, one, other, power in zip(weight[2:], here, there, self._power, strict=True):
            covariance += (share / power)[:, None, None] * (one @ other.conj().transpose(0, 2, 1))
        return covariance

    def _variance(self, weight: Floats, here: Sequence[Features]) -> Floats:
        variance = np.full(here[0].shape[:2], float(weight[0] + weight[1]))
        for share, one, power in zip(weight[2:], here, self._power, strict=True):
            variance += (share / power)[:, None] * (np.abs(one) ** 2).sum(axis=2)
        return variance

    def _feature_names(self) -> Sequence[str]:
        names = [DIRECT]
        if self.model is not None:
            names.append(MODEL)
        if self.sub.size_m is not None:
            names += [_reflections(orders) for orders in REFLECTIONS]
            names += [f"{_reflections(orders)}, alike" for orders in REFLECTIONS]
            names += [f"standing waves, loss {loss:g}" for loss in STANDING_LOSS]
        return names

    def _features(self, place_m: Floats, model: Complexes | None) -> list[Features]:
        """The functions of each group at places (n, 3): (n_freq, n, m) each."""
        sub = self.sub
        found: list[Features] = [spherical(sub.wavenumber, place_m, sub.source_m[None])]
        if self.model is not None:
            assert model is not None, "the model's response belongs to every place"
            found.append(model[:, :, None])
        if sub.size_m is not None:
            images = [
                spherical(sub.wavenumber, place_m, image_places(sub.source_m, sub.size_m, orders))
                for orders in REFLECTIONS
            ]
            found += [*images, *(one.sum(axis=2, keepdims=True) for one in images)]
            found += [standing_waves(sub.wavenumber, place_m, sub.size_m, loss) for loss in STANDING_LOSS]
        return found

    def _plane(self, place_m: Floats, other_m: Floats) -> Floats:
        distance = np.linalg.norm(place_m[:, None] - other_m[None], axis=2)
        return np.asarray(np.sinc(self.sub.wavenumber[:, None, None] * distance / np.pi))


def _reflections(orders: tuple[int, ...]) -> str:
    if len(orders) == 1:
        return f"{orders[0]} reflection" + ("s" if orders[0] > 1 else "")
    return f"{orders[0]} to {orders[-1]} reflections"
