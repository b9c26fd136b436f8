"""Wall laws against published values, exact limits and the laws of passive, causal walls."""

import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.optimize import brentq

from roommodes.acoustics.air import Air
from roommodes.acoustics.curve import Curve
from roommodes.acoustics.layering.layers import Layered, WallLaw
from roommodes.acoustics.plates.light_walls import EdgeLeak, Partition, Perforated
from roommodes.acoustics.wall_laws import (
    ALPHA_MAX,
    Absorption,
    ConstantAdmittance,
    MassSpring,
    Opening,
    Porous,
    Rigid,
    admittance_of_absorption,
    diffuse_absorption,
    miki,
)
from tests.conftest import Close

AIR = Air()
RHO_C = AIR.impedance_pa_s_m
STIFF_1M = AIR.density_kg_m3 * AIR.speed_of_sound_m_s**2  # stiffness of an air gap of 1 m [Pa/m]


@pytest.fixture(scope="module")
def published() -> dict[str, Any]:
    path = Path(__file__).parents[2] / "published" / "walls.toml"
    return tomllib.loads(path.read_text(encoding="utf-8"))


def omega(*hz: float) -> NDArray[np.complex128]:
    return 2.0 * np.pi * np.array(hz, dtype=np.complex128)


def beta(law: WallLaw, hz: float) -> complex:
    return complex(law.admittance(omega(hz), AIR)[0])


def test_diffuse_absorption_is_the_published_one(published: dict[str, Any], close: Close) -> None:
    entry = published["diffuse_absorption"]
    close(diffuse_absorption(np.array(entry["zeta"])), entry["alpha"], 10.0 ** -entry["digits"] * 5)


def test_diffuse_absorption_is_the_angular_average(close: Close) -> None:
    """Against the average of 1 - |R|^2 over a diffuse field, by quadrature."""
    node, weight = np.polynomial.legendre.leggauss(60)
    cosine = 0.5 * (node + 1.0)
    for zeta in (1.6, 5.0, 30.0, 200.0):
        reflection = (zeta * cosine - 1.0) / (zeta * cosine + 1.0)
        average = float(np.sum(weight * cosine * (1.0 - reflection**2)))
        close(diffuse_absorption(np.array(zeta)), average, 1e-6)


def test_largest_absorption_is_mechels(published: dict[str, Any], close: Close) -> None:
    entry = published["diffuse_maximum"]
    zeta = np.linspace(1.2, 2.2, 10001)
    alpha = diffuse_absorption(zeta)
    close(alpha.max(), entry["alpha"], 5e-4)
    close(zeta[alpha.argmax()], entry["zeta"], 5e-4)
    assert alpha.max() > ALPHA_MAX


@given(st.floats(1e-6, ALPHA_MAX))
def test_absorption_and_admittance_are_inverse(alpha: float) -> None:
    value = float(admittance_of_absorption(np.array(alpha)))
    assert abs(float(diffuse_absorption(np.array(1.0 / value))) - alpha) < 1e-9
    assert 0.0 < value <= 1.0 / 1.567


def test_no_absorption_is_a_rigid_wall() -> None:
    assert float(admittance_of_absorption(np.array(0.0))) == 0.0
    assert not Rigid().admittance(omega(20, 200), AIR).any()


def test_absorption_table_runs_over_log_frequency_and_stays_level_outside(close: Close) -> None:
    law = Absorption(alpha=Curve((50.0, 200.0), (0.1, 0.3)))
    got = law.admittance(omega(20, 50, 100, 200, 400), AIR)
    close(diffuse_absorption(1.0 / got.real), [0.1, 0.1, 0.2, 0.3, 0.3], 1e-9)
    assert not got.imag.any()


