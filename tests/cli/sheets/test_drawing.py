"""drawing: to scale, dimensions of the plan, layers and units that CAD programs read, harmless texts."""

import io
import json
import os
import re
import subprocess
import sys
import time
from dataclasses import replace
from itertools import combinations
from pathlib import Path
from xml.etree import ElementTree

import ezdxf
import numpy as np
import pytest

from cli.drawing.dimensions import Measure, dimension_rows
from cli.drawing.dxf import harmless, sheets_dxf
from cli.drawing.extents import all_parts, meet, text_areas
from cli.drawing.objects import stances
from cli.drawing.papers import PAPERS, SheetWishes
from cli.drawing.primitives import Dimension, Label
from cli.drawing.primitives import Path as Line
from cli.drawing.sheet import below_working_scale, drawing_sheets
from cli.drawing.views import elevation, plan_view, section, walls_to_show
from cli.figures.lettering import SMALL_MM, text_width
from cli.terminal.plan_options import choose_plan
from cli.words.wall_parts import wall_parts
from roommodes.errors import ProjectInvalid
from roommodes.lengths import METRIC, Lengths
from roommodes.project.reading import parse_project

from .conftest import project_text, results_of
from .dxf_again import drawn_boxes, words_of
from .invented_rooms import plan_of, room_text

ROOT = Path(__file__).parents[3]
ROOM_MM = (5200.0, 4000.0, 2500.0)


def read_dxf(path: Path) -> ezdxf.document.Drawing:
    return ezdxf.readfile(path)


def test_the_dxf_opens_clean_with_units_and_named_layers(run, plan_file: Path) -> None:
    assert run("drawing", plan_file, "-o", "d.dxf").exit_code == 0
    drawing = read_dxf(Path("d.dxf"))
    audit = drawing.audit()
    assert not audit.errors
    assert not audit.fixes
    assert drawing.header["$INSUNITS"] == 4  # millimetres, DXF reference
    assert drawing.header["$MEASUREMENT"] == 1  # metric
    layers = {layer.dxf.name for layer in drawing.layers}
    assert {
        "WALLS",
        "GLASS",
        "KEEP_OUTS",
        "SEATS",
        "SUBS",
        "SUB_CLEARANCE",
        "SUB_VENTILATION",
        "DIMENSIONS",
        "TEXT",
        "FRAME",
    } <= layers
    used = {entity.dxf.layer for entity in drawing.modelspace()}
    assert "0" not in used
    assert used <= layers


def test_the_dxf_is_the_same_bytes_twice(plan_file: Path, tmp_path: Path) -> None:
    """In two processes with other hash seeds, in two seconds of the clock: it holds no time and no random mark."""
    made = []
    for number in ("1", "2"):
        subprocess.run(
            [sys.executable, "-m", "cli.main", "drawing", str(plan_file), "-o", f"{number}.dxf", "-q"],
            cwd=tmp_path,
            env={**os.environ, "PYTHONHASHSEED": number, "PYTHONPATH": str(ROOT)},
            check=True,
        )
        made.append((tmp_path / f"{number}.dxf").read_bytes())
        time.sleep(1.1)
    assert made[0] == made[1] != b""


def test_dxf_dimensions_are_the_plans(run, plan_file: Path) -> None:
    """Every dimension's own geometry, measured anew by ezdxf, to half a millimetre, against the project."""
    assert run("drawing", plan_file, "--subs", 4, "-o", "d.dxf").exit_code == 0
    measured = [entity.get_measurement() for entity in read_dxf(Path("d.dxf")).modelspace().query("DIMENSION")]
    plan = choose_plan(plan_file, subs=4)
    must, may = [*ROOM_MM], []
    for sub in stances(plan):
        for axis, size in enumerate(ROOM_MM):
            centre, low, high = (1e3 * corner[axis] for corner in (sub.centre_m, sub.low_m, sub.high_m))
            must.append(high - low)
            (near, far) = ((centre, low), (size - centre, size - high))
            must += far if axis < 2 and centre > size / 2 else near
            may += [*near, *far]  # an elevation counts from its own ends
    must += [1100.0, 1300.0]  # ears
    must += [60.0, 70.0]  # before driver or port, and behind for ventilation
    must += [2600.0, 4000.0, 1200.0, 1500.0, 800.0, 1000.0]  # rows from the front wall, first seats, seat to seat
    must += [2400.0]  # screen
    must += [1500.0, 2000.0, 200.0, 900.0, 2050.0, 300.0]  # glass and door: sides, from the near end, sill
    may += [1000.0, 2700.0, 2900.0]  # glass and door from either end
    for value in must:
        assert min(abs(value - one) for one in measured) <= 0.5, f"{value} mm is not dimensioned"
    for one in measured:
        assert min(abs(value - one) for value in (*must, *may)) <= 0.5, f"{one} mm is nothing of the plan's"


