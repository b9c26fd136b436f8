"""How loud a sub plays: conversions, limits against bare formulas, and faults of its tables in plain words."""

from dataclasses import replace
from math import log10, pi, sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from roommodes.acoustics.room import WALLS, Room, Surface
from roommodes.acoustics.transfer import transfer_function
from roommodes.acoustics.wall_laws import ConstantAdmittance
from roommodes.errors import ProjectInvalid
from roommodes.project.project import Project, cabinet_of
from roommodes.project.reading import parse_project
from roommodes.subwoofer.boxed_driver import displaced_level_db
from roommodes.subwoofer.channels import Channel
from roommodes.subwoofer.limits import Limit, MeasuredDrive, boxed_driver, burst_offset_db, free_field_db, limits_of
from roommodes.subwoofer.target import TargetTable

HZ = np.geomspace(20.0, 120.0, 60)
BASE = """format = 1
name = "x"
[room]
length_m = 6.1
width_m = 4.2
height_m = 2.5
[[rows]]
name = "front"
x_m = 3.0
y_m = [1.0, 2.0]
ear_height_m = 1.1
[[zones]]
name = "front wall"
from_m = [0.3, 0.4, 0.3]
to_m = [0.3, 3.8, 0.3]
"""
DRIVER = """[subwoofer.driver]
fs_hz = 24
qes = 0.45
qms = 5
vas_m3 = 0.12
cone_area_m2 = 0.05
re_ohm = 3.4
xmax_m = 0.014
power_w = 500
box_m3 = 0.06
"""
PORT = "[subwoofer.port]\narea_m2 = 0.0177\ntuning_hz = 24\n"
BURSTS = """[subwoofer.bursts]
level_db = { "20" = 99, "25" = 104, "31.5" = 108 }
distance_m = 2
space = "half"
reading = "rms"
"""


def project(extra: str) -> Project:
    return parse_project(BASE + extra, source="room.toml")


def limits(extra: str):
    one = project(extra)
    found = limits_of(one.subwoofer, HZ, one.room.air)
    assert found is not None
    return found


def test_bursts_are_converted_as_they_were_taken(published, close) -> None:
    gap = burst_offset_db(distance_m=2.0, space="half", reading="rms") - burst_offset_db(
        distance_m=1.0, space="half", reading="peak"
    )
    close(gap, published("subwoofers", "bursts")["one_metre_peak_over_two_metres_rms_db"], rtol=1e-3)
    close(burst_offset_db(distance_m=1.0, space="half", reading="rms"), -20 * log10(2), rtol=1e-12)
    close(burst_offset_db(distance_m=10.0, space="full", reading="rms"), 20.0, rtol=1e-12)
    # 99 dB rms at 2 m on the ground are 99 dB rms at 1 m in free field: +6.02 - 6.02
    found = limits(BURSTS)
    assert found.kinds == (Limit.BURSTS,)
    close(found.highest_db[0], 99.0, rtol=1e-12)
    close(found.highest_db[-1], 108.0, rtol=1e-12)  # held above the table


def test_boundaries_raise_the_pressure_as_published(published, close) -> None:
    """A sub at no, one, two, three rigid walls of a large, otherwise absorbing room: free field, half space, and so on.

    The absorbing walls have the admittance of a plane wave, beta = 1: they still reflect what comes in at a slant, so
    the room is no free field; what is left of its echoes is the tolerance.
    """
    law = ConstantAdmittance(beta_re=1.0, beta_im=0.0)
    axis = {"front": 0, "left": 1, "floor": 2}
    side = 14.0
    for gain_db, near in zip(
        [0.0, *published("subwoofers", "boundaries")["gain_db"]],
        [(), ("front",), ("front", "left"), ("front", "left", "floor")],
        strict=True,
    ):
        room = Room(length_m=side, width_m=side, height_m=side, loss_factor=0.0)
        walls = [wall for wall in WALLS if wall not in near]
        surfaces = [Surface(wall=wall, from_m=(0.0, 0.0), to_m=(side, side), law=law, name=wall) for wall in walls]
        sub = np.full(3, side / 2.0)
        for wall in near:
            sub[axis[wall]] = 0.0
        seat = sub + 1.2 / sqrt(3.0)
        hz = np.array([24.0, 28.0])
        h = transfer_function(room, surfaces, frequency_hz=hz, seat_m=seat[None], source_m=sub[None])
        gain = 20.0 * np.log10(np.abs(h[:, 0, 0]) * 1.2)
        assert np.all(np.abs(gain - gain_db) < 0.3), (near, gain)