def test_membrane_absorber_resonates_where_published(published: dict[str, Any], close: Close) -> None:
    entry = published["membrane_absorber"]
    law = MassSpring(
        resistance_pa_s_m=400.0, mass_kg_m2=entry["mass_kg_m2"], stiffness_pa_m=STIFF_1M / entry["depth_m"]
    )
    resonance = brentq(lambda hz: beta(law, hz).imag, 20.0, 300.0)
    close(resonance, entry["resonance_hz"], 1e-3)
    close(beta(law, resonance), RHO_C / 400.0 + 0j, 1e-9)


def test_limp_sheet_transmits_as_the_mass_law(published: dict[str, Any], close: Close) -> None:
    """Of normally incident power, 4 Re(zeta) / |1 + zeta|^2 is taken; for a sheet in free air all of it is radiated."""
    entry = published["mass_law"]
    for mass, hz, loss in zip(entry["mass_kg_m2"], entry["frequency_hz"], entry["loss_db"], strict=True):
        zeta = 1.0 / beta(MassSpring(mass_kg_m2=mass, radiates=True), hz)
        taken = 4.0 * zeta.real / abs(1.0 + zeta) ** 2
        close(-10.0 * np.log10(taken), loss, 3e-3)


def test_miki_is_the_published_one(published: dict[str, Any], close: Close) -> None:
    entry = published["miki"]
    impedance, wavenumber = miki(entry["y"])
    close(impedance, complex(entry["impedance_re"], entry["impedance_im"]), 1e-10)
    close(wavenumber, complex(entry["wavenumber_re"], entry["wavenumber_im"]), 1e-10)


def test_porous_layer_within_the_fit_is_mikis(close: Close) -> None:
    law = Porous(flow_resistivity_pa_s_m2=5000.0, thickness_m=0.08)
    impedance, wavenumber = miki(150.0 / 5000.0)
    layer = -1j * impedance / np.tan(wavenumber * 2.0 * np.pi * 150.0 / AIR.speed_of_sound_m_s * 0.08)
    close(beta(law, 150.0), 1.0 / layer, 1e-12)


def test_porous_layer_joins_the_fit_without_a_step(close: Close) -> None:
    law = Porous(flow_resistivity_pa_s_m2=10000.0, thickness_m=0.1)
    close(beta(law, 99.9999), beta(law, 100.0001), 1e-5)


def test_porous_layer_has_the_static_limits_of_every_porous_material(close: Close) -> None:
    """Flow resistance sigma, isothermal bulk modulus rho c^2 / 1.4: within what the fit has at its edge."""
    sigma = 20000.0
    density, modulus = Porous(flow_resistivity_pa_s_m2=sigma, thickness_m=0.1).fluid(omega(1.0), AIR)
    close((1j * omega(1.0) * density)[0].real, sigma, 0.12)
    close(modulus[0].real, STIFF_1M / 1.4, 0.08)


@pytest.mark.parametrize(("sigma", "depth"), [(1e4, 0.1), (2e4, 0.1), (1e4, 0.3), (5e4, 0.05)])
def test_porous_layer_agrees_with_a_relaxation_model(sigma: float, depth: float) -> None:
    """Second opinion over the sub band: D. K. Wilson, J. Acoust. Soc. Am. 94(2) 1136, 1993 (from memory), with the
    viscous time 2 rho / sigma, which gives the static flow resistance, and the thermal one by the Prandtl number."""
    w = omega(20.0, 40.0, 63.0, 80.0, 125.0, 200.0)
    viscous = 2.0 * AIR.density_kg_m3 / sigma
    density = AIR.density_kg_m3 / (1.0 - 1.0 / np.sqrt(1.0 + 1j * w * viscous))
    modulus = STIFF_1M / (1.0 + 0.4 / np.sqrt(1.0 + 1j * w * 0.71 * viscous))
    expected = 1j * RHO_C * np.tan(w * np.sqrt(density / modulus) * depth) / np.sqrt(density * modulus)
    got = Porous(flow_resistivity_pa_s_m2=sigma, thickness_m=depth).admittance(w, AIR)
    assert np.max(np.abs(got.real / expected.real - 1.0)) < 0.17
    assert np.max(np.abs(got.imag / expected.imag - 1.0)) < 0.11


