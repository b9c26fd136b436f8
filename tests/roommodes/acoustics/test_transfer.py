"""Transfer functions: exact laws, published values, limits of validity."""

import numpy as np
import pytest

from roommodes.acoustics.air import Air
from roommodes.acoustics.plates.panes import Pane
from roommodes.acoustics.precision import Precision
from roommodes.acoustics.room import WALLS, Room, Surface, Wall
from roommodes.acoustics.strengths import LocalStrength, Matrices
from roommodes.acoustics.transfer import transfer_function
from roommodes.acoustics.wall_laws import ConstantAdmittance, MassSpring
from roommodes.errors import OutsideModel
from roommodes.running import Running

HZ = np.array([23.0, 41.0, 58.0, 77.0, 104.0])
GLASS = Pane(thickness_m=0.006, youngs_modulus_pa=70e9, poisson=0.22, density_kg_m3=2500.0, loss_factor=0.03)
LIGHT = MassSpring(resistance_pa_s_m=150.0, mass_kg_m2=10.0, stiffness_pa_m=1.4e6)
POINTS = np.array([[0.4, 0.5, 0.3], [2.4, 3.0, 1.1], [3.9, 1.2, 1.2], [0.0, 0.0, 0.0], [4.6, 3.3, 0.2]])


def room(**options) -> Room:
    return Room(length_m=4.9, width_m=3.7, height_m=2.5, **options)


def surface(wall: Wall, low, high, law) -> Surface:
    return Surface(wall=wall, from_m=low, to_m=high, law=law)


def whole(of: Room, wall: Wall, law) -> Surface:
    return surface(wall, (0.0, 0.0), of.wall_size_m(wall), law)


MIXED = (
    whole(room(), "rear", ConstantAdmittance(beta_re=0.05, beta_im=0.03)),
    surface("rear", (0.5, 0.0), (1.4, 2.0), ConstantAdmittance(beta_re=0.3, beta_im=-0.1)),
    surface("left", (0.6, 0.3), (3.0, 2.2), GLASS),
    surface("ceiling", (0.0, 0.0), (2.5, 3.7), LIGHT),
)


def test_swapping_source_and_seat_changes_nothing(close):
    there = transfer_function(room(), MIXED, frequency_hz=HZ, seat_m=POINTS[:2], source_m=POINTS[2:])
    back = transfer_function(room(), MIXED, frequency_hz=HZ, seat_m=POINTS[2:], source_m=POINTS[:2])
    for f in range(len(HZ)):
        close(back[f].T, there[f], rtol=1e-9, scale=float(np.abs(there[f]).max()))


def test_a_mirrored_room_gives_mirrored_pressures(close):
    size = room()
    flip = {"left": "right", "right": "left"}

    def mirrored(one: Surface) -> Surface:
        if one.wall in flip:
            return surface(flip[one.wall], one.from_m, one.to_m, one.law)
        if one.wall in ("front", "rear"):  # along y first
            low, high = (size.width_m - one.to_m[0], one.from_m[1]), (size.width_m - one.from_m[0], one.to_m[1])
        else:
            low, high = (one.from_m[0], size.width_m - one.to_m[1]), (one.to_m[0], size.width_m - one.from_m[1])
        return surface(one.wall, low, high, one.law)

    other = POINTS.copy()
    other[:, 1] = size.width_m - other[:, 1]
    here = transfer_function(size, MIXED, frequency_hz=HZ, seat_m=POINTS[:2], source_m=POINTS[2:])
    there = transfer_function(
        size, [mirrored(one) for one in MIXED], frequency_hz=HZ, seat_m=other[:2], source_m=other[2:]
    )
    for f in range(len(HZ)):
        close(there[f], here[f], rtol=1e-8, scale=float(np.abs(here[f]).max()))


