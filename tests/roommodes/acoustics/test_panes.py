"""What vibrates as a plate: one leaf, two, layers before it, and how all of it acts in the room's equations."""

import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from roommodes.acoustics.air import Air
from roommodes.acoustics.curve import Curve
from roommodes.acoustics.layering.layers import chain
from roommodes.acoustics.plates.light_walls import EdgeLeak
from roommodes.acoustics.plates.panes import DoublePane, Pane, Plate, behind_one_another
from roommodes.acoustics.room import Room, Surface
from roommodes.acoustics.strengths import front_law, plate_modes, plate_reaction, squared_bend
from roommodes.acoustics.transfer import transfer_function
from roommodes.acoustics.wall_bases import cosine_table, sine_overlaps
from roommodes.acoustics.wall_laws import Absorption, MassSpring, Porous
from tests.conftest import Close

AIR = Air()
RHO_C = AIR.impedance_pa_s_m
CURTAIN = Porous(flow_resistivity_pa_s_m2=100000.0, thickness_m=0.004, gap_m=0.07, limp_mass_kg_m2=1.2)


def glass(thickness_m: float, **changes: Any) -> Pane:
    given = {"youngs_modulus_pa": 70e9, "poisson": 0.22, "density_kg_m3": 2500.0, "loss_factor": 0.03}
    return Pane(thickness_m=thickness_m, **{**given, **changes})


def double(inner_m: float = 0.004, outer_m: float = 0.006, gap_m: float = 0.016, **changes: Any) -> DoublePane:
    given = {"youngs_modulus_pa": 70e9, "poisson": 0.22, "density_kg_m3": 2500.0, "loss_factor": 0.05}
    sizes = {"inner_thickness_m": inner_m, "outer_thickness_m": outer_m, "gap_m": gap_m, "gap_loss_factor": 0.02}
    return DoublePane(**{**sizes, **given, **changes})


def omega(*hz: float) -> NDArray[np.complex128]:
    return 2.0 * np.pi * np.array(hz, dtype=np.complex128)


def impedance(pane: Plate, sides: tuple[float, float], numbers: list[tuple[int, int]], *hz: float) -> Any:
    """p / v of modes, with the air outside: (k, mode)."""
    modes = np.array(numbers)
    radiation = pane.radiation_of(*sides, modes)
    outside = np.zeros((len(hz), len(modes)), dtype=np.complex128)
    if radiation is not None:
        outside = radiation.impedance_pa_s_m(omega(*hz), AIR)
    return pane.mode_impedance_pa_s_m(omega(*hz)[:, None], squared_bend(*sides, modes), outside, AIR)


def taken(pane: Plate, sides: tuple[float, float], hz: float) -> float:
    """Absorption of a pane much smaller than the wavelength: 8 Re beta, its mean motion under one pressure."""
    numbers = plate_modes(pane, *sides, 2.0 * np.pi * 3000.0)
    numbers = numbers[(numbers % 2 == 1).all(axis=1)]
    share = (8.0 / (np.pi**2 * numbers[:, 0] * numbers[:, 1])) ** 2
    return float(8.0 * RHO_C * (share / impedance(pane, sides, list(map(tuple, numbers)), hz)[0]).sum().real)


def test_a_small_pane_is_stiff_in_the_bass() -> None:
    """6 mm, 0.6 x 1.0 m: 0.006 to 0.04 from 20 to 40 Hz; a limp sheet of that mass takes 0.3 there."""
    for hz in (20.0, 25.0, 31.5, 40.0):
        assert 0.005 < taken(glass(0.006), (0.6, 1.0), hz) < 0.045


def test_two_leaves_bend_together_below_their_resonance(close: Close) -> None:
    """As one plate of both masses and both stiffnesses."""
    pane, sides = double(gap_m=0.001, gap_loss_factor=0.0, radiates=False), (1.2, 1.6)
    both = glass(
        0.01,
        density_kg_m3=pane.surface_mass_kg_m2 / 0.01,
        youngs_modulus_pa=70e9 * (0.004**3 + 0.006**3) / 0.01**3,
        loss_factor=0.05,
        radiates=False,
    )
    modes = [(1, 1), (2, 1), (2, 2)]
    for hz in (20.0, 50.0):
        close(impedance(pane, sides, modes, hz), impedance(both, sides, modes, hz), 0.04)


def test_far_above_the_inner_leaf_is_alone(close: Close) -> None:
    pane = double(gap_m=0.2, radiates=False)
    single = glass(0.004, loss_factor=0.05, radiates=False)
    close(impedance(pane, (1.0, 1.0), [(3, 3)], 900.0), impedance(single, (1.0, 1.0), [(3, 3)], 900.0), 0.02)


