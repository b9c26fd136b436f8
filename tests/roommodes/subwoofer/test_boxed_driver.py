"""Driver and box against published examples, Small's transfer functions, and exact laws."""

from dataclasses import replace
from math import pi, sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from roommodes.acoustics.air import Air
from roommodes.subwoofer.boxed_driver import (
    REFERENCE_PA,
    BoxedDriver,
    Driver,
    Port,
    displaced_level_db,
    port_length_m,
)

AIR = Air()
HZ = np.geomspace(8.0, 400.0, 200)
DRIVER = Driver(fs_hz=24.0, qes=0.45, qms=5.0, vas_m3=0.12, cone_area_m2=0.08, re_ohm=3.4, xmax_m=0.014, power_w=500.0)
SEALED = BoxedDriver(driver=DRIVER, box_m3=0.055, air=AIR)


def with_qts(qts: float, *, fs_hz: float, vas_m3: float) -> Driver:
    """A driver whose mechanical losses are next to nothing, so that Q_es is Q_ts."""
    return replace(DRIVER, fs_hz=fs_hz, qes=qts / (1.0 - qts / 1e9), qms=1e9, vas_m3=vas_m3)


def vented(*, tuning_hz: float, box_m3: float, ql: float = 7.0, driver: Driver = DRIVER) -> BoxedDriver:
    area = 0.0177
    length = port_length_m(area_m2=area, tuning_hz=tuning_hz, box_m3=box_m3, air=AIR)
    return BoxedDriver(
        driver=driver,
        box_m3=box_m3,
        port=Port(area_m2=area, length_m=length, velocity_m_s=17.0, ql=ql),
        air=AIR,
    )


def response(box: BoxedDriver, hz: np.ndarray = HZ) -> np.ndarray:
    """Pressure over that of the reference efficiency, for a fixed voltage: 1 far above resonance."""
    level = box.driver.reference_efficiency(AIR) / box.driver.re_ohm  # acoustic W in half space per V^2
    flat = sqrt(level * AIR.impedance_pa_s_m / (2.0 * pi)) / 2.0  # in free field the pressure is half of that
    return box.per_volt(hz).pressure_pa / flat


def test_the_published_closed_box(published, close) -> None:
    table = published("subwoofers", "closed_box")
    driver = with_qts(table["qts"], fs_hz=table["fs_hz"], vas_m3=table["vas_m3"])
    box = BoxedDriver(driver=driver, box_m3=table["box_m3"], air=AIR)
    close(box.closed_resonance_hz, table["fc_hz"], rtol=1e-4)
    close(box.closed_q, table["qtc"], rtol=3e-4)
    close(box.closed_cutoff_hz(), table["f3_hz"], rtol=2e-4)
    close(box.closed_peak_db(), table["peak_db"], rtol=3e-3)
    # and the circuit does what the formulas say of it
    fine = np.linspace(20.0, 300.0, 28001)
    level = 20.0 * np.log10(np.abs(response(box, fine)))
    close(level.max(), table["peak_db"], rtol=3e-3)
    close(fine[np.argmin(np.abs(level[: np.argmax(level)] + 10.0 * np.log10(2.0)))], table["f3_hz"], rtol=3e-4)


def test_cutoff_over_resonance(published, close) -> None:
    table = published("subwoofers", "closed_box_f3")
    for q, ratio in zip(table["q"], table["f3_over_fc"], strict=True):
        box = BoxedDriver(driver=with_qts(q / sqrt(2.0), fs_hz=30.0, vas_m3=0.05), box_m3=0.05, air=AIR)
        close(box.closed_q, q, rtol=1e-9)
        close(box.closed_cutoff_hz() / box.closed_resonance_hz, ratio, rtol=1e-4)


def test_a_sealed_box_is_smalls_second_order_high_pass(close) -> None:
    s = 1j * HZ / SEALED.closed_resonance_hz
    expected = s**2 / (s**2 + s / SEALED.closed_q + 1.0)
    close(response(SEALED), expected, rtol=1e-9)


