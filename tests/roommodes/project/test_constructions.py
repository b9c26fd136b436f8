"""The built-in library: complete, sourced, passive, and where its sources say it should be."""

import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from roommodes.acoustics.air import Air
from roommodes.acoustics.built_modes import built_modes
from roommodes.acoustics.layering.layers import WallLaw
from roommodes.acoustics.plates.panes import DoublePane, Pane, Plate
from roommodes.acoustics.room import Room, Wall
from roommodes.acoustics.strengths import front_law, plate_modes, plate_reaction, squared_bend
from roommodes.acoustics.wall_laws import Opening
from roommodes.errors import ProjectInvalid
from roommodes.project.constructions import KINDS, Construction, library
from roommodes.project.reading import parse_project
from roommodes.project.room import surface_of
from tests.conftest import Close

AIR = Air()
WANTED = [
    "rigid",
    "concrete",
    "brick",
    "blockwork",
    "carpet on concrete",
    "plasterboard on studs",
    "plasterboard on studs, filled",
    "plasterboard lining on studs",
    "plasterboard on battens",
    "timber floor",
    "timber floor over ground",
    "plasterboard ceiling under joists",
    "single glazing",
    "double glazing",
    "glass pane 6 mm",
    "glass pane 10 mm",
    "door",
    "leak",
    "curtain",
    "carpet",
    "porous absorber",
    "bookcase",
    "membrane absorber",
    "perforated absorber",
    "opening",
]
SIDES = (4.0, 2.5)


def diffuse(beta: complex) -> float:
    """Diffuse absorption of a locally reacting wall with any admittance: the average of 1 - |R|^2, by quadrature."""
    node, weight = np.polynomial.legendre.leggauss(120)
    cosine = 0.5 * (node + 1.0)
    return float(np.sum(weight * cosine * (1.0 - np.abs((cosine - beta) / (cosine + beta)) ** 2)))


def absorbed(law: WallLaw | Plate, hz: float, sides: tuple[float, float] = SIDES) -> float:
    """Diffuse absorption; of a plate, that of its mean motion under one pressure."""
    omega = np.array([2.0 * np.pi * hz], dtype=np.complex128)
    if not isinstance(law, Plate):
        return diffuse(complex(law.admittance(omega, AIR)[0]))
    numbers = plate_modes(law, *sides, 2.0 * np.pi * 3000.0)
    numbers = numbers[(numbers % 2 == 1).all(axis=1)]
    outside = np.zeros((1, len(numbers)), dtype=np.complex128)
    if (radiation := law.radiation_of(*sides, numbers)) is not None:
        outside = radiation.impedance_pa_s_m(omega, AIR)
    reaction = plate_reaction(law, omega[:, None], squared_bend(*sides, numbers), outside, AIR)[0]
    share = (8.0 / (np.pi**2 * numbers[:, 0] * numbers[:, 1])) ** 2
    beta = complex((share * reaction).sum() * AIR.speed_of_sound_m_s / (1j * omega[0]))
    front = front_law(law)
    return diffuse(beta if front is None else beta + complex(front.admittance(omega, AIR)[0]))


def octave(law: WallLaw | Plate, hz: float, octaves: float = 1.0) -> float:
    """Mean over an octave, or a part of one: what a handbook prints."""
    return float(np.mean([absorbed(law, hz * 2.0**x) for x in np.linspace(-0.5, 0.5, 41) * octaves]))


@pytest.mark.parametrize("name", WANTED)
def test_library_holds_what_was_promised(name: str) -> None:
    entry = library()[name]
    assert entry.description
    assert entry.source
    assert name == name.lower()


@pytest.mark.parametrize("entry", library().values(), ids=lambda entry: entry.name)
def test_every_entry_is_passive_over_the_band(entry: Construction) -> None:
    law = entry.law(SIDES)
    if isinstance(law, Plate):
        assert all(absorbed(law, hz, (1.0, 1.5)) > 0.0 for hz in np.linspace(10.0, 300.0, 40))
        return
    omega = 2.0 * np.pi * np.linspace(10.0, 300.0, 400).astype(np.complex128)
    beta = law.admittance(omega, AIR)
    assert np.all(np.isfinite(beta))
    assert np.all(beta.real >= 0.0)
    assert np.all(beta.real > 0.0) or entry.kind == "rigid"


