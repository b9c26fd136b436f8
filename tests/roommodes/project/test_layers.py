"""Layers in project files: read, refused, warned of, and where glass is told although it is a whole wall or covered."""

import numpy as np
import pytest

from roommodes.acoustics.layering.layers import Layered
from roommodes.acoustics.plates.panes import Pane, Plate
from roommodes.acoustics.transfer import transfer_function
from roommodes.acoustics.visible_surfaces import visible
from roommodes.acoustics.wall_laws import Porous
from roommodes.errors import ProjectInvalid
from roommodes.project.advice import project_warnings
from roommodes.project.glass import glass_area_m2, glass_of
from roommodes.project.project import Project
from roommodes.project.reading import parse_project, project_schema
from tests.conftest import Close

ROOM = """
format = 1
name = "x"
room = {length_m = 5, width_m = 4, height_m = 2.5}
rows = [{name = "a", x_m = 3, y_m = [2], ear_height_m = 1.1}]
layout = {positions_m = [[1, 1, 1]]}
"""
WINDOW = '[[regions]]\nwall = "left"\nfrom_m = [1, 0.3]\nto_m = [3, 2.2]\nconstruction = '
BEFORE = '["curtain", "glass pane 6 mm"]'
OVER = '[[regions]]\nwall = "left"\nfrom_m = [0.5, 0]\nto_m = [3.5, 2.5]\nconstruction = "curtain"\n'
DOOR = '[[regions]]\nwall = "left"\nfrom_m = [3.6, 0]\nto_m = [4.5, 2.1]\nconstruction = "door"\n'


def read(text: str) -> Project:
    return parse_project(ROOM + text, source="room.toml")


def said(text: str) -> str:
    """Its faults in one text."""
    with pytest.raises(ProjectInvalid) as caught:
        read(text)
    return "\n".join(f"{fault.where}: {fault.message}" for fault in caught.value.faults)


def test_layers_before_a_pane_leave_it_a_pane() -> None:
    (surface,) = read(WINDOW + BEFORE).surfaces()
    assert isinstance(surface.law, Pane)
    assert isinstance(surface.law.front[0], Porous)
    assert surface.name == "curtain before glass pane 6 mm, left wall (regions[0])"


def test_layers_before_a_wall_are_one_wall() -> None:
    rear, floor = read('walls = {rear = ["curtain", "brick"], floor = ["carpet", "rigid"]}').surfaces()
    assert isinstance(rear.law, Layered)
    assert isinstance(floor.law, Layered)


def test_a_list_of_one_is_that_one_and_layers_of_nothing_but_rigid_are_rigid() -> None:
    assert read('walls = {rear = ["brick"]}').surfaces() == read('walls = {rear = "brick"}').surfaces()
    assert read('walls = {rear = "rigid"}').surfaces() == ()


def test_what_is_wrong_with_layers_is_told() -> None:
    assert "got 0 layers; allowed: 1 to 6" in said("walls = {rear = []}")
    assert "allowed: a construction's name, or a list of names" in said('walls = {rear = ["brick", 3]}')
    assert "allowed: a construction's name, or a list of names" in said("walls = {rear = 3}")
    assert 'regions[0].construction: there is no construction "curtian". Did you mean "curtain"?' in said(
        WINDOW + '["curtian", "glass pane 6 mm"]'
    )
    text = said('walls = {rear = ["brick", "curtain"], left = ["glass pane 6 mm", "brick"]}')
    assert 'walls.rear: the "brick" is of the kind absorption, which cannot lie before another layer' in text
    assert 'walls.left: the "glass pane 6 mm" is of the kind pane' in text


def test_the_schema_has_lists() -> None:
    walls = project_schema()["$defs"]["WallsTable"]["properties"]["rear"]
    assert [one["type"] for one in walls["anyOf"]] == ["string", "array"]


def test_a_curtain_over_glass_is_warned_of_and_one_before_it_is_not() -> None:
    over = project_warnings(read(WINDOW + '"glass pane 6 mm"\n' + OVER))
    assert any("curtain, left wall (regions[1]): lies over glass pane 6 mm, left wall (regions[0])" in w for w in over)
    for text in (WINDOW + BEFORE, WINDOW + '"glass pane 6 mm"\n' + OVER.replace('"curtain"', BEFORE)):
        assert not any("lies over" in warning for warning in project_warnings(read(text)))


def test_a_door_in_a_wall_of_glazing_makes_panes_and_says_so() -> None:
    """Files of before, when such glass did not bend, still open."""
    for name in ("single glazing", "double glazing"):
        project = read(f'walls = {{left = "{name}"}}\n{DOOR}')
        told = [warning for warning in project_warnings(project) if "covers part of it" in warning]
        assert len(told) == 1
        assert "3 plates of 3.60 x 2.50, 0.50 x 2.50, 0.90 x 0.40 m" in told[0]
        glass = [one for one in visible(project.surfaces()) if isinstance(one.law, Plate) and one.law.glass]
        assert len(glass) == 3
        assert glass_area_m2(project) == pytest.approx(12.5 - 0.9 * 2.1)


def test_a_pane_is_not_cut() -> None:
    half = OVER.replace("[0.5, 0]", "[2, 0]")
    assert "half a plate cannot be kept" in said(WINDOW + '"glass pane 6 mm"\n' + half)


@pytest.mark.parametrize(
    "text",
    [
        'walls = {left = "single glazing"}',
        'walls = {rear = "double glazing"}',
        'walls = {ceiling = "glass pane 10 mm"}',
        WINDOW + BEFORE,
        'walls = {left = ["curtain", "double glazing"]}',
        'walls = {left = "shop glazing"}\n[constructions."shop glazing"]\nkind = "impedance"\nmass_kg_m2 = 15',
    ],
)
def test_any_glass_is_known_as_glass(text: str) -> None:
    assert glass_of(read(text))


def test_no_glass_is_told_where_there_is_none() -> None:
    assert not glass_of(read('walls = {left = "brick", rear = ["curtain", "plasterboard on studs"]}\n' + DOOR))


def test_a_covered_pane_keeps_reciprocity(close: Close) -> None:
    project = read('walls = {rear = ["porous absorber", "plasterboard on studs"]}\n' + WINDOW + BEFORE)
    places = [[1.1, 0.9, 1.2], [3.7, 2.9, 0.4]]
    hz = np.array([24.0, 47.0, 93.0])
    there, back = (
        transfer_function(project.room, project.surfaces(), frequency_hz=hz, seat_m=[a], source_m=[b])
        for a, b in (places, places[::-1])
    )
    close(there, back, 1e-6)
