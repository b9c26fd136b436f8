"""Lines of keys, against texts whose lines are known, and never a crash on what tomllib accepts."""

import tomllib
from typing import Any

from hypothesis import example, given
from hypothesis import strategies as st

from roommodes.toml.lines import Path, key_lines
from tests.roommodes.toml.documents import document, paths

TEXT = '''# line 1
title = "a # no comment"  # 2
'quoted key' = 3
dotted . key = 4
multi = """
[not.a.table]
x = 1
""" # ends on 8
array = [  # 9
  1,  # ]
  "]",
]
inline = { a = 1, b = [1, 2] } # 13
literal = \'\'\'
it\'s \\\'\'\'
after = 1 # 16

[table] # 18
key = "esc \\" quote"
[table."sub.table"] # 20
"\\u0041b" = 1
[[list]] # 22
x = 1
[list.child] # 24
y = 2
[[list]] # 26
x = 3
[[list.inner]] # 28
z = 1
[[list.inner]]
z = 2 # 31
'''
KNOWN: dict[Path, int] = {
    ("title",): 2,
    ("quoted key",): 3,
    ("dotted", "key"): 4,
    ("multi",): 5,
    ("array",): 9,
    ("array", 0): 10,
    ("array", 1): 11,
    ("inline",): 13,
    ("inline", "b", 1): 13,
    ("literal",): 14,
    ("after",): 16,
    ("table",): 18,
    ("table", "key"): 19,
    ("table", "sub.table"): 20,
    ("table", "sub.table", "Ab"): 21,
    ("list",): 22,
    ("list", 0): 22,
    ("list", 0, "x"): 23,
    ("list", 0, "child"): 24,
    ("list", 0, "child", "y"): 25,
    ("list", 1): 26,
    ("list", 1, "x"): 27,
    ("list", 1, "inner", 0): 28,
    ("list", 1, "inner", 0, "z"): 29,
    ("list", 1, "inner", 1, "z"): 31,
}


def test_every_key_is_found_on_its_line() -> None:
    tomllib.loads(TEXT)
    lines = key_lines(TEXT)
    assert {path: lines.of(path) for path in KNOWN} == KNOWN


def test_a_key_that_is_missing_goes_by_the_table_around_it() -> None:
    lines = key_lines(TEXT)
    assert lines.of(("list", 1, "missing")) == 26
    assert lines.of(("array", 2)) == 9
    assert lines.of(("nothing",)) is None
    assert lines.of(()) is None


def test_lists_and_inline_tables_on_many_lines() -> None:
    text = 'rows = [\n  { name = "a", y_m = [1, 2] }, # ]\n  { name = """\n]""", y_m = [\n    1,\n    2 ] },\n]\n'
    text += "after = 1\n"
    lines = key_lines(text)
    wanted: dict[Path, int] = {
        ("rows", 0): 2,
        ("rows", 0, "y_m", 1): 2,
        ("rows", 1): 3,
        ("rows", 1, "name"): 3,
        ("rows", 1, "y_m"): 4,
        ("rows", 1, "y_m", 1): 6,
        ("after",): 8,
    }
    assert {path: lines.of(path) for path in wanted} == wanted


def test_the_paths_are_those_that_tomllib_reads() -> None:
    """In 2000 texts: every table, key and list entry has a line, nothing else has, and a key appears with its line."""
    seen = 0
    for seed in range(2000):
        text = document(seed)
        try:
            tree = tomllib.loads(text)
        except tomllib.TOMLDecodeError:
            continue
        found = key_lines(text).by_path
        assert set(found) == set(paths(tree)), text
        rows = text.split("\n")
        for path, line in found.items():
            if len(path) == 1:
                assert path[0] not in tomllib.loads("\n".join(rows[: line - 1])), text
        seen += 1
    assert seen > 1200


def test_windows_line_ends() -> None:
    assert key_lines("a = 1\r\n\r\n[b]\r\nc = 2\r\n").of(("b", "c")) == 4


SCALARS: st.SearchStrategy[Any] = st.one_of(
    st.integers(-5, 5).map(str),
    st.sampled_from(
        ['"x"', '"a]#b"', "'it\"s'", '"""two\nlines"""', "'''a\n'\n'''", "true", "1979-05-27", '"\\"\\\\"']
    ),
)
VALUES = st.recursive(
    SCALARS,
    lambda inner: st.one_of(
        st.lists(inner, max_size=3).map(lambda items: "[\n" + ",  # ]\n".join(items) + "\n]"),
        st.lists(SCALARS.filter(lambda s: "\n" not in s), max_size=2).map(
            lambda items: "{" + ", ".join(f"k{i} = {item}" for i, item in enumerate(items)) + "}"
        ),
    ),
    max_leaves=5,
)


@given(st.lists(st.tuples(st.sampled_from(["[t{}]", "[[a]]", ""]), VALUES), max_size=6))
@example([("[[a]]", "'''x''''"), ("", "1")])
def test_lines_agree_with_where_the_keys_were_put(statements: list[tuple[str, str]]) -> None:
    rows: list[str] = []
    expected: dict[Path, int] = {}
    table: Path = ()
    entries = -1
    for index, (header, value) in enumerate(statements):
        if header:
            rows.append(header.format(index))
            entries += header == "[[a]]"
            table = ("a", entries) if header == "[[a]]" else (f"t{index}",)
        line = "\n".join(rows).count("\n") + 2 if rows else 1
        rows.append(f"key{index} = {value}")
        expected[(*table, f"key{index}")] = line
    text = "\n".join(rows) + "\n"
    tomllib.loads(text)
    lines = key_lines(text)
    assert {path: lines.of(path) for path in expected} == expected
