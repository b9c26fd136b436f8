"""`fit` as a command: a test of the bare room, all figures as JSON, interrupts, and what it refuses."""

import json
import os
import re
import signal
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import Result

import solvers.fit.moved_modes
import solvers.fit.run
from cli.terminal.output import Page
from cli.words.fit import fit_json, print_fit
from roommodes.measured.loading import load_manifest
from roommodes.measured.manifest import parse_manifest
from roommodes.project.reading import load_project, parse_project
from roommodes.running import Running
from solvers.fit.run import Settings
from tests.measuring import ROOM, SUBS, modelled, room_project, table_text, write_set

Run = Callable[..., Result]

DRAWN = ROOM.replace("length_m = 5.2", "length_m = 6.0").replace("width_m = 3.9", "width_m = 4.2")
BUILT = DRAWN.replace("length_m = 6.0", "length_m = 6.04").replace("mass_kg_m2 = 14.0", "mass_kg_m2 = 17.0")
BUILT = BUILT.replace("loss_factor = 0.03", "loss_factor = 0.02")
HELD = ("--hold", "microphones", "--hold", "subs")


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The guide's bare room: its manifest, and files of another room than drawn, 1 % noise, unknown level."""
    folder = tmp_path_factory.mktemp("site")
    guide = (Path(__file__).parents[2] / "docs" / "calibrator.md").read_text(encoding="utf-8")
    (text,) = re.findall(r"^```toml manifest\n(.*?)^```$", guide, flags=re.MULTILINE | re.DOTALL)
    (folder / "bare.toml").write_text(text)
    (folder / "room.toml").write_text(DRAWN)
    tables, _ = parse_manifest(text, source="calibrator.md")
    built = parse_project(BUILT, source="built")
    places = {place.name: place.position_m for place in tables.places}
    source = {sub.name: sub.position_m or (0.0, 0.0, 0.0) for sub in tables.subs}
    found = modelled(built, np.geomspace(19.0, 105.0, 180), source, list(places.values()))
    rng = np.random.default_rng(2)
    for number, one in enumerate(tables.responses):
        value = 300.0 * found.transfer[:, len(built.seats) + list(places).index(one.where), 0]
        noise = rng.normal(size=(2, len(value))) * 0.01 * np.sqrt(np.mean(np.abs(value) ** 2) / 2.0)
        (folder / one.file).write_text(table_text(found.hz, value + noise[0] + 1j * noise[1]))
        assert number < len(places)
    return folder


@pytest.fixture
def small_set(tmp_path: Path) -> tuple[Path, Path]:
    """The test room's own responses: project and manifest."""
    (tmp_path / "room.toml").write_text(ROOM)
    found = modelled(room_project(), np.geomspace(19.0, 105.0, 145), SUBS)
    return tmp_path / "room.toml", write_set(tmp_path, found)


@pytest.fixture(scope="module")
def answer(site: Path) -> dict[str, Any]:
    from typer.testing import CliRunner  # noqa: PLC0415

    from cli.main import app  # noqa: PLC0415

    words = ["fit", site / "room.toml", site / "bare.toml", "-o", site / "corrected.toml", "--json", "-q", *HELD[:2]]
    done = CliRunner().invoke(app, [str(word) for word in words])
    assert done.exit_code == 0, done.output
    return dict(json.loads(done.stdout))


def test_a_bare_room_with_the_microphone_off_the_seats(site: Path, answer: dict[str, Any]) -> None:
    """One source, six places that are no seats: size, lining and loss as built, the modes from them."""
    assert answer["places"] == list("abcdef")
    assert answer["verdict"] == "noise"
    values = {(one["owner"] or one["group"], one["key"]): one for one in answer["parameters"]}
    for key, built in {
        ("size", "length_m"): 6.04,
        ("lining", "mass_kg_m2"): 17.0,
        ("loss", "loss_factor"): 0.02,
    }.items():
        one = values[key]
        assert abs(one["value"] - built) < 4.0 * one["deviation"], key
        assert abs(one["value"] - built) < 0.1 * abs(one["start"] - built), key
    along = next(one for one in answer["modes"] if one["number"] == [2, 0, 0])
    assert along["as_fitted_hz"] < along["as_drawn_hz"] < along["textbook_hz"] + 3.0
    assert along["as_fitted_decay_s"] > 1.1 * along["as_drawn_decay_s"]  # less loss than drawn
    corrected = parse_project((site / "corrected.toml").read_text(), source="corrected.toml")
    assert abs(corrected.room.length_m - 6.04) < 0.005


