"""Candidates: even spacing, keep-outs, cabinets, mirror images; held against plain counting."""

from itertools import product
from math import dist

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from roommodes.places.boxes import Box
from roommodes.places.zones import Cabinet, Candidates, Ground, Zone, ZoneYield, lay_out
from tests.conftest import Close

ROOM = (6.0, 4.0, 2.5)
OPEN = Ground(keep_outs=[], room_m=ROOM, cabinet=None)


def one(zone: Zone, *keep_outs: Box, cabinet: Cabinet | None = None) -> tuple[Candidates, ZoneYield]:
    candidates, yields = lay_out([zone], Ground(keep_outs=keep_outs, room_m=ROOM, cabinet=cabinet))
    return candidates, yields[0]


def line(low: tuple[float, float, float], high: tuple[float, float, float], spacing_m: float = 0.5) -> Zone:
    return Zone(name="line", low=low, high=high, spacing_m=spacing_m)


def test_a_point_a_line_a_rectangle_and_a_box() -> None:
    assert one(line((1, 1, 1), (1, 1, 1)))[0].position_m.tolist() == [[1, 1, 1]]
    assert one(line((1, 1, 1), (1, 2, 1)))[0].position_m.tolist() == [[1, 1, 1], [1, 1.5, 1], [1, 2, 1]]
    assert len(one(line((1, 1, 1), (2, 2, 1)))[0]) == 9
    assert len(one(line((1, 1, 1), (2, 2, 2)))[0]) == 27


@given(st.floats(0.0, 3.9), st.floats(0.001, 3.9), st.floats(0.02, 3.0))
def test_positions_are_even_and_no_further_apart_than_the_spacing(start: float, extent: float, spacing: float) -> None:
    end = min(start + extent, 4.0)
    y = Zone(name="z", low=(1, start, 1), high=(1, end, 1), spacing_m=spacing).positions()[:, 1]
    gaps = np.diff(y)
    assert y[0] == start
    assert abs(y[-1] - end) < 1e-9
    if len(gaps):
        assert gaps.max() <= spacing + 1e-6
        assert gaps.max() - gaps.min() < 1e-9
        assert len(gaps) == 1 or (end - start) / (len(gaps) - 1) > spacing - 1e-6  # one fewer would be too wide


def test_a_position_in_or_on_a_keep_out_is_dropped() -> None:
    door = Box(name="door", low=(0, 1.5, 0), high=(1, 2.5, 2))
    candidates, told = one(line((1, 0.5, 1), (1, 3.5, 1)), door)
    assert candidates.position_m[:, 1].tolist() == [0.5, 1.0, 3.0, 3.5]
    assert (told.positions, told.in_keep_out, told.no_fit, told.kept) == (7, 3, 0, 4)


def test_a_keep_out_that_is_flat_or_lies_on_a_wall_still_counts() -> None:
    flat = Box(name="panel", low=(0, 1, 0), high=(0, 2, 2))
    assert one(line((0, 1.5, 1), (0, 1.5, 1)), flat)[1].in_keep_out == 1


def test_a_cabinet_stays_in_the_room_and_off_keep_outs() -> None:
    cabinet = Cabinet(depth_m=0.4, width_m=0.4, height_m=0.5)
    low = one(line((1, 1, 0.2), (1, 1, 0.3), 0.05), cabinet=cabinet)[0]
    assert low.position_m[:, 2].tolist() == [0.25, 0.3]
    rack = Box(name="rack", low=(1.5, 0, 0), high=(2, 4, 2))
    beside = one(line((1.2, 1, 1), (1.4, 1, 1), 0.05), rack, cabinet=cabinet)[0]
    assert beside.position_m[:, 0].tolist() == [1.2, 1.25, 1.3]


def test_a_deep_cabinet_may_be_turned() -> None:
    cabinet = Cabinet(depth_m=0.8, width_m=0.3, height_m=0.3)
    assert len(one(line((0.2, 2, 1), (0.2, 2, 1)), cabinet=cabinet)[0]) == 1  # along the front wall
    assert len(one(line((0.2, 0.2, 1), (0.2, 0.2, 1)), cabinet=cabinet)[0]) == 0  # not in the corner


def test_clearance_is_needed_on_one_side_only() -> None:
    cabinet = Cabinet(depth_m=0.4, width_m=0.4, height_m=0.4, clearance_m=0.3)
    walls = [Box(name="a", low=(0, 0, 0), high=(0.8, 4, 2.5)), Box(name="b", low=(1.2, 0, 0), high=(2, 4, 2.5))]
    spot = line((1.0, 2, 1), (1.0, 2, 1))
    assert len(one(spot, *walls, cabinet=cabinet)[0]) == 1  # it faces left or right
    boxed = [
        *walls,
        Box(name="c", low=(0, 0, 0), high=(2, 1.7, 2.5)),
        Box(name="d", low=(0, 2.3, 0), high=(2, 4, 2.5)),
    ]
    assert len(one(spot, *boxed, cabinet=cabinet)[0]) == 0