@pytest.mark.parametrize("entry", library().values(), ids=lambda entry: entry.name)
def test_every_entry_says_how_well_it_is_known(entry: Construction) -> None:
    assert entry.table.spread or entry.kind in {"rigid", "opening"}
    assert set(entry.table.spread) <= set(entry.parameters)


def test_walls_that_swing_are_never_absorption_coefficients() -> None:
    for entry in library().values():
        if any(word in entry.name for word in ("glass", "glazing")):
            assert isinstance(entry.law(), Plate), entry.name
        if any(word in entry.name for word in ("plasterboard", "door", "timber")):
            assert entry.kind in {"impedance", "partition", "door"}, entry.name


# (name, octave [Hz], mean absorption over it that the entry's source states)
STATED = [
    ("concrete", 125.0, 0.01),
    ("brick", 125.0, 0.03),
    ("blockwork", 125.0, 0.05),
    ("plasterboard on studs", 125.0, 0.27),
    ("plasterboard on studs, filled", 125.0, 0.26),
    ("plasterboard lining on studs", 125.0, 0.22),
    ("plasterboard lining on studs, filled", 125.0, 0.11),
    ("plasterboard on battens", 125.0, 0.29),
    ("timber floor", 125.0, 0.14),
    ("curtain", 125.0, 0.14),
    ("bookcase", 125.0, 0.30),
]


@pytest.mark.parametrize(("name", "hz", "alpha"), STATED)
def test_entries_absorb_what_their_source_states(name: str, hz: float, alpha: float, close: Close) -> None:
    close(octave(library()[name].law(SIDES), hz), alpha, 0.04)


# (name, sides [m], lowest and highest third-octave [Hz], what may be absorbed there)
IN_THE_BASS = [
    # plastered timber frames near 0.15 at 50 and 63 Hz: reported to us, not seen in print
    ("plasterboard on studs", SIDES, (50.0, 63.0), (0.10, 0.20)),
    ("plasterboard on studs, filled", SIDES, (50.0, 63.0), (0.10, 0.20)),
    # light timber floors: 0.15 to 0.3 at 40 Hz is likely; no source
    ("timber floor", SIDES, (40.0, 40.0), (0.15, 0.30)),
    ("timber floor over ground", SIDES, (40.0, 40.0), (0.15, 0.30)),
    # a small pane is stiff: worked out for a simply supported one, CALC
    ("single glazing", (0.6, 1.0), (20.0, 40.0), (0.005, 0.045)),
    ("double glazing", (0.6, 1.0), (20.0, 31.5), (0.005, 0.045)),
    # as hung, 13 dB at 63 Hz leaves through: 0.05 (Bies table 7.6, fifth edition 2017); the crack takes some besides
    ("door", (0.82, 2.04), (50.0, 50.0), (0.05, 0.20)),
    ("membrane absorber", SIDES, (63.0, 80.0), (0.6, 0.95)),
    ("perforated absorber", SIDES, (80.0, 100.0), (0.6, 0.95)),
]


@pytest.mark.parametrize(("name", "sides", "band", "allowed"), IN_THE_BASS)
def test_entries_absorb_in_the_bass_what_is_likely(
    name: str, sides: tuple[float, float], band: tuple[float, float], allowed: tuple[float, float]
) -> None:
    law = library()[name].law(sides)
    for hz in band:
        mean = np.mean([absorbed(law, hz * 2.0**x, sides) for x in np.linspace(-1.0 / 6.0, 1.0 / 6.0, 9)])
        assert allowed[0] < mean < allowed[1], f"{hz} Hz: {mean:.3f}"


