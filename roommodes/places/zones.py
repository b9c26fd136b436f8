"""Zones: where a subwoofer may stand, and the candidates that they yield.

A zone is a point, a line, a rectangle or a box. Along each axis on which it has an extent it gives evenly spread
positions, both ends included, no further apart than its spacing. A position is the sub's acoustic centre; its cabinet
stands centred on it, upright, facing front, rear, left or right. A position is dropped

- inside or on the edge of a keep-out;
- in a block, above a slope, or in a part of the room that is cut off;
- if in none of the four directions the cabinet, with the free space before its driver or port and that behind it for
  ventilation, lies wholly in the room and clear of the keep-outs;
- if an earlier zone (or the same one) has it already.

Candidates come in the order of the zones, then by x, y, z.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import ceil

import numpy as np
from numpy.typing import NDArray

from roommodes.arrays import Floats
from roommodes.places.boxes import Box
from roommodes.places.positions import SAME_M, exact_pairs, mirrored, position_key, to_micrometre, triple
from roommodes.places.whole_steps import WholeSteps
from roommodes.shapes.shape import Shape

Bools = NDArray[np.bool_]
Triple = tuple[float, float, float]

FACINGS = ((0, 1), (0, -1), (1, 1), (1, -1))  # (axis, direction) that a driver may face


def no_kinds() -> NDArray[np.intp]:
    """Where nothing is said of kinds: all are of the first."""
    return np.zeros(0, dtype=np.intp)


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidates:
    """Legal positions of a subwoofer: those of the zones' grids, and places found between them.

    Parameters
    ----------
    position_m : (n_candidate, 3) float64, x, y, z [m].
    zone : (n_candidate,) name of the zone that each comes from.
    mirror_of : (n_candidate,) index of the candidate mirrored left to right, itself on the centre plane, -1 where
        there is none.
    places_between : how many of them, the last ones, were found between the first grid's.
    kind : (n_candidate,) which of the project's kinds of subwoofer each is for; left out, the first.
    """

    position_m: Floats
    zone: tuple[str, ...]
    mirror_of: NDArray[np.intp]
    places_between: int = 0
    kind: NDArray[np.intp] = field(default_factory=no_kinds)

    def __post_init__(self) -> None:
        if not len(self.kind):
            object.__setattr__(self, "kind", np.zeros(len(self.zone), dtype=np.intp))
        for array in (self.position_m, self.mirror_of, self.kind):
            array.setflags(write=False)

    def __len__(self) -> int:
        return len(self.zone)

    @property
    def n_first(self) -> int:
        """How many are the first grid's."""
        return len(self) - self.places_between


@dataclass(frozen=True, slots=True, kw_only=True)
class Zone(Box):
    """A box with the largest distance between neighbouring positions [m]."""

    spacing_m: float

    @property
    def counts(self) -> tuple[int, int, int]:
        """Positions along x, y and z."""
        x, y, z = (
            1 + max(0, ceil((b - a) / self.spacing_m - 1e-9)) if b - a > SAME_M else 1
            for a, b in zip(self.low, self.high, strict=True)
        )
        return (x, y, z)

    @property
    def size(self) -> int:
        """Positions before any is dropped."""
        x, y, z = self.counts
        return x * y * z

    def axes(self, parts: int = 1) -> tuple[Floats, Floats, Floats]:
        """Positions along x, y and z, each step between them cut into so many parts [m]."""
        counts = [(n - 1) * parts + 1 for n in self.counts]
        x, y, z = (np.linspace(a, b, n) for a, b, n in zip(self.low, self.high, counts, strict=True))
        return x, y, z

    def positions(self, parts: int = 1) -> Floats:
        """All positions, x slowest, each step between them cut into so many parts: (size, 3) [m]."""
        return np.stack(np.meshgrid(*self.axes(parts), indexing="ij"), axis=-1).reshape(-1, 3)


