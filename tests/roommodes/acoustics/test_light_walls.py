"""Layers, walls of two leaves, holes and cracks: exact limits, published resonances, energy."""

import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import brentq

from roommodes.acoustics.air import Air
from roommodes.acoustics.layering.layers import Layered, TransferMatrix, WallLaw, chain
from roommodes.acoustics.layering.radiation import outside_impedance_pa_s_m
from roommodes.acoustics.plates.light_walls import VISCOSITY_PA_S, EdgeLeak, Partition, Perforated
from roommodes.acoustics.wall_laws import ConstantAdmittance, MassSpring, Opening, Porous, Rigid, air_gap
from tests.conftest import Close

AIR = Air()
RHO, C, RHO_C = AIR.density_kg_m3, AIR.speed_of_sound_m_s, AIR.impedance_pa_s_m
STIFF_1M = RHO * C**2


@pytest.fixture(scope="module")
def published() -> dict[str, Any]:
    path = Path(__file__).parents[2] / "published" / "walls.toml"
    return tomllib.loads(path.read_text(encoding="utf-8"))


def omega(*hz: float) -> NDArray[np.complex128]:
    return 2.0 * np.pi * np.array(hz, dtype=np.complex128)


def zeta(law: WallLaw, hz: float) -> complex:
    return 1.0 / complex(law.admittance(omega(hz), AIR)[0])


def partition(**changes: Any) -> Partition:
    given = {"inner_mass_kg_m2": 10.0, "outer_mass_kg_m2": 15.0, "cavity_m": 0.016, "inner_resistance_pa_s_m": 1e-6}
    return Partition(**{**given, **changes})


LAYERS = [
    Porous(flow_resistivity_pa_s_m2=20000.0, thickness_m=0.05, gap_m=0.1),
    Porous(flow_resistivity_pa_s_m2=100000.0, thickness_m=0.004, gap_m=0.07, limp_mass_kg_m2=1.2),
    MassSpring(resistance_pa_s_m=300.0, mass_kg_m2=9.0, stiffness_pa_m=1.4e6),
    partition(stud_stiffness_pa_m=1e6, stud_mass_kg_m2=4.0, inner_resistance_pa_s_m=200.0),
    Perforated(thickness_m=0.012, hole_m=0.005, open_fraction=0.02, panel_mass_kg_m2=8.5, cavity_m=0.2),
    EdgeLeak(gap_m=0.003, depth_m=0.04, length_m=5.7, area_m2=1.7),
]


@pytest.mark.parametrize("layer", LAYERS, ids=lambda layer: type(layer).__name__)
def test_every_layer_is_reciprocal(layer: Any, close: Close) -> None:
    matrix = layer.transfer_matrix(omega(25.0, 70.0, 160.0), AIR)
    close(matrix.a * matrix.d - matrix.b * matrix.c, np.ones(3), 1e-9)


@pytest.mark.parametrize("law", [LAYERS[0], LAYERS[1], LAYERS[2], LAYERS[4]], ids=lambda law: type(law).__name__)
def test_a_layer_before_a_hard_wall_is_the_law_itself(law: Any, close: Close) -> None:
    w = omega(25.0, 70.0, 160.0)
    close(Layered(front=(law,), back=Rigid()).admittance(w, AIR), law.admittance(w, AIR), 1e-10)


def test_a_partition_before_open_air_is_one_that_radiates(close: Close) -> None:
    w = omega(25.0, 70.0, 160.0)
    law = partition(stud_stiffness_pa_m=1e6, stud_mass_kg_m2=4.0, inner_resistance_pa_s_m=200.0, area_m2=8.0)
    close(Layered(front=(law,), back=Opening(area_m2=8.0)).admittance(w, AIR), law.admittance(w, AIR), 1e-10)


def test_layers_before_air_of_rho_c_go_over_into_it(close: Close) -> None:
    """A gap of air before an opening without end is no wall at all: zeta = 1, whatever its depth."""
    gap = Porous(flow_resistivity_pa_s_m2=1e-3, thickness_m=1e-9, gap_m=0.37)
    close(Layered(front=(gap,), back=Opening()).admittance(omega(33.0, 120.0), AIR), np.ones(2, complex), 1e-9)


