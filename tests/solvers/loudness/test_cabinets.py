"""Cabinets where they stand: free space, heat, and warnings with their numbers."""

from math import prod

import numpy as np

from roommodes.acoustics.air import Air
from solvers.loudness.cabinets import BOARD_U_W_M2K, cabinet_warnings, heat_of, standings
from tests.solvers.loudness.loud import project


def test_free_space_is_measured_to_what_stands_before_a_face(close) -> None:
    at = np.array([[0.35, 1.9, 0.3], [4.95, 1.9, 0.3]])
    one, two = standings(project(), at)
    assert one.facing == (0, 1)
    assert two.facing == (0, -1)
    gap, what = one.free_m["front"]
    close(gap, 4.0 - 0.35 - 0.21, rtol=1e-9)
    assert what == "keep-out door"
    gap, what = two.free_m["rear"]
    close(gap, 5.3 - 4.95 - 0.21, rtol=1e-9)
    assert what == "rear wall"
    gap, what = two.free_m["front"]
    close(gap, 4.95 - 0.21 - 4.6, rtol=1e-9)
    low, high = np.array(one.low_m), np.array(one.high_m)
    close(prod(high - low), 0.42 * 0.4 * 0.44, rtol=1e-9)
    assert standings(project(), np.array([[0.35, 1.0, 0.3], [0.35, 1.3, 0.3]]))[0].overlaps == ("sub 2",)


def test_the_heat_of_a_closed_cupboard_balances(close) -> None:
    amplifier = project(extra="[subwoofer.amplifier]\nclosed_in_m = [0.5, 0.6, 0.4]\nefficiency = 0.5\nidle_w = 20\n")
    table = amplifier.subwoofer.amplifier
    assert table is not None
    heat = heat_of(table, 800.0, Air())
    assert heat is not None
    close(heat.heat_w, 800.0 / 8.0 + 20.0, rtol=1e-12)  # as much is lost as is given at an efficiency of one half
    area = 2 * (0.5 * 0.6) + 2 * (0.5 * 0.4) + 0.6 * 0.4
    close(heat.rise_k * area * BOARD_U_W_M2K, heat.heat_w, rtol=1e-12)
    air = Air().density_kg_m3 * 1005.0
    close(heat.flow_m3_h / 3600.0 * air * 10.0, heat.heat_w, rtol=1e-12)
    close(heat.minutes * 60.0 * heat.heat_w, air * 0.12 * 10.0, rtol=1e-9)
    assert heat_of(replace_free(table), 800.0, Air()) is None


def replace_free(table):
    """The same amplifier, standing free."""
    return table.model_copy(update={"closed_in_m": None})


def test_warnings_name_their_numbers() -> None:
    port = "[subwoofer.port]\narea_m2 = 0.02\ntuning_hz = 30\n"
    heavy = project("port_clearance_m = 0.1", "port_clearance_m = 0.1\nweight_kg = 40", port)
    told = cabinet_warnings(heavy, standings(heavy, np.array([[0.35, 1.9, 0.3]])), None)
    joined = "\n".join(told)
    assert "sub 1: 0.14 m before its port, 0.16 m wide" in joined
    assert "one sub weighs 40 kg: two people or a lift" in joined
    # in a corner it fits in no direction
    airy = project("port_clearance_m = 0.1", "port_clearance_m = 0.1\nventilation_clearance_m = 0.12")
    told = cabinet_warnings(airy, standings(airy, np.array([[0.25, 0.25, 1.9]])), None)
    assert told == [
        "sub 1: 0.04 m before its port on the rear face (front wall); port_clearance_m asks for 0.10 m.",
        "sub 1: 0.04 m behind it (front wall); ventilation_clearance_m asks for 0.12 m of air.",
        "sub 1 stands 1.68 m above the floor: fixings and what carries them must be designed by a qualified person, "
        "and nobody sits under what is not secured twice.",
    ]
