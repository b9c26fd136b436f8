"""Positions between the candidates, and the field between those."""

import numpy as np
import pytest

from roommodes.acoustics.room import Room, Surface
from roommodes.acoustics.transfer import transfer_function
from roommodes.places.boxes import Box
from roommodes.places.lattice import STEP_M, Lattice, lattice_of
from roommodes.places.zones import Cabinet, Ears, Ground, Zone, lay_out
from roommodes.project.constructions import library
from tests.conftest import Close

ROOM = (5.2, 4.1, 2.5)
SEATS = np.array([[3.1, 1.3, 1.1], [3.4, 2.6, 1.2]])
GROUND = Ground(
    keep_outs=[Box(name="door", low=(0.0, 1.2, 0.0), high=(0.6, 1.9, 2.0))],
    room_m=ROOM,
    cabinet=Cabinet(depth_m=0.4, width_m=0.3, height_m=0.4),
    ears=Ears(position_m=SEATS, distance_m=0.8),
)
ZONES = [
    Zone(name="front", low=(0.3, 0.3, 0.3), high=(0.3, 3.8, 0.3), spacing_m=0.5),
    Zone(name="floor", low=(4.0, 0.4, 0.3), high=(4.9, 1.3, 0.3), spacing_m=0.4),
]


def _lattice() -> tuple[Lattice, int]:
    candidates, _ = lay_out(ZONES, GROUND)
    return lattice_of(ZONES, candidates, GROUND), len(candidates)


def test_candidates_come_first_and_all_positions_are_legal() -> None:
    lattice, n_first = _lattice()
    candidates, _ = lay_out(ZONES, GROUND)
    assert np.array_equal(lattice.position_m[:n_first], candidates.position_m)
    assert len(lattice.position_m) > 3 * n_first
    assert GROUND.allows(lattice.position_m).all()
    assert not ((lattice.position_m[:, 0] < 0.6) & (abs(lattice.position_m[:, 1] - 1.55) < 0.35)).any()
    for name, zone in ((zone.name, zone) for zone in ZONES):
        own = lattice.position_m[[one == name for one in lattice.zone]]
        assert np.all(own >= np.array(zone.low) - 1e-6)
        assert np.all(own <= np.array(zone.high) + 1e-6)
        for point in own:  # no further than a step from a neighbour
            assert np.sort(np.linalg.norm(own - point, axis=1))[1] <= STEP_M + 1e-9


def test_the_polynomial_passes_through_every_polynomial() -> None:
    lattice, _ = _lattice()
    place = np.array([0.3, 2.537, 0.3])
    nodes = lattice.between(place, 1)
    assert nodes is not None
    index, weight = nodes
    y = lattice.position_m[index, 1]
    for power in range(len(index)):
        assert weight @ (y - 2.0) ** power == pytest.approx(0.537**power, rel=1e-9)
    on_node = lattice.between(lattice.position_m[index[2]], 1)
    assert on_node is not None
    assert np.sort(np.abs(on_node[1]))[-2] < 1e-9 < on_node[1].max()


def test_no_polynomial_outside_or_across_a_gap() -> None:
    lattice, _ = _lattice()
    assert lattice.between(np.array([0.3, 0.25, 0.3]), 1) is None  # before the first node
    assert lattice.between(np.array([0.3, 1.5, 0.3]), 1) is None  # where the door is
    assert lattice.between(np.array([0.31, 2.5, 0.3]), 1) is None  # beside the line
    assert lattice.between(np.array([0.3, 2.5, 0.3]), 0) is None  # a zone without extent along x


def test_the_field_between_is_that_of_the_model(close: Close) -> None:
    lattice, _ = _lattice()
    room = Room(length_m=ROOM[0], width_m=ROOM[1], height_m=ROOM[2])
    surfaces = [
        Surface(wall="left", from_m=(0.5, 0.2), to_m=(3.0, 2.2), law=library()["glass pane 6 mm"].law()),
        Surface(wall="front", from_m=(2.2, 0.0), to_m=(4.1, 2.5), law=library()["plasterboard on studs"].law()),
    ]
    places = np.array([[0.3, 2.537, 0.3], [0.3, 3.76, 0.3], [4.43, 0.85, 0.3], [0.3, 0.34, 0.3]])
    axes = (1, 1, 0, 1)
    sources = np.concatenate([lattice.position_m, places])
    hz = np.array([31.0, 63.0, 120.0, 160.0])
    whole = transfer_function(room, surfaces, frequency_hz=hz, seat_m=SEATS, source_m=sources)
    nodes = [lattice.between(place, axis) for place, axis in zip(places, axes, strict=True)]
    for k, found in enumerate(nodes):
        assert found is not None, places[k]
        exact = whole[:, :, len(lattice.position_m) + k]
        moved = whole[:, :, found[0]] @ found[1]
        for one, other in zip(moved, exact, strict=True):
            close(one, other, 1e-4, scale=float(np.sqrt(np.mean(np.abs(other) ** 2))))
