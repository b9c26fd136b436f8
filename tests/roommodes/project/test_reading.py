"""Every fault of a project file, as the person at the keyboard reads it; and no input that breaks the reader."""

# ruff: noqa: E501  one case a line

import os
import re
import stat
from importlib.resources import files
from pathlib import Path

import pytest

from roommodes.errors import FileUnusable, ProjectInvalid
from roommodes.project.reading import MAX_BYTES, load_project, parse_project
from tests.rooms import SMALL

GOOD = """format = 1
name = "x"
[room]
length_m = 6.1
width_m = 4.2
height_m = 2.5
[walls]
left = "concrete"
[[regions]]
wall = "right"
from_m = [1.0, 0.2]
to_m = [3.0, 2.0]
construction = "glass pane 6 mm"
[constructions.own]
kind = "absorption"
alpha = 0.1
[[rows]]
name = "front"
x_m = 3.0
y_m = [1.0, 2.0]
ear_height_m = 1.1
move_m = [0.2, 0.2]
[screen]
width_m = 3.0
[[zones]]
name = "front wall"
from_m = [0.3, 0.3, 0.3]
to_m = [0.3, 3.9, 0.3]
spacing_m = 0.5
[[keep_outs]]
name = "door"
from_m = [5.0, 0.0, 0.0]
to_m = [6.1, 1.0, 2.0]
[subwoofer]
cabinet_m = [0.4, 0.4, 0.5]
[search]
counts = [1, 2]
[layout]
positions_m = [[0.3, 1.0, 0.3], [0.3, 3.0, 0.3]]
gain_db = [0, 0]
"""
CURVE_FORM = "a number, or a table of numbers by frequency in Hz, 0 to 0.951."

