"""The study file: its faults in words, its rooms as drawn."""

import tomllib
from importlib.resources import files
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from roommodes.errors import FileUnusable, ProjectInvalid
from roommodes.studies.design import StudyRoom, room_project, study_rooms
from roommodes.studies.reading import Study, load_study, parse_study, study_schema
from roommodes.toml.text import toml_text
from tests.studies.texts import tiny

PAIRS = 'positions = "front-and-rear pairs"\n'
STARTER = files("roommodes.studies").joinpath("starter.toml").read_text(encoding="utf-8")


def rooms_of(text: str) -> tuple[StudyRoom, ...]:
    return study_rooms(parse_study(text, source="study.toml"))


def faults_of(text: str) -> list[str]:
    with pytest.raises(ProjectInvalid) as caught:
        rooms_of(text)
    return caught.value.lines()


def test_the_starter_is_valid_and_follows_the_schema() -> None:
    schema = study_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(tomllib.loads(STARTER), schema)
    assert len(rooms_of(STARTER)) == 64


def test_all_faults_come_at_once_with_their_lines() -> None:
    text = (
        STARTER.replace("count = 64", "cuont = 64")
        .replace("seed = 1 ", "seed = -1 ")
        .replace("height_m = [2.4, 2.55, 2.7]", "height_m = [2.4, 2.4]")
        .replace('name = "four corners"\nsubs = 4', 'name = "four corners"\nsubs = 5')
    )
    lines = text.splitlines()
    found = faults_of(text)
    assert len(found) == 4
    for fault, key, said in (
        (found[0], "seed = -1", "seed: got -1; allowed: 0 to"),
        (found[1], "cuont", "rooms.cuont: unknown key. Did you mean count?"),
        (found[2], "height_m = [2.4", "rooms.height_m: one value is given twice"),
        (found[3], "subs = 5", "strategies[4].subs: got 5; corners are only 4."),
    ):
        number = next(k for k, line in enumerate(lines, start=1) if line.startswith(key))
        assert fault.startswith(f"study.toml:{number} ")
        assert said in fault


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('design = "sobol"', 'design = "every combination"', "has its own number of rooms"),
        (
            "length_m = { from = 4.6, to = 7.6 }",
            "length_m = { from = 7.6, to = 4.6 }",
            "first must be below the second",
        ),
        ("length_m = { from = 4.6, to = 7.6 }", "length_m = { from = 4.6 }", "exactly the keys from and to"),
        ("length_m = { from = 4.6, to = 7.6 }", "length_m = 460", "got 460 m; allowed: 1.5 to 60 m"),
        ("length_m = { from = 4.6, to = 7.6 }     #", "#", "rooms.length_m: this key is missing: Inner length"),
        ('construction = "single glazing"', 'construction = "singel glazing"', "Did you mean single glazing?"),
        ("[spread.brick]\nalpha", "[spread.brick]\nalhpa", "unknown key. Did you mean alpha? Allowed: alpha."),
        ("[spread.brick]\nalpha = 1.5", "[spread.brick]\nalpha = 9.0", None),
        ("[spread.brick]\nalpha = 1.5", "[spread.bricks]\nalpha = 1.5", "Did you mean brick?"),
        ("[spread.brick]\nalpha = 1.5", "[spread.brick]\nalpha = 1.0", "above 1, up to 10"),
        ("[spread.brick]\nalpha = 1.5", "[spread.opening]\narea_m2 = 1.5", "none of its parameters is a number"),
        ("inner_mass_kg_m2 = 1.3", "radiates = 1.3", "Allowed: inner_mass_kg_m2, outer_mass_kg_m2, cavity_m, "),
        ("inner_mass_kg_m2 = 1.3", "mass_kg_m2 = 1.3", None),  # its key before it had two leaves
        ("y_fraction = [0.34, 0.5, 0.66]", "y_fraction = [0.34, 1.5]", "got 1.5; allowed: 0 to 1"),
        ("ear_height_m = 1.3", "ear_height_m = 2.5", "2.4 m, build 'masonry, boarded ceiling': rows[1].ear_height_m"),
        ('name = "four corners"\n', 'name = "one in a corner"\n', "strategies[0] has the name"),
        ("at_fraction = [[0, 0, 0]]", "", "at_fraction: this key is missing"),
        ("at_fraction = [[0, 0, 0]]", "at_fraction = [[0, 0, 0], [0, 0, 0]]", "one position is given twice"),
        ("at_fraction = [[0, 0.5, 0], [1, 0.5, 0]]", "at_fraction = [[0, 0.5, 0]]", "it has 1 for 2 subs"),
        ('positions = "wall midpoints"', 'positions = "wall midpoint"', "Did you mean wall midpoints?"),
        (
            'positions = "free"',
            'positions = "free"\nat_fraction = [[0, 0, 0]]',
            "the positions are free; delete the key",
        ),
        ('subs = 4\npositions = "front-and-rear', 'subs = 3\npositions = "front-and-rear', "pairs need an even number"),
        (
            'positions = "front-and-rear pairs"',
            'positions = "front-and-rear arrays"',
            "got 4; front-and-rear arrays are 8.",
        ),
        (PAIRS, PAIRS + "polarity = [1, 1, -1]", "polarity: it has 3 for 4 subs; give one for each."),
        (PAIRS, PAIRS + "polarity = [1, 1, -1, 0]", "got 0; allowed: 1, -1."),
        (PAIRS, PAIRS + "gain_db = [0, 0, 3, 3]", "got 3 dB; allowed: -40 to 0 dB"),
        (PAIRS, PAIRS + "delay_ms = []", "got an empty list; give one for each sub, or delete the key."),
        (PAIRS, PAIRS + "height_fraction = [0.5, 0.5]", "it has 2; allowed: one number, or 4, one for each position"),
        (PAIRS, PAIRS + "height_fraction = 1.5", "got 1.5; allowed: 0 to 1"),
        (
            PAIRS,
            PAIRS + "trim = [{ subs = [3, 5], gain_db = [-6, 0] }]",
            "trim[0].subs: there is no sub 5; the strategy has 4",
        ),
        (PAIRS, PAIRS + "trim = [{ subs = [], gain_db = [-6, 0] }]", "name the subs by number, from 1"),
        (
            PAIRS,
            PAIRS + "trim = [{ subs = [1, 2, 3, 4], gain_db = [-6, 0] }]",
            "these are all subs; what is common to all",
        ),
        (PAIRS, PAIRS + "trim = [{ subs = [3, 4] }]", "neither gain_db nor delay_ms is given"),
        (
            PAIRS,
            PAIRS + "trim = [{ subs = [3], gain_db = [-6, 0] }, { subs = [3, 4], delay_ms = [-1, 1] }]",
            "trim[1].subs: a sub is named twice",
        ),
        (
            PAIRS,
            PAIRS + 'adjust = ["gains"]\ntrim = [{ subs = [3, 4], gain_db = [-6, 0] }]',
            "take trim or adjust, not both",
        ),
        ('positions = "free"', 'positions = "free"\ngain_db = [0, 0]', "settings belong to a position"),
        ('positions = "free"', 'positions = "free"\nheight_fraction = [0, 1]', "one number for the whole line"),
        (
            "at_fraction = [[0, 0, 0]]",
            "at_fraction = [[0, 0, 0]]\nheight_fraction = 0.5",
            "at_fraction gives the heights",
        ),
        ('adjust = ["delays", "gains", "polarity"]', 'adjust = ["delays", "delays"]', "one adjustment is given twice"),
        ('adjust = ["delays", "gains", "polarity"]', 'adjust = ["delay"]', "Did you mean delays?"),
        ("band_hz = [20, 100]", "band_hz = [100, 20]", "the first must not be above the second"),
        ("format = 1", "format = 1\nrooms = 3", "is not valid TOML"),
        (
            "replicates = 8 ",
            "replicates = 5 ",
            "rooms.count: got 64 rooms in 5 designs; take a multiple, such as 65.",
        ),
        ("replicates = 8 ", "replicates = 3 ", "rooms.replicates: got 3; allowed: 1, or 4 and more"),
    ],
)
def test_a_fault_is_named(old: str, new: str, said: str | None) -> None:
    assert old in STARTER
    text = STARTER.replace(old, new, 1)
    if said is None:
        rooms_of(text)  # wide, and still within its range
        return
    assert any(said in line for line in faults_of(text)), faults_of(text)