def test_a_door_without_a_crack_takes_little_and_one_with_a_wide_crack_takes_as_one_that_leaks() -> None:
    table = library()["door"].table
    shut, hung = (table.model_copy(update={"edge_gap_m": gap}).law((0.82, 2.04)) for gap in (0.0, 0.003))
    assert absorbed(shut, 31.5, (0.82, 2.04)) < 0.02  # stiff below its first resonance
    assert absorbed(hung, 31.5, (0.82, 2.04)) > 0.1


FOUR: tuple[Wall, ...] = ("front", "rear", "left", "right")
# Rooms of 5.0 x 4.0 x 2.4 m, loss 0.01 for furniture, a window of 1.2 x 1.2 m and a door; mean decay times [s] near 50
# and 63 Hz. At 125 Hz 0.69 s is the mean of 50 British living rooms (G. M. Jackson and H. G. Leventhall, Applied
# Acoustics 5, 1972, 265, from memory), 0.4 to 0.5 s that of Canadian timber-frame ones (J. S. Bradley, Canadian
# Acoustics 14(4), 1986, from memory); bare rooms of concrete: 2 s and more at 63 Hz (common experience, no source).
ROOMS = [
    ("concrete", "carpet on concrete", "concrete", (1.8, 4.0)),
    ("blockwork", "carpet on concrete", "plasterboard ceiling under joists", (0.7, 1.6)),
    ("plasterboard on studs, filled", "timber floor", "plasterboard ceiling under joists", (0.45, 1.0)),
]


@pytest.mark.parametrize(("walls", "floor", "ceiling", "allowed"), ROOMS, ids=str)
def test_whole_rooms_ring_as_long_as_is_published(
    walls: str, floor: str, ceiling: str, allowed: tuple[float, float]
) -> None:
    room = Room(length_m=5.0, width_m=4.0, height_m=2.4, loss_factor=0.01)
    made: list[tuple[str, Wall, tuple[float, float], tuple[float, float]]] = [
        *((walls, wall, (0.0, 0.0), room.wall_size_m(wall)) for wall in FOUR),
        (floor, "floor", (0.0, 0.0), room.wall_size_m("floor")),
        (ceiling, "ceiling", (0.0, 0.0), room.wall_size_m("ceiling")),
        ("double glazing", "left", (1.5, 0.9), (2.7, 2.1)),
        ("door", "rear", (0.3, 0.0), (1.12, 2.04)),
    ]
    surfaces = [surface_of([library()[name]], wall, a, b, name=name) for name, wall, a, b in made]
    modes = [mode for mode in built_modes(room, surfaces, max_hz=75.0) if 40.0 < mode.frequency_hz < 72.0]
    assert len(modes) >= 2
    mean = np.mean([mode.decay_time_s for mode in modes])
    assert allowed[0] < mean < allowed[1], f"{mean:.2f} s"


def test_panes_are_the_published_plates(close: Close) -> None:
    path = Path(__file__).parents[2] / "published" / "walls.toml"
    entry = tomllib.loads(path.read_text(encoding="utf-8"))["pane"]
    columns = [entry[key] for key in ("size_m", "thickness_m", "stiffness_n_m", "mass_kg_m2", "first_hz")]
    for sides, thickness, stiffness, mass, first_hz in zip(*columns, strict=True):
        pane = library()[f"glass pane {thickness * 1000:g} mm"].law()
        assert isinstance(pane, Pane)
        close(pane.bending_stiffness_n_m, stiffness, 1e-5)
        close(pane.surface_mass_kg_m2, mass, 1e-9)
        close(pane.resonances_hz(*sides, 60.0)[0], first_hz, 5e-4)


def test_double_glazing_of_masses_is_of_their_thickness(close: Close) -> None:
    """The keys that files of limp leaves had still say what they said: 10 and 15 kg/m2 are 4 and 6 mm."""
    law = library()["double glazing"].law()
    assert isinstance(law, DoublePane)
    close(law.thicknesses_m, (0.004, 0.006), 1e-9)