# (what is written, what it is replaced by, the message)
ONE_FAULT = [
    # keys and types
    ('name = "x"\n', "", "room.toml name: this key is missing: What you call the project."),
    ("length_m", "lenght_m", "room.toml:4 room.lenght_m: unknown key. Did you mean length_m?"),
    ('left = "concrete"', 'lefft = "concrete"', "room.toml:8 walls.lefft: unknown key. Did you mean left?"),
    ("[screen]\nwidth_m = 3.0", "[scren]", "room.toml:23 scren: unknown key. Did you mean screen?"),
    ("x_m = 3.0\n", "", "room.toml:17 rows[0].x_m: this key is missing: Distance of the ears from the front wall [m]."),
    ("length_m = 6.1", 'length_m = "6.1"', 'room.toml:4 room.length_m: got "6.1"; allowed: a number, without quotes.'),
    ("length_m = 6.1", "length_m = true", "room.toml:4 room.length_m: got true; allowed: a number, without quotes."),
    ("width_m = 4.2", "width_m = nan", "room.toml:5 room.width_m: got nan; allowed: a number, without quotes."),
    ("height_m = 2.5", "height_m = 250", "room.toml:6 room.height_m: got 250 m; allowed: 1.5 to 60 m."),
    ("[room]", "[room]\nloss_factor = 0.3", "room.toml:4 room.loss_factor: got 0.3; allowed: 0 to 0.2."),
    ("[room]", "[room]\ntemperature_c = 70", "room.temperature_c: got 70 deg C; allowed: -10 to 45 deg C."),
    ('name = "x"', "name = 3", 'room.toml:2 name: got 3; allowed: text in quotes, such as "front".'),
    ('name = "x"', 'name = ""', "room.toml:2 name: got a text of 0 characters; allowed: 1 to 80, not all blank."),
    ('name = "x"', 'name = "a\\u001b[2J"', "room.toml:2 name: the text holds a control character"),
    ("[1.0, 0.2]", "[1.0]", "room.toml:11 regions[0].from_m: got 1 number; allowed: 2, [along, up] in m."),
    ("[0.3, 0.3, 0.3]\nto_m", "0.3\nto_m", "zones[0].from_m: got 0.3; allowed: a list of 3 numbers, [x, y, z] in m."),
    ("y_m = [1.0, 2.0]", "y_m = 1.0", "room.toml:20 rows[0].y_m: got 1.0; allowed: a list of values in [ ]."),
    ("[[rows]]", "[rows]", "room.toml:17 rows: got a table; allowed: tables, each headed [[rows]]."),
    ("[screen]", "[[screen]]", "room.toml:23 screen: got a list; allowed: a table of keys."),
    ('wall = "right"', 'wall = "rigth"', 'got "rigth"; allowed: front, rear, left, right, floor, ceiling. Did you mean right?'),
    ("format = 1", 'format = "1"', 'room.toml:1 format: got "1"; allowed: 1.'),
    # constructions
    ('left = "concrete"', 'left = "Concret"', 'room.toml:8 walls.left: there is no construction "Concret". Did you mean "concrete"?'),
    ('"glass pane 6 mm"', '"onw"', 'regions[0].construction: there is no construction "onw". Did you mean "own"?'),
    ('"absorption"', '"absorbtion"', 'room.toml:14 constructions.own: got the kind "absorbtion"; allowed: "rigid", "admittance",'),
    ('"absorption"', '"absorbtion"', "Did you mean absorption?"),
    ('kind = "absorption"\n', "", "room.toml:14 constructions.own: the key kind is missing; allowed:"),
    ("alpha = 0.1", "alfa = 0.1", "room.toml:16 constructions.own.alfa: unknown key. Did you mean alpha?"),
    ("alpha = 0.1", "alpha = 1.2", "constructions.own.alpha: got 1.2; allowed: 0 to 0.951."),
    ("alpha = 0.1", 'alpha = {"63" = 1.2}', 'constructions.own.alpha: at "63": got 1.2; allowed: 0 to 0.951.'),
    ("alpha = 0.1", "alpha = [1]", "constructions.own.alpha: got a list; allowed: " + CURVE_FORM),
    ("alpha = 0.1", "alpha = {}", "constructions.own.alpha: got an empty table; allowed: frequencies with values"),
    ("alpha = 0.1", "alpha = {31.5 = 0.1}", 'needs quotes, such as "31.5" = 0.1.'),
    ("alpha = 0.1", 'alpha = {low = 0.1}', 'alpha: "low" is not a frequency; allowed: 1 to 20000, in Hz.'),
    ("alpha = 0.1", 'alpha = {"63" = 0.1, "63.0" = 0.2}', "alpha: one frequency is given twice; give each once."),
    (
        'kind = "absorption"\nalpha = 0.1',
        'kind = "impedance"',
        "constructions.own: the wall has neither resistance_pa_s_m, mass_kg_m2 nor stiffness_pa_m; give one of them above 0",
    ),
    (
        'kind = "absorption"\nalpha = 0.1',
        'kind = "admittance"\nbeta_re = -0.1',
        "constructions.own.beta_re: got -0.1; allowed: 0 to 100.",
    ),
    # search, subwoofer, layout
    ("counts = [1, 2]", "counts = [0]", "search.counts[0]: got 0 subwoofers; allowed: 1 to 8 subwoofers."),
    ("counts = [1, 2]", "counts = [2, 2]", "search.counts: a number of subwoofers is given twice; give each once."),
    ("counts = [1, 2]", "counts = []", "search.counts: the list is empty; allowed: at least one number of subwoofers, 1 to 8."),
    ("counts = [1, 2]", "counts = [1.5]", "search.counts[0]: got 1.5; allowed: a whole number."),
    ("counts = [1, 2]", "band_hz = [120, 20]", "search.band_hz: got [120, 20]; the first must not be above the second."),
    ("counts = [1, 2]", "band_hz = [50, 50]", "search.band_hz: got [50, 50]; the two must differ."),
    ("counts = [1, 2]", "band_hz = [5, 50]", "search.band_hz[0]: got 5 Hz; allowed: 10 to 300 Hz."),
    ("counts = [1, 2]", "gain_db = [-6, 3]", "search.gain_db[1]: got 3 dB; allowed: -40 to 0 dB."),
    ("counts = [1, 2]", "delay_ms = [0, 200]", "search.delay_ms[1]: got 200 ms; allowed: 0 to 100 ms."),
    ("counts = [1, 2]", "points_per_octave = 2", "search.points_per_octave: got 2; allowed: 3 to 96."),
    ("counts = [1, 2]", "seed = -1", "search.seed: got -1; allowed: 0 to 4294967295."),
    ("counts = [1, 2]", "polarity = 1", "search.polarity: got 1; allowed: true or false."),
    ("gain_db = [0, 0]", "polarity = [1, 0]", "layout.polarity[1]: got 0; allowed: 1, -1."),
    (
        "gain_db = [0, 0]",
        "gain_db = [0]",
        "room.toml:40 layout.gain_db: the list holds 1, positions_m has 2 subwoofers; give one for each, or leave the key out.",
    ),
    # names
    (
        "[screen]",
        '[[rows]]\nname = "front"\nx_m = 4\ny_m = [1]\near_height_m = 1\n[screen]',
        'room.toml:24 rows[1].name: rows[0] has the name "front" too; give each a name of its own.',
    ),
    # seats
    (
        "x_m = 3.0",
        "x_m = 6.8",
        'room.toml:19 rows[0].x_m: seats of row "front" are at x = 6.80 m; the room ends at 6.10 m. '
        "Move the row or lengthen the room.",
    ),
    ("y_m = [1.0, 2.0]", "y_m = [1.0, 4.205]", 'seat 2 of row "front" is at y = 4.205 m; the room ends at 4.20 m.'),
    ("y_m = [1.0, 2.0]", "y_m = []", 'rows[0].y_m: row "front" has no seat; give one distance from the left wall'),
    ("ear_height_m = 1.1", "ear_height_m = 2.6", 'ears of row "front" are at z = 2.60 m; the ceiling is at 2.50 m.'),
    ("move_m = [0.2, 0.2]", "move_m = [0.2, 3.2]", 'rows[0].move_m: row "front" at x = 3.00 m could move to 2.80 m and 6.20 m;'),
    ("width_m = 3.0", "width_m = 5", "screen.width_m: the screen is 5.00 m wide; the room is 4.20 m wide."),
    # regions
    (
        "to_m = [3.0, 2.0]",
        "to_m = [7.0, 2.0]",
        'regions[0].to_m: a corner of the "glass pane 6 mm" is at x = 7.00 m; the right wall ends at 6.10 m.',
    ),
    ("to_m = [3.0, 2.0]", "to_m = [3.0, 0.2]", 'regions[0].to_m: the "glass pane 6 mm" has no area: it goes from [1, 0.2] to [3, 0.2].'),
    (
        "[constructions.own]",
        '[[regions]]\nwall = "right"\nfrom_m = [2, 1]\nto_m = [4, 2]\nconstruction = "own"\n[constructions.own]',
        'regions[1]: the "own" covers part of the pane "glass pane 6 mm" (regions[0]); half a plate cannot be kept.',
    ),
    (
        'left = "concrete"',
        'right = "glass pane 10 mm"',
        'regions[0]: the "glass pane 6 mm" covers part of the pane "glass pane 10 mm" (the whole right wall);',
    ),
    # zones, cabinets, layout
    ("to_m = [0.3, 3.9, 0.3]", "to_m = [0.3, 4.9, 0.3]", 'zones[0].to_m: zone "front wall" has a corner at y = 4.90 m; the room ends at 4.20 m.'),
    ("to_m = [6.1, 1.0, 2.0]", "to_m = [6.5, 1.0, 2.0]", 'keep_outs[0].to_m: keep-out "door" has a corner at x = 6.50 m;'),
    (
        "from_m = [5.0, 0.0, 0.0]\nto_m = [6.1, 1.0, 2.0]",
        "from_m = [0, 0, 0]\nto_m = [1, 4.2, 2.0]",
        'room.toml:25 zones[0]: zone "front wall" gives no candidate: of its 9 positions 9 in keep-outs. Keep-outs: "door".',
    ),
    (
        "from_m = [0.3, 0.3, 0.3]\nto_m = [0.3, 3.9, 0.3]",
        "from_m = [0.3, 0.3, 0.1]\nto_m = [0.3, 3.9, 0.1]",
        "without space for the cabinet. Keep the position at least 0.20 m off the walls and 0.25 m off floor and ceiling.",
    ),
    ("spacing_m = 0.5", "spacing_m = 3", "search.counts: search.counts asks for 8 subwoofers; the zones give 3 candidates."),
    ("to_m = [0.3, 3.9, 0.3]\nspacing_m = 0.5", "to_m = [5, 3.9, 2]\nspacing_m = 0.3", "the zones give 1526 candidates; at most 400 can be searched. Take a larger spacing_m, here about 0.47 m in place of 0.30 m."),
    ("to_m = [0.3, 3.9, 0.3]\nspacing_m = 0.5", "to_m = [5, 3.9, 2]\nspacing_m = 0.02", "at most 400 can be searched."),
    (
        "cabinet_m = [0.4, 0.4, 0.5]",
        "cabinet_m = [0.4, 0.4, 2.6]",
        "subwoofer.cabinet_m: the cabinet of 0.40 m x 0.40 m x 2.60 m is larger than the room of 6.10 m x 4.20 m x 2.50 m.",
    ),
    (
        "[0.3, 1.0, 0.3], ",
        "[0.1, 1.0, 0.3], ",
        "room.toml:39 layout.positions_m[0]: the cabinet, centred on [0.1, 1, 0.3], reaches through a wall, the floor or the ceiling.",
    ),
    ("[0.3, 1.0, 0.3], ", "[7, 1.0, 0.3], ", "layout.positions_m[0]: the subwoofer is at x = 7.00 m; the room ends at 6.10 m."),
    (
        "[0.3, 1.0, 0.3], ",
        "[3.0, 1.05, 1.1], ",
        'layout.positions_m[0]: the subwoofer is 0.05 m from the ear at seat "front 1"; at least 0.10 m are needed.',
    ),
    (
        "from_m = [0.3, 0.3, 0.3]\nto_m = [0.3, 3.9, 0.3]",
        "from_m = [3.0, 2.0, 1.1]\nto_m = [3.0, 2.0, 1.1]",
        'zones[0]: zone "front wall" has a candidate at [3, 2, 1.1], 0.00 m from the ear at seat "front 2";',
    ),
]  # fmt: skip