def test_a_driver_is_limited_by_what_its_formulas_say(close) -> None:
    found = limits(DRIVER)
    assert found.kinds == (Limit.DISPLACEMENT, Limit.POWER)
    air = project(DRIVER).room.air
    close(
        found.level_db[0],
        displaced_level_db(displacement_m=0.014, cone_area_m2=0.05, frequency_hz=HZ, air=air),
        rtol=1e-12,
    )
    assert found.kinds[found.first[0]] is Limit.DISPLACEMENT
    assert found.kinds[found.first[-1]] is Limit.POWER
    # at the power limit the coil dissipates just that
    box = boxed_driver(project(DRIVER).subwoofer, air)
    assert box is not None
    one = box.per_volt(HZ)
    volts = 10.0 ** (found.level_db[1] / 20.0) * 20e-6 / np.abs(one.pressure_pa)
    close((volts * np.abs(one.current_a)) ** 2 * 3.4, np.full(len(HZ), 500.0), rtol=1e-9)


def test_an_amplifier_limits_voltage_and_current(close) -> None:
    found = limits(DRIVER + "[subwoofer.amplifier]\npower_w = 400\nload_ohm = 4\n")
    assert found.kinds == (Limit.DISPLACEMENT, Limit.POWER, Limit.VOLTAGE, Limit.CURRENT)
    stated = limits(DRIVER + "[subwoofer.amplifier]\nvoltage_v = 40\n")
    close(found.level_db[2], stated.level_db[2], rtol=1e-12)  # sqrt(400 W * 4 ohm) = 40 V
    # 10 A through 3.4 ohm are 340 W, 500 W are allowed
    close(found.level_db[1] - found.level_db[3], np.full(len(HZ), 10 * log10(500 / 340)), rtol=1e-9)


def test_a_port_limits_near_its_tuning() -> None:
    strong = DRIVER.replace("power_w = 500", "power_w = 5000")
    found = limits(strong + PORT)
    assert Limit.PORT in found.kinds
    near = int(np.argmin(np.abs(HZ - 24.0)))
    assert found.kinds[found.first[near]] is Limit.PORT
    wide = limits(strong + PORT.replace("0.0177", "0.025"))
    assert wide.highest_db[near] > found.highest_db[near]


def test_at_the_tuning_the_ports_air_alone_is_heard(close) -> None:
    """17 m/s peak through 0.02 m2 at 25 Hz, as a piston of that area: rho omega S v / (4 pi sqrt 2)."""
    text = DRIVER + "[subwoofer.port]\narea_m2 = 0.02\ntuning_hz = 25\nql = 100\n"
    one = project(text)
    air = one.room.air
    found = limits_of(one.subwoofer, np.array([25.0]), air)
    assert found is not None
    travel = 17.0 / (2.0 * pi * 25.0)
    heard = displaced_level_db(displacement_m=travel, cone_area_m2=0.02, frequency_hz=25.0, air=air)
    close(found.level_db[found.kinds.index(Limit.PORT)][0], heard, rtol=3e-3)


def test_the_lower_of_two_statements_holds(close) -> None:
    both = limits("[subwoofer]\nmax_level_1m_db = 101\n" + DRIVER)
    assert both.kinds == (Limit.DISPLACEMENT, Limit.POWER, Limit.STATED)
    assert both.highest_db.max() <= 101.0
    close(both.highest_db[0], limits(DRIVER).highest_db[0], rtol=1e-12)


@given(st.floats(min_value=1.01, max_value=4.0))
def test_more_travel_and_power_never_make_it_quieter(factor: float) -> None:
    one = project(DRIVER)
    driver = one.subwoofer.driver
    assert driver is not None
    plain = limits(DRIVER).highest_db
    more = one.subwoofer.model_copy(
        update={"driver": driver.model_copy(update={"xmax_m": driver.xmax_m * factor, "power_w": 500 * factor})}
    )
    raised = limits_of(more, HZ, one.room.air)
    assert raised is not None
    gain = raised.highest_db - plain
    assert np.all(gain >= 10 * log10(factor) - 1e-9)
    assert np.all(gain <= 20 * log10(factor) + 1e-9)