def test_miki_alone_would_feed_energy_below_its_range() -> None:
    """Why the layer is not simply extrapolated."""
    impedance, wavenumber = miki(1e-4)
    assert (impedance / wavenumber).imag < 0.0  # bulk modulus of a medium that makes sound


def test_thin_layer_on_air_is_a_spring(close: Close) -> None:
    """Far below everything else only the air's stiffness is left: layer isothermal, gap adiabatic."""
    law = Porous(flow_resistivity_pa_s_m2=10000.0, thickness_m=0.02, gap_m=0.2)
    stiffness = 1.0 / (0.2 / STIFF_1M + 0.02 * 1.4 / STIFF_1M)
    close(beta(law, 2.0).imag, RHO_C * 2.0 * np.pi * 2.0 / stiffness, 0.02)


def test_limp_curtain_moves_with_the_air_at_low_frequency(close: Close) -> None:
    """With a frame far lighter than its flow resistance the curtain is its mass before the gap."""
    law = Porous(flow_resistivity_pa_s_m2=1e6, thickness_m=0.005, gap_m=0.1, limp_mass_kg_m2=0.5)
    leaf = MassSpring(mass_kg_m2=0.5, stiffness_pa_m=1.0 / (0.1 / STIFF_1M + 0.005 * 1.3 / STIFF_1M))
    close(beta(law, 30.0), beta(leaf, 30.0), 0.02)


def test_opening_has_the_pistons_limits(close: Close) -> None:
    """Below: zeta = (ka)^2 / 2 + j 8 ka / 3 pi, and the mass of air 0.85 a; above: zeta = 1 (Morse and Ingard)."""
    area, hz = 0.5, 5.0
    ka = 2.0 * np.pi * hz / AIR.speed_of_sound_m_s * np.sqrt(area / np.pi)
    zeta = 1.0 / beta(Opening(area_m2=area), hz)
    close(zeta.real, ka**2 / 2.0, 5e-3)
    close(zeta.imag, 8.0 * ka / (3.0 * np.pi), 5e-3)
    close(beta(Opening(area_m2=100.0), 300.0), 1.0 + 0j, 0.06)
    assert beta(Opening(), 40.0) == 1.0


AMOUNT = st.floats(0.0, 1e5)
POSITIVE = st.floats(0.1, 200.0)
AREA = st.none() | st.floats(0.01, 100.0)
LAWS = st.one_of(
    st.builds(ConstantAdmittance, beta_re=st.floats(0.0, 100.0), beta_im=st.floats(-100.0, 100.0)),
    st.builds(Absorption, alpha=st.builds(lambda a: Curve((63.0, 125.0), (a, a / 2.0)), st.floats(0.0, ALPHA_MAX))),
    st.builds(
        MassSpring,
        resistance_pa_s_m=AMOUNT,
        mass_kg_m2=POSITIVE,
        stiffness_pa_m=st.floats(0.0, 1e9),
        radiates=st.booleans(),
        area_m2=AREA,
    ),
    st.builds(
        Porous,
        flow_resistivity_pa_s_m2=st.floats(1e3, 1e6),
        thickness_m=st.floats(0.001, 2.0),
        gap_m=st.floats(0.0, 0.5),
        limp_mass_kg_m2=st.none() | st.floats(0.05, 50.0),
    ),
    st.builds(
        Partition,
        inner_mass_kg_m2=POSITIVE,
        outer_mass_kg_m2=POSITIVE,
        cavity_m=st.floats(0.005, 2.0),
        fill_flow_resistivity_pa_s_m2=st.just(0.0) | st.floats(1e3, 1e5),
        inner_resistance_pa_s_m=AMOUNT,
        outer_resistance_pa_s_m=AMOUNT,
        stud_mass_kg_m2=st.floats(0.0, 100.0),
        stud_stiffness_pa_m=st.floats(0.0, 1e9),
        radiates=st.booleans(),
        area_m2=AREA,
    ),
    st.builds(
        Perforated,
        thickness_m=st.floats(0.001, 0.1),
        hole_m=st.floats(0.0002, 0.1),
        open_fraction=st.floats(0.0005, 0.5),
        panel_mass_kg_m2=POSITIVE,
        cavity_m=st.floats(0.005, 1.0),
        fill_flow_resistivity_pa_s_m2=st.just(0.0) | st.floats(1e3, 1e5),
    ),
    st.builds(
        Layered,
        front=st.tuples(
            st.builds(Porous, flow_resistivity_pa_s_m2=st.floats(1e3, 1e6), thickness_m=st.floats(0.001, 0.3)),
            st.builds(MassSpring, resistance_pa_s_m=AMOUNT, mass_kg_m2=POSITIVE, stiffness_pa_m=st.floats(1e3, 1e9)),
            st.builds(
                EdgeLeak,
                gap_m=st.floats(0.0, 0.05),
                depth_m=st.floats(0.001, 0.1),
                length_m=st.floats(0.5, 20.0),
                area_m2=st.floats(1.0, 30.0),
            ),
        ),
        back=st.builds(Opening, area_m2=AREA),
    ),
    st.builds(Opening, area_m2=AREA),
)