def faults_of(text: str) -> list[str]:
    with pytest.raises(ProjectInvalid) as caught:
        parse_project(text, source="room.toml")
    assert caught.value.exit_code == 3
    return caught.value.lines()


def test_the_basis_is_valid() -> None:
    assert len(parse_project(GOOD, source="room.toml").candidates) == 9


@pytest.mark.parametrize(("old", "new", "message"), ONE_FAULT, ids=[case[2][-60:] for case in ONE_FAULT])
def test_each_fault_in_words(old: str, new: str, message: str) -> None:
    assert old in GOOD
    text = GOOD.replace(old, new, 1)
    if "for 8 subwoofers" in message:
        text = text.replace("counts = [1, 2]", "counts = [8]")
    lines = faults_of(text)
    assert any(message in line for line in lines), "\n".join(lines)
    for line in lines:
        for jargon in ("Input should", "pydantic", "validation error", "type=", "None", "tuple", "dict"):
            assert jargon not in line, line


def test_all_faults_come_at_once_in_the_order_of_the_file() -> None:
    text = GOOD.replace("[room]", "[room]\nloss_factor = 9").replace("x_m = 3.0", "x_m = 6.8")
    text = text.replace('left = "concrete"', 'left = "concret"\nup = "brick"').replace(
        "counts = [1, 2]", "counts = [1, 99]"
    )
    text = text.replace("to_m = [0.3, 3.9, 0.3]", "to_m = [0.3, 4.9, 0.3]").replace('name = "door"', "nam = 1")
    lines = faults_of(text)
    keys = ["room.loss_factor", "walls.left", "walls.up", "rows[0].x_m", "zones[0].to_m", "keep_outs[0].name"]
    keys += ["keep_outs[0].nam", "search.counts[1]"]
    assert [line.split(" ")[1].removesuffix(":") for line in lines] == keys
    numbers = [int(line.split(" ")[0].split(":")[1]) for line in lines]
    assert numbers == sorted(numbers)