def test_channels_add_up_as_published(published, close) -> None:
    table = published("subwoofers", "channel_sum")
    for how in ("coherent", "power"):
        close(TargetTable(channels=table["channels"], sum=how).stated_db, table[f"{how}_db"], rtol=4e-5)
    assert TargetTable().stated_db == pytest.approx(115.0)
    assert TargetTable(level_db=100.0, margin_db=3.0).rms_db == pytest.approx(103.0)
    close(TargetTable().rms_db - TargetTable(reading="peak").rms_db, 20 * log10(sqrt(2)), rtol=1e-12)


FAULTS = [
    (
        BURSTS.replace('"25" = 104, ', ""),
        "room.toml:17 subwoofer.bursts.level_db: the table from 20 to 31.5 Hz has a gap: 25 Hz is not given.",
    ),
    (BURSTS.replace('"25"', '"26"'), "subwoofer.bursts.level_db: 26 Hz is no third-octave band; the nearest is 25 Hz."),
    (BURSTS.replace('"20" = 99, ', ""), "the table starts at 25 Hz; search.band_hz starts at 20 Hz, where nothing is"),
    (BURSTS.replace('{ "20" = 99, "25" = 104, "31.5" = 108 }', "99"), "one level does not say which bands"),
    (BURSTS.replace('"half"', '"ground"'), 'subwoofer.bursts.space: got "ground"; allowed: full, half.'),
    (BURSTS + "[subwoofer]\nmax_level_1m_db = 100\n", "subwoofer.max_level_1m_db: bursts are given too"),
    (DRIVER.replace("0.014", "0"), "room.toml:23 subwoofer.driver.xmax_m: got 0 m; allowed: above 0, up to 0.1 m."),
    (DRIVER.replace("0.12", "120"), "subwoofer.driver.vas_m3: got 120 m3; allowed: 0.0005 to 5 m3."),
    (DRIVER + "inductance_mh = 2\n", "subwoofer.driver.inductance_mh: unknown key. Did you mean inductance_h?"),
    (DRIVER + PORT.replace("0.0177", "0.2"), "it is larger than its box"),
    (DRIVER + PORT.replace("24", "200"), "subwoofer.port.tuning_hz: got 200 Hz; an opening of 0.0177 m2 without any"),
    (DRIVER + PORT + "length_m = 0.3\n", "subwoofer.port: both length_m and tuning_hz are given; give"),
    (DRIVER + "[subwoofer.port]\narea_m2 = 0.02\n", "subwoofer.port: neither is given; give length_m or tuning_hz"),
    (PORT, "subwoofer.port: a port needs a box; add [subwoofer.driver] with its box_m3."),
    (DRIVER + "[subwoofer.amplifier]\npower_w = 400\n", "subwoofer.amplifier.power_w: it needs load_ohm beside it"),
    ("[subwoofer]\nacoustic_centre_m = [0.1, 0, 0]\n", "it counts from the middle of the cabinet"),
    ("[subwoofer]\ncabinet_m = [0.4, 0.4, 0.4]\nacoustic_centre_m = [0, -0.6, 0]\n", "0.60 m the other way than right"),
    ("[subwoofer]\ncabinet_m = [0.3, 0.3, 0.3]\n" + DRIVER, "subwoofer.driver.box_m3: the air inside, 0.06 m3, is no"),
    (
        "[subwoofer]\ncabinet_m = [0.9, 0.4, 0.4]\n" + DRIVER.replace("0.05", "0.5"),
        "subwoofer.driver.cone_area_m2: got 0.5 m2; the cabinet's front face has 0.16 m2.",
    ),
    ("[search.limits]\nheadroom_db = 0\n", "search.limits.headroom_db: nothing says how loud a sub plays"),
    ("[search.weights]\nheadroom = 0.1\n", "search.weights.headroom: nothing says how loud a sub plays"),
    ("[target]\nband_hz = [80, 20]\n", "target.band_hz: got [80, 20]; the first must not be above the second."),
    ('[target]\nsum = "loud"\n', 'target.sum: got "loud"; allowed: power, coherent.'),
]


@pytest.mark.parametrize(("extra", "message"), FAULTS)
def test_each_fault_has_one_clear_message(extra: str, message: str) -> None:
    with pytest.raises(ProjectInvalid) as caught:
        project(extra)
    lines = caught.value.lines()
    assert len(lines) == 1, lines
    assert message in lines[0]


