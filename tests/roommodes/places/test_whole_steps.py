"""Places in whole steps, measured again from the cabinets' corners; mirrored pairs equal to the last digit."""

import numpy as np
import pytest

from roommodes.arrays import Floats
from roommodes.places.boxes import Box
from roommodes.places.lattice import lattice_of
from roommodes.places.zones import Cabinet, Candidates, Ground, Zone, lay_out
from roommodes.shapes.shape import Shape
from roommodes.shapes.solids import Block

ROOM = (5.23, 4.17, 2.5)
CABINET = Cabinet(depth_m=0.37, width_m=0.41, height_m=0.43, clearance_m=0.03, centre_m=(0.013, 0.0, 0.02))
ZONES = (
    Zone(name="front", low=(0.2, 0.25, 0.25), high=(0.45, 3.92, 0.6), spacing_m=0.31),
    Zone(name="left", low=(0.9, 0.25, 0.25), high=(4.4, 0.5, 0.25), spacing_m=0.33),
    Zone(name="right", low=(0.9, 3.67, 0.25), high=(4.4, 3.92, 0.25), spacing_m=0.33),
)
RACK = Box(name="rack", low=(4.6, 0.0, 0.0), high=(5.23, 0.5, 2.0))
STEP_M = 0.05


def ground(*, mirror: bool = False, shape: Shape | None = None, round_m: float = STEP_M) -> Ground:
    return Ground(
        keep_outs=() if mirror else (RACK,), room_m=ROOM, cabinet=CABINET, round_m=round_m, mirror=mirror, shape=shape
    )


def off_steps(position_m: Floats, zone: Zone, on: Ground, foot_on_m: float = 0.0) -> Floats:
    """How far the sides toward the nearer walls and the foot are from whole steps, where the zone leaves a choice."""
    found = []
    for at in position_m:
        facing = CABINET.facing_at((at[0], at[1], at[2]), ROOM, on.keep_outs, on.shape)
        low, high = (corner[0] for corner in CABINET.boxes(at[None], facing, clearance=False))
        sides = [low[k] if at[k] <= ROOM[k] / 2 else ROOM[k] - high[k] for k in (0, 1)]
        for k, side in enumerate((*sides, low[2] - foot_on_m)):
            if zone.high[k] > zone.low[k]:
                steps = side / STEP_M
                found.append(abs(steps - round(steps)) * STEP_M)
    return np.array(found)


@pytest.mark.parametrize("mirror", [False, True])
def test_candidates_and_lattice_are_in_whole_steps_within_their_zones(mirror: bool) -> None:
    on = ground(mirror=mirror)
    candidates, _ = lay_out(ZONES, on)
    lattice = lattice_of(ZONES, candidates, on)
    assert len(lattice.position_m) > len(candidates) > 40
    for zone in ZONES:
        own = lattice.position_m[[name == zone.name for name in lattice.zone]]
        assert np.all((own >= np.array(zone.low) - 1e-6) & (own <= np.array(zone.high) + 1e-6))
        beside = own[np.abs(own[:, 1] - ROOM[1] / 2) > 1e-6] if mirror else own
        assert off_steps(beside, zone, on).max() < 2e-6
    assert len(np.unique(lattice.position_m, axis=0)) == len(lattice.position_m)


def test_every_place_of_a_line_is_the_nearest_whole_step() -> None:
    line = Zone(name="line", low=(0.4, 0.31, 0.3), high=(0.4, 2.0, 0.3), spacing_m=0.23)
    on = Ground(keep_outs=(), room_m=ROOM, cabinet=None, round_m=0.1)
    candidates, (told,) = lay_out([line], on)
    wanted = sorted({min(max(round(y, 1), 0.4), 2.0) for y in np.linspace(0.31, 2.0, 9)})
    assert candidates.position_m[:, 1].tolist() == wanted
    assert (told.positions, told.kept, told.repeated) == (len(wanted), len(wanted), 0)
    assert candidates.position_m[:, (0, 2)].tolist() == [[0.4, 0.3]] * len(wanted)  # as the zone has them


def test_a_foot_is_in_whole_steps_above_the_block_that_carries_it() -> None:
    riser = Block(name="riser", low_m=(3.0, 0.0, 0.0), high_m=(5.23, 4.17, 0.22), carries=True)
    shape = Shape(size_m=ROOM, blocks=(riser,))
    zone = Zone(name="on it", low=(4.0, 1.5, 0.45), high=(4.0, 2.5, 0.9), spacing_m=0.2)
    on = ground(shape=shape)
    candidates, _ = lay_out([zone], on)
    assert len(candidates) > 5
    assert off_steps(candidates.position_m, zone, on, foot_on_m=0.22).max() < 2e-6


def test_a_zone_between_two_steps_gives_no_candidate() -> None:
    narrow = Zone(name="narrow", low=(0.4, 0.41, 0.3), high=(0.4, 0.44, 0.3), spacing_m=0.1)
    candidates, (told,) = lay_out([narrow], Ground(keep_outs=(), room_m=ROOM, cabinet=None, round_m=0.1))
    assert (len(candidates), told.positions) == (0, 0)


@pytest.mark.parametrize("round_m", [0.0, STEP_M])
def test_mirrored_pairs_are_equal_to_the_last_digit(round_m: float) -> None:
    odd = 4.123457  # of which a third or a half is no whole micrometre
    zone = Zone(name="wall", low=(0.3, 0.3, 0.3), high=(0.3, odd - 0.3, 0.3), spacing_m=0.39)
    on = Ground(keep_outs=(), room_m=(5.0, odd, 2.5), cabinet=CABINET, round_m=round_m, mirror=True)
    candidates, _ = lay_out([zone], on)
    lattice = lattice_of([zone], candidates, on)
    _exact(candidates, odd)
    places = {tuple(round(1e6 * value) for value in at) for at in lattice.position_m.tolist()}
    width = round(1e6 * odd)
    beside = [at for at in places if abs(2 * at[1] - width) > 1]
    assert all((x, width - y, z) in places for x, y, z in beside)


def _exact(candidates: Candidates, width: float) -> None:
    assert np.all(candidates.mirror_of >= 0)
    for one, other in enumerate(candidates.mirror_of):
        if one != other:
            a, b = candidates.position_m[one], candidates.position_m[other]
            assert round(1e6 * (a[1] + b[1])) == round(1e6 * width)
            assert (a[0], a[2]) == (b[0], b[2])
