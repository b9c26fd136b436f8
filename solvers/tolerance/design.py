"""The design of sampled rooms, worked out part by part: every part is the same whatever runs beside it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.stats import qmc

from roommodes.acoustics.transfer import transfer_function
from roommodes.arrays import Complexes, Floats
from roommodes.places.seats import Listening
from roommodes.responses.metrics import normalised
from roommodes.running import Running
from solvers.tolerance.field import CHUNK, Field
from solvers.tolerance.inputs import CABINETS, CONSTRUCTION, DRIVES, EARS, Builds, Inputs
from solvers.tolerance.plans import Driven, drives_of, levels_db, mean_levels_db, variations_db
from solvers.tolerance.reduction import PRECISION

CHECK_EVERY = 2  # two rooms check all frequencies
ALONE = (CABINETS, EARS, DRIVES)  # groups that leave the room's own equations as they are


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

    def part(self, rooms: slice) -> "Heard":
        """Some of the rooms."""
        return Heard(**{name: getattr(self, name)[:, rooms] for name in self.__slots__})


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Part:
    """Rooms of A, as many of B.

    Parameters
    ----------
    alone : by name of a group of `ALONE` variations of the first plans in those of A with the group from B, which take
        the same solution: (n_first, n) [dB]; none where they stand behind no share.
    """

    a: Heard
    b: Heard
    alone: Mapping[str, Floats]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Design:
    """Samples A and B of built rooms, A mixed with B, and the plans that are heard in them.

    Parameters
    ----------
    inputs : what is uncertain.
    field : the field in built rooms.
    plans : of any number of subs.
    first : which of them the indices are told for.
    listening : the ears.
    half : points of A, and of B, at most; a power of two.
    counted : whether so many were asked for, however few would do.
    share_points : how many of them stand behind the indices at most.
    seed : of the points.
    response : (n_freq, n_cabinet) of the kind at each place over the first one's, as drawn; None where there is one.
    """

    inputs: Inputs
    field: Field
    plans: Sequence[Driven]
    first: tuple[int, ...]
    listening: Listening
    half: int
    counted: bool
    share_points: int
    seed: int
    response: Complexes | None = None

    def starts(self, begin: int, end: int) -> list[int]:
        """Where each part of A and B begins, from one of their points up to another."""
        return list(range(begin, end, CHUNK // 2))

    def mixes(self, groups: Sequence[str], begin: int, end: int) -> list[tuple[tuple[str, ...], int, int]]:
        """Of some groups those that are worked out together, with a part of A's points from one up to another."""
        walls = tuple(name for name in groups if name.startswith(CONSTRUCTION))
        jobs = [walls, *((name,) for name in groups if name not in walls)]  # the longest first
        return [
            (names, start, min(start + CHUNK // 2, end))
            for names in jobs
            for start in range(begin, end, CHUNK // 2)
            if names
        ]

    def points(self) -> tuple[Floats, Floats]:
        """A and B in the unit cube: (half, size) each."""
        return _points(self.inputs.size, self.half, self.seed)

    def heard(self, builds: Builds, transfer: Complexes) -> Heard:
        """What all plans give in rooms with a known field (n, n_freq, n_ear, n_cabinet), kinds not yet in it."""
        return self._heard(transfer @ self._drives(builds, self.plans))

    def heard_in(self, builds: Builds) -> Heard:
        """What all plans give in rooms whose field is not asked for by itself."""
        return self._heard(self.field.pressure(builds, (builds, self._drives(builds, self.plans)))[0])

    def _heard(self, pressure: Complexes) -> Heard:
        """From the plans' pressures (n, n_freq, n_ear, n_plan)."""
        weight = normalised(self.listening.weight)
        level = np.moveaxis(levels_db(pressure), -1, 0)
        return Heard(
            variation_db=np.array([variations_db(one, weight) for one in level]),
            mean_db=np.array([mean_levels_db(one, weight) for one in level]),
            level_db=level[..., : self.listening.n_seat].astype(np.float32),
        )

    def _drives(self, builds: Builds, plans: Sequence[Driven]) -> Complexes:
        """(n, n_freq, n_cabinet, n_plan) on the field of what stands there."""
        n_cabinet = builds.cabinet_m.shape[1]
        drives = drives_of(plans, n_cabinet, frequency_hz=self.field.frequency_hz, builds=builds)
        return drives if self.response is None else drives * self.response[:, :, None]

    def by_kind(self, transfer: Complexes) -> Complexes:
        """The field (n, n_freq, n_ear, n_cabinet) of what stands there."""
        return transfer if self.response is None else np.asarray(transfer * self.response[:, None, :])

    def drawn(self) -> Heard:
        """The room as drawn, by the same way as all others."""
        return self.heard_in(self.inputs.drawn())

    def part(self, start: int) -> Part:
        """The rooms of A and B from one point on."""
        end = min(start + CHUNK // 2, self.half)
        a, b = (self.inputs.builds(sample[start:end]) for sample in self.points())
        if start >= self.share_points:
            both, n = self.heard_in(a.joined(b)), len(a)
            return Part(a=both.part(slice(n)), b=both.part(slice(n, None)), alone={})
        names = tuple(name for name in self.inputs.groups if name in ALONE)
        variants = [(a, self._drives(a, self.plans))]
        variants += [(one, self._drives(one, self._first)) for one in self._exchanged(names, start, end)]
        own, *others = (self._heard(one) for one in self.field.pressure(a, *variants))
        alone = {name: one.variation_db for name, one in zip(names, others, strict=True)}
        return Part(a=own, b=self.heard_in(b), alone=alone)

    def mixed(self, mix: tuple[tuple[str, ...], int, int]) -> dict[str, Floats]:
        """Variations in rooms of A with one group from B, of the first plans: (n_first, n) [dB] for each name."""
        names, begin, end = mix
        rooms = self._exchanged(names, begin, end)
        if names[0].startswith(CONSTRUCTION):
            own = self.inputs.builds(self.points()[0][begin:end])
            walls = [(name.removeprefix(CONSTRUCTION), builds) for name, builds in zip(names, rooms, strict=True)]
            pressures = self.field.pressure_with(own, self._drives(own, self._first), walls)
        else:
            (room,) = rooms
            pressures = self.field.pressure(room, (room, self._drives(room, self._first)))
        return {name: self._heard(one).variation_db for name, one in zip(names, pressures, strict=True)}

    @property
    def _first(self) -> list[Driven]:
        """The plans that the indices are told for."""
        return [self.plans[index] for index in self.first]

    def _exchanged(self, names: Sequence[str], begin: int, end: int) -> list[Builds]:
        """Rooms of A from one point up to another, for each name with that group from B."""
        a, b = (sample[begin:end] for sample in self.points())
        rooms = []
        for name in names:
            unit, columns = a.copy(), self.inputs.groups[name]
            unit[:, columns] = b[:, columns]
            rooms.append(self.inputs.builds(unit))
        return rooms

    def error_db(self, count: int, *, running: Running) -> float:
        """Largest difference of any plan's variation in the first rooms of A from the full equations [dB].

        The rooms take the frequencies in turn, each every `CHECK_EVERY`th: variations are those over these.
        """
        builds = self.inputs.builds(self.points()[0][:count])
        drives = self._drives(builds, self.plans)
        reduced = self.field.pressure(builds, (builds, drives))[0]
        worst = 0.0
        for index in range(count):
            room, surfaces = self.inputs.built(builds, index)
            part = (slice(index, index + 1), slice(index % CHECK_EVERY, None, CHECK_EVERY))
            transfer = transfer_function(
                room,
                surfaces,
                frequency_hz=self.field.frequency_hz[part[1]],
                seat_m=builds.ear_m[index],
                source_m=builds.cabinet_m[index],
                precision=PRECISION,
                running=running,
            )
            full = self._heard(transfer[None] @ drives[part]).variation_db
            worst = max(worst, float(np.abs(full - self._heard(reduced[part]).variation_db).max()))
        return worst


@lru_cache(maxsize=2)
def _points(size: int, half: int, seed: int) -> tuple[Floats, Floats]:
    """A and B of a design: every part of it asks for them."""
    both = qmc.Sobol(max(2 * size, 1), rng=seed).random(half)
    both.flags.writeable = False
    return both[:, :size], both[:, size : 2 * size]
