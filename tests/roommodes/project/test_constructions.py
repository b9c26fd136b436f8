"""The built-in library: complete, sourced, passive, and where its sources say it should be."""

import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from roommodes.acoustics.air import Air
from roommodes.acoustics.room import Pane, WallLaw
from roommodes.acoustics.wall_laws import Opening
from roommodes.project.constructions import KINDS, Construction, library
from roommodes.project.reading import parse_project
from tests.conftest import Close

AIR = Air()
WANTED = [
    "rigid",
    "concrete",
    "brick",
    "blockwork",
    "plasterboard on studs",
    "plasterboard on studs, filled",
    "timber floor",
    "single glazing",
    "double glazing",
    "glass pane 6 mm",
    "glass pane 10 mm",
    "curtain",
    "porous absorber",
    "door",
    "opening",
]


def absorbed(law: WallLaw, hz: float) -> float:
    """Diffuse absorption of a locally reacting wall with any admittance: the average of 1 - |R|^2, by quadrature."""
    node, weight = np.polynomial.legendre.leggauss(120)
    cosine = 0.5 * (node + 1.0)
    beta = complex(law.admittance(np.array([2.0 * np.pi * hz], dtype=np.complex128), AIR)[0])
    return float(np.sum(weight * cosine * (1.0 - np.abs((cosine - beta) / (cosine + beta)) ** 2)))


@pytest.mark.parametrize("name", WANTED)
def test_library_holds_what_was_promised(name: str) -> None:
    entry = library()[name]
    assert entry.description
    assert entry.source
    assert name == name.lower()


@pytest.mark.parametrize("entry", library().values(), ids=lambda entry: entry.name)
def test_every_entry_is_passive_over_the_band(entry: Construction) -> None:
    law = entry.law()
    if isinstance(law, Pane):
        assert law.loss_factor >= 0.0
        return
    omega = 2.0 * np.pi * np.linspace(10.0, 200.0, 400).astype(np.complex128)
    beta = law.admittance(omega, AIR)
    assert np.all(np.isfinite(beta))
    assert np.all(beta.real >= 0.0)
    assert np.all(beta.real > 0.0) or entry.kind == "rigid"


def test_walls_that_swing_are_never_absorption_coefficients() -> None:
    for entry in library().values():
        if any(word in entry.name for word in ("glass", "glazing", "plasterboard", "door", "timber")):
            assert entry.kind in {"impedance", "double glazing", "pane"}, entry.name


# (name, frequency, diffuse absorption that the entry's source states)
STATED = [
    ("concrete", 125.0, 0.01),
    ("brick", 125.0, 0.03),
    ("blockwork", 125.0, 0.05),
    ("plasterboard on studs", 125.0, 0.22),
    ("plasterboard on studs, filled", 125.0, 0.11),
    ("plasterboard on battens", 125.0, 0.29),
    ("timber floor", 125.0, 0.10),
    ("single glazing", 125.0, 0.10),
    ("single glazing", 63.0, 0.22),
    ("double glazing", 125.0, 0.10),
    ("curtain", 125.0, 0.13),
    ("door", 63.0, 0.05),
]


@pytest.mark.parametrize(("name", "hz", "alpha"), STATED)
def test_entries_absorb_what_their_source_states(name: str, hz: float, alpha: float, close: Close) -> None:
    law = library()[name].law()
    assert not isinstance(law, Pane)
    close(absorbed(law, hz), alpha, 0.04)


def test_single_glazing_follows_one_real_room() -> None:
    """Windows of BRAS scene CR2 (DOI 10.14279/depositonce-6726.3), fitted from measured decay from 80 Hz up."""
    law = library()["single glazing"].law()
    assert not isinstance(law, Pane)
    for hz, alpha in ((100.0, 0.221), (125.0, 0.175), (160.0, 0.167)):
        assert 0.35 * alpha < absorbed(law, hz) < 1.5 * alpha


def test_panes_are_the_published_plates(close: Close) -> None:
    path = Path(__file__).parents[2] / "published" / "walls.toml"
    entry = tomllib.loads(path.read_text(encoding="utf-8"))["pane"]
    columns = [entry[key] for key in ("size_m", "thickness_m", "stiffness_n_m", "mass_kg_m2", "first_hz")]
    for (width, height), thickness, stiffness, mass, first_hz in zip(*columns, strict=True):
        pane = library()[f"glass pane {thickness * 1000:g} mm"].law()
        assert isinstance(pane, Pane)
        close(pane.bending_stiffness_n_m, stiffness, 1e-5)
        close(pane.surface_mass_kg_m2, mass, 1e-9)
        first = np.pi / 2.0 * np.sqrt(pane.bending_stiffness_n_m / mass) * (width**-2 + height**-2)
        close(first, first_hz, 5e-4)


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
