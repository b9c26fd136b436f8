"""drawing: to scale, dimensions of the plan, layers and units that CAD programs read, harmless texts."""

import io
import os
import re
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import ezdxf
import numpy as np
import pytest

from cli.drawing.dxf import harmless, sheet_dxf
from cli.drawing.objects import free_faces, stances, wall_parts
from cli.drawing.primitives import Dimension, Label, Measure, dimension_rows
from cli.drawing.sheet import PAPERS, SheetWishes, drawing_sheet, plan_alone
from cli.drawing.views import bounds, elevation, plan_view, walls_to_show
from cli.figures.lettering import SMALL_MM, text_width
from cli.terminal.plan_options import choose_plan
from roommodes.lengths import Lengths
from roommodes.plan.file import write_results
from roommodes.project.reading import parse_project
from tests.rooms import SMALL

from .conftest import project_text, results_of

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
    (page,) = (name for name in drawing.layout_names() if name != "Model")
    window = next(v for v in drawing.layout(page).query("VIEWPORT") if v.dxf.id != 1)
    assert window.dxf.view_height / window.dxf.height == pytest.approx(float(page.split()[-1]))


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
    """Every dimension's own geometry, measured anew by ezdxf, to half a millimetre."""
    assert run("drawing", plan_file, "--subs", 4, "-o", "d.dxf").exit_code == 0
    measured = [entity.get_measurement() for entity in read_dxf(Path("d.dxf")).modelspace().query("DIMENSION")]
    plan = choose_plan(plan_file, subs=4)
    wanted = [*ROOM_MM]
    for sub in stances(plan):
        for axis, size in enumerate(ROOM_MM):
            centre, low, high = (1e3 * corner[axis] for corner in (sub.centre_m, sub.low_m, sub.high_m))
            if axis < 2 and centre > size / 2:
                centre, low, high = size - centre, size - high, size - low
            wanted += [centre, low, high - low]
    wanted += [1100.0, 1300.0]  # ears
    wanted += [60.0, 70.0]  # before driver or port, and behind for ventilation
    for value in wanted:
        assert min(abs(value - one) for one in measured) <= 0.5, f"{value} mm is not dimensioned"
    for one in measured:
        assert min(abs(value - one) for value in wanted) <= 0.5, f"{one} mm is nothing of the plan's"


def test_cabinets_in_the_dxf_stand_where_the_plan_says(run, plan_file: Path) -> None:
    """Rectangles on SUBS against the WALLS rectangle of the same view: plan view, from the front left corner."""
    assert run("drawing", plan_file, "--subs", 4, "-o", "d.dxf").exit_code == 0
    model = read_dxf(Path("d.dxf")).modelspace()

    def boxes(layer: str) -> list[np.ndarray]:
        return [np.array(e.get_points("xy")) for e in model.query(f'LWPOLYLINE[layer=="{layer}"]')]

    rooms = {tuple(np.round(np.ptp(box, axis=0), 3)): box.min(axis=0) for box in boxes("WALLS")}
    corner = rooms[5200.0, 4000.0]
    found = [box - corner for box in boxes("SUBS")]
    for sub in stances(choose_plan(plan_file, subs=4)):
        low, high = 1e3 * np.array(sub.low_m[:2]), 1e3 * np.array(sub.high_m[:2])
        assert any(
            np.allclose(b.min(axis=0), low, atol=0.5) and np.allclose(b.max(axis=0), high, atol=0.5) for b in found
        )


def test_free_space_is_drawn_before_and_behind_each_cabinet(plan_file: Path) -> None:
    """Boxes in the plan view, the model in millimetres: 60 toward where it faces, 70 toward the wall behind."""
    plan = choose_plan(plan_file, subs=4)
    sheet = plan_alone(plan, 50.0)
    model = ezdxf.read(io.StringIO(sheet_dxf(sheet).decode())).modelspace()

    def boxes(layer: str) -> list[tuple[np.ndarray, np.ndarray]]:
        points = [np.array(entity.get_points("xy")) for entity in model.query(f'LWPOLYLINE[layer=="{layer}"]')]
        return [(one.min(axis=0), one.max(axis=0)) for one in points]

    cabinets, before, behind = (boxes(layer) for layer in ("SUBS", "SUB_CLEARANCE", "SUB_VENTILATION"))
    assert len(cabinets) == len(before) == len(behind) == 4
    for sub, (low, high), (b_low, b_high), (a_low, a_high) in zip(stances(plan), cabinets, before, behind, strict=True):
        for one_low, one_high, depth in ((b_low, b_high, 60.0), (a_low, a_high, 70.0)):
            np.testing.assert_allclose(one_high - one_low, (depth, high[1] - low[1]), atol=1e-6)
        toward, away = (high[0], low[0]) if sub.faces == "rear" else (low[0], high[0])
        assert min(abs(toward - b_low[0]), abs(toward - b_high[0])) < 1e-6
        assert min(abs(away - a_low[0]), abs(away - a_high[0])) < 1e-6
        assert not (b_low[0] < high[0] - 1e-6 and b_high[0] > low[0] + 1e-6)