def test_a_leaf_before_a_wall_with_air_between_is_worked_out_by_hand(close: Close) -> None:
    w = omega(60.0)
    leaf, spring = 250.0 + 1j * w * 7.0, 8e5 / (1j * w)
    wall = RHO_C / (0.3 - 0.2j)
    law = Layered(
        front=(MassSpring(resistance_pa_s_m=250.0, mass_kg_m2=7.0, stiffness_pa_m=8e5),),
        back=ConstantAdmittance(beta_re=0.3, beta_im=-0.2),
    )
    close(RHO_C / law.admittance(w, AIR), leaf + spring * wall / (spring + wall), 1e-10)


def test_two_half_layers_are_the_whole(close: Close) -> None:
    w = omega(40.0, 125.0)
    half = Porous(flow_resistivity_pa_s_m2=15000.0, thickness_m=0.06)
    whole = Porous(flow_resistivity_pa_s_m2=15000.0, thickness_m=0.12)
    close(chain((half, half), w, AIR).b, whole.transfer_matrix(w, AIR).b, 1e-10)


def test_a_curtain_before_a_hard_wall_and_before_a_thin_sheet() -> None:
    """The sheet lets the air behind the curtain move, so it takes more at low frequency."""
    curtain = Porous(flow_resistivity_pa_s_m2=100000.0, thickness_m=0.004, gap_m=0.07, limp_mass_kg_m2=1.2)
    sheet = MassSpring(mass_kg_m2=10.0, radiates=True)
    w = omega(30.0)
    hard, soft = (Layered(front=(curtain,), back=back).admittance(w, AIR)[0] for back in (Rigid(), sheet))
    assert soft.real > 10.0 * hard.real
    bare = sheet.admittance(w, AIR)[0]
    assert abs(soft - bare) < 0.3 * abs(bare)  # and is near the sheet's own there


def test_a_spring_from_leaf_to_leaf_is_that_of_two_masses(close: Close) -> None:
    """In vacuo: leaves m1, m2 on a spring s resonate at sqrt(s (1 / m1 + 1 / m2))."""
    w = omega(50.0)
    spring = TransferMatrix.shunt(1j * w / 3e5).coupled(5e5, w)  # side by side they add
    m1, m2 = 9.0, 13.0
    got = (TransferMatrix.series(1j * w * m1) @ spring).admittance(1.0 / (1j * w * m2))
    s = 8e5 / (1j * w)
    close(1.0 / got, 1j * w * m1 + s * 1j * w * m2 / (s + 1j * w * m2), 1e-10)


def test_partition_resonates_where_published(published: dict[str, Any], close: Close) -> None:
    entry = published["mass_air_mass"]
    for (inner, gap, outer), expected in zip(entry["panes_mm"], entry["resonance_hz"], strict=True):
        law = partition(
            inner_mass_kg_m2=2.5 * inner, outer_mass_kg_m2=2.5 * outer, cavity_m=gap / 1000.0, radiates=False
        )
        zero = brentq(lambda hz, law=law: zeta(law, hz).imag, 0.9 * expected, 1.15 * expected)
        close(zero, expected, 3e-3)


def test_partition_is_one_mass_far_below_and_the_inner_leaf_far_above(close: Close) -> None:
    law = partition(stud_mass_kg_m2=2.0)
    close(zeta(law, 10.0), zeta(MassSpring(mass_kg_m2=27.0, radiates=True), 10.0), 1e-2)
    close(zeta(law, 2.5), zeta(MassSpring(mass_kg_m2=27.0, radiates=True), 2.5), 1e-3)
    close(zeta(law, 1500.0), zeta(MassSpring(mass_kg_m2=11.0), 1500.0), 3e-2)


def test_stiff_studs_join_the_leaves(close: Close) -> None:
    law = partition(cavity_m=0.1, stud_mass_kg_m2=2.0, stud_stiffness_pa_m=1e10)
    close(zeta(law, 120.0), zeta(MassSpring(mass_kg_m2=27.0, radiates=True), 120.0), 1e-2)


