"""Cables, circuits, heat and quantities: lengths by hand, laws of the formulas, circuits within their breaker."""

from dataclasses import replace
from math import log10

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from roommodes.errors import ProjectInvalid
from roommodes.plan.plan import Plan
from roommodes.project.reading import parse_project
from solvers.electrical.of_plan import CIRCUIT_SHARE, electrical_of
from solvers.electrical.routes import Gap, Walls, walls_of
from solvers.electrical.sections import (
    COPPER_OHM_MM2_M,
    SECTIONS_MM2,
    drop_percent,
    loss_db,
    loudspeaker_section_mm2,
    supply_section_mm2,
)
from tests.cli.sheets.invented_rooms import plan_of
from tests.rooms import CLOSED_BOX

ROOM = """\
format = 1
name = "wired"
[room]
length_m = 6.0
width_m = 4.0
height_m = 2.5
[[regions]]
wall = "right"
from_m = [2.0, 0.0]
to_m = [2.9, 2.0]
construction = "door"
[[rows]]
name = "row"
x_m = 3.5
y_m = [2.0]
ear_height_m = 1.1
[[zones]]
name = "front"
from_m = [0.3, 0.3, 0.3]
to_m = [0.3, 3.7, 0.3]
spacing_m = 0.5
[subwoofer]
name = "=HYPERLINK(1)"
cabinet_m = [0.4, 0.4, 0.4]
price = 1000
[[amplifiers]]
name = "rack"
channels = 4
power_w = 400
load_ohm = 4
at_m = [5.5, 3.8, 0.6]
AMPLIFIER
[electrical]
board_m = [6.0, 2.0, 0.1]
[layout]
positions_m = [[0.3, 3.7, 0.3], [0.3, 0.4, 2.2]]
"""


def plan(amplifier: str = "", more: str = "") -> Plan:
    return plan_of(ROOM.replace("AMPLIFIER", amplifier).replace("[layout]", more + "[layout]"))


def test_lengths_run_along_the_walls_the_shorter_way_and_over_doors() -> None:
    """By hand. Rack to sub 1 along the right wall: 5.5 - 0.3 along, 0.2 + 0.3 to the walls, 0.5 down and 0.2 up, and
    2 (2.0 + 0.1 - 0.1) over the door: 10.4; the other way is longer. With 2 x 0.5 to spare 11.4, ordered as 11.5."""
    cables = {cable.name: cable for cable in electrical_of(plan()).cables}
    assert cables["L1"].length_m == pytest.approx(11.5)
    assert cables["L1"].over_door
    # from the rear wall's middle: 2.0 to the corner, 0.5 along the right wall, 0.2 off it, 0.5 up, 1.0 to spare: 4.2
    assert cables["S1"].length_m == pytest.approx(4.5)
    assert not cables["S1"].over_door
    high = {c.name: c for c in electrical_of(plan(more="route_height_m = 2.3\n")).cables}
    assert not high["L1"].over_door


def test_a_cable_goes_round_a_chimney_breast_and_over_no_riser() -> None:
    """By hand: 0.4 deep on the left wall adds 2 x 0.4 to what passes it; a riser of 0.2 adds nothing."""
    from_m, to_m, low = (1.0, 0.3, 0.1), (5.0, 0.3, 0.1), 'construction = "brick"\n'
    breast = f'[[blocks]]\nname = "b"\nfrom_m = [2.5, 0.0, 0.0]\nto_m = [3.5, 0.4, 2.5]\n{low}'
    riser = f'[[blocks]]\nname = "r"\nfrom_m = [4.0, 0.0, 0.0]\nto_m = [6.0, 4.0, 0.2]\n{low}'
    bare = ROOM.replace("AMPLIFIER", "")
    project = parse_project(bare.replace("[[rows]]", breast + riser + "[[rows]]", 1), source="r.toml")
    walls = walls_of(project, 0.1)
    assert walls.run_m(from_m, to_m) == (pytest.approx(0.6 + 4.0 + 0.8), False)
    plain = walls_of(parse_project(bare, source="r.toml"), 0.1)
    assert plain.run_m(from_m, to_m) == (pytest.approx(0.6 + 4.0), False)
    path = np.array(walls.path_m(from_m, to_m, inset_m=0.05))
    lengths = np.abs(np.diff(path, axis=0)).sum(axis=1)
    assert lengths[1:-1].sum() == pytest.approx(4.0 + 0.8, abs=0.21)
    assert {tuple(path[0]), tuple(path[-1])} == {from_m[:2], to_m[:2]}
    assert path[:, 1].max() == pytest.approx(0.45)


def test_of_a_box_the_path_is_as_long_as_the_run() -> None:
    walls = Walls(length_m=6.0, width_m=4.0, height_m=0.1)
    for start, end in (((0.3, 3.5, 0.1), (5.7, 0.5, 0.1)), ((0.2, 2.0, 0.1), (5.0, 3.9, 0.1))):
        path = np.array(walls.path_m(start, end))
        assert np.abs(np.diff(path, axis=0)).sum() == pytest.approx(walls.run_m(start, end)[0])