def test_double_glazing_resonates_where_published(close: Close) -> None:
    path = Path(__file__).parents[2] / "published" / "walls.toml"
    entry = tomllib.loads(path.read_text(encoding="utf-8"))["mass_air_mass"]
    for (inner, gap, outer), expected in zip(entry["panes_mm"], entry["resonance_hz"], strict=True):
        close(double(inner / 1e3, outer / 1e3, gap / 1e3).resonance_hz(AIR), expected, 3e-4)


PLATES = st.one_of(
    st.builds(glass, st.floats(0.002, 0.05), loss_factor=st.floats(0.0, 1.0), radiates=st.booleans()),
    st.builds(double, st.floats(0.002, 0.02), st.floats(0.002, 0.02), st.floats(0.002, 0.4), radiates=st.booleans()),
)
FRONTS = st.lists(
    st.one_of(
        st.builds(
            Porous,
            flow_resistivity_pa_s_m2=st.floats(1e3, 1e6),
            thickness_m=st.floats(0.001, 0.3),
            gap_m=st.floats(0.0, 0.3),
        ),
        st.builds(MassSpring, mass_kg_m2=st.floats(0.1, 50.0), stiffness_pa_m=st.just(0.0) | st.floats(1e3, 1e8)),
        st.builds(
            EdgeLeak,
            gap_m=st.floats(0.0, 0.02),
            depth_m=st.floats(0.005, 0.1),
            length_m=st.floats(2.0, 9.0),
            area_m2=st.floats(0.5, 5.0),
        ),
    ),
    max_size=3,
)


@given(PLATES, FRONTS, st.floats(5.0, 400.0))
@settings(deadline=None)
def test_every_plate_is_passive_with_what_lies_before_it(pane: Plate, front: list[Any], hz: float) -> None:
    numbers = np.array([[1, 1], [2, 1], [3, 3]])
    covered = replace(pane, front=tuple(front))
    outside = np.zeros((1, 3), dtype=np.complex128)
    if (radiation := covered.radiation_of(1.0, 1.4, numbers)) is not None:
        outside = radiation.impedance_pa_s_m(omega(hz), AIR)
    w = omega(hz)[:, None]
    y = plate_reaction(covered, w, squared_bend(1.0, 1.4, numbers), outside, AIR) / (1j * w * AIR.density_kg_m3)
    if (law := front_law(covered)) is not None:
        y = y + law.admittance(omega(hz), AIR)[:, None] / RHO_C
    assert np.all(np.isfinite(y))
    assert np.all(y.real >= -1e-9 * np.abs(y))


def test_layers_before_a_mode_are_that_modes_transfer_matrix(close: Close) -> None:
    """C / A + 1 / (A (A Z + B)) is (C Z + D) / (A Z + B) for a reciprocal layer."""
    pane = replace(glass(0.006), front=(CURTAIN, EdgeLeak(gap_m=0.002, depth_m=0.01, length_m=5.0, area_m2=1.5)))
    w, bend2, outside = omega(30.0, 90.0), squared_bend(1.0, 1.5, np.array([[1, 1], [2, 1]])), np.zeros((2, 2), complex)
    law = front_law(pane)
    assert law is not None
    y = plate_reaction(pane, w[:, None], bend2, outside, AIR) / (1j * w[:, None] * AIR.density_kg_m3)
    y = y + law.admittance(w, AIR)[:, None] / RHO_C
    z = pane.mode_impedance_pa_s_m(w[:, None], bend2, outside, AIR)
    matrix = chain(pane.front, w[:, None], AIR)
    close(y, (matrix.c * z + matrix.d) / (matrix.a * z + matrix.b), 1e-9)


def test_glass_behind_a_curtain_still_moves(close: Close) -> None:
    """In a room: at low frequency a curtain is no more than its mass, so the glass acts as if it were not there."""
    room = Room(length_m=4.2, width_m=3.1, height_m=2.4)
    hz, seat, source = [24.0, 28.0, 33.0], [[2.6, 1.2, 1.1], [3.3, 2.2, 1.2]], [[0.3, 0.3, 0.3]]
    pane = glass(0.006, loss_factor=0.06)

    def pressure(law: Any) -> NDArray[np.complex128]:
        surface = Surface(wall="left", from_m=(1.0, 0.4), to_m=(2.9, 2.0), law=law, name="x")
        return transfer_function(room, [surface], frequency_hz=hz, seat_m=seat, source_m=source)

    bare, covered, curtain = pressure(pane), pressure(replace(pane, front=(CURTAIN,))), pressure(CURTAIN)
    assert np.abs(covered - bare).max() < 0.5 * np.abs(curtain - bare).max()
    thin = Porous(flow_resistivity_pa_s_m2=1000.0, thickness_m=1e-3)
    close(pressure(replace(pane, front=(thin,))), bare, 2e-3, scale=float(np.abs(bare).max()))