def test_an_invalid_construction_is_not_also_an_unknown_one() -> None:
    lines = faults_of(GOOD.replace("alpha = 0.1", "alpha = 3").replace('left = "concrete"', 'left = "own"'))
    assert len(lines) == 1


def test_an_empty_file_says_what_a_project_needs() -> None:
    lines = faults_of("")
    assert [line.split(" ")[1].removesuffix(":") for line in lines] == ["format", "name", "room", "rows", "zones"]


def test_too_many_seats() -> None:
    seats = ", ".join(f"{0.02 * i:.2f}" for i in range(201))
    lines = faults_of(GOOD.replace("y_m = [1.0, 2.0]", f"y_m = [{seats}]"))
    assert any("there are 201 seats; at most 200 can be handled." in line for line in lines)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("name = \n", "room.toml:1: this is not valid TOML: a value is missing or not written as TOML wants it"),
        ("a = 1\na = 2\n", "room.toml:2: this is not valid TOML: this key is given twice"),
        ("a = [1,\n", "room.toml:1: this is not valid TOML: the file ends too early; a value is missing, or a list,"),
        ("a = [1 2]\n", "room.toml:1: this is not valid TOML: a list is not closed with ']', or a comma is missing in it"),
        ('a = "x\n', "room.toml:1: this is not valid TOML: a text holds a line break or a control character"),
        ("[room\n", "room.toml:1: this is not valid TOML:"),
        ("length 5\n", "room.toml:1: this is not valid TOML: a key is not followed by '=' (column 8). The line reads: length 5"),
        ("a = " + "9" * 5000, "room.toml: this is not usable TOML: a number is far too long"),
        ("a = " + "[" * 100000, "room.toml: this is not usable TOML: a number is far too long, or brackets are nested"),
    ],
)  # fmt: skip
def test_toml_faults_in_words(text: str, message: str) -> None:
    lines = faults_of(text)
    assert len(lines) == 1
    assert message in lines[0]


