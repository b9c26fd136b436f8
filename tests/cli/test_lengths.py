"""Feet and inches: against conversions by hand, 1 in = 25.4 mm exactly (international yard and pound, 1959)."""

import re
from html import unescape
from pathlib import Path

import pytest
from matplotlib.figure import Figure

from cli.drawing.extents import all_parts
from cli.drawing.papers import PAPERS, SheetWishes, paper_named, scale_words
from cli.drawing.sheet import drawing_sheets
from cli.figures.room_plan import plan_view
from cli.words.parameters import parameter_words
from cli.words.plan import from_walls
from roommodes.lengths import METRIC, Lengths, feet_inches
from roommodes.plan.file import write_results
from roommodes.project.reading import parse_project
from tests.cli.sheets.conftest import project_text, results_of

UNITS = '[units]\nlength = "ft-in"\n[room]'


def in_feet() -> str:
    return project_text().replace("[room]", UNITS, 1)


@pytest.mark.parametrize(
    ("metres", "words"),
    [  # by hand
        (0.0, '0"'),
        (0.0254, '1"'),
        (0.0127, '1/2"'),
        (0.3048, "1'-0\""),
        (0.9144, "3'-0\""),
        (1.0, "3'-3 3/8\""),  # 39.370 in
        (2.5, "8'-2 3/8\""),  # 98.425 in
        (6.2, "20'-4 1/8\""),  # 244.094 in
        (0.31, '12 1/4"'.replace("12", "1'-0")),  # 12.205 in
        (0.30479, "1'-0\""),  # rounds up into the next foot
        (0.0016, '1/8"'),  # 0.063 in: half an eighth and more
        (0.0015, '0"'),
        (-0.1, '-3 7/8"'),  # 3.937 in
        (-0.0001, '0"'),
    ],
)
def test_conversions_by_hand(metres: float, words: str) -> None:
    assert feet_inches(metres) == words


def test_no_length_is_off_by_more_than_a_sixteenth() -> None:
    for millimetres in range(0, 20000, 7):
        words = feet_inches(1e-3 * millimetres).removesuffix('"')
        feet, _, rest = words.rpartition("'-")
        whole = sum(int(part.split("/")[0]) / int([*part.split("/"), "1"][1]) for part in rest.split())
        assert abs((12 * int(feet or 0) + whole) * 25.4 - millimetres) <= 25.4 / 16 + 1e-9
        assert whole < 12


def test_metres_are_written_as_ever() -> None:
    assert METRIC.text(1.234) == "1.23 m"
    assert METRIC.fine(1.2346) == "1235"
    assert METRIC.sides(6.2, 4.4, metric="g") == "6.2 x 4.4 m"


def test_the_commands_speak_feet_and_files_stay_metric(run, tmp_path: Path) -> None:
    write_results(tmp_path / "feet.h5", results_of(in_feet()), force=False)
    write_results(tmp_path / "metres.h5", results_of(project_text()), force=False)
    (tmp_path / "feet.toml").write_text(in_feet())
    plan = results_of(in_feet()).plan(2, 1)
    stands = from_walls(plan.positions_m[0], plan.project.room, Lengths(feet=True))
    said = run("settings", "feet.h5", "--subs", 2, "-o", "feet.csv", "--no-filters").stdout
    assert stands in " ".join(said.split())
    assert "nearest 1/8 in" in " ".join(said.split())
    run("settings", "metres.h5", "--subs", 2, "-o", "metres.csv", "--no-filters")
    assert Path("feet.csv").read_bytes() == Path("metres.csv").read_bytes()
    checked = " ".join(run("check", "feet.toml").stdout.split())
    assert "17'-0 3/4\" x 13'-1 1/2\" x 8'-2 3/8\"" in checked  # 5.2 x 4.0 x 2.5 m: 204.724, 157.480, 98.425 in
    assert run("drawing", "feet.h5", "--subs", 2, "-o", "f.dxf").exit_code == 0
    assert run("drawing", "metres.h5", "--subs", 2, "-o", "m.dxf").exit_code == 0
    texts = [
        [line for line in Path(f"{n}.dxf").read_text().splitlines() if "from finished walls" in line] for n in "fm"
    ]
    assert texts[0] == texts[1] != []
    for arguments in (["report"], ["report", "--short"]):
        target = f"{len(arguments)}.html"
        assert run(*arguments, "feet.h5", "--subs", 2, "-o", target).exit_code == 0
        assert stands in unescape(Path(target).read_text(encoding="utf-8"))