@dataclass(frozen=True, slots=True, kw_only=True)
class Cabinet:
    """A subwoofer's cabinet.

    Parameters
    ----------
    depth_m, width_m, height_m : along the direction it faces, across it, and up [m].
    clearance_m : free space needed before the faces with driver and port [m].
    ventilation_m : free space needed behind, for air to the amplifier and vents [m].
    free_faces : on which driver and port are: front, rear, left, right (from behind it), top, bottom.
    centre_m : acoustic centre from the cabinet's middle, forward, right, up [m]; it stands at the position.
    """

    depth_m: float
    width_m: float
    height_m: float
    clearance_m: float = 0.0
    ventilation_m: float = 0.0
    free_faces: tuple[str, ...] = ("front",)
    centre_m: Triple = (0.0, 0.0, 0.0)

    def space_m(self, face: str) -> float:
        """Free space needed before a face, for driver, port or ventilation [m]."""
        before = self.clearance_m if face in self.free_faces else 0.0
        return max(before, self.ventilation_m) if face == "rear" else before

    def boxes(self, position_m: Floats, facing: tuple[int, int], *, clearance: bool = True) -> tuple[Floats, Floats]:
        """Low and high corners of cabinet and free space: (n, 3) -> (n, 3), (n, 3) [m]."""
        axis, _ = facing
        half = np.array([self.width_m, self.width_m, self.height_m]) / 2.0
        half[axis] = self.depth_m / 2.0
        middle = position_m - _turned(self.centre_m, facing)
        low, high = middle - half, middle + half
        if clearance:
            for face in _FACES:
                outward = self.space_m(face) * face_direction(face, facing)
                low += np.minimum(outward, 0.0)
                high += np.maximum(outward, 0.0)
        return low, high

    def facing_at(
        self, position_m: Triple, room_m: Triple, keep_outs: Sequence[Box] = (), shape: Shape | None = None
    ) -> tuple[int, int]:
        """How it is turned there: away from the nearest wall if it fits so, else as it fits, (axis, direction)."""

        def behind(facing: tuple[int, int]) -> float:
            axis, direction = facing
            if shape is not None:
                return round(shape.gap_m(position_m, axis, -direction), 6)
            return round(position_m[axis] if direction > 0 else room_m[axis] - position_m[axis], 6)

        order = sorted(FACINGS, key=behind)
        at = np.array([position_m])
        fitting = (one for one in order if self._stands(at, one, room_m, keep_outs, shape=shape)[0])
        return next(fitting, order[0])

    def fits(
        self,
        position_m: Floats,
        room_m: Triple,
        keep_outs: Sequence[Box] = (),
        *,
        clearance: bool = True,
        shape: Shape | None = None,
    ) -> Bools:
        """At which positions it can stand in at least one direction: (n, 3) -> (n,).

        Parameters
        ----------
        position_m : acoustic centres [m].
        room_m : length, width, height of the room's box [m].
        keep_outs : where nothing may stand.
        clearance : whether the free space that it needs counts.
        shape : what of the box is air; None for all of it.
        """
        possible = np.zeros(len(position_m), dtype=np.bool_)
        for facing in FACINGS:
            possible |= self._stands(position_m, facing, room_m, keep_outs, clearance=clearance, shape=shape)
        return possible

    def _stands(
        self,
        position_m: Floats,
        facing: tuple[int, int],
        room_m: Triple,
        keep_outs: Sequence[Box],
        *,
        clearance: bool = True,
        shape: Shape | None = None,
    ) -> Bools:
        low, high = self.boxes(position_m, facing, clearance=clearance)
        free = np.all((low >= -SAME_M) & (high <= np.array(room_m) + SAME_M), axis=1)
        if shape is not None:
            free &= shape.clear(low, high)
        for box in keep_outs:
            free &= ~box.cuts(low, high)
        return np.asarray(free)


_FACES = {
    "front": (1.0, 0.0, 0.0),
    "rear": (-1.0, 0.0, 0.0),
    "right": (0.0, 1.0, 0.0),
    "left": (0.0, -1.0, 0.0),
    "top": (0.0, 0.0, 1.0),
    "bottom": (0.0, 0.0, -1.0),
}


def face_direction(face: str, facing: tuple[int, int]) -> Floats:
    """Which way a cabinet's face looks in the room when the cabinet faces so: (3,) unit vector."""
    return _turned(_FACES[face], facing)


def _turned(local: Triple, facing: tuple[int, int]) -> Floats:
    """A vector given as forward, right, up of the cabinet, along x, y, z: (3,)."""
    axis, direction = facing
    forward = np.zeros(3)
    forward[axis] = direction
    right = np.array([forward[1], -forward[0], 0.0])  # forward x up
    return np.asarray(local[0] * forward + local[1] * right + np.array([0.0, 0.0, local[2]]))


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneYield:
    """What became of a zone's positions.

    Parameters
    ----------
    name : of the zone.
    positions : how many its spacing gives.
    in_keep_out, no_fit, near_seat, repeated, no_air : how many were dropped, for the first reason that holds.
    kind : of subwoofer; empty where there is one only.
    """

    name: str
    positions: int
    in_keep_out: int
    no_fit: int
    near_seat: int
    repeated: int
    no_air: int = 0
    kind: str = ""

    @property
    def kept(self) -> int:
        """How many candidates are left."""
        return self.positions - self.in_keep_out - self.no_air - self.no_fit - self.near_seat - self.repeated