def test_a_vented_box_is_smalls_fourth_order_high_pass(close) -> None:
    """Small 1973: the polynomial with losses Q_l (from memory), another way to write the circuit."""
    box = vented(tuning_hz=27.0, box_m3=0.09, ql=7.0)
    h, alpha, qt, ql = 27.0 / DRIVER.fs_hz, DRIVER.vas_m3 / 0.09, DRIVER.qts, 7.0
    s = 1j * HZ / sqrt(27.0 * DRIVER.fs_hz)
    a1 = (ql + h * qt) / (sqrt(h) * ql * qt)
    a2 = (h + (alpha + 1.0 + h**2) * ql * qt) / (h * ql * qt)
    a3 = (h * ql + qt) / (sqrt(h) * ql * qt)
    close(response(box), s**4 / (s**4 + a1 * s**3 + a2 * s**2 + a3 * s + 1.0), rtol=1e-9)


def test_the_butterworth_alignment(published, close) -> None:
    table = published("subwoofers", "vented_b4")
    driver = with_qts(table["qts"], fs_hz=30.0, vas_m3=0.1 * table["vas_over_box"])
    box = vented(tuning_hz=30.0 * table["tuning_over_fs"], box_m3=0.1, ql=1e9, driver=driver)
    close(np.abs(response(box)), 1.0 / np.sqrt(1.0 + (30.0 / HZ) ** 8), rtol=3e-4)


def test_sensitivity_follows_from_the_reference_efficiency(published, close) -> None:
    unity = published("subwoofers", "reference_efficiency")["level_at_unity_db"]
    volts = sqrt(DRIVER.re_ohm)  # 1 W into re_ohm
    above = np.abs(SEALED.per_volt([20000.0]).pressure_pa[0]) * volts * 2.0  # half space: twice the pressure
    efficiency = DRIVER.reference_efficiency(AIR)
    close(20.0 * np.log10(above / REFERENCE_PA) - 10.0 * np.log10(efficiency), unity, rtol=5e-3)


def test_displacement_limited_level(published, close) -> None:
    table = published("subwoofers", "displacement")
    for area, travel, hz, density, free, half in zip(
        *(table[key] for key in ("cone_area_m2", "displacement_m", "frequency_hz", "density_kg_m3")),
        table["free_field_db"],
        table["half_space_db"],
        strict=True,
    ):
        air = Air(temperature_c=101325.0 / (287.058 * density) - 273.15)
        level = displaced_level_db(displacement_m=travel, cone_area_m2=area, frequency_hz=hz, air=air)
        close(level, free, rtol=6e-5)
        close(level + 20.0 * np.log10(2.0), half, rtol=6e-5)


def test_displacement_and_level_of_a_sealed_box_are_one(close) -> None:
    """What the cone moves is what is heard: the circuit against the bare formula."""
    one = SEALED.per_volt(HZ)
    level = 20.0 * np.log10(np.abs(one.pressure_pa) / REFERENCE_PA)
    crest = np.abs(one.displacement_m) * sqrt(2.0)
    bare = [
        float(displaced_level_db(displacement_m=x, cone_area_m2=DRIVER.cone_area_m2, frequency_hz=hz, air=AIR))
        for x, hz in zip(crest, HZ, strict=True)
    ]
    close(level, bare, rtol=1e-9)


def test_a_monopole(published, close) -> None:
    """1e-3 m3/s through the displacement formula."""
    table = published("subwoofers", "monopole")
    air = Air(temperature_c=101325.0 / (287.058 * 1.204) - 273.15)
    for hz, level in zip(table["frequency_hz"], table["level_db"], strict=True):
        crest = 1e-3 * sqrt(2.0) / (2.0 * pi * hz)  # m3 of air moved one way
        got = displaced_level_db(displacement_m=crest, cone_area_m2=1.0, frequency_hz=hz, air=air)
        close(got, level, rtol=1e-4)


def test_impedance_rises_to_its_peak_at_resonance(close) -> None:
    """At f_c the motional part is R_e Q_mc / Q_ec; far above it is R_e alone."""
    at = SEALED.per_volt([SEALED.closed_resonance_hz])
    close(1.0 / at.current_a[0].real, DRIVER.re_ohm * (1.0 + DRIVER.qms / DRIVER.qes), rtol=1e-9)
    close(1.0 / np.abs(SEALED.per_volt([20000.0]).current_a[0]), DRIVER.re_ohm, rtol=1e-3)
    assert np.all(SEALED.per_volt(HZ).power_w > 0.0)