def numbers(data: Any) -> list[float]:
    if isinstance(data, dict):
        return [x for value in data.values() for x in numbers(value)]
    if isinstance(data, list):
        return [x for value in data for x in numbers(value)]
    return [float(data)] if isinstance(data, int | float) and not isinstance(data, bool) else []


def test_every_figure_of_the_text_is_in_the_json(run: Run, site: Path, answer: dict[str, Any]) -> None:
    done = run("fit", site / "room.toml", site / "bare.toml", *HELD[:2])
    assert done.exit_code == 0, done.output
    assert "1 sub at 6 places" in done.output
    known = np.array([*numbers(answer), *(len(answer[key]) for key in ("subs", "places"))])
    known = np.concatenate([known, 100.0 * known])  # percent, centimetres
    page = done.output.split("How well")[1]
    tables = [line for line in page.splitlines() if re.match(r"^( ?\d+ to|lining|room|\d{3} )", line)]
    assert len(tables) > 8 + 6 + 5
    for line in tables:
        mode, *cells = line.split(maxsplit=1) if re.match(r"\d{3} ", line) else ("", line)
        for cell in re.findall(r"(?<![\w.])[+-]?\d+\.?\d*(?:e[+-]?\d+)?", cells[0]):
            digits = len(cell.split("e")[0].partition(".")[2])
            exponent = int(cell.partition("e")[2] or 0)
            slack = max(0.51 * 10.0 ** (exponent - digits), 5.1e-4 * abs(float(cell)))  # four digits of large ones
            assert (np.abs(np.abs(known) - abs(float(cell))) <= slack).any(), (line, cell, mode)


def test_json_gives_times_in_ms_and_no_figure_for_a_mode_that_was_not_found(site: Path) -> None:
    project = load_project(site / "room.toml")
    measured = load_manifest(site / "bare.toml", project)
    found = solvers.fit.run.fit(project, measured, Settings(hold=("microphones", "subs", "walls")))
    moved = solvers.fit.moved_modes.moved_modes(project, found)
    lost = [replace(one, fitted=None) for one in moved[:1]]
    late = replace(found, source=replace(found.source, delay_s=np.full_like(found.source.delay_s, 0.0125)))
    data = fit_json(project, measured, late, [*lost, *moved[1:]])
    assert {one["delay_ms"] for one in data["responses"]} == {12.5}
    assert data["modes"][0]["as_fitted_hz"] is None
    assert data["modes"][0]["as_fitted_decay_s"] is None
    assert data["modes"][1]["as_fitted_hz"] == pytest.approx(moved[1].fitted.frequency_hz, rel=1e-12)


