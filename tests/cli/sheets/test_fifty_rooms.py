"""Drawings of fifty invented rooms by geometry: texts apart and on the sheet, all dimensioned, walls for themselves."""

import io
import re
from itertools import combinations

import ezdxf
import numpy as np
import pytest

from cli.drawing.dxf import sheets_dxf
from cli.drawing.extents import all_parts, bounds, extent, flat, meet, number_box, text_areas
from cli.drawing.objects import stances
from cli.drawing.papers import SheetWishes
from cli.drawing.primitives import LAYERS, WALL_PARTS, Block, Dimension, Label, Path, Ring, Sheet
from cli.drawing.sheet import MARGIN_MM, drawing_sheets
from cli.drawing.views import elevation, subs_at
from roommodes.plan.plan import Plan

from .invented_rooms import plan_of, room_text

SEEDS = range(50)
OPPOSITE = {"front": "rear", "rear": "front", "left": "right", "right": "left"}


@pytest.fixture(scope="module")
def drawn() -> list[tuple[Plan, tuple[Sheet, ...]]]:
    """Every room with its sheets at 1:50."""
    plans = [plan_of(room_text(seed)) for seed in SEEDS]
    return [(plan, drawing_sheets(plan, SheetWishes(scale=50.0))) for plan in plans]


def test_no_text_meets_another_and_none_leaves_the_sheet(drawn: list[tuple[Plan, tuple[Sheet, ...]]]) -> None:
    texts = 0
    for plan, sheets in drawn:
        for sheet in sheets:
            areas = text_areas(all_parts(sheet))
            texts += len(areas)
            for (words, area), (others, other) in combinations(areas, 2):
                assert not meet(area, other), f"{plan.project.name}: {words!r} meets {others!r}"
            low, high = np.array([area[0] for _, area in areas]), np.array([area[1] for _, area in areas])
            assert low.min() >= MARGIN_MM
            assert np.all(high.max(axis=0) <= np.array([sheet.width_mm, sheet.height_mm]) - MARGIN_MM)
    assert texts > 100 * len(drawn)


def test_no_dimension_covers_the_ring_about_a_letter(drawn: list[tuple[Plan, tuple[Sheet, ...]]]) -> None:
    rings = 0
    for plan, sheets in drawn:
        for sheet in sheets:
            parts = list(flat(all_parts(sheet)))
            numbers = [number_box(part) for part in parts if isinstance(part, Dimension)]
            for ring in (part for part in parts if isinstance(part, Ring) and part.layer == WALL_PARTS):
                low, high = extent(ring)
                rings += 1
                assert not any(meet((low, high), number) for number in numbers), plan.project.name
    assert rings > len(drawn)


def test_no_view_meets_another(drawn: list[tuple[Plan, tuple[Sheet, ...]]]) -> None:
    for _, sheets in drawn:
        for sheet in sheets:
            areas = []
            for placed in sheet.views:
                low, high = bounds(placed.view.parts)
                x, y = placed.at
                areas.append(((low[0] + x, low[1] + y), (high[0] + x, high[1] + y)))
            assert not any(meet(one, other) for one, other in combinations(areas, 2))


def test_views_are_spread_over_the_sheets(drawn: list[tuple[Plan, tuple[Sheet, ...]]]) -> None:
    """By their area, of the sheets after the plan's the emptiest against the fullest: 0.37 in the median if each view
    goes where there is room first."""
    ratios = []
    for _, sheets in drawn:
        areas = []
        for sheet in sheets[1:]:
            boxes = [bounds(one.view.parts) for one in sheet.views]
            areas.append(sum((high[0] - low[0]) * (high[1] - low[1]) for low, high in boxes))
        if len(areas) > 1:
            ratios.append(min(areas) / max(areas))
    assert len(ratios) > 20
    assert np.median(ratios) > 0.7


def test_each_sub_and_row_is_dimensioned_in_each_view(drawn: list[tuple[Plan, tuple[Sheet, ...]]]) -> None:
    """Both coordinates of every block of a view are the end of a dimension along that axis."""
    found = 0
    for plan, sheets in drawn:
        for placed in (one for sheet in sheets for one in sheet.views):
            ends = {
                axis: {
                    round(end[axis], 3)
                    for part in placed.view.parts
                    if isinstance(part, Dimension) and part.axis == axis
                    for end in (part.start, part.end)
                }
                for axis in (0, 1)
            }
            for part in placed.view.parts:
                if isinstance(part, Block) and not placed.title.startswith("Detail"):
                    for axis in (0, 1):
                        assert round(part.at[axis], 3) in ends[axis], (plan.project.name, placed.title, part.attributes)
                    found += 1
    assert found > 900


def test_every_sub_is_on_the_wall_that_it_stands_at_and_on_no_other() -> None:
    """The nearest wall by hand; a wall further off than 0.3 m and than the nearest shows nothing of it."""
    for seed in SEEDS[:10]:
        plan = plan_of(room_text(seed))
        length, width, _ = plan.project.room.size_m
        for sub in stances(plan):
            gaps = {
                "front": sub.low_m[0],
                "rear": length - sub.high_m[0],
                "left": sub.low_m[1],
                "right": width - sub.high_m[1],
            }
            shown = {wall for wall in gaps if sub.number in {one.number for one in subs_at(plan, wall)}}
            nearest = min(gaps, key=lambda wall: gaps[wall])
            assert nearest in shown
            assert all(gaps[wall] <= max(0.3, gaps[nearest]) + 1e-6 for wall in shown)