def test_a_newer_format_asks_for_a_newer_program() -> None:
    with pytest.raises(
        FileUnusable, match=r"format is 2; this version reads format 1\. Install a newer roommodes\."
    ) as it:
        parse_project("format = 2\nwhatever = 3", source="room.toml")
    assert it.value.exit_code == 5


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(FileUnusable, match="there is no such file; check the name, or start one with `roommodes new`"):
        load_project(tmp_path / "missing.toml")
    with pytest.raises(FileUnusable, match="this is a folder"):
        load_project(tmp_path)
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(FileUnusable, match="this is not an ordinary file"):
        load_project(tmp_path / "pipe")
    with pytest.raises(FileUnusable, match=r"cannot be read|no such file"):
        load_project("a\0b")
    binary = tmp_path / "binary.toml"
    binary.write_bytes(b"format = 1\nname = '\xff\xfe'\n")
    with pytest.raises(FileUnusable, match=r"binary\.toml:2: the text is not UTF-8"):
        load_project(binary)
    (tmp_path / "plan.h5").write_bytes(b"\x89HDF\r\n\x1a\n\0\xff")
    with pytest.raises(FileUnusable, match="this is an HDF5 file, as plans are; a project is a text"):
        load_project(tmp_path / "plan.h5")
    huge = tmp_path / "huge.toml"
    huge.write_bytes(b"#" * (MAX_BYTES + 1))
    with pytest.raises(FileUnusable, match="it is larger than 5 MB"):
        load_project(huge)


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read every file")
def test_a_file_without_permission(tmp_path: Path) -> None:
    secret = tmp_path / "secret.toml"
    secret.write_text(GOOD)
    secret.chmod(stat.S_IWUSR)
    with pytest.raises(FileUnusable, match="cannot be read"):
        load_project(secret)