def test_cabinets_in_the_dxf_stand_where_the_plan_says(run, plan_file: Path) -> None:
    """Blocks of the plan view, from the front left corner, which is the model's origin."""
    assert run("drawing", plan_file, "--subs", 4, "-o", "d.dxf").exit_code == 0
    model = read_dxf(Path("d.dxf")).modelspace()
    walls = [np.array(entity.get_points("xy")) for entity in model.query('LWPOLYLINE[layer=="WALLS"]')]
    assert any(np.allclose(box.min(axis=0), 0.0) and np.allclose(box.max(axis=0), ROOM_MM[:2]) for box in walls)
    found = drawn_boxes(model, "SUBS")
    for sub in stances(choose_plan(plan_file, subs=4)):
        low, high = 1e3 * np.array(sub.low_m[:2]), 1e3 * np.array(sub.high_m[:2])
        assert any(np.allclose(a, low, atol=0.5) and np.allclose(b, high, atol=0.5) for a, b in found)


@pytest.mark.parametrize("subs", [1, 2, 4])
def test_no_label_runs_into_another(make_plan, subs: int) -> None:
    """No text or number of any view meets another, at a scale to work from."""
    plan = choose_plan(make_plan(), subs=subs)
    for view in (plan_view(plan, 25.0), *(elevation(plan, 25.0, wall) for wall in walls_to_show(plan))):
        for (words, area), (others, other) in combinations(text_areas(view.parts), 2):
            assert not meet(area, other), f"{words!r} meets {others!r}"


def test_the_scale_is_one_to_build_from_or_it_is_told(run, plan_file: Path) -> None:
    """On its own it never goes under 1:50 while a paper holds that; on paper that is given it may, and says so."""
    plan = choose_plan(plan_file)
    project = parse_project(project_text().replace("length_m = 5.2", "length_m = 23"), source="t")
    long = replace(plan, results=replace(plan.results, project=project))
    sheets = drawing_sheets(long, SheetWishes())
    assert sheets[0].scale <= 50.0
    assert not below_working_scale(sheets, METRIC)
    small = drawing_sheets(long, SheetWishes(paper="A3"))
    assert small[0].scale > 50.0
    assert "1:100 is smaller than 1:50" in below_working_scale(small, METRIC)
    said = run("drawing", plan_file, "-o", "d.svg", "--scale", 100, "--json")
    assert "1:100 is smaller" in json.loads(said.stdout)["warnings"][0]


def test_svg_has_a_file_for_each_sheet(run, plan_file: Path) -> None:
    """None is replaced without --force, and none is written when one of them is there."""
    said = json.loads(run("drawing", plan_file, "--subs", 2, "-o", "d.svg", "--json").stdout)
    assert len(said["files"]) == said["sheets"] > 1
    assert sorted(path.name for path in Path().iterdir()) == sorted(said["files"])
    Path("d.svg").unlink()
    again = run("drawing", plan_file, "--subs", 2, "-o", "d.svg")
    assert again.exit_code != 0
    assert "d-2.svg" in again.stderr
    assert not Path("d.svg").exists()


def test_numbers_shown_in_the_dxf_are_whole_millimetres(run, plan_file: Path) -> None:
    assert run("drawing", plan_file, "--subs", 2, "-o", "d.dxf").exit_code == 0
    drawing = read_dxf(Path("d.dxf"))
    for dimension in drawing.modelspace().query("DIMENSION"):
        texts = [entity.dxf.text for entity in drawing.blocks.get(dimension.dxf.geometry).query("TEXT")]
        texts += [entity.plain_text() for entity in drawing.blocks.get(dimension.dxf.geometry).query("MTEXT")]
        assert texts == [f"{dimension.get_measurement():.0f}"]