def test_air_is_needed_behind() -> None:
    """Backed against the front wall with 0.1 m behind it: enough for 0.1 m of air, too little for more."""
    spot = line((0.3, 2, 1), (0.3, 2, 1))
    narrow = [Box(name="a", low=(0, 0, 0), high=(6, 1.7, 2.5)), Box(name="b", low=(0, 2.3, 0), high=(6, 4, 2.5))]
    for air, fits in ((0.0, 1), (0.1, 1), (0.11, 0)):
        cabinet = Cabinet(depth_m=0.4, width_m=0.4, height_m=0.4, clearance_m=0.15, ventilation_m=air)
        assert len(one(spot, *narrow, cabinet=cabinet)[0]) == fits
    turned = Cabinet(depth_m=0.4, width_m=0.4, height_m=0.4, clearance_m=0.15, ventilation_m=0.11)
    assert len(one(spot, cabinet=turned)[0]) == 1  # it faces left or right where nothing stands beside it


@given(
    st.floats(0.1, 5.9),
    st.floats(0.1, 3.9),
    st.floats(0.2, 1.2),
    st.floats(0.2, 1.2),
    st.floats(0.0, 0.4),
    st.floats(0.0, 0.3),
)
def test_fitting_agrees_with_sampling_the_cabinet(
    x: float, y: float, depth: float, width: float, gap: float, air: float
) -> None:
    """A second, dull way: sample points of cabinet and free space in each of the four directions."""
    cabinet = Cabinet(depth_m=depth, width_m=width, height_m=0.4, clearance_m=gap, ventilation_m=air)
    box = Box(name="box", low=(2, 1, 0), high=(3, 2, 2.5))
    share = np.linspace(0.0, 1.0, 41)
    possible = False
    margin = 1.0  # distance of the nearest decision from flipping
    for axis, sign in ((0, 1), (0, -1), (1, 1), (1, -1)):
        half = [width / 2, width / 2]
        half[axis] = depth / 2
        lows, highs = [x - half[0], y - half[1]], [x + half[0], y + half[1]]
        (highs if sign > 0 else lows)[axis] += sign * gap
        (lows if sign > 0 else highs)[axis] -= sign * air
        along = [lows[i] + (highs[i] - lows[i]) * share for i in (0, 1)]
        margin = min([margin, *(abs(v) for v in lows), abs(highs[0] - 6), abs(highs[1] - 4)])
        free = lows[0] >= 0 and lows[1] >= 0 and highs[0] <= 6 and highs[1] <= 4
        overlap = (min(highs[0], 3) - max(lows[0], 2), min(highs[1], 2) - max(lows[1], 1))
        margin = min(margin, abs(overlap[0]), abs(overlap[1]))
        possible |= free and not any(2 < a < 3 and 1 < b < 2 for a, b in product(*along))
    if margin > 0.08:  # else the samples may miss the overlap
        assert bool(cabinet.fits(np.array([[x, y, 1.0]]), ROOM, [box])[0]) is possible


def test_a_position_that_two_zones_share_belongs_to_the_first() -> None:
    a = Zone(name="a", low=(0.3, 0.5, 0.3), high=(0.3, 3.5, 0.3), spacing_m=0.5)
    b = Zone(name="b", low=(0.3, 3.5, 0.3), high=(3.3, 3.5, 0.3), spacing_m=0.5)
    candidates, yields = lay_out([a, b], OPEN)
    assert candidates.zone == ("a",) * 7 + ("b",) * 6
    assert [y.repeated for y in yields] == [0, 1]
    assert len({tuple(p) for p in candidates.position_m.tolist()}) == 13


def test_mirror_images_are_each_others_and_mirrored() -> None:
    zones = [line((0.3, 0.4, 0.3), (0.3, 3.6, 0.3), 0.4), line((5.0, 0.3, 0.3), (5.0, 1.3, 0.3), 0.5)]
    candidates, _ = lay_out(zones, OPEN)
    for index, other in enumerate(candidates.mirror_of):
        x, y, z = candidates.position_m[index]
        image = (x, ROOM[1] - y, z)
        distance = [dist(image, point) for point in candidates.position_m]
        if other < 0:
            assert min(distance) > 1e-3
        else:
            assert distance[other] < 2e-6
            assert candidates.mirror_of[other] == index
    on_centre = candidates.position_m[:, 1] == 2.0
    assert on_centre.any()
    assert np.all(candidates.mirror_of[on_centre] == np.flatnonzero(on_centre))
    assert (candidates.mirror_of == -1).sum() == 3


def test_layouts_are_the_same_every_time_and_cannot_be_changed(close: Close) -> None:
    zone = line((0.3, 0.4, 0.3), (5.7, 3.6, 0.3), 0.37)
    first, second = one(zone)[0], one(zone)[0]
    assert np.array_equal(first.position_m, second.position_m)
    with pytest.raises(ValueError, match="read-only"):
        first.position_m[0, 0] = 1.0


def test_no_zones_give_no_candidates() -> None:
    candidates, yields = lay_out([], OPEN)
    assert candidates.position_m.shape == (0, 3)
    assert len(candidates) == 0
    assert yields == ()