@pytest.mark.parametrize("subs", [1, 2, 4])
def test_no_label_runs_into_another(make_plan, subs: int) -> None:
    """Texts that stand over lines of the views: none meets another, at a scale to work from."""
    plan = choose_plan(make_plan(), subs=subs)
    for view in (plan_view(plan, 25.0), *(elevation(plan, 25.0, wall) for wall in walls_to_show(plan))):
        labels = [part for part in view.parts if isinstance(part, Label) and part.backed]
        places = [np.array(bounds([label])) for label in labels]
        for i, one in enumerate(places):
            for j in range(i):
                apart = (one[0] >= places[j][1] - 1e-9) | (places[j][0] >= one[1] - 1e-9)
                same_block = {labels[i].text, labels[j].text} <= {"way", "in"}
                assert apart.any() or same_block, f"{labels[i].text!r} meets {labels[j].text!r}"


def test_the_sheet_takes_paper_before_it_gives_up_a_scale_to_work_from(plan_file: Path) -> None:
    """On its own it never goes under 1:50 while a paper holds that; on paper that is given it does."""
    plan = choose_plan(plan_file)
    project = parse_project(project_text().replace("length_m = 5.2", "length_m = 12"), source="t")
    long = replace(plan, results=replace(plan.results, project=project))
    assert drawing_sheet(long, SheetWishes()).scale <= 50.0
    assert drawing_sheet(long, SheetWishes(paper="A3")).scale > 50.0


def test_numbers_shown_in_the_dxf_are_whole_millimetres(run, plan_file: Path) -> None:
    assert run("drawing", plan_file, "--subs", 2, "-o", "d.dxf").exit_code == 0
    drawing = read_dxf(Path("d.dxf"))
    for dimension in drawing.modelspace().query("DIMENSION"):
        texts = [entity.dxf.text for entity in drawing.blocks.get(dimension.dxf.geometry).query("TEXT")]
        texts += [entity.plain_text() for entity in drawing.blocks.get(dimension.dxf.geometry).query("MTEXT")]
        assert texts == [f"{dimension.get_measurement():.0f}"]


def test_lettering_is_legible_at_the_scale(plan_file: Path) -> None:
    """At least 2.5 mm on paper, but for the numbers in heads."""
    plan = choose_plan(plan_file)
    sheet = drawing_sheet(plan, SheetWishes(scale=50.0))
    document = ezdxf.read(io.StringIO(sheet_dxf(sheet).decode()))
    heights = {text.dxf.height / 50.0 for text in document.modelspace().query("TEXT") if not text.dxf.text.isdigit()}
    assert min(heights) >= SMALL_MM
    assert document.dimstyles.get("ROOM").dxf.dimtxt == SMALL_MM * 50.0


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
        sheet = drawing_sheet(plan, SheetWishes(scale=scale))
        dimensions = [part for part in sheet.parts if isinstance(part, Dimension)]
        assert len(dimensions) > 10
        for one in dimensions:
            assert abs(one.end[one.axis] - one.start[one.axis]) * scale == pytest.approx(one.value_mm, abs=1e-6)
        for part in dimensions:
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
    placed, after = dimension_rows(measures, axis=0, first_at=-9.0, outward=-1)
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
        texts = [text.dxf.text for text in read_dxf(Path("d.dxf")).modelspace().query("TEXT")]
        assert any(text.startswith("<script>alert(1)") for text in texts)
        assert not any("%%" in text or "\\U+" in text for text in texts)


def test_the_title_block_names_client_designer_and_number() -> None:
    """In rows of their own, under the name and over what was there before; without [title] nothing moves."""
    title = '[title]\nclient = "The owners of 4 Quarry Lane"\ndesigner = "Studio North"\ndrawing_number = "A-104"\n'
    results = [results_of(project_text().replace("[room]", room, 1)) for room in ("[room]", title + "[room]")]
    bare, full = (drawing_sheet(found.plan(2, 1), SheetWishes(paper="A2")) for found in results)
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
    scales = [drawing_sheet(plan, SheetWishes(paper=paper)).scale for paper in ("A3", "A1", "A0")]
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