def test_a_false_wall_goes_across_the_room_in_plan_and_section() -> None:
    """At 0.6 m, 12 mm on paper at 1:50, from wall to wall, and from floor to ceiling."""
    text = room_text(3).replace("[screen]\n", "[screen]\ndistance_m = 0.6\nfalse_wall = true\n")
    plan = plan_of(text)
    for view, size in ((plan_view(plan, 50.0), plan.project.room.width_m), (section(plan, 50.0), 0.0)):
        (line,) = [part for part in view.parts if isinstance(part, Line) and part.layer.name == "FALSE_WALL"]
        across = size or plan.project.room.height_m
        assert [x for x, _ in line.points] == pytest.approx([12.0, 12.0])
        assert sorted(y for _, y in line.points) == pytest.approx([0.0, 20.0 * across])
        assert "FALSE WALL" in dict(text_areas(view.parts))
    with pytest.raises(ProjectInvalid, match="false_wall is true at no distance"):
        plan_of(text.replace("distance_m = 0.6\n", ""))


def test_lettering_is_legible_at_the_scale(plan_file: Path) -> None:
    """At least 2.5 mm on paper, but for the numbers in heads."""
    plan = choose_plan(plan_file)
    sheets = drawing_sheets(plan, SheetWishes(scale=50.0))
    for part in (one for sheet in sheets for one in all_parts(sheet)):
        assert not isinstance(part, Label) or part.text.isdigit() or part.height >= SMALL_MM
    document = ezdxf.read(io.StringIO(sheets_dxf(sheets).decode()))
    for scale in (50.0, 10.0):
        assert document.dimstyles.get(f"ROOM_{scale:g}").dxf.dimtxt == SMALL_MM * scale


def test_a_sub_stands_in_the_room_and_faces_a_way_that_is_free(plan_file: Path) -> None:
    plan = choose_plan(plan_file, subs=4)
    for sub in stances(plan):
        assert all(low >= 0.0 for low in sub.clear_low_m)
        assert all(high <= size / 1e3 for high, size in zip(sub.clear_high_m, ROOM_MM, strict=True))
        assert sub.faces == ("rear" if sub.centre_m[0] < 1.0 else "front")
        middle = (np.array(sub.low_m) + np.array(sub.high_m)) / 2
        np.testing.assert_allclose(middle, sub.centre_m, atol=1e-9)


def test_pdf_and_svg_have_the_papers_true_size(run, plan_file: Path) -> None:
    assert run("drawing", plan_file, "-o", "d.pdf", "--paper", "a2").exit_code == 0
    box = re.search(rb"/MediaBox \[ *0 0 ([\d.]+) ([\d.]+) *\]", Path("d.pdf").read_bytes())
    assert box
    points = [float(box[1]), float(box[2])]
    np.testing.assert_allclose(points, np.array(PAPERS["A2"]) / 25.4 * 72, atol=0.2)
    assert run("drawing", plan_file, "-o", "d.svg").exit_code == 0
    root = ElementTree.fromstring(Path("d.svg").read_text())
    assert float(root.get("width", "0pt")[:-2]) == pytest.approx(420 / 25.4 * 72, abs=0.2)


def test_the_scale_on_paper_is_true(plan_file: Path) -> None:
    """Points of every dimension lie value / scale apart on the sheet."""
    plan = choose_plan(plan_file)
    for scale in (50.0, 100.0):
        sheets = drawing_sheets(plan, SheetWishes(scale=scale))
        views = [placed.view for sheet in sheets for placed in sheet.views]
        assert {view.scale for view in views} == {scale, 10.0}
        for view in views:
            for one in (part for part in view.parts if isinstance(part, Dimension)):
                assert abs(one.end[one.axis] - one.start[one.axis]) * view.scale == pytest.approx(
                    one.value_mm, abs=1e-6
                )
        for sheet in sheets:
            for part in (one for one in all_parts(sheet) if isinstance(one, Dimension)):
                assert 0 < part.line_at < (sheet.height_mm if part.axis == 0 else sheet.width_mm)


@pytest.mark.parametrize("suffix", [".svg", ".pdf", ".dxf"])
def test_sheets_are_the_same_every_time(run, plan_file: Path, suffix: str) -> None:
    for name in ("a", "b"):
        assert run("drawing", plan_file, "-o", name + suffix, "-q").exit_code == 0
    assert Path("a" + suffix).read_bytes() == Path("b" + suffix).read_bytes()


def test_numbers_on_one_line_never_meet() -> None:
    rng = np.random.default_rng(5)
    measures = []
    for _ in range(30):
        start, length = rng.uniform(0, 100), rng.uniform(0.5, 30) * rng.choice([-1, 1])
        measures.append(Measure(start=(start, 0.0), end=(start + length, 0.0), value_mm=abs(length) * 50))
    placed, after = dimension_rows(measures, axis=0, first_at=-9.0, outward=-1, taken=[])
    assert len(placed) == 30
    assert after < -9.0
    for one in placed:
        for other in placed:
            if one is not other and one.line_at == other.line_at:
                (a, b), (c, d) = (sorted((m.start[0], m.end[0])) for m in (one, other))
                assert b <= c + 1e-9 or d <= a + 1e-9
                assert abs(one.text_at - other.text_at) > SMALL_MM


