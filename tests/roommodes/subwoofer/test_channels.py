"""Subs on one amplifier channel, against circuits solved node by node, and what hangs where."""

from itertools import pairwise
from math import pi, sqrt

import numpy as np
import pytest

from roommodes.acoustics.air import Air
from roommodes.arrays import Complexes, Floats
from roommodes.errors import ProjectInvalid
from roommodes.plan.drives import Drives
from roommodes.plan.wiring import Wired, common_limit_db, wired
from roommodes.project.project import Project
from roommodes.subwoofer.channels import Channel, circuit
from roommodes.subwoofer.limits import Limit, limits_of
from roommodes.subwoofer.tables import ChannelTable, DriverTable, SubwooferTable
from tests.solvers.loudness.loud import project

HZ = np.geomspace(18.0, 130.0, 40)
DRIVER = DriverTable(
    fs_hz=23,
    qes=0.42,
    qms=5.5,
    vas_m3=0.14,
    cone_area_m2=0.083,
    re_ohm=3.3,
    xmax_m=0.014,
    power_w=700,
    box_m3=0.052,
)
SUB = SubwooferTable(driver=DRIVER)


def solved(impedance: Complexes, *, series: bool) -> tuple[Complexes, complex]:
    """Modified nodal analysis at one frequency, a source of 1 V: (n,) impedances -> their voltages, the current.

    Unknown are the potentials of all nodes but earth and the current of the source (C.-W. Ho, A. E. Ruehli, P. A.
    Brennan, IEEE Trans. Circuits Syst. 22, 504 (1975); from memory).
    """
    n = len(impedance)
    ends = [(k, k + 1) for k in range(n)] if series else [(0, n)] * n
    ends = [(a, None if b == n else b) for a, b in ends]  # node n is earth
    nodes = n if series else 1
    matrix = np.zeros((nodes + 1, nodes + 1), dtype=np.complex128)
    for (a, b), z in zip(ends, impedance, strict=True):
        matrix[a, a] += 1.0 / z
        if b is not None:
            matrix[b, b] += 1.0 / z
            matrix[a, b] -= 1.0 / z
            matrix[b, a] -= 1.0 / z
    matrix[0, nodes] = -1.0  # the source's current flows into node 0
    matrix[nodes, 0] = 1.0
    right = np.zeros(nodes + 1, dtype=np.complex128)
    right[nodes] = 1.0
    x = np.linalg.solve(matrix, right)
    voltage = [x[a] - (0.0 if b is None else x[b]) for a, b in ends]
    return np.array(voltage), complex(x[nodes])


def impedance(hz: Floats) -> Complexes:
    """Of the driver in its sealed box: R. H. Small, J. Audio Eng. Soc. 20, 798 (1972), from memory."""
    alpha = DRIVER.vas_m3 / DRIVER.box_m3
    w, wc, q = 2 * pi * hz, 2 * pi * DRIVER.fs_hz * sqrt(1 + alpha), DRIVER.qms * sqrt(1 + alpha)
    peak = DRIVER.re_ohm * DRIVER.qms / DRIVER.qes
    return np.asarray(DRIVER.re_ohm + peak * (1j * w * wc / q) / (wc**2 - w**2 + 1j * w * wc / q))


@pytest.mark.parametrize("wiring", ["parallel", "series"])
@pytest.mark.parametrize("n", [1, 2, 3])
def test_voltages_and_currents_are_those_of_the_circuit(n: int, wiring, close) -> None:
    """Subs that differ, at several frequencies."""
    random = np.random.default_rng(n)
    z = random.uniform(2, 40, (n, 5)) * np.exp(1j * random.uniform(-1.2, 1.2, (n, 5)))
    found = circuit(1.0 / z, wiring)
    for f in range(5):
        voltage, current = solved(z[:, f], series=wiring == "series")
        close(found.voltage_v[:, f], voltage, rtol=1e-12)
        close(found.current_a[f], current, rtol=1e-12)
        close(found.load_ohm[f], abs(1.0 / current), rtol=1e-12)