def test_a_spread_that_leaves_its_range_is_a_fault() -> None:
    text = STARTER.replace("alpha = 1.5", "alpha = 9.0").replace(
        "[spread.brick]", '[constructions.brick]\nkind = "absorption"\nalpha = 0.5\n[spread.brick]'
    )
    (fault,) = faults_of(text)
    assert "spread.brick.alpha: times 9 it leaves its range: got 4.5; allowed: 0 to 0.951" in fault


def test_a_newer_format_is_refused() -> None:
    with pytest.raises(FileUnusable, match="format is 2; this version reads study format 1"):
        parse_study(STARTER.replace("format = 1", "format = 2"), source="study.toml")


def test_a_sobol_family_fills_its_ranges_and_grows_without_moving() -> None:
    few, many = rooms_of(tiny(11)), rooms_of(tiny(32))
    assert [room.project_toml for room in few] == [room.project_toml for room in many[:11]]
    length = np.array([room_project(room).room.length_m for room in many])
    width = np.array([room_project(room).room.width_m for room in many])
    for values, low, high in ((length, 4.2, 6.8), (width, 3.2, 5.0)):
        # a (t, m, s) net in base 2: each of 32 equal parts of an axis has one of 32 points (from memory)
        parts = np.floor((values - low) / (high - low) * 32 + 1e-3).astype(int)
        assert len(set(np.clip(parts, 0, 31).tolist())) >= 30  # lengths are rounded to 0.1 mm
    heights = [room_project(room).room.height_m for room in many]
    assert abs(heights.count(2.4) - 16) <= 1