def test_the_cone_of_a_vented_box_rests_at_the_tuning(close) -> None:
    box = vented(tuning_hz=25.0, box_m3=0.1, ql=1e9)
    close(box.tuning_hz, 25.0, rtol=1e-12)
    one = box.per_volt(np.array([24.0, 25.0, 26.0]))
    travel = np.abs(one.displacement_m)
    assert travel[1] < 1e-6 * travel[0]
    assert travel[1] < 1e-6 * travel[2]
    # there the port radiates all: its volume velocity is the whole
    assert one.port_velocity_m_s is not None
    flow = np.abs(one.port_velocity_m_s[1]) * 0.0177
    heard = np.abs(one.pressure_pa[1]) * 4.0 * pi / (2.0 * pi * 25.0 * AIR.density_kg_m3)
    close(flow, heard, rtol=1e-6)


def test_slopes_below_resonance(close) -> None:
    """12 dB an octave sealed, 24 dB vented."""
    for box, slope in ((SEALED, 12.0412), (vented(tuning_hz=25.0, box_m3=0.1, ql=1e9), 24.0824)):
        low = np.abs(box.per_volt([0.5, 1.0]).pressure_pa)
        close(20.0 * np.log10(low[1] / low[0]), slope, rtol=5e-3)


@given(st.floats(min_value=5.0, max_value=60.0))
def test_the_length_of_a_port_gives_back_its_tuning(hz: float) -> None:
    length = port_length_m(area_m2=0.0177, tuning_hz=hz, box_m3=0.08, air=AIR)
    port = Port(area_m2=0.0177, length_m=length, velocity_m_s=17.0, ql=7.0)
    assert port.tuning_hz(0.08, AIR) == pytest.approx(hz, rel=1e-12)


@given(
    st.floats(min_value=0.2, max_value=2.0),
    st.floats(min_value=0.5, max_value=20.0),
    st.floats(min_value=0.01, max_value=0.5),
)
def test_all_power_taken_becomes_heat(qes: float, qms: float, box_m3: float) -> None:
    """Energy: coil and suspension take what the amplifier gives; the air's share is not in the circuit."""
    driver = replace(DRIVER, qes=qes, qms=qms, inductance_h=0.002)
    one = BoxedDriver(driver=driver, box_m3=box_m3, air=AIR).per_volt(HZ)
    mass = 1.0 / (2.0 * pi * driver.fs_hz) ** 2 * AIR.density_kg_m3 * AIR.speed_of_sound_m_s**2
    mass *= driver.cone_area_m2**2 / driver.vas_m3
    suspension = 2.0 * pi * driver.fs_hz * mass / qms
    heat = np.abs(one.current_a) ** 2 * driver.re_ohm
    heat = heat + np.abs(2.0 * pi * HZ * one.displacement_m) ** 2 * suspension
    np.testing.assert_allclose(one.power_w, heat, rtol=1e-9)


def test_an_opening_without_length_is_tuned_by_its_ends(published, close) -> None:
    """c / 2 pi sqrt(S / (V (0.85 + 0.61) a)); the two corrections are known to a hundredth."""
    table = published("subwoofers", "end_corrections")
    port = Port(area_m2=pi * 0.05**2, length_m=0.0, velocity_m_s=17.0, ql=7.0)
    close(port.acting_length_m, (table["flanged"] + table["unflanged"]) * 0.05, rtol=5e-3)
    expected = AIR.speed_of_sound_m_s / (2.0 * pi) * sqrt(port.area_m2 / (0.06 * port.acting_length_m))
    close(port.tuning_hz(0.06, AIR), expected, rtol=1e-12)


def test_a_port_so_long_that_nothing_moves_is_a_sealed_box(close) -> None:
    port = Port(area_m2=1e-6, length_m=4.0, velocity_m_s=17.0, ql=1e12)
    shut = BoxedDriver(driver=DRIVER, box_m3=0.055, port=port, air=AIR)
    close(shut.per_volt(HZ).pressure_pa, SEALED.per_volt(HZ).pressure_pa, rtol=1e-4)