MINIMAL = """
format = 1
name = "x"
room = {length_m = 5, width_m = 4, height_m = 2.5}
rows = [{name = "a", x_m = 3, y_m = [2], ear_height_m = 1.1}]
layout = {positions_m = [[1, 1, 1]]}
walls = {left = "own"}
[constructions.own]
"""
EVERY_KIND: list[tuple[str, dict[str, Any]]] = [
    ('kind = "rigid"', {}),
    ('kind = "admittance"\nbeta_re = 0.02\nbeta_im = -0.1', {"beta_re": 0.02, "beta_im": -0.1}),
    ('kind = "absorption"\nalpha = 0.1', {}),
    ('kind = "absorption"\nalpha = {"31.5" = 0.1, "63" = 0.2}', {}),
    ('kind = "impedance"\nmass_kg_m2 = 9', {"mass_kg_m2": 9.0, "stiffness_pa_m": 0.0}),
    (
        'kind = "pane"\nthickness_m = 0.008\nyoungs_modulus_pa = 7e10\npoisson = 0.2\n'
        "density_kg_m3 = 2500\nloss_factor = 0",
        {"radiates": True},
    ),
    (
        'kind = "partition"\ninner_mass_kg_m2 = 8.5\nouter_mass_kg_m2 = 10\ncavity_m = 0.1\nstud_stiffness_pa_m = 1e6\n'
        "fill_flow_resistivity_pa_s_m2 = 8000\nspread = { stud_stiffness_pa_m = 3.0 }",
        {"stud_mass_kg_m2": 0.0, "radiates": True},
    ),
    (
        'kind = "door"\nthickness_m = 0.04\nyoungs_modulus_pa = 3e9\ndensity_kg_m3 = 550\nloss_factor = 0.05\n'
        "edge_gap_m = 0.002",
        {"poisson": 0.3},
    ),
    (
        'kind = "perforated"\nthickness_m = 0.012\nhole_m = 0.005\nopen_fraction = 0.01\npanel_mass_kg_m2 = 8\n'
        "cavity_m = 0.2",
        {"fill_flow_resistivity_pa_s_m2": 0.0},
    ),
    ('kind = "double glazing"\ninner_mass_kg_m2 = 10\nouter_mass_kg_m2 = 15\ngap_m = 0.1', {"gap_loss_factor": 0.0}),
    ('kind = "porous"\nflow_resistivity_pa_s_m2 = 8000\nthickness_m = 0.2', {"gap_m": 0.0}),
    ('kind = "opening"\narea_m2 = 2', {"area_m2": 2.0}),
]


@pytest.mark.parametrize(("text", "expected"), EVERY_KIND, ids=[text.split("\n")[0] for text, _ in EVERY_KIND])
def test_every_kind_can_be_written(text: str, expected: dict[str, Any]) -> None:
    project = parse_project(MINIMAL + text, source="room.toml")
    own = project.constructions()["own"]
    assert own.parameters.items() >= expected.items()
    assert own.kind in KINDS
    surfaces = project.surfaces()
    assert len(surfaces) == (0 if own.kind == "rigid" else 1)


def test_an_opening_takes_the_area_of_its_surface() -> None:
    project = parse_project(MINIMAL + 'kind = "opening"', source="room.toml")
    assert project.surfaces()[0].law == Opening(area_m2=12.5)


def test_own_constructions_go_before_the_librarys() -> None:
    text = MINIMAL.replace("[constructions.own]", "[constructions.own]\nkind = 'rigid'\n[constructions.brick]")
    project = parse_project(text + "kind = 'admittance'\nbeta_re = 0.5", source="room.toml")
    assert project.constructions()["brick"].kind == "admittance"
    assert library()["brick"].kind == "absorption"


def test_a_spread_of_what_is_no_parameter_is_refused() -> None:
    with pytest.raises(
        ProjectInvalid, match=r'spread: "mass_kg_m3" is no parameter that can be spread; allowed: thick'
    ):
        parse_project(
            MINIMAL + 'kind = "door"\nthickness_m = 0.04\nyoungs_modulus_pa = 3e9\ndensity_kg_m3 = 550\n'
            "loss_factor = 0.05\nspread = { mass_kg_m3 = 2.0 }",
            source="room.toml",
        )
