"""Cabinets of main loudspeakers on the sheets: at their places, dimensioned, no text over another, and in CAD."""

import io
from itertools import combinations

import ezdxf
import pytest

from cli.drawing.dxf import sheets_dxf
from cli.drawing.extents import all_parts, meet, text_areas
from cli.drawing.papers import SheetWishes
from cli.drawing.primitives import MAINS, Block, Dimension, Path, Sheet
from cli.drawing.sheet import drawing_sheets
from cli.drawing.views import elevation, plan_view, section, walls_to_show
from roommodes.plan.plan import Plan

from .invented_rooms import plan_of

TEXT = """\
format = 1
name = "Mains"
[room]
length_m = 5.6
width_m = 4.4
height_m = 2.5
[[rows]]
name = "front"
x_m = 3.3
y_m = [1.2, 2.2, 3.2]
ear_height_m = 1.1
[screen]
width_m = 2.0
aspect = 2
foot_m = 0.7
distance_m = 0.7
[subwoofer]
cabinet_m = [0.42, 0.36, 0.44]
[mains]
positions_m = [[0.45, 0.7, 0.9], [0.3, 2.2, 0.5], [0.45, 3.7, 0.9]]
cabinets_m = [[0.36, 0.24, 1.1], [0.3, 0.6, 0.3], [0.36, 0.24, 1.1]]
aim_deg = [15, 0, -15]
acoustic_centre_m = [0.1, 0, -0.1]
[layout]
positions_m = [[0.31, 1.4, 0.22], [5.3, 3.4, 0.22]]
"""


@pytest.fixture(scope="module")
def plan() -> Plan:
    return plan_of(TEXT)


def bodies(sheet: Sheet) -> dict[str, tuple[tuple[float, float], ...]]:
    """The outline of each main loudspeaker's cabinet, by its name."""
    found = {}
    for part in sheet.parts:
        if isinstance(part, Block) and part.kind == "MAIN":
            outline = part.parts[0]
            assert isinstance(outline, Path)
            assert outline.layer == MAINS
            found[dict(part.attributes)["NAME"]] = outline.points
    return found


def test_each_is_drawn_to_scale_as_it_is_turned(plan: Plan) -> None:
    above = bodies(plan_view(plan, 50.0))
    assert list(above) == ["main 1", "main 2", "main 3"]
    for body, points in zip(plan.project.mains_bodies, above.values(), strict=True):
        assert [tuple(20.0 * value for value in corner) for corner in body.corners_m] == [
            pytest.approx(point) for point in points
        ]
    assert above["main 2"][0][0] - above["main 2"][2][0] == pytest.approx(20.0 * 0.3)
    for view in (elevation(plan, 50.0, "front"), section(plan, 50.0)):
        for body, points in zip(plan.project.mains_bodies, bodies(view).values(), strict=True):
            heights = {round(y, 6) for _, y in points}
            assert heights == {round(20.0 * body.low[2], 6), round(20.0 * body.high[2], 6)}


def test_heights_and_square_ones_are_dimensioned(plan: Plan) -> None:
    front = elevation(plan, 50.0, "front")
    shown = {round(part.value_mm) for part in front.parts if isinstance(part, Dimension) and part.axis == 1}
    assert {1100, 450, 300} <= shown  # heights of both sizes, and the foot of the tall ones
    across = {
        round(part.value_mm) for part in plan_view(plan, 50.0).parts if isinstance(part, Dimension) and part.axis == 1
    }
    assert 600 in across  # the middle one's width


def test_no_text_meets_another_and_the_list_tells_the_cabinets(plan: Plan) -> None:
    texts: list[str] = []
    for sheet in drawing_sheets(plan, SheetWishes(scale=50.0)):
        areas = text_areas(all_parts(sheet))
        texts += [words for words, _ in areas]
        for (words, area), (others, other) in combinations(areas, 2):
            assert not meet(area, other), f"{words!r} meets {others!r}"
    whole = " ".join(texts)
    assert "woofer 450 from front wall, 700 from left wall, 900 above floor" in whole
    assert "cabinet 360 x 240 x 1100 (deep, wide, high), foot 450 above floor, turned 15 deg" in whole
    assert "front" in walls_to_show(plan)


def test_they_are_blocks_in_cad(plan: Plan) -> None:
    document = ezdxf.read(io.StringIO(sheets_dxf(drawing_sheets(plan, SheetWishes(scale=50.0))).decode()))
    assert not document.audit().errors
    inserts = [one for one in document.modelspace().query("INSERT") if one.dxf.insert.y >= 0.0]
    mains = {one.get_attrib_text("NAME"): one for one in inserts if one.dxf.layer == "MAINS"}
    assert sorted(mains) == ["main 1", "main 2", "main 3"]
    assert tuple(mains["main 1"].dxf.insert)[:2] == pytest.approx((450.0, 700.0))
    drawn = document.blocks[mains["main 1"].dxf.name]
    assert max(len(list(one.get_points())) for one in drawn.query("LWPOLYLINE")) == 4