def test_fill_softens_the_cavity(close: Close) -> None:
    """Air that keeps its temperature is 1.4 times as soft: the resonance falls by nearly sqrt(1.4)."""

    def resonance(**changes: float) -> float:
        law = partition(cavity_m=0.1, radiates=False, **changes)
        return float(brentq(lambda hz: zeta(law, hz).imag, 55.0, 110.0))

    close(resonance(fill_flow_resistivity_pa_s_m2=3000.0), resonance() / 1.4**0.5, 0.06)


def test_perforated_panel_resonates_by_the_usual_rule(close: Close) -> None:
    """c / 2 pi sqrt(e / (t + 0.85 d) / D), heavy panel, wide holes: a Helmholtz resonator (from memory)."""
    law = Perforated(thickness_m=0.012, hole_m=0.01, open_fraction=0.004, panel_mass_kg_m2=1e3, cavity_m=0.1)
    near = 1.0 - 1.47 * 0.004**0.5
    expected = C / (2.0 * np.pi) * np.sqrt(0.004 / ((0.012 + 0.85 * near * 0.01) * 0.1))
    close(brentq(lambda hz: zeta(law, hz).imag, 30.0, 200.0), expected, 0.03)  # viscous air is a little heavier


def test_a_narrow_hole_resists_as_poiseuille_says(close: Close) -> None:
    """Below: 32 mu t / d^2 over the open fraction, and 4/3 of the air's mass."""
    law = Perforated(thickness_m=0.01, hole_m=0.0003, open_fraction=0.01, panel_mass_kg_m2=1e6, cavity_m=0.1)
    w = omega(10.0)
    gap = air_gap(w, AIR, 0.1)
    panel = law.transfer_matrix(w, AIR) @ TransferMatrix(gap.d, -gap.b, -gap.c, gap.a)  # the gap taken off again
    close(panel.b[0].real, 32.0 * VISCOSITY_PA_S * 0.01 / 0.0003**2 / 0.01, 0.03)


def test_a_crack_is_viscous_when_narrow_and_a_mass_when_wide(close: Close) -> None:
    w = omega(20.0)

    def impedance(gap_m: float) -> complex:
        leak = EdgeLeak(gap_m=gap_m, depth_m=0.04, length_m=5.0, area_m2=1.7)
        outside = outside_impedance_pa_s_m(w, AIR, 1.7)
        return complex(((1.0 / leak.transfer_matrix(w, AIR).c - outside) * gap_m * 5.0 / 1.7)[0])

    close(impedance(2e-4).real, 12.0 * VISCOSITY_PA_S * 0.04 / 2e-4**2, 2e-3)
    wide = impedance(0.05)
    close(wide.imag, w[0].real * RHO * (0.04 + 0.025 * np.log(4.0 * 5.0 / 0.05)), 0.02)
    assert wide.real < 0.05 * wide.imag
    assert not EdgeLeak(gap_m=0.0, depth_m=0.04, length_m=5.0, area_m2=1.7).transfer_matrix(w, AIR).c.any()


def test_a_door_with_a_crack_lets_through_what_is_published(published: dict[str, Any]) -> None:
    """13 dB at 63 Hz and 17 at 125: solid hardwood door as hung, Bies, Hansen & Howard, table 7.6. Of a crack of 3 mm
    alone, normal incidence from rho c to rho c."""
    leak = EdgeLeak(gap_m=0.003, depth_m=0.04, length_m=5.7, area_m2=1.67)
    for hz, loss_db in ((63.0, 13.0), (125.0, 17.0)):
        impedance = 1.0 / leak.transfer_matrix(omega(hz), AIR).c[0]
        passed_db = 20.0 * np.log10(abs(1.0 + impedance / (2.0 * RHO_C)))
        assert abs(passed_db - loss_db) < 2.5


