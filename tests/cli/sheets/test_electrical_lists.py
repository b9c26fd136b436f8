"""electrical: what the command prints and writes, as spreadsheets read it; cables on the drawing and in the report."""

import csv
import json
import zipfile
from io import BytesIO
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from openpyxl import load_workbook

from cli.drawing.extents import all_parts, meet, text_areas
from cli.drawing.papers import SheetWishes
from cli.drawing.primitives import Block, Label
from cli.drawing.primitives import Path as Line
from cli.drawing.sheet import drawing_sheets
from cli.drawing.views import plan_view
from cli.formats.curves import LONG_AGO
from cli.formats.electrical_files import UNDATED, csv_files, workbook_file
from cli.report.electrical import electrical_section
from cli.words.electrical import listings
from roommodes.plan.file import write_results
from solvers.electrical.of_plan import electrical_of
from tests.solvers.test_electrical import ROOM

from .conftest import project_text, results_of
from .invented_rooms import plan_of

WIRED = """\
[[amplifiers]]
name = "=SUM(1)"
channels = 4
power_w = 500
load_ohm = 4
at_m = [5.0, 0.3, 0.8]
[electrical]
board_m = [5.2, 3.8, 0.3]
[search]
"""


@pytest.fixture(scope="module")
def wired_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("wired") / "plan.h5"
    write_results(path, results_of(project_text().replace("[search]\n", WIRED)), force=False)
    return path


def test_a_workbook_holds_every_list_and_no_formula(run, wired_file: Path) -> None:
    assert run("electrical", wired_file, "--subs", 4, "-o", "w.xlsx").exit_code == 0
    book = load_workbook("w.xlsx")
    assert book.sheetnames == ["loudspeaker cables", "supply cables", "circuits", "heat", "quantities", "notes"]
    cells = [cell for sheet in book for row in sheet for cell in row if cell.value is not None]
    assert not [cell for cell in cells if cell.data_type == "f"]
    assert any(str(cell.value).startswith("=SUM(1)") for cell in cells)
    cables = list(book["loudspeaker cables"].values)
    assert [row[0] for row in cables] == ["cable", "L1", "L2", "L3", "L4"]
    assert all(isinstance(row[3], float | int) and row[3] > 0 for row in cables[1:])
    assert "qualified electrician" in str(book["notes"]["A1"].value)


def test_csv_files_and_json_hold_the_same(run, wired_file: Path) -> None:
    said = json.loads(run("electrical", wired_file, "--subs", 2, "-o", "w.csv", "--json").stdout)
    assert sorted(said["written"]) == sorted(path.name for path in Path().iterdir())
    lines = Path("w.csv").read_text(encoding="utf-8").splitlines()
    assert lines[0].startswith("# A qualified electrician decides")
    rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    assert len(rows) == len(said["loudspeaker_cables"]) == 2
    for row, other in zip(rows, said["loudspeaker_cables"], strict=True):
        assert float(row["length [m]"]) == other["length [m]"]
        assert row["from"].startswith("'=SUM(1)")  # no formula to a spreadsheet
    again = run("electrical", wired_file, "-o", "w.csv")
    assert again.exit_code == 5
    assert "--force" in again.stderr


def test_what_the_command_prints(run, wired_file: Path, plan_file: Path) -> None:
    printed = run("electrical", wired_file, "--subs", 4).stdout
    for words in (
        "Loudspeaker cables",
        "Supply cables",
        "Circuits",
        "Heat",
        "Quantities",
        "IEC 60228",
        "electrician decides",
    ):
        assert words in " ".join(printed.split())
    assert "Not known: amplifiers" in " ".join(run("electrical", plan_file).stdout.split())
    assert run("electrical", wired_file, "-o", "w.pdf").exit_code == 2


def test_drawing_and_report_show_cables_and_places() -> None:
    plan = results_of(project_text().replace("[search]\n", WIRED)).plan(2, 1)
    sheets = drawing_sheets(plan, SheetWishes(scale=50.0))
    parts = [part for sheet in sheets for part in all_parts(sheet)]
    texts = [part.text for part in parts if isinstance(part, Label)]
    found = electrical_of(plan)
    for cable in found.cables:
        assert any(text.startswith(f"{cable.name}  ") for text in texts), cable.name
    places = {dict(part.attributes)["NAME"] for part in parts if isinstance(part, Block) and part.kind == "ELECTRICAL"}
    assert places == {"=SUM(1)", "supply"}
    section = electrical_section(plan)
    assert section is not None
    assert len(section.blocks) == 6
    assert electrical_section(results_of(project_text()).plan(2, 1)) is None


def test_files_are_the_same_every_time() -> None:
    tables = listings(electrical_of(results_of(project_text().replace("[search]\n", WIRED)).plan(2, 1)))
    book = workbook_file(tables, ["note"], "t")
    assert workbook_file(tables, ["note"], "t") == book
    assert load_workbook(BytesIO(book)).properties.modified == UNDATED, "no time of saving inside"
    with zipfile.ZipFile(BytesIO(book)) as parts:
        assert {one.date_time for one in parts.infolist()} == {LONG_AGO}
    assert csv_files(Path("w.csv"), tables, ()) == csv_files(Path("w.csv"), tables, ())


def test_the_plan_shows_every_cable_with_its_name_and_none_through_a_chimney_breast() -> None:
    """No name of a wall stands on the hatched breast, and the breast's own stands on it."""
    breast = '[[blocks]]\nname = "breast"\nfrom_m = [2.3, 3.4, 0.0]\nto_m = [3.7, 4.0, 2.5]\nconstruction = "brick"\n'
    drawn = plan_view(plan_of(ROOM.replace("AMPLIFIER", "").replace("[[rows]]", breast + "[[rows]]", 1)), 50.0)
    lines = [part for part in drawn.parts if isinstance(part, Line) and part.layer.name == "CABLES"]
    names = dict(text_areas(drawn.parts))
    assert len(lines) == 3
    assert {"L1", "L2", "S1"} <= set(names)
    low, high = (46.0, 68.0), (74.0, 80.0)  # of the breast on paper: 20 mm a metre
    for line in lines:
        for (x0, y0), (x1, y1) in pairwise(line.points):
            shares = np.linspace(0.0, 1.0, 200)
            x, y = x0 + shares * (x1 - x0), y0 + shares * (y1 - y0)
            assert not np.any((x > low[0]) & (x < high[0]) & (y > low[1]) & (y < high[1]))
    assert meet(names["breast"], (low, high))
    assert not meet(names["RIGHT WALL"], (low, high))
