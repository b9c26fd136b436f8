"""The design of sampled rooms, worked out part by part: every part is the same whatever runs beside it."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import qmc

from roommodes.acoustics.transfer import transfer_function
from roommodes.arrays import Complexes, Floats
from roommodes.places.seats import Listening
from roommodes.responses.metrics import normalised
from roommodes.running import Running
from solvers.tolerance.field import CHUNK, Field
from solvers.tolerance.inputs import Builds, Inputs
from solvers.tolerance.plans import Driven, mean_levels_db, variations_db
from solvers.tolerance.reduction import PRECISION

A, B = "A", "B"  # the samples themselves, among the groups


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Heard:
    """Levels and variation of plans in some built rooms.

    Parameters
    ----------
    variation_db, mean_db : (n_plan, n) variation, mean level over band and ears [dB].
    level_db : (n_plan, n, n_freq, n_seat) float32 [dB re 1/m].
    """

    variation_db: Floats
    mean_db: Floats
    level_db: NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Part:
    """Rooms of A, as many of B."""

    a: Heard
    b: Heard


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Design:
    """Samples A and B of built rooms, A mixed with B, and the plans that are heard in them.

    Parameters
    ----------
    inputs : what is uncertain.
    field : the field in built rooms.
    coarse : the same on fewer unknowns, for the rooms behind the indices, A's and B's among them.
    plans : of any number of subs.
    listening : the ears.
    half : points of A, and of B; a power of two.
    share_points : how many of them stand behind the indices.
    seed : of the points.
    response : (n_freq, n_cabinet) of the kind at each place over the first one's, as drawn; None where there is one.
    """

    inputs: Inputs
    field: Field
    coarse: Field
    plans: Sequence[Driven]
    listening: Listening
    half: int
    share_points: int
    seed: int
    response: Complexes | None = None

    @property
    def starts(self) -> list[int]:
        """Where each part of A and B begins."""
        return list(range(0, self.half, CHUNK // 2))

    @property
    def mixes(self) -> list[tuple[str, int]]:
        """A, B and each group mixed, where indices are asked for, with where each part of their points begins."""
        return [(name, start) for name in (A, B, *self.inputs.groups) for start in range(0, self.share_points, CHUNK)]

    def points(self) -> tuple[Floats, Floats]:
        """A and B in the unit cube: (half, size) each."""
        size = self.inputs.size
        both = qmc.Sobol(max(2 * size, 1), rng=self.seed).random(self.half)
        return both[:, :size], both[:, size : 2 * size]

    def heard(self, builds: Builds, transfer: Complexes) -> Heard:
        """What all plans give in rooms with a known field (n, n_freq, n_ear, n_cabinet), kinds not yet in it."""
        transfer = self.by_kind(transfer)
        weight = normalised(self.listening.weight)
        variation, mean, levels = [], [], []
        for plan in self.plans:
            level = plan.levels(transfer, self.field.frequency_hz, builds)
            variation.append(variations_db(level, weight))
            mean.append(mean_levels_db(level, weight))
            levels.append(level[..., : self.listening.n_seat].astype(np.float32))
        return Heard(variation_db=np.array(variation), mean_db=np.array(mean), level_db=np.array(levels))

    def by_kind(self, transfer: Complexes) -> Complexes:
        """The field (n, n_freq, n_ear, n_cabinet) of what stands there."""
        return transfer if self.response is None else np.asarray(transfer * self.response[:, None, :])

    def drawn(self) -> Heard:
        """The room as drawn, by the same way as all others."""
        builds = self.inputs.drawn()
        return self.heard(builds, self.field.transfer(builds))

    def part(self, start: int) -> Part:
        """The rooms of A and B from one point on."""
        points = slice(start, start + CHUNK // 2)
        a, b = (self.inputs.builds(sample[points]) for sample in self.points())
        transfer = self.field.transfer(a.joined(b))
        return Part(a=self.heard(a, transfer[: len(a)]), b=self.heard(b, transfer[len(a) :]))

    def mixed(self, mix: tuple[str, int]) -> Floats:
        """Variations in rooms of A with one group from B, or of A or B itself: (n_plan, n) [dB]."""
        name, start = mix
        points = slice(start, min(start + CHUNK, self.share_points))
        a, b = (sample[points] for sample in self.points())
        unit, columns = a.copy(), {A: slice(0, 0), B: slice(None)}.get(name) or self.inputs.groups[name]
        unit[:, columns] = b[:, columns]
        builds = self.inputs.builds(unit)
        return self.heard(builds, self.coarse.transfer(builds)).variation_db

    def error_db(self, count: int, *, running: Running) -> float:
        """Largest difference of any plan's variation in the first rooms of A from the full equations [dB]."""
        builds = self.inputs.builds(self.points()[0][:count])
        reduced = self.heard(builds, self.field.transfer(builds)).variation_db
        worst = 0.0
        for index in range(count):
            room, surfaces = self.inputs.built(builds, index)
            transfer = transfer_function(
                room,
                surfaces,
                frequency_hz=self.field.frequency_hz,
                seat_m=builds.ear_m[index],
                source_m=builds.cabinet_m[index],
                precision=PRECISION,
                running=running,
            )
            full = self.heard(builds.part(slice(index, index + 1)), transfer[None]).variation_db[:, 0]
            worst = max(worst, float(np.abs(full - reduced[:, index]).max()))
        return worst
