"""Air outside: the piston's functions; plates' modes against an integral over wavenumbers and Wallace."""

import numpy as np
import pytest
from scipy.special import gammaln, jv, struve

from roommodes.acoustics.air import Air
from roommodes.acoustics.layering.radiation import ModeRadiation, outside_impedance_pa_s_m, piston_impedance
from tests.conftest import Close

AIR = Air()
RHO_C = AIR.impedance_pa_s_m
A, B = 1.5, 1.0
MODES = np.array([[1, 1], [1, 3], [3, 3], [1, 2], [2, 2], [5, 4]])


def test_a_pistons_functions_are_scipys(close: Close) -> None:
    z = np.geomspace(1e-3, 300.0, 2000)
    found = piston_impedance(z)
    close(found.imag, 2.0 * struve(1, z) / z, rtol=1e-12)
    close(found.real, 1.0 - 2.0 * jv(1, z) / z, rtol=1e-8)  # near z = 0 scipy's digits cancel, not the integral's
    close(found.real[z > 1.0], (1.0 - 2.0 * jv(1, z) / z)[z > 1.0], rtol=1e-12)


def test_a_pistons_functions_of_complex_numbers(close: Close) -> None:
    """Against its power series, sum (-1)^k (z/2)^(2k+2) / (Gamma(k + 3/2) Gamma(k + 5/2)): DLMF 11.2.1, from memory."""
    z = np.geomspace(0.01, 12.0, 40) * np.exp(1j * np.linspace(-0.5, 0.5, 40))
    k = np.arange(60)
    terms = (-1.0) ** k * (0.5 * z[:, None]) ** (2 * k + 2) * np.exp(-gammaln(k + 1.5) - gammaln(k + 2.5))
    close(piston_impedance(z), 1.0 - 2.0 * jv(1, z) / z + 2.0j * terms.sum(axis=1) / z, rtol=1e-10)


def test_a_piston_meets_the_air_of_its_own_size(close: Close) -> None:
    """0.6 m2 at 30 Hz: (ka)^2 / 2 of rho c and the mass of 0.85 a of air, not rho c."""
    omega = 2.0 * np.pi * np.array([30.0 + 0.0j])
    a = (0.6 / np.pi) ** 0.5
    ka = omega[0].real / AIR.speed_of_sound_m_s * a
    found = outside_impedance_pa_s_m(omega, AIR, 0.6)[0]
    close(found.real, RHO_C * ka**2 / 2.0, 0.02)
    close(found.imag, omega[0].real * AIR.density_kg_m3 * 8.0 * a / (3.0 * np.pi), 0.02)
    close(outside_impedance_pa_s_m(omega, AIR, None)[0], RHO_C + 0j, 1e-12)


def wallace(j: int, k: int, wavenumber: float) -> float:
    """Radiation resistance over rho c at low frequency: C. E. Wallace, JASA 51(3) 946, 1972, from memory."""
    w, area = wavenumber, A * B
    if j % 2 and k % 2:
        return 32.0 * w**2 * area / (j**2 * k**2 * np.pi**5)
    if j % 2:
        return 8.0 * w**4 * area * B**2 / (3.0 * j**2 * k**2 * np.pi**5)
    return 2.0 * w**6 * area**3 / (15.0 * j**2 * k**2 * np.pi**5)


def test_modes_radiate_as_wallace_says_at_low_frequency(close: Close) -> None:
    modes = MODES[:5]
    omega = 2.0 * np.pi * np.array([4.0])
    found = ModeRadiation.of(A, B, modes).impedance_pa_s_m(omega.astype(np.complex128), AIR)[0].real / RHO_C
    expected = [wallace(j, k, omega[0] / AIR.speed_of_sound_m_s) for j, k in modes.tolist()]
    close(found, expected, 4e-3)


@pytest.mark.parametrize("hz", [31.5, 80.0, 160.0, 390.0])
def test_modes_radiate_as_an_integral_over_wavenumbers_says(hz: float, close: Close) -> None:
    """Second opinion: power is rho c k / 4 pi^2 times the integral of |psi(kx, ky)|^2 / kz over kx^2 + ky^2 < k^2."""
    wavenumber = 2.0 * np.pi * hz / AIR.speed_of_sound_m_s
    node, weight = np.polynomial.legendre.leggauss(60)
    polar, turn = 0.25 * np.pi * (node + 1.0), 0.5 * np.pi * (node + 1.0)  # a quarter sphere each way, twice
    kx = wavenumber * np.sin(polar)[:, None] * np.cos(turn)[None, :]
    ky = wavenumber * np.sin(polar)[:, None] * np.sin(turn)[None, :]
    solid = 0.25 * np.pi * weight[:, None] * np.sin(polar)[:, None] * 0.5 * np.pi * weight[None, :]

    def spectrum(side: float, number: int, k: np.ndarray) -> np.ndarray:
        """|integral of sqrt(2/a) sin(n pi x / a) e^{jkx}|^2."""
        bend = number * np.pi / side
        return 2.0 / side * np.abs(bend * (1.0 - (-1.0) ** number * np.exp(1j * k * side)) / (bend**2 - k**2)) ** 2

    found = ModeRadiation.of(A, B, MODES).impedance_pa_s_m(2.0 * np.pi * np.array([hz + 0j]), AIR)[0].real / RHO_C
    for index, (j, k) in enumerate(MODES.tolist()):
        power = 2.0 * np.sum(spectrum(A, j, kx) * spectrum(B, k, ky) * solid) * wavenumber**2 / (4.0 * np.pi**2)
        close(found[index], power, 1e-6)


def test_radiation_takes_complex_frequencies(close: Close) -> None:
    modes, omega, step = ModeRadiation.of(A, B, MODES), 2.0 * np.pi * np.array([70.0 + 3.0j]), 1e-3
    along = modes.impedance_pa_s_m(omega + step, AIR) - modes.impedance_pa_s_m(omega - step, AIR)
    across = modes.impedance_pa_s_m(omega + 1j * step, AIR) - modes.impedance_pa_s_m(omega - 1j * step, AIR)
    close(across, 1j * along, 1e-6)


def test_radiation_at_many_frequencies_is_that_at_few(close: Close) -> None:
    """The polynomial against the integral at each frequency by itself."""
    omega = 2.0 * np.pi * np.geomspace(5.0, 400.0, 150).astype(np.complex128)
    for side in (0.2, 4.0):
        modes = ModeRadiation.of(side * A, side * B, MODES)
        each = np.concatenate([modes.impedance_pa_s_m(omega[[k]], AIR) for k in range(len(omega))])
        close(modes.impedance_pa_s_m(omega, AIR), each, 1e-11)
    alike = np.full(40, omega[3])
    close(modes.impedance_pa_s_m(alike, AIR), each[np.full(40, 3)], 1e-13)