class Elements:
    """A wall's pressure by quadratic elements through its depth: a second way to its impedance.

    Of a fluid, int p' q' / rho - omega^2 p q / K; a leaf Z joins two nodes, v = (p1 - p2) / Z; an admittance stands
    at a node. One unit of velocity comes in at node 0.
    """

    def __init__(self, hz: float) -> None:
        self.w = 2.0 * np.pi * hz
        self.entries: list[tuple[int, int, complex]] = []
        self.last = 0

    def fluid(self, depth: float, density: complex, modulus: complex, pieces: int = 12) -> None:
        h = depth / pieces
        slope = np.array([[7, -8, 1], [-8, 16, -8], [1, -8, 7]]) / (3.0 * h * density)
        mass = np.array([[4, 2, -1], [2, 16, 2], [-1, 2, 4]]) * h / 30.0 * self.w**2 / modulus
        for _ in range(pieces if depth > 0.0 else 0):
            nodes = range(self.last, self.last + 3)
            self.entries += [(a, b, (slope - mass)[i, j]) for i, a in enumerate(nodes) for j, b in enumerate(nodes)]
            self.last += 2

    def leaf(self, impedance: complex) -> None:
        a, b, y = self.last, self.last + 1, 1j * self.w / impedance
        self.entries += [(a, a, y), (b, b, y), (a, b, -y), (b, a, -y)]
        self.last = b

    def admittance(self, y: complex) -> None:
        self.entries.append((self.last, self.last, 1j * self.w * y))

    def impedance(self) -> complex:
        matrix = np.zeros((self.last + 1, self.last + 1), dtype=np.complex128)
        for a, b, value in self.entries:
            matrix[a, b] += value
        into = np.zeros(self.last + 1, dtype=np.complex128)
        into[0] = 1j * self.w
        return complex(np.linalg.solve(matrix, into)[0])


@pytest.mark.parametrize("hz", [12.0, 40.0, 110.0, 280.0])
def test_layers_are_what_elements_through_the_depth_say(hz: float, close: Close) -> None:
    """Wool and a gap, a limp curtain, a leaf on a spring, then a partition of two leaves and its studs, then air."""
    wool = Porous(flow_resistivity_pa_s_m2=12000.0, thickness_m=0.05, gap_m=0.03)
    curtain = Porous(flow_resistivity_pa_s_m2=100000.0, thickness_m=0.004, gap_m=0.07, limp_mass_kg_m2=1.2)
    leaf = MassSpring(resistance_pa_s_m=200.0, mass_kg_m2=6.0, stiffness_pa_m=9e5)
    wall = Partition(
        inner_mass_kg_m2=8.5,
        outer_mass_kg_m2=17.0,
        cavity_m=0.1,
        fill_flow_resistivity_pa_s_m2=8000.0,
        inner_resistance_pa_s_m=400.0,
        stud_mass_kg_m2=4.0,
        area_m2=9.0,
    )
    w = omega(hz)
    by = Elements(hz)
    for layer in (wool, curtain):
        density, modulus = (complex(one[0]) for one in layer.fluid(w, AIR))
        if layer.limp_mass_kg_m2 is not None:
            density = 1.0 / (1.0 / density + layer.thickness_m / layer.limp_mass_kg_m2)
        by.fluid(layer.thickness_m, density, modulus)
        by.fluid(layer.gap_m, RHO, STIFF_1M)
    by.leaf(200.0 + 6.0j * by.w)
    by.admittance(1j * by.w / 9e5)
    by.leaf(400.0 + 10.5j * by.w)
    fill = Porous(flow_resistivity_pa_s_m2=8000.0, thickness_m=0.1)
    by.fluid(0.1, *(complex(one[0]) for one in fill.fluid(w, AIR)))
    by.leaf(19.0j * by.w)
    by.admittance(complex(1.0 / outside_impedance_pa_s_m(w, AIR, 9.0)[0]))
    got = Layered(front=(wool, curtain, leaf), back=wall).admittance(w, AIR)[0]
    close(1.0 / got, by.impedance() / RHO_C, 1e-5)


BACKS = [Rigid(), ConstantAdmittance(beta_re=0.05, beta_im=-0.2), Opening(area_m2=2.0), LAYERS[3]]


@pytest.mark.parametrize("back", BACKS, ids=lambda law: type(law).__name__)
def test_no_pile_of_layers_makes_sound(back: WallLaw) -> None:
    w = omega(*np.geomspace(10.0, 300.0, 120))
    for first in LAYERS:
        for second in LAYERS:
            beta = Layered(front=(first, second), back=back).admittance(w, AIR)
            assert np.all(beta.real >= -1e-9 * np.abs(beta)), (first, second)
