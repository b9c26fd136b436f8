"""What a project gives the model and the search."""

import hashlib
import json
import tomllib
from importlib.resources import files
from typing import Any

import jsonschema
import numpy as np
import pytest

from roommodes.acoustics.plates.panes import Pane
from roommodes.acoustics.room import Room
from roommodes.acoustics.transfer import transfer_function
from roommodes.acoustics.visible_surfaces import visible
from roommodes.project.project import Project
from roommodes.project.reading import parse_project, project_schema
from roommodes.project.tables import MAX_CANDIDATES, ProjectTables


def shipped(name: str) -> Project:
    text = files("roommodes.project").joinpath(name).read_text(encoding="utf-8")
    return parse_project(text, source=name)


BASIC = """
format = 1
name = "basic"
[room]
length_m = 6
width_m = 4
height_m = 2.5
[walls]
ceiling = "brick"
left = "concrete"
[[regions]]
wall = "left"
from_m = [3.0, 2.0]
to_m = [1.0, 0.5]
construction = "glass pane 6 mm"
[[rows]]
name = "front"
x_m = 3
y_m = [1, 2, 3]
ear_height_m = 1.1
weight = 2
[[rows]]
name = "rear"
x_m = 4.5
y_m = [2]
ear_height_m = 1.3
[[zones]]
name = "front wall"
from_m = [0.3, 3.7, 0.3]
to_m = [0.3, 0.3, 0.3]
spacing_m = 0.5
"""


@pytest.fixture(scope="module")
def basic() -> Project:
    return parse_project(BASIC, source="basic.toml")


def test_room_and_defaults(basic: Project) -> None:
    assert basic.room == Room(length_m=6.0, width_m=4.0, height_m=2.5)
    assert basic.search.counts == (1, 2, 4)
    assert basic.search.band_hz == (20.0, 120.0)
    assert basic.search.delay_ms == (0.0, 20.0)
    assert basic.search.gain_db == (-12.0, 0.0)
    assert (basic.search.polarity, basic.search.mirror, basic.search.seed) == (True, False, 1)
    assert basic.search.points_per_octave == 24
    assert (basic.layout, basic.screen) == (None, None)


def test_whole_walls_come_first_in_their_order_then_regions(basic: Project) -> None:
    surfaces = basic.surfaces()
    assert [(s.wall, s.from_m, s.to_m) for s in surfaces] == [
        ("left", (0.0, 0.0), (6.0, 2.5)),
        ("ceiling", (0.0, 0.0), (6.0, 4.0)),
        ("left", (1.0, 0.5), (3.0, 2.0)),
    ]
    assert isinstance(surfaces[2].law, Pane)
    assert [s.name for s in surfaces] == [
        "concrete, left wall",
        "brick, ceiling",
        "glass pane 6 mm, left wall (regions[0])",
    ]


def test_seats_row_by_row(basic: Project) -> None:
    seats = basic.seats
    assert seats.name == ("front 1", "front 2", "front 3", "rear 1")
    assert seats.position_m.tolist() == [[3, 1, 1.1], [3, 2, 1.1], [3, 3, 1.1], [4.5, 2, 1.3]]
    assert seats.weight.tolist() == [2, 2, 2, 1]
    assert seats.row.tolist() == [0, 0, 0, 1]


def test_candidates_whichever_corner_comes_first(basic: Project) -> None:
    candidates = basic.candidates
    assert len(candidates) == 8
    assert candidates.position_m[0].tolist() == [0.3, 0.3, 0.3]
    assert candidates.mirror_of.tolist() == [7, 6, 5, 4, 3, 2, 1, 0]
    assert basic.zone_yields()[0].kept == 8


def test_text_and_fingerprint(basic: Project) -> None:
    assert basic.toml_text == BASIC
    assert basic.sha256 == hashlib.sha256(BASIC.encode()).hexdigest()
    assert basic.source == "basic.toml"


def test_layout_fills_its_lists() -> None:
    project = parse_project(BASIC + "[layout]\npositions_m = [[1, 1, 1], [2, 2, 2]]\ngain_db = [0, -3]\n", source="x")
    assert project.layout is not None
    assert project.layout.positions_m == ((1.0, 1.0, 1.0), (2.0, 2.0, 2.0))
    assert project.layout.gain_db == (0.0, -3.0)
    assert project.layout.delay_ms == (0.0, 0.0)
    assert project.layout.polarity == (1, 1)


def test_a_layout_is_enough_without_zones() -> None:
    text = BASIC[: BASIC.index("[[zones]]")] + "[layout]\npositions_m = [[1, 1, 1]]\n"
    assert len(parse_project(text, source="x").candidates) == 0


