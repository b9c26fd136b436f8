"""Layout files: what is read of them, what is refused, and the project that a layout is written into."""

import json
import tomllib
from pathlib import Path
from typing import Any

import pytest

from roommodes.errors import FileUnusable, ProjectInvalid
from roommodes.places.layout import Layout
from roommodes.project.layout_file import read_layout
from roommodes.project.layout_text import with_layout
from roommodes.project.reading import parse_project
from tests.rooms import SMALL

SAVED: dict[str, Any] = {
    "format": "roommodes layout",
    "format_version": 1,
    "layout": {
        "positions_m": [[0.3, 1.2, 0.3], [3.8, 1.8, 0.3], [0.3, 2.9, 0.3]],
        "gain_db": [0, -2.5, -1],
        "delay_ms": [3.25, 0, 1],
        "polarity": [1, 1, -1],
    },
    "rows": [{"name": "front", "shift_m": 0.15}],
    "project_toml": SMALL,
    "numbers": {"of": "another time"},
}


@pytest.fixture
def saved(tmp_path: Path) -> Path:
    path = tmp_path / "layout.json"
    path.write_text(json.dumps(SAVED))
    return path


def changed(path: Path, **values: Any) -> Path:
    path.write_text(json.dumps({**SAVED, **values}))
    return path


def test_a_layout_replaces_the_projects_own_and_moves_its_rows(saved: Path) -> None:
    found = read_layout(saved)
    project = found.own_project()
    assert project.layout == found.layout
    assert project.rows[0].x_m == pytest.approx(2.35)
    before, after = tomllib.loads(SMALL), tomllib.loads(project.toml_text)
    after["layout"], after["rows"][0]["x_m"] = before["layout"], 2.2
    assert after == before, "nothing else changed"


def test_comments_and_everything_else_stay_as_written() -> None:
    text = SMALL.replace("gain_db = [0, -3]", "gain_db = [0, -3]   # as measured").replace(
        "\n[search]", "\n# wishes\n[search]"
    )
    layout = Layout(positions_m=((0.3, 0.5, 0.3),), gain_db=(-1.0,), delay_ms=(0.0,), polarity=(1,))
    project = with_layout(parse_project(text, source="x"), layout, comment="-", source="new")
    assert "# as measured" in project.toml_text
    assert "# wishes\n[search]" in project.toml_text
    untouched = text[: text.index("[layout]")]
    assert project.toml_text.startswith(untouched)


def test_a_project_without_a_layout_gets_one_at_its_end() -> None:
    text = SMALL[: SMALL.index("[layout]")]
    layout = Layout(positions_m=((0.3, 0.5, 0.3),), gain_db=(-1.0,), delay_ms=(0.0,), polarity=(-1,))
    project = with_layout(parse_project(text, source="x"), layout, comment="From the plan.", source="new")
    assert project.toml_text.startswith(text.rstrip())
    assert "\n# From the plan.\n[layout]\n" in project.toml_text
    assert project.layout == layout


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"format": "something else"}, 'its format is not "roommodes layout"'),
        ({"format_version": 2}, "has format version 2"),
        ({"format_version": 0}, "versions begin at 1"),
        ({"format_version": True}, "versions begin at 1"),
    ],
)
def test_other_files_are_refused(saved: Path, values: dict[str, Any], words: str) -> None:
    with pytest.raises(FileUnusable, match=words):
        read_layout(changed(saved, **values))


def test_what_is_no_json_is_refused(saved: Path) -> None:
    for text in ("[layout]", "[" * 100_000, "3", ""):
        saved.write_text(text)
        with pytest.raises(FileUnusable, match="explore"):
            read_layout(saved)


def test_every_fault_is_told_with_its_place(saved: Path) -> None:
    layout = {**SAVED["layout"], "gain_db": [0, "loud", 1], "polarity": [1, 2, 1]}
    with pytest.raises(ProjectInvalid) as fault:
        read_layout(changed(saved, layout=layout, rows=[{"name": "front", "shift_m": 1e9}]))
    text = str(fault.value)
    for words in ("layout.gain_db[1]: got", "layout.polarity[1]: got 2", "rows[0].shift_m: got"):
        assert words in text


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"layout": {"positions_m": [[9.0, 1.0, 0.3]]}}, "layout.positions_m"),
        ({"layout": {"positions_m": [[0.3, 1.0, 0.3]], "gain_db": [0, 0]}}, "layout.gain_db"),
        ({"rows": [{"name": "balcony", "shift_m": 0.1}]}, "names the row 'balcony'"),
        ({"rows": [{"name": "front", "shift_m": 3.0}]}, "rows"),
    ],
)
def test_what_does_not_fit_the_room_is_refused(saved: Path, values: dict[str, Any], words: str) -> None:
    with pytest.raises(ProjectInvalid, match=words):
        read_layout(changed(saved, **values)).own_project()


def test_a_file_without_its_project_fits_another(saved: Path) -> None:
    data = {key: value for key, value in SAVED.items() if key != "project_toml"}
    saved.write_text(json.dumps(data))
    with pytest.raises(FileUnusable, match="holds no project"):
        read_layout(saved).own_project()
    assert read_layout(saved).in_project(parse_project(SMALL, source="mine")).layout is not None