@pytest.mark.parametrize("suffix", [".svg", ".pdf", ".dxf"])
def test_hostile_names_are_drawn_as_text(run, make_plan, suffix: str) -> None:
    name = r"<script>alert(1)</script> %%c ^J \\U+202E $x_1$ "
    plan = make_plan(NAME=name, ROW=name, ZONE=name, KEEPOUT=name)
    assert run("drawing", plan, "-o", "d" + suffix).exit_code == 0
    if suffix == ".svg":
        root = ElementTree.fromstring(Path("d.svg").read_text())
        assert not [element for element in root.iter() if element.tag.endswith("script")]
    if suffix == ".dxf":
        texts = words_of(read_dxf(Path("d.dxf")))
        assert any(text.startswith("<script>alert(1)") for text in texts)
        assert not any("%%" in text or "\\U+" in text for text in texts)


def test_the_title_block_names_client_designer_and_number() -> None:
    """In rows of their own, under the name and over what was there before; without [title] nothing moves."""
    title = '[title]\nclient = "The owners of 4 Quarry Lane"\ndesigner = "Studio North"\ndrawing_number = "A-104"\n'
    results = [results_of(project_text().replace("[room]", room, 1)) for room in ("[room]", title + "[room]")]
    bare, full = (drawing_sheets(found.plan(2, 1), SheetWishes(paper="A2"))[0] for found in results)
    texts = {part.text: part for part in full.parts if isinstance(part, Label)}
    before = {part.text: part for part in bare.parts if isinstance(part, Label)}
    number = texts["Drawing: A-104"]
    assert texts["Client: The owners of 4 Quarry Lane"].at[1] == number.at[1]
    assert texts["Designer: Studio North"].at[1] < number.at[1]
    assert texts["Designer: Studio North"].at[1] > next(p for t, p in texts.items() if t.startswith("Scale 1:")).at[1]
    assert not any(text.startswith(("Client", "Designer", "Drawing:")) for text in before)
    assert texts["Attic cinema"].at[1] > number.at[1]
    assert texts["Revision A"].at == before["Revision A"].at


def test_texts_hold_no_codes_of_cad_programs() -> None:
    assert harmless("50 %%d ^I a\u202eb\nc \\P") == "50 % %d ^ I a\\ u202eb\\ nc \\ P"


def test_larger_paper_never_means_a_smaller_scale(plan_file: Path) -> None:
    plan = choose_plan(plan_file)
    scales = [drawing_sheets(plan, SheetWishes(paper=paper))[0].scale for paper in ("A3", "A1", "A0")]
    assert scales == sorted(scales, reverse=True)
    assert len(wall_parts(plan.project)) == 2


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (["-o", "d.dwg"], 2, "got '.dwg'; allowed: .pdf, .svg, .dxf"),
        (["-o", "d.pdf", "--paper", "B5"], 2, "got 'B5'; allowed: A3, A2, A1, A0, A4, LETTER"),
        (["-o", "d.pdf", "--scale", 0], 2, "allowed: 1 to 1000"),
        (["-o", "d.pdf", "--paper", "A3", "--scale", 5], 3, "do not fit on A3 at 1:5"),
    ],
)
def test_faults(run, plan_file: Path, arguments: list[object], code: int, words: str) -> None:
    result = run("drawing", plan_file, *arguments)
    assert result.exit_code == code
    assert words in " ".join(result.stderr.split())
    assert not list(Path().iterdir())


@pytest.mark.parametrize("x_m", [0.5, 4.9])
@pytest.mark.parametrize("feet", [False, True])
def test_a_row_by_a_wall_has_its_name_inside_the_room(x_m: float, feet: bool) -> None:
    """Clear of the wall's own name as well; the sheet's plan begins at the front wall, and is 5.2 m long."""
    plan = results_of(project_text().replace("x_m = 4.0", f"x_m = {x_m}")).plan(2, 1)
    view = plan_view(plan, 50.0, Lengths(feet=feet))
    labels = {part.text: part for part in view.parts if isinstance(part, Label)}
    (words,) = [text for text in labels if text.startswith("row back, ears")]
    half = text_width(words) / 2.0
    assert half + 3.0 < labels[words].at[0] < 5200.0 / 50.0 - half - 3.0
    assert not any(text.startswith("row row") for text in labels)