def test_all_faults_come_at_once() -> None:
    extra = BURSTS.replace('"25" = 104, ', "") + DRIVER.replace("0.014", "0") + "[search.limits]\nheadroom_db = 99\n"
    with pytest.raises(ProjectInvalid) as caught:
        project(extra)
    assert len(caught.value.faults) == 3


def test_a_cabinet_stands_around_its_acoustic_centre(close) -> None:
    """The centre 0.2 m before the middle, the port on the rear, 0.1 m free before both: boxes in all four turns."""
    text = (
        "[subwoofer]\ncabinet_m = [0.5, 0.4, 0.3]\nacoustic_centre_m = [0.2, 0.05, 0.0]\n"
        'port_face = "rear"\nport_clearance_m = 0.1\n'
    )
    cabinet = cabinet_of(project(text).subwoofer)
    assert cabinet is not None
    at = np.array([[2.0, 2.0, 1.0]])
    # facing the front wall (-x), right is +y: the middle is 0.2 m behind (+x) and 0.05 m to the left (-y)
    low, high = cabinet.boxes(at, (0, -1), clearance=False)
    close(low[0], [1.95, 1.75, 0.85], rtol=1e-12)
    close(high[0], [2.45, 2.15, 1.15], rtol=1e-12)
    low, high = cabinet.boxes(at, (0, -1))
    close(low[0], [1.85, 1.75, 0.85], rtol=1e-12)
    close(high[0], [2.55, 2.15, 1.15], rtol=1e-12)
    # facing the right wall (+y), right is +x
    low, high = cabinet.boxes(at, (1, 1), clearance=False)
    close(low[0], [1.75, 1.55, 0.85], rtol=1e-12)
    close(high[0], [2.15, 2.05, 1.15], rtol=1e-12)
    plain = replace(cabinet, centre_m=(0.0, 0.0, 0.0), free_faces=("front",))
    low, high = plain.boxes(at, (1, -1))
    close((low[0], high[0]), ([1.8, 1.65, 0.85], [2.2, 2.25, 1.15]), rtol=1e-12)


@pytest.mark.parametrize(
    "extra", [DRIVER, DRIVER + PORT, DRIVER + BURSTS, DRIVER + "[subwoofer.amplifier]\nvoltage_v = 40\n"]
)
def test_sound_pressure_measured_in_the_open_gives_the_limits_of_the_open(extra: str) -> None:
    """Measured at 1 m without a room at 7 V, the level plus what may be added is the limit at 1 m."""
    own = project(extra.replace("[subwoofer.driver]", '[subwoofer]\nname = "x"\n[subwoofer.driver]', 1))
    table, air, drive = own.subwoofer, own.room.air, MeasuredDrive(volts=7.0, zero_db=88.0)
    measured_pa = np.abs(boxed_driver(table, air).per_volt(HZ).pressure_pa) * 7.0
    level_db = 20 * np.log10(measured_pa / 20e-6) - 88.0
    at_1m = limits_of(table, HZ, air)
    added = limits_of(table, HZ, air, drive=drive)
    assert added.kinds == at_1m.kinds
    np.testing.assert_allclose(level_db + added.level_db, at_1m.level_db, atol=1e-9)
    np.testing.assert_allclose(free_field_db(table, HZ, air, drive), level_db, atol=1e-9)


@pytest.mark.parametrize(
    ("wiring", "subs", "volts"), [("parallel", (0, 1), 40.0), ("series", (0, 1), 20.0), ("series", (0,), 40.0)]
)
def test_without_a_driver_the_amplifiers_voltage_alone_limits(wiring: str, subs: tuple[int, ...], volts: float) -> None:
    own = project(f'[subwoofer]\nmax_level_1m_db = 110\n[subwoofer.amplifier]\nvoltage_v = 40\nwiring = "{wiring}"\n')
    channel = Channel(number=1, amplifier="", output=1, subs=subs, table=own.subwoofer.amplifier)
    drive = MeasuredDrive(volts=2.0, zero_db=90.0)
    found = limits_of(own.subwoofer, HZ, own.room.air, channel, drive)
    assert found.kinds == (Limit.VOLTAGE,)
    np.testing.assert_allclose(found.highest_db, 90.0 + 20 * log10(volts / 2.0), atol=1e-9)
    assert limits_of(project("[subwoofer]\nmax_level_1m_db = 110\n").subwoofer, HZ, own.room.air, drive=drive) is None
