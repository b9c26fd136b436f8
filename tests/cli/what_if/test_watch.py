"""`watch`: every save is told once, faults leave what was right in place, and only what changed is worked out."""

import json
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from typer.testing import Result

from cli.words.what_if.differences import difference_lines
from roommodes.acoustics.built_modes import BuiltMode
from roommodes.project.differences import layout_differences
from roommodes.project.reading import parse_project
from solvers.plans.by_hand import predict_layout
from solvers.plans.watched import Watcher
from tests.rooms import SMALL

Run = Callable[..., Result]


class Watched:
    """The command at work on a file; `line` waits for what it says next."""

    def __init__(self, file: Path, *options: str) -> None:
        command = [sys.executable, "-c", "from cli.main import run; run()", "watch", str(file), "--json", *options]
        self.file = file
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)

    def line(self) -> dict[str, Any]:
        assert self.process.stdout is not None
        text = self.process.stdout.readline()
        assert text, self.process.communicate()[1]
        return dict(json.loads(text))

    def saved(self, text: str) -> dict[str, Any]:
        self.file.write_text(text)
        return self.line()

    def end(self) -> tuple[int, str]:
        self.process.send_signal(signal.SIGINT)
        _, said = self.process.communicate(timeout=60)
        return self.process.returncode, said


@pytest.fixture
def watched(tmp_path: Path) -> Iterator[Watched]:
    file = tmp_path / "room.toml"
    file.write_text(SMALL)
    one = Watched(file, "-o", str(tmp_path / "now.png"))
    yield one
    if one.process.poll() is None:
        one.process.kill()
        one.process.communicate()


def test_saves_are_told_one_by_one(watched: Watched) -> None:
    first = watched.line()
    assert first["computed"] == ["levels", "modes"]
    assert first["changed"] == []
    picture = (watched.file.parent / "now.png").read_bytes()
    gain = watched.saved(SMALL.replace("gain_db = [0, -3]", "gain_db = [0, -6]"))
    assert gain["computed"] == []
    assert gain["changed"] == [{"key": ["layout", "sub 2", "gain_db"], "first": -3.0, "second": -6.0}]
    assert gain["layout"]["variation_db"] != first["layout"]["variation_db"]
    assert (watched.file.parent / "now.png").read_bytes() != picture
    wrong = watched.saved(SMALL.replace('rear = "brick"', 'rear = "brik"'))
    assert not wrong["valid"]
    assert 'Did you mean "brick"?' in wrong["faults"][0]
    wall = watched.saved(SMALL.replace('rear = "brick"', 'rear = "rigid"'))
    assert wall["computed"] == ["levels", "modes"]
    assert wall["changed"] == [
        {"key": ["walls", "rear"], "first": "brick", "second": "rigid"},
        {"key": ["layout", "sub 2", "gain_db"], "first": -6.0, "second": -3.0},
    ]
    outside = watched.saved(SMALL.replace("[0.3, 1.0, 0.3]", "[0.3, 9.0, 0.3]"))
    assert not outside["valid"]
    code, said = watched.end()
    assert code == 0
    assert said == ""


def test_a_layout_that_changed_is_told_sub_by_sub() -> None:
    """By number where as many stand there; else by where they stand, and what came or went by all it is."""
    drawn, start = parse_project(SMALL, source="test"), SMALL.index("[layout]")

    def said(layout: str) -> list[str]:
        now = parse_project(f"{SMALL[:start]}[layout]\n{layout}\n", source="test")
        return difference_lines(layout_differences(drawn, now), "before", "now")

    second = "delay_ms = [0, 5.5]\npolarity = [1, -1]\n"
    assert said("positions_m = [[0.3, 1.0, 0.3], [3.8, 2.0, 0.3]]\ngain_db = [0, -3]\n" + second) == []
    assert said("positions_m = [[0.3, 1.0, 0.3], [3.8, 2.5, 0.3]]\ngain_db = [0, -4.5]\n" + second) == [
        "layout sub 2: position [3.8, 2, 0.3] m before, [3.8, 2.5, 0.3] m now; gain -3 dB before, -4.5 dB now."
    ]
    assert said("positions_m = [[3.8, 2.0, 0.3]]\ngain_db = [-3]\ndelay_ms = [5.5]\npolarity = [-1]") == [
        "layout sub 1 as it was: only before (position [0.3, 1, 0.3] m, gain 0 dB, delay 0 ms, polarity 1)."
    ]
    assert said(
        "positions_m = [[0.3, 2.0, 0.3], [0.3, 1.0, 0.3], [3.8, 2.0, 0.3]]\n"
        "gain_db = [-1, 0, -3]\ndelay_ms = [0, 0, 5.5]\npolarity = [1, 1, -1]"
    ) == ["layout sub 1: only now (position [0.3, 2, 0.3] m, gain -1 dB, delay 0 ms, polarity 1)."]