@pytest.mark.parametrize("wiring", ["parallel", "series"])
@pytest.mark.parametrize("n", [1, 2, 3])
def test_the_limits_are_where_the_circuit_meets_them(n: int, wiring, close) -> None:
    """The source is raised until it, or a sub, is at its end; the sub's level follows from its own voltage."""
    table = ChannelTable(voltage_v=45, current_a=9, wiring=wiring)
    found = limits_of(SUB, HZ, Air(), Channel(number=1, amplifier="", output=1, subs=tuple(range(n)), table=table))
    alone = limits_of(SUB, HZ, Air(), Channel(number=1, amplifier="", output=1, subs=(0,), table=None))
    assert found is not None
    assert alone is not None
    z = impedance(HZ)
    coil = sqrt(DRIVER.power_w / DRIVER.re_ohm)  # the current that the coil's heat allows: a yardstick of the level
    per_amp = alone.level_db[alone.kinds.index(Limit.POWER)] - 20 * np.log10(coil)  # level of one ampere in the coil
    for f in range(len(HZ)):
        voltage, current = solved(np.full(n, z[f]), series=wiring == "series")
        source = min(45.0, 9.0 / abs(current))
        level = per_amp[f] + 20 * np.log10(source * abs(voltage[0] / z[f]))
        amplifier = min(found.level_db[found.kinds.index(kind)][f] for kind in (Limit.VOLTAGE, Limit.CURRENT))
        close(amplifier, level, rtol=1e-9)
    close(found.level_db[:2], alone.level_db, rtol=1e-12)  # displacement and heat do not ask who else hangs there


def test_a_pair_loses_six_decibels_where_what_it_shares_is_the_limit(close) -> None:
    """In parallel the current is halved and the voltage is not; in series the other way about."""

    def levels(wiring: str, subs: tuple[int, ...]) -> Floats:
        table = ChannelTable.model_validate({"voltage_v": 45, "current_a": 9, "wiring": wiring})
        found = limits_of(SUB, HZ, Air(), Channel(number=1, amplifier="", output=1, subs=subs, table=table))
        assert found is not None
        return np.array([found.level_db[found.kinds.index(kind)] for kind in (Limit.VOLTAGE, Limit.CURRENT)])

    half = 20 * np.log10(2.0)
    drop = levels("parallel", (0,)) - levels("parallel", (0, 1))
    assert np.all(drop[0] == 0.0)
    close(drop[1], np.full(len(HZ), half), rtol=1e-9)
    drop = levels("series", (0,)) - levels("series", (0, 1))
    close(drop[0], np.full(len(HZ), half), rtol=1e-9)
    assert np.abs(drop[1]).max() < 1e-9


def drives(*each: tuple[float, float, int]) -> Drives:
    gain, delay, polarity = zip(*each, strict=True)
    return Drives(gain_db=gain, delay_s=delay, polarity=polarity)


ONE, OTHER = (0.0, 0.0, 1), (-3.0, 0.004, -1)
SHARING = ("[search]\n", "[search]\nshared_drives = true\n")


def hung(on: Wired) -> list[tuple[int, ...]]:
    return [channel.subs for channel in on.channels]


def test_shared_settings_share_a_channel_two_by_two() -> None:
    free, sharing = project(), project(*SHARING)
    four = drives(ONE, OTHER, ONE, OTHER)
    assert hung(wired(free, four)) == [(0,), (1,), (2,), (3,)]
    assert hung(wired(sharing, four)) == [(0, 2), (1, 3)]
    assert hung(wired(sharing, drives(ONE, ONE, ONE))) == [(0, 1), (2,)]
    assert hung(wired(sharing, drives(ONE, ONE), [True, False])) == [(0,), (1,)]  # one that is fixed has its own
    assert hung(wired(sharing, drives(ONE, (0.0, 0.0, -1)))) == [(0,), (1,)]
    assert not wired(sharing, four).faults