def by_plain_sums(room: Room, pane: Plate, hz: float, seat: list[float], source: list[float], few: int) -> complex:
    """What a pane on the rear wall, 0.6 to 2.2 by 0.5 to 1.9 m, adds to H: rigid modes and plate modes one by one.

    No tail, no skin, no split; `few` plate modes a side.
    """
    counts = (70, 54, 46)
    w = omega(hz)
    k = [np.arange(n) * np.pi / size for n, size in zip(counts, room.size_m, strict=True)]
    k2 = (w[0] / AIR.speed_of_sound_m_s * (1.0 - 0.5j * room.loss_factor)) ** 2
    green = 1.0 / (room.volume_m3 * (k[0][:, None, None] ** 2 + k[1][:, None] ** 2 + k[2] ** 2 - k2))
    end = cosine_table(room.length_m, np.array([room.length_m]), counts[0])[0]
    y = sine_overlaps(room.width_m, 0.6, 2.2, order=few, count=counts[1])
    z = sine_overlaps(room.height_m, 0.5, 1.9, order=few, count=counts[2])

    def on_pane(point: list[float]) -> NDArray[np.complex128]:
        x, across, up = (
            cosine_table(size, np.array([p]), n)[0] for size, p, n in zip(room.size_m, point, counts, strict=True)
        )
        found = np.einsum("abc,a,b,c,ib,jc->ij", green, end * x, across, up, y, z, optimize=True)
        return np.asarray(found.ravel())

    walls = np.einsum("a,abc->bc", end**2, green)
    among = np.einsum("ib,kb,bc,jc,lc->ijkl", y, y, walls, z, z, optimize=True).reshape(few**2, few**2)
    numbers = np.stack(np.meshgrid(np.arange(1, few + 1), np.arange(1, few + 1), indexing="ij"), axis=-1)
    bend2 = squared_bend(1.6, 1.4, numbers.reshape(-1, 2))
    mode = pane.mode_impedance_pa_s_m(w[:, None], bend2, np.zeros((1, few**2), complex), AIR)[0]
    front = chain(pane.front, w, AIR)
    strength = 1j * w * AIR.density_kg_m3 * (front.c * mode + front.d) / (front.a * mode + front.b)
    reaction = np.linalg.solve(np.diag(1.0 / strength) + among, on_pane(source))
    return complex(-4.0 * np.pi * on_pane(seat) @ reaction)


@pytest.mark.parametrize("front", [(), (CURTAIN,)], ids=["bare", "behind a curtain"])
@pytest.mark.parametrize("make", [glass, lambda h, **more: double(h, 0.004, 0.02, **more)], ids=["one leaf", "two"])
def test_a_pane_in_a_room_is_the_same_by_plain_sums(make: Any, front: tuple[Any, ...], close: Close) -> None:
    room = Room(length_m=3.6, width_m=2.8, height_m=2.4)
    pane = replace(make(0.005, radiates=False), front=front)
    surface = Surface(wall="rear", from_m=(0.6, 0.5), to_m=(2.2, 1.9), law=pane, name="x")
    seat, source = [2.1, 0.8, 1.1], [0.4, 0.3, 0.2]
    for hz in (35.0, 72.0, 118.0):
        with_pane, rigid = (
            transfer_function(room, walls, frequency_hz=[hz], seat_m=[seat], source_m=[source])[0, 0, 0]
            for walls in ([surface], [])
        )
        plain = by_plain_sums(room, pane, hz, seat, source, 12)
        if front:  # no sum of few plate modes: what is missing falls as one over their number
            plain = 1.5 * by_plain_sums(room, pane, hz, seat, source, 36) - 0.5 * plain
        close(with_pane - rigid, plain, 0.03)


def test_what_cannot_lie_before_something_is_refused() -> None:
    with pytest.raises(ValueError, match="Pane cannot lie before something else"):
        behind_one_another([glass(0.006), MassSpring(mass_kg_m2=5.0)])
    with pytest.raises(ValueError, match="Absorption cannot lie"):
        behind_one_another([Absorption(alpha=Curve((50.0, 100.0), (0.1, 0.2))), CURTAIN])