def test_subwoofer_limits_run_over_log_frequency() -> None:
    table = '[subwoofer]\nmax_level_1m_db = {"20" = 90, "40" = 100}\n'
    limit = parse_project(BASIC + table, source="x").subwoofer.max_level_1m_db
    assert limit is not None
    assert np.allclose(limit.at(np.array([10.0, 20.0, np.sqrt(800.0), 40.0, 90.0])), [90, 90, 95, 100, 100], rtol=1e-12)


def test_touching_regions_whose_edges_differ_by_rounding_do_not_overlap() -> None:
    pane = '[[regions]]\nwall = "right"\nfrom_m = [{}, 0.2]\nto_m = [{}, 2.0]\nconstruction = "glass pane 6 mm"\n'
    text = BASIC + pane.format("0.1", "0.30000000000000004") + pane.format("0.3", "2.0")
    assert len(visible(parse_project(text, source="x").surfaces())) > 4


def test_a_surface_may_cover_a_pane_whole() -> None:
    cover = '[[regions]]\nwall = "left"\nfrom_m = [1.0, 0.0]\nto_m = [3.0, 2.5]\nconstruction = "curtain"\n'
    project = parse_project(BASIC + cover, source="x")
    assert not any(isinstance(surface.law, Pane) for surface in visible(project.surfaces()))


@pytest.mark.parametrize("name", ["demo.toml", "starter.toml"])
def test_what_is_shipped_is_valid_and_within_the_schema(name: str) -> None:
    project = shipped(name)
    jsonschema.Draft202012Validator(project_schema()).validate(tomllib.loads(project.toml_text))
    assert project.layout is not None
    visible(project.surfaces())
    assert 0 < len(project.candidates) <= MAX_CANDIDATES


def test_demo_is_the_promised_room() -> None:
    demo = shipped("demo.toml")
    assert [len(row.y_m) for row in demo.rows] == [4, 3]
    assert demo.search.counts == (1, 2, 4)
    assert 40 <= len(demo.candidates) <= 60
    assert any(isinstance(surface.law, Pane) for surface in demo.surfaces())
    assert "invented" in demo.toml_text
    assert demo.screen is not None


def test_starter_shows_every_key() -> None:
    """Each key of each table stands in the starter, if only in a comment."""
    text = files("roommodes.project").joinpath("starter.toml").read_text(encoding="utf-8")
    schema = project_schema()
    tables = [schema["properties"], *(table["properties"] for table in schema["$defs"].values())]
    missing = {key for table in tables for key in table if key not in text}
    assert not missing


def test_schema_is_sound_and_says_what_each_key_is() -> None:
    schema = project_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    assert json.loads(json.dumps(schema)) == schema
    for name, table in schema["$defs"].items():
        for key, entry in table["properties"].items():
            assert entry.get("description") or key == "kind", f"{name}.{key} is not described"
            if key.endswith(("_m", "_db", "_ms", "_hz", "_kg_m2", "_pa", "_pa_m", "_c")):
                assert "[" in entry["description"] or "Hz" in entry["description"], f"{name}.{key} has no unit"


WRONG: list[tuple[str, Any]] = [
    ("room", {"length_m": 0.4, "width_m": 4, "height_m": 2}),
    ("room", {"length_m": "6", "width_m": 4, "height_m": 2}),
    ("walls", {"top": "brick"}),
    ("regions", [{"wall": 3, "from_m": [0, 0], "to_m": [1, 1], "construction": "brick"}]),
    ("regions", [{"wall": "left", "from_m": [0], "to_m": [1, 1], "construction": "brick"}]),
    ("search", {"counts": [0]}),
    ("search", {"counts": []}),
    ("search", {"counts": [1, 1]}),
    ("constructions", {"x": {"kind": "absorption", "alpha": {"63": 1.5}}}),
    ("subwoofer", {"max_level_1m_db": "loud"}),
]


@pytest.mark.parametrize(("key", "value"), WRONG)
def test_schema_refuses_what_the_tables_refuse(key: str, value: Any) -> None:
    tree = tomllib.loads(BASIC) | {key: value}
    assert not jsonschema.Draft202012Validator(project_schema()).is_valid(tree)
    with pytest.raises(ValueError, match="validation error"):
        ProjectTables.model_validate(tree)


def test_from_file_to_pressure(basic: Project) -> None:
    """The model takes what the project gives; walls and pane are heard."""
    asked: dict[str, Any] = {
        "frequency_hz": [28.6, 42.9],  # at the first two room modes
        "seat_m": basic.seats.position_m,
        "source_m": basic.candidates.position_m,
    }
    heard = transfer_function(basic.room, basic.surfaces(), **asked)
    rigid = transfer_function(basic.room, [], **asked)
    assert heard.shape == (2, 4, 8)
    assert np.all(np.isfinite(heard))
    assert np.all(np.abs(heard - rigid).max(axis=(1, 2)) > 0.1 * np.abs(rigid).max(axis=(1, 2)))
