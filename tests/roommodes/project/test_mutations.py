"""Whatever is done to a project file, the reader answers with a Project or with faults in words: nothing else."""

from importlib.resources import files
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from roommodes.acoustics.visible_surfaces import visible
from roommodes.errors import FileUnusable, ProjectInvalid
from roommodes.project.project import Project
from roommodes.project.reading import parse_project

DEMO = files("roommodes.project").joinpath("demo.toml").read_text(encoding="utf-8")
ROWS = DEMO.splitlines()
KEYS = [index for index, row in enumerate(ROWS) if "=" in row and not row.startswith("#")]
NUMBERS = st.one_of(
    st.floats().map(repr),
    st.integers().map(str),
    st.sampled_from(["0", "-0.0", "1e308", "-1e-308", "1e999", "9" * 400, "0x7f", "1_000", "nan", "-inf"]),
)
VALUES = st.recursive(
    st.one_of(
        NUMBERS,
        st.sampled_from(
            ['""', '"left"', '"rigid"', '"glass pane 6 mm"', "true", "1979-05-27", "07:32:00", '"\\u0000"', "'''\na'''"]
        ),
        st.text(max_size=8).map(lambda text: "'" + text.replace("'", "") + "'"),
    ),
    lambda inner: st.one_of(
        st.lists(inner, max_size=4).map(lambda items: "[" + ", ".join(items) + "]"),
        st.dictionaries(st.sampled_from(["a", '"63"', '"31.5"', "kind", '"-1"', '"inf"']), inner, max_size=2).map(
            lambda table: "{" + ", ".join(f"{key} = {value}" for key, value in table.items()) + "}"
        ),
    ),
    max_leaves=6,
)


def answer(text: str) -> None:
    """Read a text; every other exception than the two that the reader promises fails the test."""
    caught: ProjectInvalid | None = None
    try:
        use(parse_project(text, source="room.toml"))
    except ProjectInvalid as fault:
        caught = fault
    except FileUnusable:
        return
    for line in caught.lines() if caught else ():
        assert line.startswith("room.toml")
        assert "\n" not in line
        assert len(line) < 2000
    assert caught is None or caught.faults


def use(project: Project) -> None:
    """What is accepted must also serve."""
    visible(project.surfaces())
    candidates = project.candidates
    assert len(candidates) <= 400
    assert 1 <= len(project.seats) <= 200
    assert len(candidates) == 0 or max(project.search.counts) <= len(candidates)
    assert project.layout is None or len(project.layout.gain_db) == len(project.layout.positions_m)


@settings(max_examples=150, deadline=None)
@given(st.dictionaries(st.sampled_from(KEYS), VALUES, min_size=1, max_size=3))
def test_any_value_for_any_key(changes: dict[int, str]) -> None:
    rows = list(ROWS)
    for index, value in changes.items():
        rows[index] = rows[index].split("=", 1)[0] + "= " + value
    answer("\n".join(rows))


@settings(max_examples=100, deadline=None)
@given(st.dictionaries(st.sampled_from(KEYS), st.floats(0.0, 2.0), min_size=1, max_size=4))
def test_numbers_that_are_off_by_some(changes: dict[int, float]) -> None:
    """Small changes, so that many projects stay valid and are used."""
    rows = list(ROWS)
    for index, factor in changes.items():
        key, value = rows[index].split("=", 1)
        pieces = value.split("#")[0].replace("[", "[ ").replace(",", " ,").replace("]", " ]").split(" ")
        rows[index] = key + "=" + " ".join(_scaled(piece, factor) for piece in pieces)
    answer("\n".join(rows))


def _scaled(piece: str, factor: float) -> str:
    try:
        number = float(piece)
    except ValueError:
        return piece
    return str(round(number * factor)) if "." not in piece else repr(number * factor)


@settings(max_examples=100, deadline=None)
@given(st.data())
def test_rows_lost_doubled_and_swapped(data: Any) -> None:
    rows = list(ROWS)
    for _ in range(data.draw(st.integers(1, 4))):
        at, to = (data.draw(st.integers(0, len(rows) - 1)) for _ in range(2))
        match data.draw(st.sampled_from(["lose", "double", "swap"])):
            case "lose":
                del rows[at]
            case "double":
                rows.insert(to, rows[at])
            case _:
                rows[at], rows[to] = rows[to], rows[at]
    answer("\n".join(rows))


@settings(max_examples=100, deadline=None)
@given(st.integers(0, len(DEMO)), st.integers(0, 12), st.text(max_size=6))
def test_characters_changed_anywhere(at: int, count: int, text: str) -> None:
    answer(DEMO[:at] + text + DEMO[at + count :])


@settings(max_examples=50, deadline=None)
@given(st.text(max_size=200))
def test_any_text_at_all(text: str) -> None:
    answer(text)