def test_an_elevation_holds_nothing_of_the_wall_behind_the_onlooker() -> None:
    plan = plan_of(room_text(3))
    for wall, behind in OPPOSITE.items():
        numbers = {
            dict(part.attributes).get("SUB")
            for part in elevation(plan, 50.0, wall).parts
            if isinstance(part, Block) and part.kind == "SUB"
        }
        only_behind = {str(sub.number) for sub in subs_at(plan, behind)} - {
            str(sub.number) for sub in subs_at(plan, wall)
        }
        assert not numbers & only_behind


def test_the_dxf_holds_blocks_about_the_rooms_origin_and_a_window_for_each_view() -> None:
    """Cabinets and seats with attributes in the plan, at their places in millimetres from the front left corner."""
    plan = plan_of(room_text(7))
    sheets = drawing_sheets(plan, SheetWishes(scale=50.0))
    document = ezdxf.read(io.StringIO(sheets_dxf(sheets).decode()))
    audit = document.audit()
    assert not audit.errors
    inserts = [one for one in document.modelspace().query("INSERT") if one.dxf.insert.y >= 0.0]  # views lie below
    subs = {one.get_attrib_text("SUB"): one for one in inserts if one.has_attrib("SUB")}
    assert len(subs) == plan.subs
    for number, position in enumerate(plan.positions_m, start=1):
        insert = subs[str(number)]
        np.testing.assert_allclose((insert.dxf.insert.x, insert.dxf.insert.y), 1e3 * position[:2], atol=1e-6)
        assert float(insert.get_attrib_text("Z_MM")) == pytest.approx(1e3 * position[2], abs=0.5)
        assert insert.get_attrib_text("NAME") == "box"
    seats = [one for one in inserts if one.has_attrib("ROW")]
    assert len(seats) == len(plan.seats)
    names = [name for name in document.layout_names() if name != "Model"]
    assert names == [f"Sheet {number}" for number in range(1, len(sheets) + 1)]
    for name, sheet in zip(names, sheets, strict=True):
        windows = [one for one in document.layout(name).query("VIEWPORT") if one.dxf.id != 1]
        scales = [one.dxf.view_height / one.dxf.height for one in windows]
        assert scales == pytest.approx([placed.view.scale for placed in sheet.views])
    assert all(layer.description for layer in document.layers if layer.dxf.name not in {"0", "Defpoints"})


def test_the_legend_names_the_layers_that_are_drawn_and_no_other(drawn: list[tuple[Plan, tuple[Sheet, ...]]]) -> None:
    for plan, sheets in drawn:
        parts = [part for sheet in sheets for placed in sheet.views for part in flat(placed.view.parts)]
        on_lines = {part.layer.name for part in parts if isinstance(part, Path | Ring)}
        texts = [part.text for sheet in sheets for part in sheet.parts if isinstance(part, Label)]
        start = texts.index("Lines, by layer in CAD") + 1
        named = set(re.findall(r"\b[A-Z][A-Z_]{3,}\b", " ".join(texts[start : start + 8])))
        known = {layer.name for layer in LAYERS}
        assert named & known == on_lines, plan.project.name


UNDER_A_ROOF = """
format = 1
name = "under a roof"
[room]
length_m = 5.2
width_m = 4.0
height_m = 2.2
[[slopes]]
name = "roof"
along = "y"
from_m = [0.0, 1.15]
to_m = [1.6, 2.2]
[[rows]]
name = "sofa"
x_m = 3.1
y_m = [1.9, 2.6]
ear_height_m = 1.05
[screen]
width_m = 1.8
foot_m = 0.7
[[zones]]
name = "knee wall"
from_m = [1.0, 0.31, 0.0]
to_m = [4.0, 0.31, 0.0]
spacing_m = 0.5
stands = "floor"
[subwoofer]
name = "box"
cabinet_m = [0.42, 0.36, 0.44]
[layout]
positions_m = [[2.0, 0.31, 0.22], [0.31, 3.2, 0.22]]
"""


def test_slopes_are_dimensioned_and_the_screen_has_its_name() -> None:
    """Heights of a slope's ends in each elevation and the section, its place along the floor in the plan."""
    sheets = drawing_sheets(plan_of(UNDER_A_ROOF), SheetWishes(scale=50.0))
    views = [one for sheet in sheets for one in sheet.views if not one.title.startswith("Detail")]
    assert len(views) >= 4
    for placed in views:
        numbers = {(part.axis, part.text) for part in placed.view.parts if isinstance(part, Dimension)}
        assert ((1, "1600") if placed.title.startswith("Plan") else (1, "1150")) in numbers, placed.title
        names = {part.text for part in placed.view.parts if isinstance(part, Label)}
        if placed.title.startswith(("Plan", "Section", "Elevation: front")):
            assert "screen" in names, placed.title
