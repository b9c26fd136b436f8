"""new: templates that pass `check` and give a plan, and rooms taken from drawings."""

import json
import random
import sys
import tomllib
from math import cos, pi, radians, sin
from pathlib import Path

import pytest
from ezdxf.filemanagement import new as new_drawing

from roommodes.outlines import from_drawing
from roommodes.outlines.room_outline import LONGEST_M, SHORTEST_M
from roommodes.project.reading import load_project
from roommodes.project.tables import RoomTable
from roommodes.storage.limited import Limits

KINDS = ("cellar", "attic", "open-plan", "two-row", "large")
L_SHAPE = [(0.0, 0.0), (7.0, 0.0), (7.0, 3.0), (4.5, 3.0), (4.5, 5.2), (0.0, 5.2)]
INCHES, MILLIMETRES, METRES = 1, 4, 6


def drawing(path: Path, unit: int, lines: dict[str, list[list[tuple[float, float]]]], *, parted: bool = False) -> Path:
    """A DXF of closed lines by layer; `parted`: each side is a line of its own."""
    document = new_drawing("R2010", units=unit)
    model = document.modelspace()
    for layer, shapes in lines.items():
        for points in shapes:
            if parted:
                for start, end in zip(points, points[1:] + points[:1], strict=True):
                    model.add_line(start, end, dxfattribs={"layer": layer})
            else:
                model.add_lwpolyline(points, close=True, dxfattribs={"layer": layer})
    document.saveas(path)
    return path


def scaled(points, factor: float, *, turn_deg: float = 0.0, by: tuple[float, float] = (0.0, 0.0)):
    a, b = cos(radians(turn_deg)), sin(radians(turn_deg))
    return [(by[0] + factor * (a * x - b * y), by[1] + factor * (b * x + a * y)) for x, y in points]


def tables(path: Path) -> dict:
    """A project's tables without its name, which is the drawing's."""
    read = tomllib.loads(path.read_text(encoding="utf-8"))
    del read["name"]
    return read


# -- templates --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", KINDS)
def test_a_template_is_a_valid_commented_room_whose_zones_all_hold(run, tmp_path: Path, kind: str) -> None:
    result = run("new", "--template", kind)
    assert result.exit_code == 0, result.output
    path = tmp_path / f"{kind}.toml"
    assert path.read_text().count("#") > 12
    project = load_project(path)
    assert len(project.tables.zones) >= 3
    corner = [value for zone in project.tables.zones for value in (zone.from_m[2], zone.to_m[2])]
    assert max(corner) <= 0.5, "every cabinet stands: nothing in a template hangs overhead"


def test_an_attic_has_its_slopes(run, tmp_path: Path) -> None:
    run("new", "--template", "attic")
    room = load_project(tmp_path / "attic.toml").room
    section = 2.2 * 2.5 + 2 * 1.4 * (1.1 + 2.5) / 2
    breast = 0.5 * (0.6 * (1.9 + 2.5) / 2 + 0.6 * 2.5 - 1.2 * 0.25)
    assert abs(room.volume_m3 - (6.6 * section - 2.2 * 5.0 * 0.25 - breast)) < 0.001
    assert [slope.along for slope in room.slopes] == ["y", "y"]


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
def test_a_template_gives_a_plan_that_is_no_worse_than_any_usual_layout(run, tmp_path: Path, kind: str) -> None:
    run("new", "--template", kind)
    path = tmp_path / f"{kind}.toml"
    text = path.read_text()
    least = tomllib.loads(text)["search"]["counts"][0]
    lines = text.splitlines()
    counts, band = (next(line for line in lines if line.startswith(key)) for key in ("counts", "band_hz"))
    # up to 80 Hz: to 120 Hz the attic takes a minute
    path.write_text(
        text.replace(counts, f"counts = [{least}]\npoints_per_octave = 12").replace(band, "band_hz = [20, 80]")
    )
    done = run("optimise", path.name, "-o", "plan.h5", "--json")
    assert done.exit_code == 0, done.output
    found = json.loads(done.stdout)
    assert found["plans"][0]["variation_db"] < 3.6
    usual = [one["driven_variation_db"] for one in found["worth"][0]["usual"]]
    assert found["plans"][0]["variation_db"] < min(usual) + 0.02  # a zone may be some centimetres off a usual place


# -- outlines ---------------------------------------------------------------------------------------------------------


