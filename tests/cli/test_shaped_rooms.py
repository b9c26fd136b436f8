"""A room that is no box through the commands, as a person runs them."""

import json

import numpy as np
import pytest

from roommodes.measured.loading import load_manifest
from roommodes.project.reading import load_project
from tests.rooms_shaped import ATTIC


@pytest.fixture
def attic(tmp_path):
    path = tmp_path / "attic.toml"
    path.write_text(ATTIC)
    return path


def test_check_tells_of_the_shape(attic, run):
    done = run("check", attic)
    assert done.exit_code == 0
    assert "Not air, of the 26.2 m3 of the box: riser (1.20 x 3.00 x 0.30 m), chimney breast" in " ".join(
        done.stdout.split()
    )
    assert "not in the air" in done.stdout
    data = json.loads(run("check", attic, "--json").stdout)
    assert data["room"]["blocks"][0]["name"] == "riser"
    breathing, along = data["modes"][:2]  # all the air against walls that give way, then the first along the room
    assert breathing["textbook"] == [0, 0, 0]
    assert along["textbook"] == [1, 0, 0]
    assert 35.0 < along["rigid_hz"] < 45.2  # 45.1 Hz in the box; a riser and a breast lower it


def test_predict_and_optimise(attic, run, tmp_path):
    data = json.loads(run("predict", attic, "--json", "-o", "levels.png").stdout)
    assert (tmp_path / "levels.png").stat().st_size > 10_000
    assert data["variation_db"] > 0.0
    found = json.loads(run("optimise", attic, "-o", "plan.h5", "--json", "--quiet").stdout)
    assert {len(plan["positions_m"]) for plan in found["plans"]} == {1, 2}
    assert run("headroom", "plan.h5").exit_code == 0
    assert run("report", "plan.h5", "-o", "r.html").exit_code == 0
    page = (tmp_path / "r.html").read_text()
    assert "Not air, of the 26.2 m3 of the box" in page
    assert "What is hatched is no air at that height" in page
    assert run("drawing", "plan.h5", "-o", "s.dxf").exit_code == 0
    sheet = (tmp_path / "s.dxf").read_text()
    assert "chimney" in sheet
    assert "roof: ceiling 2300 above floor, 1300 at right wall" in sheet
    assert run("export", "plan.h5", "-o", "seats.sofa").exit_code == 0
    assert run("export", "plan.h5", "-o", "seats.wav").exit_code == 0
    done = run("explore", "plan.h5", "-o", "room.html")
    assert done.exit_code == 0
    assert "subs stand at the plan's candidates, rows as drawn" in " ".join(done.stdout.split())
    few = ("--draws", "16", "--plans", "1", "--subs", "1", "--frequencies", "12", "--check", "1")
    found = json.loads(run("tolerance", "plan.h5", "--json", "--quiet", *few).stdout)
    shares = [one["uncertain"] for one in found["shares"]["1"]]
    assert {"block: riser", "block: chimney breast", "slope: roof"} <= set(shares)
    assert found["checked"] == 1


CORNER = """\
format = 1
name = "corner"
[room]
length_m = 5.0
width_m = 4.0
height_m = 2.4
[[blocks]]
name = "stair core"
from_m = [3.6, 2.4, 0.0]
to_m = [5.0, 4.0, 2.4]
[[regions]]
wall = "stair core: left"
from_m = [4.0, 0.0]
to_m = [4.8, 2.0]
construction = "door"
[[rows]]
name = "front"
x_m = 2.9
y_m = [1.2, 2.8]
ear_height_m = 1.1
[[zones]]
name = "beside the core"
from_m = [4.7, 2.1, 0.2]
to_m = [4.7, 2.1, 0.2]
spacing_m = 0.5
[search]
counts = [1]
band_hz = [20, 40]
points_per_octave = 6
"""


def test_heads_are_measured_to_what_stands_behind_them(run, tmp_path):
    (tmp_path / "corner.toml").write_text(CORNER)
    done = run("check", "corner.toml")
    assert done.exit_code == 0
    assert "0.70 to 2.10 m" in done.stdout
    assert 'row "front", seat 2, has "stair core" 0.70 m behind the heads' in " ".join(done.stderr.split())
    row = json.loads(run("check", "corner.toml", "--json").stdout)["rows"][0]
    assert row["to_rear_wall_m"] == pytest.approx(0.7)


def test_a_sub_is_measured_from_a_wall_that_no_block_hides(run, tmp_path):
    """The right wall is nearer, 1.9 m, but the core stands between."""
    (tmp_path / "corner.toml").write_text(CORNER)
    done = run("optimise", "corner.toml", "-o", "plan.h5")
    assert "0.30 m from rear wall, 2.10 m from left wall, 0.20 m above floor" in " ".join(done.stdout.split())
    assert run("drawing", "plan.h5", "-o", "s.svg").exit_code == 0
    sheet = (tmp_path / "s.svg").read_text()
    assert "300 from rear wall, 2100 from left wall, 200 above floor" in sheet
    assert "1900" not in sheet
    assert "4000 to 4800 from front wall, 2400 from left wall" in " ".join(sheet.split())


def test_what_played_together_has_no_place_to_be_out_of_the_air(tmp_path):
    """`verify` reads a manifest of all subs at once: it says no position, which no block can hide."""
    (tmp_path / "corner.toml").write_text(CORNER)
    hz = np.arange(16.0, 81.0, 2.0)
    heard = sum(1.0 / (1.0 + 8j * (hz / mode - mode / hz)) for mode in (25.0, 37.0, 52.0))
    heard = heard * np.exp(-2j * np.pi * hz * 0.01)
    level, phase = 80.0 + 20.0 * np.log10(np.abs(heard)), np.degrees(np.angle(heard))
    table = "\n".join(f"{a:.1f} {b:.3f} {c:.2f}" for a, b, c in zip(hz, level, phase, strict=True))
    text = 'format = 1\nname = "after"\nfile_pattern = "{sub}-{seat}.txt"\n'
    text += '[reference]\nlevel = "relative"\n[[subs]]\nname = "all"\ntogether = true\n'
    (tmp_path / "after.toml").write_text(text)
    for seat in ("front 1", "front 2"):
        (tmp_path / f"all-{seat}.txt").write_text(table)
    found = load_manifest(tmp_path / "after.toml", load_project(tmp_path / "corner.toml"))
    assert found.subs.together == (True,)