FACES = 'port_clearance_m = 0.12\ndriver_face = "left"\nport_face = "top"\nacoustic_centre_m = [0.0, -0.1, 0.02]'


@pytest.mark.parametrize(("scale", "view_of"), [(50.0, "plan"), (20.0, "left"), (20.0, "rear"), (20.0, "right")])
def test_ports_on_side_and_top_are_drawn_in_every_view(tmp_path: Path, scale: float, view_of: str) -> None:
    """Each space 120 deep before its own face, read back from the DXF in millimetres of the room, and keyed.

    Seen from behind, a cabinet that faces the rear wall has its left at the right wall's side (y grows to the right
    as one faces the front wall), one that faces the front wall at the left wall's side.
    """
    text = project_text().replace("port_clearance_m = 0.06", FACES)
    write_results(tmp_path / "plan.h5", results_of(text), force=False)
    plan = choose_plan(tmp_path / "plan.h5", subs=4)
    view = plan_view(plan, scale) if view_of == "plan" else elevation(plan, scale, view_of)
    model = ezdxf.read(io.StringIO(sheet_dxf(view).decode())).modelspace()

    def boxes(layer: str) -> list[np.ndarray]:
        points = [np.array(entity.get_points("xy")) for entity in model.query(f'LWPOLYLINE[layer=="{layer}"]')]
        return [np.round(np.concatenate([one.min(axis=0), one.max(axis=0)]), 3) for one in points]

    def across(y0: float, y1: float) -> tuple[float, float]:
        """Along the sheet's x: what the view shows of the room's axis."""
        return {"rear": (4000.0 - y1, 4000.0 - y0), "left": (5200.0 - y1, 5200.0 - y0)}.get(view_of, (y0, y1))

    drawn = boxes("SUB_CLEARANCE")
    assert len(drawn) == 2 * 4
    for sub in stances(plan):
        (x0, y0, z0), (x1, y1, z1) = (tuple(1e3 * np.array(corner)) for corner in (sub.low_m, sub.high_m))
        beside = (y1, y1 + 120.0) if sub.faces == "rear" else (y0 - 120.0, y0)
        if view_of == "plan":
            expected = [(x0, beside[0], x1, beside[1]), (x0, y0, x1, y1)]  # the one above lies on the cabinet
        else:
            a0, a1 = across(y0, y1) if view_of == "rear" else across(x0, x1)
            b0, b1 = across(*beside) if view_of == "rear" else (a0, a1)
            expected = [(b0, z0, b1, z1), (a0, z1, a1, z1 + 120.0)]
        for box in expected:
            assert any(np.allclose(box, one, atol=0.5) for one in drawn), (sub.number, box, drawn)
    keys = {entity.dxf.text for entity in model.query("TEXT")}
    assert keys >= ({"d", "v"} if view_of == "plan" else {"d", "p"} if view_of == "rear" else {"p", "v"})
    measured = [dimension.get_measurement() for dimension in model.query("DIMENSION")]
    assert min(abs(one - 120.0) for one in measured) < 0.5
    notes = [part.text for part in drawing_sheet(plan, SheetWishes()).parts if isinstance(part, Label)]
    assert "Dashed, d: keep 120 mm free left of the cabinet, seen from behind it, for the driver." in notes
    assert "Dashed, p: keep 120 mm free above the cabinet, for the port." in notes
    assert any("100 mm to the left, 20 mm up from the cabinet's" in note for note in notes)


def test_a_face_with_two_needs_and_a_face_without() -> None:
    """Driver and port on one face share a key; without a port the driver alone is named, without clearance nothing."""
    box = "cabinet_m = [0.42, 0.36, 0.44]\n"
    driver = (
        "fs_hz=22\nqes=0.5\nqms=5\nvas_m3=0.1\ncone_area_m2=0.05\nre_ohm=3\nxmax_m=0.014\npower_w=500\nbox_m3=0.05\n"
    )
    for keys, expected in (
        ("", ()),
        ("port_clearance_m = 0.1\n", (("d", "front", 0.1),)),
        ('port_clearance_m = 0.1\nport_face = "rear"\n', (("d", "front", 0.1), ("p", "rear", 0.1))),
        (
            f"port_clearance_m = 0.1\n[subwoofer.driver]\n{driver}[subwoofer.port]\narea_m2 = 0.01\ntuning_hz = 22\n",
            (("dp", "front", 0.1),),
        ),
    ):
        table = parse_project(f"{SMALL}[subwoofer]\n{box}{keys}", source="t").subwoofer
        assert free_faces(table) == expected


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