def test_a_latin_hypercube_has_one_room_in_each_part_of_every_range() -> None:
    rooms = rooms_of(tiny(20).replace('"sobol"', '"latin hypercube"'))
    length = np.array([room_project(room).room.length_m for room in rooms])
    assert sorted(np.floor((length - 4.2) / 2.6 * 20).astype(int).tolist()) == list(range(20))


def test_another_seed_draws_other_rooms() -> None:
    assert rooms_of(tiny(4)) != rooms_of(tiny(4).replace("seed = 5", "seed = 6"))
    assert rooms_of(tiny(4)) == rooms_of(tiny(4))


def test_every_combination_is_the_product_of_the_lists() -> None:
    text = (
        tiny(1)
        .replace('design = "sobol"\ncount = 1\n', 'design = "every combination"\n')
        .replace("{ from = 4.2, to = 6.8 }", "[5.0, 6.0]")
        .replace("{ from = 3.2, to = 5.0 }", "4.0")
    )
    sizes = [room_project(room).room.size_m for room in rooms_of(text)]
    assert sizes == [(5.0, 4.0, 2.4), (5.0, 4.0, 2.7), (6.0, 4.0, 2.4), (6.0, 4.0, 2.7)]


def test_a_spread_stays_within_its_factor_and_reaches_for_both_ends() -> None:
    rooms = rooms_of(STARTER)
    masses = [
        float(table["inner_mass_kg_m2"])
        for room in rooms
        if (table := tomllib.loads(room.project_toml)["constructions"].get("plasterboard on studs"))
    ]
    assert len(masses) == 32
    factors = np.array(masses) / 8.5  # the library's
    assert 1 / 1.3 - 1e-5 <= factors.min() < 0.85
    assert 1.2 < factors.max() <= 1.3 + 1e-5
    assert abs(np.log(factors).mean()) < 0.03  # evenly on a logarithmic scale


TABLE = "room,length_m,width_m,height_m\nattic,5.0,4.0,2.4\n\ncellar, 6.0 ,4.5,2.7\n"
OWN = "length_m,width_m,height_m,cost,owner\n5,4,2.4,60,me\n6,4,2.4,70,\n6,4,2.5,,you\n7,4,2.5,90,you\n"
TABLED = (
    tiny(1)
    .replace('design = "sobol"\ncount = 1\n', 'design = "table"\ntable = "rooms.csv"\n')
    .replace("length_m = { from = 4.2, to = 6.8 }\nwidth_m = { from = 3.2, to = 5.0 }\nheight_m = [2.4, 2.7]\n", "")
)


def with_table(folder: Path, table: str, text: str = TABLED) -> Study:
    (folder / "study.toml").write_text(text)
    (folder / "rooms.csv").write_text(table)
    return load_study(folder / "study.toml")


def test_a_table_lists_the_rooms(tmp_path: Path) -> None:
    rooms = study_rooms(with_table(tmp_path, TABLE))
    assert [room.label for room in rooms] == ["attic", "cellar"]
    assert room_project(rooms[1]).room.size_m == (6.0, 4.5, 2.7)
    assert room_project(rooms[1]).room.loss_factor == 0.02


