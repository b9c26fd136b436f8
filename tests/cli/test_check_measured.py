"""check --measured: the faults of a set, or what was done to it and what each sub does."""

import json
from collections.abc import Callable
from pathlib import Path

from typer.testing import Result

from tests.measuring import ROOM
from tests.roommodes.measured.test_source_sounds import files


def test_check_says_it_with_what_to_do(run: Callable[..., Result], tmp_path: Path) -> None:
    files(tmp_path, seed=2, tables=False)
    (tmp_path / "room.toml").write_text(ROOM)
    done = run("check", tmp_path / "room.toml", "--measured", tmp_path / "set.toml")
    assert done.exit_code == 0, done.output
    text = " ".join(done.stdout.split())
    for words in (
        "right is inverted",
        "rear is ",
        "ms late",
        "check leads",
        "look for a delay left",
    ):
        assert words in text
    said = json.loads(run("check", tmp_path / "room.toml", "--measured", tmp_path / "set.toml", "--json").stdout)
    assert [one["polarity"] for one in said["first_sounds"]] == [1, -1, 1]
    (tmp_path / "rear-front 1.wav").unlink()
    bad = run("check", tmp_path / "room.toml", "--measured", tmp_path / "set.toml", "--json")
    assert bad.exit_code == 5
    assert json.loads(bad.stdout)["valid"] is False