def test_the_text_warns_of_a_mode_that_may_be_two_and_gives_no_figure_for_one_not_found(
    site: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    project = load_project(site / "room.toml")
    measured = load_manifest(site / "bare.toml", project)
    found = solvers.fit.run.fit(project, measured, Settings(hold=("microphones", "subs", "walls")))
    moved = solvers.fit.moved_modes.moved_modes(project, found)
    capsys.readouterr()
    print_fit(Page(), project, measured, found, moved)
    assert "a mode becomes two" not in capsys.readouterr().out
    first, second, third = moved[:3]
    apart = replace(first, fitted=replace(first.fitted, frequency_hz=0.9 * first.drawn.frequency_hz))
    near = replace(second, fitted=replace(second.fitted, frequency_hz=0.97 * second.drawn.frequency_hz))
    lost = replace(third, fitted=None)
    print_fit(Page(), project, measured, found, [apart, near, lost])
    page = capsys.readouterr().out
    names = ["".join(map(str, one.number)) for one in (apart, near, lost)]
    assert f"{names[0]}: as drawn and as measured lie more than 5% apart" in page
    row = next(line for line in page.splitlines() if line.startswith(names[2]))
    assert row.endswith("not shown as measured")


def interrupt_at(name: str, number: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ctrl-C at the n-th report of a stage of the work."""
    module, function = (solvers.fit.run, "fit") if name == "fit" else (solvers.fit.moved_modes, "moved_modes")
    plain, seen = getattr(module, function), []

    def wrapped(*arguments: Any, running: Running, **options: Any) -> Any:
        def counting(step: object) -> None:
            seen.append(step)
            if len(seen) == number:
                os.kill(os.getpid(), signal.SIGTERM if number % 2 else signal.SIGINT)

        return plain(*arguments, running=replace(running, report=counting), **options)

    monkeypatch.setattr(module, function, wrapped)


@pytest.mark.parametrize(
    ("stage", "number", "kept", "files"),
    [
        ("fit", 1, "interrupted; nothing was fitted", []),
        ("fit", 30, "not the fit's; no file was written", []),
        ("moved_modes", 3, "the modes were not followed to the end; written: out.toml", ["out.toml"]),
    ],
)
def test_an_interrupt_says_what_was_kept(
    run: Run,
    small_set: tuple[Path, Path],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    stage: str,
    number: int,
    kept: str,
    files: list[str],
) -> None:
    interrupt_at(stage, number, monkeypatch)
    before = set(tmp_path.iterdir())
    done = run("fit", *small_set, *HELD, "-o", "out.toml", "--figure", "out.png", "--json")
    assert done.exit_code == 130, done.output
    assert kept in done.stderr
    assert sorted(path.name for path in set(tmp_path.iterdir()) - before) == files
    if stage != "fit" or number > 1:
        data = json.loads(done.stdout)
        assert data["written"] == files
        assert data["modes"] is None


@pytest.mark.parametrize(
    ("words", "code", "message"),
    [
        (["--figure", "fit.doc"], 2, "got '.doc'; allowed are .png and .svg"),
        (["-o", "same.png", "--figure", "same.png"], 2, "give each a name of its own"),
        (["-o", "room.toml", "--force"], 2, "is read by this command"),
        (["--figure", "new.png", "-o", "set.toml", "--force"], 2, "is read by this command"),
        (["-o", "left-1.txt"], 2, "left-1.txt is read by this command"),
        (["-o", "nowhere/out.toml"], 5, "nowhere"),
        (["--own-response", "some"], 2, "some"),
        (["--hold", "lning"], 3, '"lning" is nothing that a fit may change. Did you mean lining?'),
    ],
)
def test_what_it_refuses_before_any_work(
    run: Run, small_set: tuple[Path, Path], tmp_path: Path, words: list[str], code: int, message: str
) -> None:
    before = {path: path.read_bytes() for path in tmp_path.iterdir()}
    done = run("fit", *small_set, *words)
    assert done.exit_code == code, done.output
    assert message in " ".join(done.output.split()).replace("│ ", "")
    assert {path: path.read_bytes() for path in tmp_path.iterdir()} == before


def test_hostile_names_stay_on_their_lines(run: Run, small_set: tuple[Path, Path]) -> None:
    project, manifest = small_set
    text = manifest.read_text().replace('"left"', '"le\\u001b[31mft\\n[bold]"').replace('"test set"', '"a\\rb\\u202e"')
    manifest.write_text(text)
    project.write_text(ROOM.replace('"test room"', '"\\u001b]0;x\\u0007[red]"'))
    done = run("fit", project, manifest, *HELD)
    for letter in "\x1b\x07\u202e\r":
        assert letter not in done.output
    assert done.exit_code in {0, 3}, done.output