def test_columns_of_ones_own_are_numbers_or_words(tmp_path: Path) -> None:
    rooms = study_rooms(with_table(tmp_path, OWN))
    assert [room.properties["cost"] for room in rooms if room.number != 3] == [60.0, 70.0, 90.0]
    assert np.isnan(rooms[2].properties["cost"])
    assert [room.words["owner"] for room in rooms] == ["me", "", "you", "you"]
    assert rooms[0].project_toml != rooms[1].project_toml
    assert "cost" not in rooms[0].project_toml  # what changes no result changes no job


def test_glass_is_what_is_seen_of_it() -> None:
    """0.7 x 0.85 of the left wall, in rooms with the build that has it."""
    for room in rooms_of(STARTER)[:8]:
        size = room_project(room).room.size_m
        expected = 0.7 * 0.85 * size[0] * size[2] if "glazed" in room.build else 0.0
        assert room.properties["glass_m2"] == pytest.approx(expected, abs=1e-3)


@pytest.mark.parametrize(
    ("table", "said"),
    [
        (TABLE.replace("height_m", "hieght_m"), 'rooms.csv:1: unknown column "hieght_m". Did you mean height_m?'),
        (TABLE.replace("height_m", "hieght_m"), "the column height_m is missing"),
        (
            TABLE.replace("cellar", "attic"),
            'rooms.csv:4 room: "attic" is the room of line 2 too; give each room a label',
        ),
        (TABLE.replace("height_m", "height_m,"), "a column has no name"),
        (OWN.replace("cost", "output_db"), "the column output_db would be taken for one of the results"),
        (OWN.replace("cost", "seatng"), 'unknown column "seatng". Did you mean seating?'),
        (OWN.replace("cost", "glass_m2 "), "the column glass_m2 would be taken for one of the results"),
        (OWN.replace("cost", "volume_m3"), "the column volume_m3 would be taken for one of the results"),
        (OWN.replace("cost", "height_m"), "a column is given twice"),
        (OWN.replace("70", "many"), 'rooms.csv:3 cost: got "many"; allowed: a number as in the column\'s other rows'),
        (TABLE.replace("5.0", "5,0"), "rooms.csv:2: the row has 5 columns, the header 4"),
        (TABLE.replace("5.0", "five"), 'rooms.csv:2 length_m: got "five"; allowed: a number'),
        (TABLE.replace("5.0", "500"), "rooms.csv:2 length_m: got 500 m; allowed: 1.5 to 60 m"),
        (TABLE.replace("5.0", "nan"), "rooms.csv:2 length_m: got nan m"),
        (TABLE.replace("5.0", "inf"), "rooms.csv:2 length_m: got inf m"),
        ("length_m,width_m,height_m\n", "it lists 0 rooms"),
        ("", "the column length_m is missing"),
        (TABLE.replace("attic", '"at"tic'), "this is not valid CSV"),
        ("length_m,width_m,height_m,build\n5,4,2.5,glass\n", 'there is no build "glass"'),
    ],
)
def test_faults_of_a_table_name_its_lines(tmp_path: Path, table: str, said: str) -> None:
    with pytest.raises(ProjectInvalid) as caught:
        with_table(tmp_path, table)
    assert any(said in line for line in caught.value.lines()), caught.value.lines()


@pytest.mark.parametrize("name", ["../rooms.csv", "a/rooms.csv", "..", "C:rooms.csv", "a\\\\b.csv"])
def test_a_study_reads_only_in_its_own_folder(tmp_path: Path, name: str) -> None:
    folder = tmp_path / "inner"
    folder.mkdir()
    (tmp_path / "rooms.csv").write_text(TABLE)
    with pytest.raises(ProjectInvalid, match=r"the name of a file in the study's own folder|unknown|missing"):
        with_table(folder, TABLE, TABLED.replace("rooms.csv", name))


PLAIN = st.recursive(
    st.one_of(
        st.booleans(),
        st.integers(-(2**60), 2**60),
        st.floats(allow_nan=False, allow_infinity=False),
        st.text(st.characters(exclude_categories=("Cs",)), max_size=8),
    ),
    lambda inner: st.lists(inner, max_size=3),
    max_leaves=5,
)
KEYS = st.text(st.characters(exclude_categories=("Cs",)), min_size=1, max_size=6)
TABLES = st.dictionaries(KEYS, PLAIN, max_size=3)


@given(st.dictionaries(KEYS, st.one_of(PLAIN, TABLES, st.lists(TABLES, min_size=1, max_size=2)), max_size=4))
def test_what_is_written_as_toml_is_read_as_it_was(tree: dict[str, object]) -> None:
    assert tomllib.loads(toml_text(tree)) == tree