@dataclass(frozen=True, slots=True, kw_only=True)
class Ears:
    """What a candidate must keep away from.

    Parameters
    ----------
    position_m : (n_seat, 3) [m].
    distance_m : least distance of a candidate [m].
    """

    position_m: Floats
    distance_m: float

    def too_near(self, position_m: Floats) -> NDArray[np.bool_]:
        """Which of the positions (n, 3) are too near to a seat: (n,)."""
        if self.distance_m <= 0.0 or not len(self.position_m):
            return np.zeros(len(position_m), dtype=np.bool_)
        gap = np.linalg.norm(position_m[:, None] - self.position_m[None], axis=2)
        return np.asarray(gap.min(axis=1) < self.distance_m - SAME_M)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ground:
    """What decides where a sub may stand.

    Parameters
    ----------
    keep_outs : where nothing may stand.
    room_m : length, width, height [m].
    cabinet : what stands at each position; None for a point.
    ears : what to keep away from.
    shape : what of the room is air; None for all of it.
    round_m : cabinets stand in whole steps of it from the nearer walls and above what carries them; 0 for anywhere [m].
    mirror : layouts shall be their own mirror image, so that pairs are exact ones and the middle is a place.
    """

    keep_outs: Sequence[Box]
    room_m: Triple
    cabinet: Cabinet | None
    ears: Ears | None = None
    shape: Shape | None = None
    round_m: float = 0.0
    mirror: bool = False

    def places(self, zone: Zone, parts: int = 1) -> Floats:
        """A zone's positions, each step cut into so many parts, to the micrometre and in whole steps: (n, 3) [m].

        Whatever else bars them is not looked at. In whole steps every place comes once.
        """
        position = to_micrometre(zone.positions(parts))
        if self.round_m <= 0.0:
            return position
        middle = self.room_m[1] / 2.0
        if self.mirror and zone.low[1] < middle < zone.high[1]:  # an odd sub stands there
            position = np.concatenate([position, np.unique(position * [1.0, 0.0, 1.0] + [0.0, middle, 0.0], axis=0)])
        steps, once = self.whole_steps(), dict[tuple[int, ...], Floats]()
        for point in position:
            place = steps.nearest(point, zone.low, zone.high)
            if place is not None:
                once.setdefault(position_key(place), place)
        found = sorted(once.values(), key=lambda place: tuple(place.tolist()))
        return np.array(found, dtype=np.float64).reshape(-1, 3)

    def whole_steps(self) -> WholeSteps:
        """How places are measured in steps of `round_m`, which is above 0."""
        return WholeSteps(
            step_m=self.round_m,
            room_m=self.room_m,
            faces=self._faces,
            carried_at=lambda place: 0.0 if self.shape is None else self.shape.stands_on_m(triple(place)),
            middle=self.mirror,
        )

    def _faces(self, place: Floats) -> tuple[Floats, Floats]:
        """From a place (3,) to the low and high faces of the cabinet as it is turned there: (3,) each [m]."""
        if self.cabinet is None:
            return np.zeros(3), np.zeros(3)
        facing = self.cabinet.facing_at(triple(place), self.room_m, self.keep_outs, self.shape)
        low, high = self.cabinet.boxes(place[None], facing, clearance=False)
        return low[0] - place, high[0] - place

    def barred(self, position_m: Floats) -> tuple[Bools, Bools, Bools, Bools]:
        """Positions (n, 3) in a keep-out, not in the air, no fit for the cabinet, too near a seat: (n,) each.

        Of several reasons the first counts.
        """
        in_keep_out = np.zeros(len(position_m), dtype=np.bool_)
        for box in self.keep_outs:
            in_keep_out |= box.holds(position_m)
        no_air, no_fit, near = (np.zeros_like(in_keep_out) for _ in range(3))
        if self.shape is not None:
            no_air = ~in_keep_out & ~self.shape.contains(position_m)
        if self.cabinet is not None:
            fits = self.cabinet.fits(position_m, self.room_m, self.keep_outs, shape=self.shape)
            no_fit = ~in_keep_out & ~no_air & ~fits
        if self.ears is not None:
            near = self.ears.too_near(position_m) & ~in_keep_out & ~no_air & ~no_fit
        return in_keep_out, no_air, no_fit, near

    def allows(self, position_m: Floats) -> Bools:
        """At which of the positions (n, 3) a sub may stand: (n,)."""
        return np.asarray(~np.logical_or.reduce(self.barred(position_m)))


def lay_out(zones: Sequence[Zone], ground: Ground) -> tuple[Candidates, tuple[ZoneYield, ...]]:
    """The candidates of all zones, in order of precedence, and what became of each zone's positions."""
    seen: set[tuple[int, ...]] = set()
    kept: list[Floats] = []
    names: list[str] = []
    yields: list[ZoneYield] = []
    for zone in zones:
        position = ground.places(zone)
        in_keep_out, no_air, no_fit, near = ground.barred(position)
        repeated = 0
        for point in position[~in_keep_out & ~no_air & ~no_fit & ~near]:
            key = position_key(point)
            if key in seen:
                repeated += 1
                continue
            seen.add(key)
            kept.append(point)
            names.append(zone.name)
        yields.append(
            ZoneYield(
                name=zone.name,
                positions=len(position),
                in_keep_out=int(in_keep_out.sum()),
                no_fit=int(no_fit.sum()),
                near_seat=int(near.sum()),
                repeated=repeated,
                no_air=int(no_air.sum()),
            )
        )
    positions = np.array(kept, dtype=np.float64).reshape(-1, 3)
    if ground.mirror:
        positions = exact_pairs(positions, ground.room_m[1])
    return (
        Candidates(position_m=positions, zone=tuple(names), mirror_of=mirrored(positions, ground.room_m[1])),
        tuple(yields),
    )
