"""Values changed where they stand, whatever the file's way of writing TOML; nothing else moves."""

import tomllib
from typing import Any

import pytest

from roommodes.toml.edit import with_table, with_values
from roommodes.toml.lines import Path
from tests.roommodes.toml.documents import document, leaves

LONGER: dict[Path, Any] = {("room", "length_m"): 5.25}
WALL = {"kind": "pane", "absorption": {"63": 0.1}, "sizes": [1.5, 2]}


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("room.length_m = 5.2  # by tape\nroom.width_m = 4\n", "room.length_m = 5.25  # by tape\nroom.width_m = 4\n"),
        ('["room"]\nlength_m   =   5.2 # m\n', '["room"]\nlength_m   =   5.25 # m\n'),
        ("[ room ]\n'length_m' = 5.2\n", "[ room ]\n'length_m' = 5.25\n"),
        ("room = { width_m = 4, length_m = 5.2 }\n", "room = { width_m = 4, length_m = 5.25 }\n"),
        (
            'note = """\n[room]\nlength_m = 5.2\n"""\n[room]\nlength_m = 5.2\n',
            'note = """\n[room]\nlength_m = 5.2\n"""\n[room]\nlength_m = 5.25\n',
        ),
        ("[room]\r\nlength_m = 5.2\r\n", "[room]\r\nlength_m = 5.25\r\n"),
        (
            "[walls]\n[room.more]\nx = 1\n[room]\nlength_m = 5\n",
            "[walls]\n[room.more]\nx = 1\n[room]\nlength_m = 5.25\n",
        ),
    ],
    ids=[
        "dotted keys",
        "quoted heading",
        "blanks and a literal key",
        "inline",
        "in a text",
        "CRLF",
        "a table below its own",
    ],
)
def test_a_value_changes_where_it_stands(text: str, expected: str) -> None:
    assert with_values(text, LONGER, source="x") == expected


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("[room] # r\n\n# walls\n[walls]\n", "[room] # r\nlength_m = 5.25\n\n# walls\n[walls]\n"),
        ("[room]\nwidth_m = 4\n# walls\n[walls]\n", "[room]\nwidth_m = 4\nlength_m = 5.25\n# walls\n[walls]\n"),
        ("room.width_m = 4\n[walls]\n", "room.width_m = 4\nroom.length_m = 5.25\n[walls]\n"),
        ("[room]\r\nwidth_m = 4\r\n\r\n[walls]\r\n", "[room]\r\nwidth_m = 4\r\nlength_m = 5.25\r\n\r\n[walls]\r\n"),
    ],
    ids=["an empty table", "before the comment of the next", "dotted keys", "CRLF"],
)
def test_a_new_key_joins_its_table(text: str, expected: str) -> None:
    assert with_values(text, LONGER, source="x") == expected


def test_of_lists_and_tables_only_what_differs_is_written_anew() -> None:
    text = (
        '[[l]]\nb = [\n  2, # two\n  3, # three\n]\n[t]\nc = { 63 = 1, "y z" = "#" }  # c\n'
        "[[l]]\nb = [1, 2]\n[t.d]\n63 = 1 # d\n"
    )
    changes: dict[Path, Any] = {
        ("l", 0, "b"): [2.0, 3.5],
        ("l", 1, "b"): [1, 2, 3],
        ("t", "c"): {"63": 1.5, "y z": "#"},
        ("t", "d"): {"63": 2},
    }
    assert with_values(text, changes, source="x") == (
        '[[l]]\nb = [\n  2, # two\n  3.5, # three\n]\n[t]\nc = { 63 = 1.5, "y z" = "#" }  # c\n'
        "[[l]]\nb = [1, 2, 3]\n[t.d]\n63 = 2 # d\n"
    )


def test_a_table_that_is_not_there() -> None:
    with pytest.raises(KeyError):
        with_values("[walls]\n", LONGER, source="x")


def test_nothing_but_the_value_changes_in_texts_of_any_layout() -> None:
    """Every line but one stays as it is, in 250 texts; the tree is the old one with the new value."""
    seen = 0
    for seed in range(250):
        text = document(seed)
        try:
            tree = tomllib.loads(text)
        except tomllib.TOMLDecodeError:
            continue
        for path, value in leaves(tree):
            if isinstance(value, str):  # may stand on many lines
                continue
            changed = with_values(text, {path: 7.125}, source="x")
            before, after = text.split("\n"), changed.split("\n")
            assert len(before) == len(after), text
            (line,) = [number for number, pair in enumerate(zip(before, after, strict=True)) if len(set(pair)) > 1]
            assert before[line].partition("  # ")[2] == after[line].partition("  # ")[2], text
            assert dict(leaves(tomllib.loads(changed))) == dict(leaves(tree)) | {path: 7.125}, text
            seen += 1
    assert seen > 500


@pytest.mark.parametrize(
    "text",
    [
        "",
        "[room]\nx = 1",
        'constructions.b.kind = "x"\r\n',
        '[constructions.b]\nkind = "x"\n[[room]]\nx = 1\n# end\n\n\n',
    ],
)
def test_a_new_table_stands_at_the_end(text: str) -> None:
    changed = with_table(text, ("constructions", "my wall"), WALL, comment="fitted", source="x")
    tree = tomllib.loads(text)
    tree["constructions"] = tree.get("constructions", {}) | {"my wall": WALL}
    assert tomllib.loads(changed) == tree
    assert changed.startswith(text.rstrip())
    assert "# fitted" in changed
    assert '[constructions."my wall"]' in changed


def test_a_new_table_joins_an_inline_one() -> None:
    text = 'constructions = { b = { kind = "x" } }  # own\n[walls]\n'
    changed = with_table(text, ("constructions", "my wall"), WALL, comment="fitted", source="x")
    assert tomllib.loads(changed) == {"constructions": {"b": {"kind": "x"}, "my wall": WALL}, "walls": {}}
    assert "# own\n[walls]\n" in changed