def test_turning_the_room_changes_nothing(close):
    """x becomes y, y becomes z, z becomes x: every wall moves on, the pressures stay."""
    size = room()
    turned = Room(length_m=size.height_m, width_m=size.length_m, height_m=size.width_m)
    moved = {"rear": "right", "left": "floor", "ceiling": "rear"}

    def move(one: Surface) -> Surface:
        low, high = one.from_m, one.to_m
        if one.wall in ("left", "ceiling"):  # (x, z) -> (z, x) and (x, y) -> (y, z): the first pair swaps
            swap = one.wall == "left"
            low, high = ((low[1], low[0]), (high[1], high[0])) if swap else (low, high)
        else:  # rear (y, z) -> right (x, z) holds (z, y)
            low, high = (low[1], low[0]), (high[1], high[0])
        return surface(moved[one.wall], low, high, one.law)

    points = POINTS[:, [2, 0, 1]]
    here = transfer_function(size, MIXED, frequency_hz=HZ, seat_m=POINTS[:2], source_m=POINTS[2:])
    there = transfer_function(
        turned, [move(one) for one in MIXED], frequency_hz=HZ, seat_m=points[:2], source_m=points[2:]
    )
    for f in range(len(HZ)):
        close(there[f], here[f], rtol=1e-5, scale=float(np.abs(here[f]).max()))


def test_what_a_source_gives_the_walls_take(close):
    """Energy: -Im H at the source = (k / 4 pi) integral of Re(beta) |H|^2 over the walls, without bulk loss."""
    size, beta = room(loss_factor=0.0), 0.2
    law = ConstantAdmittance(beta_re=beta, beta_im=0.1)
    lossy = surface("rear", (0.8, 0.4), (2.9, 2.1), law)
    source = np.array([[1.1, 1.3, 0.9]])
    node, weight = np.polynomial.legendre.leggauss(10)
    y, z = 1.85 + 1.05 * node, 1.25 + 0.85 * node
    wall = np.stack(np.meshgrid([size.length_m], y, z, indexing="ij"), axis=-1).reshape(-1, 3)
    area = np.outer(1.05 * weight, 0.85 * weight).ravel()
    hz = np.array([30.0, 52.0, 80.0])
    at_wall = transfer_function(size, [lossy], frequency_hz=hz, seat_m=wall, source_m=source)[:, :, 0]
    beside = source + np.array([[0.021, 0.0, 0.0]])
    given = -transfer_function(size, [lossy], frequency_hz=hz, seat_m=beside, source_m=source)[:, 0, 0].imag
    other = -transfer_function(size, [lossy], frequency_hz=hz, seat_m=2 * source - beside, source_m=source)[
        :, 0, 0
    ].imag
    k = 2.0 * np.pi * hz / size.air.speed_of_sound_m_s
    taken = k / (4.0 * np.pi) * beta * (np.abs(at_wall) ** 2 @ area)
    close(0.5 * (given + other), taken, rtol=2e-3)


@pytest.mark.parametrize("seed", range(4))
def test_passive_walls_never_add_energy(seed):
    """Whatever the walls, as long as they are passive, no set of sources can be fed by them: -Im H is positive."""
    rng = np.random.default_rng(seed)
    size = room(loss_factor=0.0)
    laws = [
        ConstantAdmittance(beta_re=float(rng.uniform(0.0, 0.4)), beta_im=float(rng.normal(0.0, 0.3))) for _ in range(4)
    ]
    surfaces = [whole(size, wall, law) for wall, law in zip(("left", "right", "floor", "rear"), laws, strict=True)]
    surfaces.append(surface("left", (1.0, 0.5), (3.0, 2.0), GLASS))
    sources = rng.uniform(0.4, 0.6, (5, 3)) * np.array(size.size_m) + rng.normal(0.0, 0.3, (5, 3))
    shifted = sources + np.array([0.0, 0.021, 0.0])  # beside each source, where Im H is as at the source
    matrix = transfer_function(size, surfaces, frequency_hz=HZ, seat_m=shifted, source_m=sources)
    for f in range(len(HZ)):
        power = -(matrix[f].imag + matrix[f].imag.T) / 2.0
        values = np.linalg.eigvalsh(power)
        assert values.min() > -5e-3 * values.max()
        assert values.max() > 0.0


def in_published_units(transfer: np.ndarray) -> np.ndarray:
    """G = p / (j omega rho Q), free field e^{-jkd} / (4 pi d)."""
    return transfer[:, 0, 0] / (4.0 * np.pi)