RACK = """
[[amplifiers]]
name = "rack"
channels = 2
voltage_v = 50
current_a = 12
[[amplifiers]]
name = "plate"
voltage_v = 30
wiring = "series"
"""


def test_channels_are_filled_in_the_order_of_the_file() -> None:
    more = project("counts = [1, 2]", "counts = [3]", RACK)
    on = wired(more, drives(ONE, OTHER, ONE))
    assert [(c.number, c.amplifier, c.output, c.subs) for c in on.channels] == [
        (1, "rack", 1, (0,)),
        (2, "rack", 2, (1,)),
        (3, "plate", 1, (2,)),
    ]
    short = wired(more, drives(ONE, OTHER, ONE, OTHER))
    assert "needs 4 amplifier channels; [[amplifiers]] have 3" in short.faults[0]


def test_subs_that_are_named_hang_where_they_are_named() -> None:
    named = project(extra=RACK.replace("channels = 2", "channels = 2\nsubs = [[], [3, 1]]"))
    on = wired(named, drives(ONE, OTHER, ONE))
    assert [(c.amplifier, c.output, c.subs) for c in on.channels] == [("rack", 2, (2, 0)), ("plate", 1, (1,))]
    assert not on.faults
    apart = wired(named, drives(ONE, OTHER, OTHER))
    assert "subs 3 and 1 hang on channel 2 of rack" in apart.faults[0]
    swapped = wired(named, drives(ONE, OTHER, (0.0, 0.0, -1)))  # wires swapped at the cabinet
    assert not swapped.faults
    assert hung(wired(named, drives(ONE, OTHER))) == [(0,), (1,)]  # a plan with fewer subs


def test_the_first_sub_at_its_limit_sets_the_common_level(close) -> None:
    """A quiet sub on a small amplifier may be the first; with one kind of channel the loudest is."""
    one, gains = project(extra=RACK.replace("channels = 2", "")), drives((0.0, 0.0, 1), (-2.0, 0.0, 1))
    limit = common_limit_db(one, gains, HZ, wired(one, gains))
    assert limit is not None
    rack, plate = (_highest(one, k) for k in (0, 1))
    close(limit, np.minimum(rack, plate + 2.0), rtol=1e-12)
    assert np.any(plate + 2.0 < rack)


def _highest(one: Project, index: int) -> Floats:
    found = one.sub_limits(HZ, Channel(number=1, amplifier="", output=1, subs=(0,), table=one.amplifiers[index]))
    assert found is not None
    return found.highest_db


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (
            RACK.replace("channels = 2", "channels = 1\nsubs = [[1], [2]]"),
            "it lists subs for 2 channels; channels is 1",
        ),
        (RACK.replace("channels = 2", "channels = 2\nsubs = [[1], [1]]"), "sub 1 hangs on channel 1 of rack already"),
        (RACK.replace('"plate"', '"rack"'), "has the name 'rack' too"),
        (RACK.replace("current_a = 12", "power_w = 12"), "amplifiers[0].power_w: it needs load_ohm beside it"),
        (RACK + "[subwoofer.amplifier]\nvoltage_v = 9\n", "[[amplifiers]] are given too"),
        (
            RACK.split('[[amplifiers]]\nname = "plate"', maxsplit=1)[0].replace("channels = 2", ""),
            "2 subs need 2 amplifier channels",
        ),
        (RACK.replace('"series"', '"star"'), "amplifiers[1].wiring"),
    ],
)
def test_faults_of_amplifiers_are_told(text: str, words: str) -> None:
    with pytest.raises(ProjectInvalid) as caught:
        project(extra=text)
    said = [f"{fault.where}: {fault.message}" for fault in caught.value.faults]
    assert any(words.replace("'", '"') in line or words in line for line in said), said
    assert [line for line in pairwise(said) if line[0] == line[1]] == []