def test_a_rectangle_becomes_its_box(run, tmp_path: Path) -> None:
    drawing(tmp_path / "room.dxf", MILLIMETRES, {"ROOM": [scaled([(0, 0), (6.2, 0), (6.2, 4.4), (0, 4.4)], 1000.0)]})
    result = run("new", "--outline", "room.dxf", "--height", "2.6")
    assert result.exit_code == 0, result.output
    assert "6.20 x 4.40 m" in result.stdout
    assert "Not in the drawing, assumed" in result.stdout
    room = tables(tmp_path / "room.toml")["room"]
    assert (room["length_m"], room["width_m"], room["height_m"]) == (6.2, 4.4, 2.6)
    assert run("check", "room.toml", "--quiet").exit_code == 0


def test_turned_moved_parted_or_in_other_units_a_drawing_gives_the_same_room(run, tmp_path: Path) -> None:
    drawing(tmp_path / "a.dxf", METRES, {"W": [L_SHAPE]})
    drawing(tmp_path / "b.dxf", INCHES, {"W": [scaled(L_SHAPE, 1 / 0.0254)]})
    drawing(
        tmp_path / "c.dxf", MILLIMETRES, {"W": [scaled(L_SHAPE, 1000.0, turn_deg=31.0, by=(8e4, -3e4))]}, parted=True
    )
    drawing(tmp_path / "d.dxf", INCHES, {"W": [scaled(L_SHAPE, 1000.0)]})  # nobody chose the inches
    drawing(tmp_path / "e.dxf", 0, {"W": [scaled(L_SHAPE, 1000.0, turn_deg=-7.0)]})
    found = []
    for name in "abcde":
        done = run("new", "--outline", f"{name}.dxf")
        assert done.exit_code == 0, done.output
        found.append(tables(tmp_path / f"{name}.toml"))
        assert run("check", f"{name}.toml", "--quiet").exit_code == 0
    assert all(one == found[0] for one in found[1:])
    said = " ".join(run("new", "--outline", "d.dxf", "--force").stdout.split())
    assert "it states inches, which gives no room's size" in said


def test_what_of_the_box_lies_outside_is_solid(run, tmp_path: Path) -> None:
    drawing(tmp_path / "l.dxf", METRES, {"W": [L_SHAPE]})
    done = run("new", "--outline", "l.dxf")
    assert "5.5 m2 of the box (15 %)" in done.stdout
    assert "1 block of brick" in " ".join(done.stdout.split())
    room = load_project(tmp_path / "l.toml").room
    assert abs(room.volume_m3 - (7.0 * 5.2 - 2.5 * 2.2) * room.height_m) < 1e-9
    (kept,) = tables(tmp_path / "l.toml")["blocks"]
    assert (kept["from_m"][:2], kept["to_m"][:2]) == ([4.5, 3.0], [7.0, 5.2])
    run("new", "--outline", "l.dxf", "--front", "right", "--force")  # half a turn
    (kept,) = tables(tmp_path / "l.toml")["blocks"]
    assert (kept["from_m"][:2], kept["to_m"][:2]) == ([0.0, 0.0], [2.5, 2.2])
    assert run("check", "l.toml", "--quiet").exit_code == 0
    run("new", "--outline", "l.dxf", "--front", "bottom", "--force")  # a quarter turn, not a mirror image
    read = tables(tmp_path / "l.toml")
    (kept,) = read["blocks"]
    assert (read["room"]["length_m"], read["room"]["width_m"]) == (5.2, 7.0)
    assert (kept["from_m"][:2], kept["to_m"][:2]) == ([3.0, 0.0], [5.2, 2.5])


def test_a_slanted_wall_is_covered_and_little_more(run, tmp_path: Path) -> None:
    bay = [(0.0, 0.0), (4.0, 0.0), (4.0, 6.0), (2.0, 7.0), (0.0, 6.0)]
    drawing(tmp_path / "bay.dxf", METRES, {"W": [bay]})
    done = run("new", "--outline", "bay.dxf")
    assert done.exit_code == 0
    kept = tables(tmp_path / "bay.toml")["blocks"]
    area = sum((one["to_m"][0] - one["from_m"][0]) * (one["to_m"][1] - one["from_m"][1]) for one in kept)
    assert area > 1.9
    assert area < 3.0
    said = " ".join(done.stdout.split())
    assert f"steps that take {area - 2.0:.1f} m2 off the floor of 26.0 m2" in said
    assert run("check", "bay.toml", "--quiet").exit_code == 0


def test_walls_drawn_with_two_lines_give_their_inner_face(run, tmp_path: Path) -> None:
    inner = [(0.0, 0.0), (5.4, 0.0), (5.4, 3.8), (0.0, 3.8)]
    outer = [(-0.3, -0.3), (5.7, -0.3), (5.7, 4.1), (-0.3, 4.1)]
    drawing(tmp_path / "two.dxf", METRES, {"W": [outer, inner], "SITE": [scaled(outer, 4.0)]})
    done = run("new", "--outline", "two.dxf", "--layer", "W")
    assert "0.30 m apart" in done.stdout
    room = tables(tmp_path / "two.toml")["room"]
    assert (room["length_m"], room["width_m"]) == (5.4, 3.8)