@given(
    points=st.lists(st.tuples(st.floats(0.0, 6.0), st.floats(0.0, 4.0), st.floats(0.0, 2.5)), min_size=2, max_size=2)
)
def test_a_route_is_the_same_both_ways_and_never_shorter_than_the_air_line(
    points: list[tuple[float, float, float]],
) -> None:
    walls = Walls(length_m=6.0, width_m=4.0, height_m=0.1, gaps=(Gap(from_m=1.0, to_m=1.9, top_m=2.0),))
    one, other = points
    length, over = walls.run_m(one, other)
    assert (length, over) == (pytest.approx(walls.run_m(other, one)[0]), walls.run_m(other, one)[1])
    assert length >= sum((a - b) ** 2 for a, b in zip(one, other, strict=True)) ** 0.5 - 1e-9
    bare = replace(walls, gaps=())
    assert bare.run_m(one, other)[0] <= length + 1e-12


@given(length=st.floats(0.5, 60.0), load=st.floats(1.0, 16.0), allowed=st.floats(0.05, 3.0))
def test_the_section_is_the_smallest_that_keeps_to_the_loss(length: float, load: float, allowed: float) -> None:
    found = loudspeaker_section_mm2(length, load, allowed)
    smaller = [one for one in SECTIONS_MM2 if found is None or one < found]
    assert all(loss_db(length, one, load) > allowed for one in smaller)
    assert found is None or loss_db(length, found, load) <= allowed


def test_the_formulas_by_hand() -> None:
    """A hundred metres of a square millimetre have 2 x 100 / 58 = 3.448 ohm; 1/58: IEC 60028 (from memory)."""
    assert pytest.approx(0.017241, abs=1e-6) == COPPER_OHM_MM2_M
    assert loss_db(100.0, 1.0, 3.448) == pytest.approx(20 * log10(2.0), abs=1e-3)
    assert drop_percent(20.0, 2.5, 10.0, 230.0) == pytest.approx(100 * 2 * 20 / 58 / 2.5 * 10 / 230)
    assert supply_section_mm2(1.0, 1.0, 230.0, 3.0) == 1.5  # the least of fixed wiring
    assert supply_section_mm2(1000.0, 100.0, 230.0, 3.0) is None


def test_circuits_hold_what_their_breaker_bears() -> None:
    each = 'name = "amp {k}"\nsubs = [[{k}]]\npower_w = 3000\nload_ohm = 4\nat_m = [5.5, 3.8, 0.6]\n'
    two = "".join("[[amplifiers]]\n" + each.format(k=k) for k in (1, 2))
    text = ROOM[: ROOM.index("[[amplifiers]]")] + two + ROOM[ROOM.index("[electrical]") :]
    text = text.replace("[layout]", "circuit_a = 8\n[search]\ncounts = [2]\n[layout]")
    found = electrical_of(plan_of(text))
    assert [circuit.amplifiers for circuit in found.circuits] == [("amp 1",), ("amp 2",)]
    for circuit in found.circuits:
        assert circuit.current_a == pytest.approx((3000 / 3 / 0.8 + 15) / 230)
        assert circuit.current_a <= CIRCUIT_SHARE * 8


def test_heat_of_room_and_cupboard_is_what_the_supply_gives_on_average() -> None:
    """Energy: an eighth of the power out, over efficiency, and idle power; all of it becomes heat somewhere."""
    found = electrical_of(plan("closed_in_m = [0.5, 0.5, 0.8]"))
    taken = 800 / 8 / 0.8 + 15.0
    assert sum(one.heat_w for one in found.heat) == pytest.approx(taken)
    assert [one.place for one in found.heat] == ["room", "cupboard of rack"]
    assert found.heat[1].rise_k is not None
    assert sum(one.heat_w for one in electrical_of(plan()).heat) == pytest.approx(taken)


def test_the_bill_adds_up() -> None:
    found = electrical_of(plan(more="spare_percent = 20\n"))
    subs = found.items[0]
    assert (subs.quantity, subs.total) == (2, 2000)
    metres = sum(one.quantity for one in found.items if one.unit == "m")
    listed = sum(cable.length_m or 0.0 for cable in found.cables)
    assert 1.2 * listed <= metres < 1.2 * listed + len(found.cables)
    assert [one.quantity for one in found.items if "fixings" in one.item] == [1]  # the one whose foot is 2.0 m up


def test_what_is_not_known_is_named() -> None:
    bare = ROOM.replace("at_m = [5.5, 3.8, 0.6]\n", "").replace("board_m = [6.0, 2.0, 0.1]\n", "")
    found = electrical_of(plan_of(bare.replace("AMPLIFIER", "")))
    assert all(cable.length_m is None and cable.section_mm2 is None for cable in found.cables)
    assert any("board_m" in words for words in found.unknown)
    assert any("at_m" in words for words in found.unknown)
    without = electrical_of(plan_of(ROOM[: ROOM.index("[[amplifiers]]")] + ROOM[ROOM.index("[layout]") :]))
    assert without.cables == without.circuits == ()
    assert any("[[amplifiers]]" in words for words in without.unknown)


def test_the_voice_coil_is_the_load_where_the_driver_is_known() -> None:
    text = ROOM.replace("AMPLIFIER", "").replace("[[amplifiers]]", CLOSED_BOX + "[[amplifiers]]")
    loads = {cable.load_ohm for cable in electrical_of(plan_of(text)).cables if not cable.supply}
    assert loads == {3.3}


@pytest.mark.parametrize("old", ["at_m = [5.5, 3.8, 0.6]", "board_m = [6.0, 2.0, 0.1]"])
def test_a_place_outside_the_room_is_a_fault(old: str) -> None:
    key = old.split(" =", maxsplit=1)[0]
    with pytest.raises(ProjectInvalid, match=r"the room ends at 6\.00 m"):
        parse_project(ROOM.replace("AMPLIFIER", "").replace(old, f"{key} = [7.0, 2.0, 0.1]"), source="t")
