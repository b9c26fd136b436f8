"""Where the commands keep rooms between runs, and that they print the same with and without."""

from functools import partial
from pathlib import Path
from typing import Any

import pytest

from cli.terminal.kept import kept_here
from roommodes.storage.kept import Kept


def test_the_folder_is_the_users_cache_or_what_the_environment_names(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("ROOMMODES_KEPT", str(tmp_path / "here"))
    named = kept_here()
    assert named is not None
    assert named.folder == tmp_path / "here"
    assert "code " in named.software()
    monkeypatch.delenv("ROOMMODES_KEPT")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    own = kept_here()
    assert own is not None
    assert own.folder.name == "rooms"
    monkeypatch.setenv("ROOMMODES_KEPT", "off")
    assert kept_here() is None


def test_a_room_that_has_not_changed_is_read(
    run: Any, small: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    words = ("check", small, "--json")
    plain = run(*words)
    folder = tmp_path / "kept"
    monkeypatch.setattr("cli.terminal.kept.Kept", partial(Kept, least_s=0.0))  # so small a room is not worth a file
    monkeypatch.setenv("ROOMMODES_KEPT", str(folder))
    first = run(*words)
    (path,) = folder.iterdir()
    written = path.stat().st_mtime_ns
    again = run(*words)
    assert plain.exit_code == first.exit_code == again.exit_code == 0
    assert plain.output == first.output == again.output
    path.write_bytes(path.read_bytes()[:-9])
    assert run(*words).output == plain.output
    assert path.stat().st_mtime_ns > written