def published_room(values, **options) -> Room:
    length, width, height = values["room_m"]
    air = Air(temperature_c=293.15 * (values["speed_m_s"] / 343.2) ** 2 - 273.15)
    return Room(length_m=length, width_m=width, height_m=height, air=air, **options)


def test_published_transfer_with_uniform_loss(published, close):
    """k = (omega - j delta) / c; the bulk loss here is eta = 2 delta / omega, one frequency at a time."""
    values = published("rectangular_room", "transfer_uniform_loss")
    for hz, re, im in zip(values["hz"], values["re"], values["im"], strict=True):
        lossy = published_room(values, loss_factor=values["delta"] / (np.pi * hz))
        got = in_published_units(
            transfer_function(
                lossy, (), frequency_hz=[hz], seat_m=[values["receiver_m"]], source_m=[values["source_m"]]
            )
        )
        close(got[0], complex(re, im), rtol=3e-5)


def test_published_transfer_with_impedance_walls(published, close):
    values = {
        **published("rectangular_room", "transfer_uniform_loss"),
        **published("rectangular_room", "transfer_impedance_walls"),
    }
    size = published_room(values, loss_factor=0.0)
    surfaces = [whole(size, w, ConstantAdmittance(beta_re=1.0 / values["zeta"][w], beta_im=0.0)) for w in WALLS]
    got = in_published_units(
        transfer_function(
            size, surfaces, frequency_hz=values["hz"], seat_m=[values["receiver_m"]], source_m=[values["source_m"]]
        )
    )
    close(got, np.array(values["re"]) + 1j * np.array(values["im"]), rtol=2e-4)


def test_a_source_in_a_corner_of_a_vast_lossy_room_is_eight_times_as_strong(close):
    """Close to a rigid corner of a room whose loss kills every echo: the field of 8 coincident images."""
    vast = Room(length_m=40.0, width_m=38.0, height_m=36.0, loss_factor=0.9)
    seat = np.array([[0.6, 0.5, 0.4]])
    got = transfer_function(vast, (), frequency_hz=[40.0], seat_m=seat, source_m=[[0.0, 0.0, 0.0]])
    k = 2.0 * np.pi * 40.0 / vast.air.speed_of_sound_m_s * (1.0 - 0.45j)
    r = float(np.linalg.norm(seat))
    close(got[0, 0, 0], 8.0 * np.exp(-1j * k * r) / r, rtol=1e-4)


def test_front_source_and_delayed_inverted_rear_source_make_a_travelling_wave(close):
    """In a tube: p = rho c (q / S) e^{-jkx} everywhere, exact; so H = 4 pi / (j k S) e^{-jkx}."""
    tube = Room(length_m=6.0, width_m=0.4, height_m=0.4, loss_factor=1e-7)
    along = np.array([1.5, 2.2, 3.0, 3.9, 4.5])
    seats = np.stack([along, np.full(5, 0.13), np.full(5, 0.31)], axis=1)
    hz = np.array([20.0, 28.58, 40.0, 57.17, 80.0])  # two of them where the tube alone resonates
    sources = [[0.0, 0.2, 0.2], [6.0, 0.2, 0.2]]
    k = 2.0 * np.pi * hz / tube.air.speed_of_sound_m_s
    transfer = transfer_function(tube, (), frequency_hz=hz, seat_m=seats, source_m=sources)
    got = transfer[:, :, 0] - transfer[:, :, 1] * np.exp(-1j * k * 6.0)[:, None]
    want = 4.0 * np.pi / (1j * k[:, None] * 0.16) * np.exp(-1j * k[:, None] * along)
    close(got, want, rtol=1e-3)


def test_a_source_on_a_nodal_plane_does_not_drive_the_mode(close):
    """Half way along the room the (1, 0, 0) mode is silent: at its frequency little is left of its peak."""
    size = room(loss_factor=0.002)
    hz = [0.5 * size.air.speed_of_sound_m_s / size.length_m]
    seat = [[4.8, 1.0, 1.0]]
    end, middle = (
        np.abs(transfer_function(size, (), frequency_hz=hz, seat_m=seat, source_m=[[x, 0.7, 0.4]])[0, 0, 0])
        for x in (0.0, 0.5 * size.length_m)
    )
    assert middle < 0.02 * end