def test_a_round_room_is_not_turned_and_keeps_its_size(run, tmp_path: Path) -> None:
    circle = [(2.5 * cos(2 * pi * step / 90), 2.5 * sin(2 * pi * step / 90)) for step in range(90)]
    drawing(tmp_path / "round.dxf", METRES, {"W": [circle]})
    done = run("new", "--outline", "round.dxf")
    assert "turned" not in done.stdout
    assert "5.00 x 5.00 m" in done.stdout
    assert run("check", "round.toml", "--quiet").exit_code == 0


def test_a_line_that_is_not_closed_is_named_with_its_gap(run, tmp_path: Path) -> None:
    document = new_drawing("R2010", units=MILLIMETRES)
    for start, end in (
        ((0, 0), (5000, 0)),
        ((5000, 0), (5000, 4000)),
        ((5000, 4000), (900, 4000)),
        ((0, 4000), (0, 0)),
    ):
        document.modelspace().add_line(start, end)
    document.saveas(tmp_path / "open.dxf")
    done = run("new", "--outline", "open.dxf")
    assert done.exit_code == 3
    assert "(900, 4000), (0, 4000)" in done.stderr
    assert not (tmp_path / "open.toml").exists()


@pytest.mark.parametrize(
    ("data", "code", "words"),
    [
        (b"hello\n", 5, "cannot be read as DXF"),
        (b"AC1032" + bytes(90), 5, "this is no DXF"),
        (b"", 5, "the file is empty"),
        (None, 5, "there is no such file"),
    ],
)
def test_what_is_no_drawing_is_refused(run, tmp_path: Path, data: bytes | None, code: int, words: str) -> None:
    if data is not None:
        (tmp_path / "x.dxf").write_bytes(data)
    done = run("new", "--outline", "x.dxf")
    assert done.exit_code == code
    assert words in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="limits on a child process are those of Linux")
@pytest.mark.parametrize("kind", ["lines that cross", "curves beyond measure"])
def test_a_drawing_that_never_ends_is_refused(run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: str) -> None:
    """Five thousand lines across each other have six million crossings; ellipses and splines can be cut without end."""
    monkeypatch.setattr(from_drawing, "LIMITS", Limits(cpu_s=2, memory_bytes=2**29))
    dice, document = random.Random(1), new_drawing("R2010", units=MILLIMETRES)
    model = document.modelspace()
    for _ in range(5000):
        points = [(dice.uniform(0.0, 6000.0), dice.uniform(0.0, 4000.0)) for _ in range(2 if "lines" in kind else 9)]
        if "lines" in kind:
            model.add_line(*points)
        else:
            model.add_spline([(*point, 0.0) for point in points])
    document.saveas(tmp_path / "x.dxf")
    done = run("new", "room.toml", "--outline", "x.dxf")
    assert done.exit_code == 5
    assert "reading it takes over" in " ".join(done.stderr.split())
    assert "Traceback" not in done.stderr
    assert not (tmp_path / "room.toml").exists()


def test_what_a_library_says_of_its_repairs_is_not_passed_on(run, tmp_path: Path) -> None:
    text = drawing(tmp_path / "a.dxf", METRES, {"W": [L_SHAPE]}).read_text()
    (tmp_path / "a.dxf").write_text(text.replace("\n5.2\n", "\n5.2nan41\n", 1))
    done = run("new", "--outline", "a.dxf")
    assert done.exit_code == 0, done.stderr
    assert "recovered" not in done.stderr + done.stdout


def test_options_that_do_not_go_together_and_targets_that_are_inputs(run, tmp_path: Path) -> None:
    path = drawing(tmp_path / "a.dxf", METRES, {"W": [L_SHAPE]})
    before = path.read_bytes()
    assert run("new", "--layer", "W").exit_code == 2
    assert run("new", "--template", "cellar", "--study").exit_code == 2
    assert run("new", "--outline", "a.dxf", "--height", "0.2").exit_code == 2
    assert run("new", "a.dxf", "--outline", "a.dxf", "--force").exit_code == 2
    assert path.read_bytes() == before
    missing = run("new", "--outline", "a.dxf", "--layer", "walls")
    assert missing.exit_code == 3
    assert "layers with lines: 'W'" in missing.stderr


def test_a_drawings_limits_are_those_of_the_room_table() -> None:
    length = RoomTable.model_json_schema()["properties"]["length_m"]
    assert (length["minimum"], length["maximum"]) == (SHORTEST_M, LONGEST_M)
