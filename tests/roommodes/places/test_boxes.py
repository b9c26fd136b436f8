"""Turned boxes against polygons of another library, and against a candidate search with points tried by hand."""

import numpy as np
import pytest
from shapely.geometry import Point, Polygon, box

from roommodes.places.boxes import Box, TurnedBox, turned_box
from roommodes.places.zones import Cabinet, Ground, Zone, lay_out


def seeded(seed: int) -> tuple[TurnedBox, TurnedBox, np.random.Generator]:
    random = np.random.default_rng(seed)
    made = [
        turned_box(
            "main",
            tuple(random.uniform((1.0, 1.0, 0.4), (2.5, 2.5, 1.2))),
            tuple(random.uniform(0.4, 0.9, 3)),
            float(random.uniform(-180.0, 180.0)),
        )
        for _ in range(2)
    ]
    return made[0], made[1], random


def upright(one: Box, low: float, high: float) -> bool:
    return one.low[2] < high - 1e-6 and one.high[2] > low + 1e-6


@pytest.mark.parametrize("seed", range(6))
def test_it_cuts_and_holds_what_its_polygon_does(seed: int) -> None:
    one, other, random = seeded(seed)
    flat, second = Polygon(one.corners_m), Polygon(other.corners_m)
    assert flat.area * (one.high[2] - one.low[2]) > 0.005
    low = random.uniform(0.5, 2.5, (300, 3))
    high = low + random.uniform(0.1, 0.8, (300, 3))
    wanted = [
        flat.intersection(box(a[0], a[1], b[0], b[1])).area > 1e-9 and upright(one, a[2], b[2])
        for a, b in zip(low, high, strict=True)
    ]
    assert one.cuts(low, high).tolist() == wanted
    assert 5 < sum(wanted) < 295
    inside = [flat.contains(Point(at[:2])) and one.low[2] <= at[2] <= one.high[2] for at in low]
    assert one.holds(low).tolist() == inside
    assert one.meets(other) == (flat.intersection(second).area > 1e-9 and upright(one, other.low[2], other.high[2]))
    assert one.meets(other) == other.meets(one)


def test_a_box_turned_by_quarters_is_a_plain_box() -> None:
    plain = Box(name="plain", low=(1.0, 1.1, 0.2), high=(1.4, 2.0, 1.0))
    for aim, size in ((0.0, (0.4, 0.9, 0.8)), (90.0, (0.9, 0.4, 0.8)), (180.0, (0.4, 0.9, 0.8))):
        turned = turned_box("turned", (1.2, 1.55, 0.6), size, aim)
        assert (turned.low, turned.high) == (pytest.approx(plain.low), pytest.approx(plain.high))
        random = np.random.default_rng(1)
        low = random.uniform(0.0, 2.0, (200, 3))
        assert np.array_equal(turned.cuts(low, low + 0.3), plain.cuts(low, low + 0.3))
        assert np.array_equal(turned.holds(low), plain.holds(low))


def test_no_candidate_stands_in_a_turned_main() -> None:
    cabinet = Cabinet(depth_m=0.3, width_m=0.3, height_m=0.4)
    main = turned_box("main 1", (0.6, 1.6, 0.5), (0.35, 0.3, 1.0), 30.0)
    zone = Zone(name="front", low=(0.2, 0.2, 0.2), high=(1.2, 3.0, 0.2), spacing_m=0.1)
    candidates, _ = lay_out([zone], Ground(keep_outs=(main,), room_m=(5.0, 3.2, 2.5), cabinet=cabinet))
    flat = Polygon(main.corners_m)
    free = [
        at
        for at in zone.positions()
        if flat.intersection(box(at[0] - 0.15, at[1] - 0.15, at[0] + 0.15, at[1] + 0.15)).area < 1e-9
    ]
    assert len(candidates) == len(free) < zone.size
    assert np.allclose(candidates.position_m, free, atol=1e-9)