def test_a_law_that_is_rigid_changes_nothing(close):
    rigid = transfer_function(room(), (), frequency_hz=HZ, seat_m=POINTS[:2], source_m=POINTS[2:])
    covered = (MIXED[0], whole(room(), "rear", ConstantAdmittance(beta_re=0.0, beta_im=0.0)))
    got = transfer_function(room(), covered, frequency_hz=HZ, seat_m=POINTS[:2], source_m=POINTS[2:])
    close(got, rigid, rtol=1e-12)


def test_cutting_a_region_in_two_changes_nothing(close):
    law = ConstantAdmittance(beta_re=0.2, beta_im=0.15)
    one = [surface("left", (0.5, 0.2), (3.9, 2.2), law)]
    two = [surface("left", (0.5, 0.2), (2.0, 2.2), law), surface("left", (2.0, 0.2), (3.9, 2.2), law)]
    a, b = (
        transfer_function(room(), parts, frequency_hz=HZ, seat_m=POINTS[:2], source_m=POINTS[2:])
        for parts in (one, two)
    )
    close(a, b, rtol=3e-5, scale=float(np.sqrt(np.mean(np.abs(b) ** 2))))


def test_source_and_seat_on_one_absorbing_wall(close):
    """The surface is cut small where both stand close to it: against a far finer cut, and each further away."""
    wall = [whole(room(), "rear", ConstantAdmittance(beta_re=0.6, beta_im=0.2))]
    place = {"seat_m": [[4.9, 2.6, 1.2], [4.6, 1.5, 1.1]], "source_m": [[4.9, 1.9, 1.0], [4.8, 2.2, 0.3]]}
    got = transfer_function(room(), wall, frequency_hz=HZ, **place)
    fine = transfer_function(
        room(), wall, frequency_hz=HZ, **place, precision=Precision(extra_order=11, near_error=1e-5)
    )
    for f in range(len(HZ)):
        close(got[f], fine[f], rtol=1e-3, scale=float(np.abs(fine[f]).max()))


def test_the_result_does_not_depend_on_the_number_of_threads():
    one, many = (
        transfer_function(
            room(), MIXED, frequency_hz=HZ, seat_m=POINTS[:2], source_m=POINTS[2:], running=Running(threads=threads)
        )
        for threads in (1, 3)
    )
    assert np.array_equal(one, many)


def test_progress_ends_at_the_end():
    seen = []
    running = Running(report=lambda step: seen.append(step.fraction))
    transfer_function(room(), MIXED, frequency_hz=HZ, seat_m=POINTS[:2], source_m=POINTS[2:], running=running)
    assert seen[0] == 0.0
    assert seen[-1] == 1.0
    assert seen == sorted(seen)


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"frequency_hz": [2.0]}, "the model holds from 5 to 400 Hz"),
        ({"frequency_hz": [450.0]}, "got 450 to 450 Hz"),
        ({"frequency_hz": []}, "got none"),
        ({"seat_m": [[5.0, 1.0, 1.0]]}, r"seat 0 is at \(5, 1, 1\) m, outside the room of 4.9 x 3.7 x 2.5 m"),
        ({"source_m": [[1.0, 1.0, -0.1]]}, "source 0 is at"),
        ({"source_m": [[2.0, 1.0, 1.005]]}, "source 0 is 0.005 m from seat 0"),
    ],
)
def test_outside_its_validity_the_model_says_so(changed, words):
    question = {"frequency_hz": [50.0], "seat_m": [[2.0, 1.0, 1.0]], "source_m": [[0.3, 0.4, 0.2]], **changed}
    with pytest.raises(OutsideModel, match=words):
        transfer_function(room(), (), **question)


def test_a_law_that_surfaces_share_is_to_each_what_it_is_by_itself():
    omega = 2.0 * np.pi * HZ.astype(np.complex128)
    cold, warm = Air(temperature_c=15.0), Air(temperature_c=25.0)
    matrices = Matrices(omega)
    for law, air, size in ((LIGHT, cold, 3), (LIGHT, cold, 5), (LIGHT, warm, 5), (MIXED[0].law, cold, 5)):
        strength = LocalStrength(law=law, air=air, size=size)
        for _ in range(2):
            assert (matrices.of(strength) == strength.matrix(omega)).all()