def test_a_byte_order_mark_and_windows_line_ends_are_welcome(tmp_path: Path) -> None:
    path = tmp_path / "windows.toml"
    path.write_bytes(b"\xef\xbb\xbf" + GOOD.replace("\n", "\r\n").encode())
    assert load_project(path).name == "x"


def test_shipped_files_load_from_disk(tmp_path: Path) -> None:
    path = tmp_path / "demo.toml"
    path.write_bytes(files("roommodes.project").joinpath("demo.toml").read_bytes())
    project = load_project(path)
    assert project.source == str(path)
    assert project.toml_text == path.read_text(encoding="utf-8")


@pytest.mark.parametrize("old", ["counts = [1, 2]", "points_per_octave = 6"])
def test_a_whole_number_of_hundreds_of_digits_is_told_and_does_not_end_the_program(old: str) -> None:
    text = SMALL.replace(old, re.sub(r"\d(?!.*\d)", "9" * 400, old))
    with pytest.raises(ProjectInvalid, match="got a very large number"):
        parse_project(text, source="x")


AROUND = """\
format = 1
name = "r"
room = { length_m = 6.0, width_m = 5.0, height_m = 2.5 }
zones = [{ name = "front", from_m = [0.3, 0.3, 0.3], to_m = [0.3, 4.7, 0.3] }]
"""


def test_a_row_by_its_pitch_is_the_row_seat_by_seat() -> None:
    row = '[[rows]]\nname = "front"\nx_m = 3.0\ny_m = {}\near_height_m = 1.1\n'
    by_pitch = parse_project(AROUND + row.format("[1.2]\nseats = 4\npitch_m = 0.8"), source="r.toml")
    assert by_pitch.rows[0].y_m == (1.2, 2.0, 2.8, 3.6)
    one_by_one = parse_project(AROUND + row.format("[1.2, 2.0, 2.8, 3.6]"), source="r.toml")
    assert by_pitch.seats.name == one_by_one.seats.name
    assert (by_pitch.seats.position_m == one_by_one.seats.position_m).all()


@pytest.mark.parametrize(
    ("keys", "word"),
    [
        ("[1.2]\nseats = 4", "seats and pitch_m together"),
        ("[1.2, 2.0]\nseats = 2\npitch_m = 0.8", "first seat's place alone"),
        ("[1.2]\nseats = 0\npitch_m = 0.8", "seats"),
        ("[1.2]\nseats = 4\npitch_m = 0.1", "pitch_m"),
        ("[1.2]\nseats = 9\npitch_m = 0.8", "y_m"),
    ],
)
def test_a_pitch_that_is_no_row_is_told(keys: str, word: str) -> None:
    row = f'[[rows]]\nname = "front"\nx_m = 3.0\ny_m = {keys}\near_height_m = 1.1\n'
    with pytest.raises(ProjectInvalid) as caught:
        parse_project(AROUND + row, source="r.toml")
    assert all(word in f"{fault.where} {fault.message}" for fault in caught.value.faults)