@given(LAWS)
@settings(deadline=None)
def test_every_wall_is_passive(law: WallLaw) -> None:
    value = law.admittance(omega(*np.geomspace(5.0, 400.0, 80)), AIR)
    assert np.all(np.isfinite(value))
    # a lossless circuit's real part is zero but for rounding
    assert np.all(value.real >= -1e-12 * np.abs(value) ** 2 - 1e-12 * np.abs(value))


@given(LAWS, st.floats(12.0, 350.0))
@settings(deadline=None)
def test_every_law_takes_complex_frequencies_and_joins_the_real_ones(law: WallLaw, hz: float) -> None:
    near = law.admittance(omega(hz) + 1e-7j, AIR)
    real = law.admittance(omega(hz), AIR)
    assert near.dtype == np.complex128
    assert near.shape == (1,)
    assert abs(near[0] - real[0]) <= 1e-3 * (1.0 + abs(real[0]) + abs(real[0]) ** 2)


def test_analytic_laws_are_analytic(close: Close) -> None:
    """The slope along the imaginary axis is j times the slope along the real one (damped modes rely on it)."""
    laws: list[WallLaw] = [
        MassSpring(resistance_pa_s_m=900.0, mass_kg_m2=10.0, stiffness_pa_m=1.4e6),
        MassSpring(mass_kg_m2=20.0, radiates=True, area_m2=6.0),
        Porous(flow_resistivity_pa_s_m2=10000.0, thickness_m=0.1),
        Partition(inner_mass_kg_m2=9.0, outer_mass_kg_m2=12.0, cavity_m=0.1, area_m2=9.0),
        Perforated(thickness_m=0.01, hole_m=0.004, open_fraction=0.01, panel_mass_kg_m2=8.0, cavity_m=0.15),
        Layered(
            front=(EdgeLeak(gap_m=0.003, depth_m=0.04, length_m=5.7, area_m2=1.7),),
            back=MassSpring(resistance_pa_s_m=500.0, mass_kg_m2=20.0),
        ),
        Opening(area_m2=1.8),
    ]
    step = 1e-3
    for law in laws:
        for hz in (45.0, 140.0):
            w = omega(hz)
            along = law.admittance(w + step, AIR) - law.admittance(w - step, AIR)
            across = law.admittance(w + 1j * step, AIR) - law.admittance(w - 1j * step, AIR)
            close(across, 1j * along, 1e-4)