def test_a_save_by_renaming_and_one_that_changes_nothing(watched: Watched) -> None:
    watched.line()
    other = watched.file.with_name("other")
    watched.file.touch()
    time.sleep(0.5)
    other.write_text(SMALL.replace("small room", "renamed room"))
    other.replace(watched.file)
    assert watched.line()["layout"]["project"] == "renamed room"
    watched.file.unlink()
    time.sleep(3.0)
    back = watched.saved(SMALL)
    assert back["valid"]
    code, said = watched.end()
    assert code == 0
    assert "is gone; waiting for it to come back" in said


def test_what_it_refuses_at_once(run: Run, tmp_path: Path) -> None:
    (tmp_path / "room.toml").write_text(SMALL)
    (tmp_path / "now.png").write_text("mine")
    for arguments, code, words in (
        (("none.toml",), 5, "there is no such file"),
        (("room.toml", "-o", "now.gif"), 2, "allowed are .png and .svg"),
        (("room.toml", "-o", "now.png"), 5, "exists already"),
    ):
        result = run("watch", *arguments)
        assert result.exit_code == code
        assert words in " ".join(result.output.split())
    assert (tmp_path / "now.png").read_text() == "mine"


def test_a_watcher_keeps_what_did_not_change_and_is_right_about_what_did() -> None:
    """After any edits its figures are those of a watcher that never saw another project, and near `predict`'s."""
    watcher = Watcher()
    edits = (
        SMALL,
        SMALL.replace("gain_db = [0, -3]", "gain_db = [0, -6]"),
        SMALL.replace("[3.8, 2.0, 0.3]", "[3.8, 1.2, 0.3]"),
        SMALL.replace("[3.8, 2.0, 0.3]", "[3.8, 1.2, 0.3]").replace("x_m = 2.2", "x_m = 2.4"),
        SMALL.replace("loss_factor = 0.02", "loss_factor = 0.03"),
        SMALL.replace("band_hz = [25, 80]", "band_hz = [30, 90]"),
        SMALL,
        SMALL.replace("spacing_m = 1.5", "spacing_m = 1.4").replace("points_per_octave = 6", "points_per_octave = 12"),
        SMALL,
    )
    computed = []
    for text in edits:
        project = parse_project(text, source="test")
        kept, fresh = watcher.look(project), Watcher().look(project)
        assert kept.plan is not None
        assert fresh.plan is not None
        assert kept.plan.variation_db == pytest.approx(fresh.plan.variation_db, abs=1e-5)
        assert _shape(kept.modes) == _shape(fresh.modes)
        assert kept.plan.variation_db == pytest.approx(predict_layout(project).variation_db, abs=0.03)
        computed.append(kept.computed)
    both, levels, none = ("levels", "modes"), ("levels",), ()
    assert computed == [both, none, levels, levels, both, both, levels, levels, levels]


def _shape(modes: tuple[BuiltMode, ...]) -> list[tuple[object, ...]]:
    return [(mode.number, round(mode.frequency_hz, 6), round(mode.decay_time_s, 6)) for mode in modes]


def test_without_a_layout_there_are_modes_alone() -> None:
    project = parse_project(SMALL[: SMALL.index("[layout]")], source="test")
    found = Watcher().look(project)
    assert found.plan is None
    assert found.computed == ("modes",)