def test_a_sheet_in_feet_is_on_us_paper_at_an_architects_scale() -> None:
    plan = results_of(in_feet()).plan(2, 1)
    sheets = drawing_sheets(plan, SheetWishes(lengths=Lengths(feet=True)))
    sheet = sheets[0]
    assert (sheet.width_mm, sheet.height_mm) in [PAPERS[name] for name in ("TABLOID", "ANSI-C")]
    assert sheet.scale in {12.0, 16.0, 24.0, 32.0, 48.0, 96.0}
    texts = [part.text for one in sheets for part in all_parts(one) if hasattr(part, "text")]
    assert "17'-0 3/4\"" in texts  # the room's length
    assert not any(text.isdigit() and int(text) > 20 for text in texts), "millimetres are left"
    assert any("nearest 1/8 in" in text for text in texts)
    assert scale_words(48.0, Lengths(feet=True)) == '1/4" = 1\'-0" (1:48)'


def test_us_papers_have_their_size() -> None:
    """In inches: 8.5 x 11, 11 x 17, 17 x 22, 22 x 34, 34 x 44; architectural D 24 x 36 (from memory)."""
    for name, sides in (("letter", (11, 8.5)), ("ledger", (17, 11)), ("ansi d", (34, 22)), ("arch-d", (36, 24))):
        key = paper_named(name)
        assert key is not None
        assert PAPERS[key] == pytest.approx([25.4 * side for side in sides])
    assert paper_named("b5") is None


def test_a_wrong_unit_is_told() -> None:
    with pytest.raises(Exception, match="ft-in"):
        parse_project(in_feet().replace('"ft-in"', '"yards"'), source="room.toml")


METRES = re.compile(r"\d ?(?:m|cm)\b(?!/s)")
REFERENCE = re.compile(r"\b1 m\b")  # levels count from there in either unit


def test_advice_compared_projects_and_constructions_are_in_feet(run, tmp_path: Path) -> None:
    """Row 0.4 m from the rear wall, a deeper room: 0.4 m are 1'-3 3/4", 5.6 m are 18'-4 1/2" (by hand)."""
    near = in_feet().replace("x_m = 4.0", "x_m = 4.8")
    (tmp_path / "near.toml").write_text(near)
    checked = run("check", "near.toml")
    assert "is 1'-3 3/4\" from the rear wall" in " ".join(checked.stderr.split())
    (tmp_path / "a.toml").write_text(near)
    (tmp_path / "b.toml").write_text(near.replace("length_m = 5.2", "length_m = 5.6"))
    compared = run("compare", "a.toml", "b.toml")
    assert "length 17'-0 3/4\" in A, 18'-4 1/2\" in B" in " ".join(compared.stdout.split())
    for said in (checked, compared):
        found = [line for line in (said.stdout + said.stderr).splitlines() if METRES.search(REFERENCE.sub("", line))]
        assert [line for line in found if "3.2 mm" not in line] == []
    assert parameter_words({"thickness_m": 0.05, "depth_m": 0.3}, Lengths(feet=True)) == (
        'thickness 50 mm; depth 11 3/4"'
    )


def test_small_moves_are_in_inches() -> None:
    feet = Lengths(feet=True)
    assert feet.shift(0.0508) == "+2.0 in"
    assert feet.shift(-0.0254, 1) == "-1.00 in"
    assert METRIC.shift(0.05) == "+5 cm"
    assert METRIC.shift(-0.0012, 1) == "-0.1 cm"
    assert feet.small_text(0.05) == '2"'
    assert METRIC.small_text(0.05) == "5 cm"


def test_a_plan_in_feet_has_whole_feet_on_its_axes() -> None:
    figure = Figure()
    axes = plan_view(figure.subplots(), parse_project(in_feet(), source="r.toml"), subs=[], title="")
    figure.draw_without_rendering()
    assert axes.get_xlabel() == "distance from the front wall [ft]"
    low, high = axes.get_xlim()
    for tick in axes.xaxis.get_major_ticks():
        where = tick.get_loc()
        if low <= where <= high:
            assert where / 0.3048 == pytest.approx(float(tick.label1.get_text()), abs=1e-6)
            assert float(tick.label1.get_text()).is_integer()


def test_the_report_in_feet_is_on_letter_pages(run, tmp_path: Path) -> None:
    """8 1/2 x 11 in are 612 x 792 points; A4 is 595 x 842."""
    for name, text, size in (("feet", in_feet(), "612 792"), ("metres", project_text(), "595")):
        write_results(tmp_path / f"{name}.h5", results_of(text), force=False)
        assert run("report", f"{name}.h5", "--short", "--subs", 2, "-o", f"{name}.pdf").exit_code == 0
        boxes = re.findall(rb"/MediaBox \[ 0 0 ([\d. ]+) \]", Path(f"{name}.pdf").read_bytes())
        assert boxes
        assert boxes[0].decode().startswith(size)
