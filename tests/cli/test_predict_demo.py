"""predict and demo: levels as a table, as numbers, as a figure; and the whole job at once."""

import errno
import json
import os
from importlib.resources import files
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from roommodes.plan.file import read_results
from roommodes.project.reading import parse_project
from roommodes.responses.third_octaves import third_octaves


def test_predict_prints_levels_for_every_seat(run, small: Path) -> None:
    result = run("predict", small)
    assert result.exit_code == 0
    lines = [line.split() for line in result.stdout.splitlines()]
    header = next(line for line in lines if line[:1] == ["Hz"])
    assert header == ["Hz", "25", "31.5", "40", "50", "63", "80", "band"]
    assert sum(line[:1] == ["front"] for line in lines) == 3
    assert "dB re one sub at 1 m" in result.stdout
    assert "1.20 m from right wall" in result.stdout  # y = 2.0 of 3.2
    assert "-3.0 dB, 5.50 ms, inverted" in result.stdout


def test_predict_says_sound_pressure_when_the_limit_is_known(run, small: Path) -> None:
    """The level rises by the limit, frequency by frequency."""
    plain = json.loads(run("predict", small, "--json").stdout)
    assert plain["level_unit"] == "dB re one sub at 1 m"
    small.write_text(small.read_text() + "[subwoofer]\nmax_level_1m_db = 110\n")
    loud = json.loads(run("predict", small, "--json").stdout)
    assert loud["level_unit"] == "dB SPL"
    np.testing.assert_allclose(np.array(loud["level_db"]) - np.array(plain["level_db"]), 110.0, rtol=1e-12)
    assert loud["variation_db"] == plain["variation_db"]
    assert np.shape(loud["level_db"]) == (3, len(loud["frequency_hz"]))
    assert "harm hearing" in run("predict", small).stdout


def test_predict_takes_the_loudest_sub_to_its_limit(run, small: Path) -> None:
    """Lowering all gains alike changes nothing: the level is the highest clean one."""
    before = json.loads(run("predict", small, "--json").stdout)
    small.write_text(small.read_text().replace("gain_db = [0, -3]", "gain_db = [-7, -10]"))
    after = json.loads(run("predict", small, "--json").stdout)
    np.testing.assert_allclose(after.pop("level_db"), before.pop("level_db"), rtol=0, atol=1e-9)
    for figure in ("variation_db", "output_db"):
        assert after[figure] == pytest.approx(before[figure], abs=1e-9)


def test_third_octaves_average_the_power() -> None:
    """Two frequencies in one band, 0 and 10 dB: 10 lg 5.5."""
    centres, levels = third_octaves(np.array([49.0, 51.0, 100.0]), np.array([[0.0], [10.0], [3.0]]))
    assert centres == (50.0, 100.0)
    np.testing.assert_allclose(levels[:, 0], [10 * np.log10(5.5), 3.0])


@pytest.mark.parametrize("suffix", [".png", ".svg", ".SVG"])
def test_figures_are_whole_and_the_same_every_time(run, small: Path, suffix: str) -> None:
    first, second = Path("a" + suffix), Path("b" + suffix)
    assert run("predict", small, "-o", first).exit_code == 0
    assert run("predict", small, "-o", second).exit_code == 0
    assert first.read_bytes() == second.read_bytes()
    if suffix == ".png":
        assert first.read_bytes().startswith(b"\x89PNG")
    else:
        text = first.read_text()
        assert ElementTree.fromstring(text).tag.endswith("svg")
        assert "<dc:date>" not in text


def test_an_existing_figure_is_kept(run, small: Path) -> None:
    Path("a.png").write_bytes(b"mine")
    result = run("predict", small, "-o", "a.png")
    assert result.exit_code == 5
    assert "a.png: exists already" in result.stderr
    assert Path("a.png").read_bytes() == b"mine"
    assert run("predict", small, "-o", "a.png", "--force").exit_code == 0


def test_hostile_names_in_figures(run, small: Path) -> None:
    """Markup of any kind is drawn as text: mathematics, XML, rich."""
    name = r"$\\frac{1}$ <b>&[red]"
    small.write_text(small.read_text().replace('"front"', f'"{name}"').replace('"small room"', f'"{name}"'))
    result = run("predict", small, "-o", "a.svg")
    assert result.exit_code == 0
    ElementTree.fromstring(Path("a.svg").read_text())


def test_forty_seats_and_one(run, small: Path) -> None:
    many = ", ".join(f"{0.2 + 0.07 * seat:.2f}" for seat in range(40))
    text = small.read_text()
    for seats, count in ((many, 40), ("1.0", 1)):
        small.write_text(text.replace("0.7, 1.5, 2.4", seats))
        result = run("predict", small, "-o", f"{count}.svg")
        assert result.exit_code == 0
        assert sum(line.startswith("front ") for line in result.stdout.splitlines()) == count


def test_predict_without_a_layout(run, small: Path) -> None:
    text = small.read_text()
    small.write_text(text[: text.index("[layout]")])
    result = run("predict", small)
    assert result.exit_code == 3
    assert result.stderr.startswith(f"{small} layout: there is none; add a [layout] table")
    assert result.stderr.count("\n") == 1


@pytest.fixture
def small_demo(monkeypatch: pytest.MonkeyPatch, tmp_path_factory: pytest.TempPathFactory, small_text: str) -> None:
    """The demo on the small room, so that the suite stays quick; the real one is timed in benchmarks."""
    folder = tmp_path_factory.mktemp("package")
    (folder / "demo.toml").write_text(small_text)
    monkeypatch.setattr(
        "importlib.resources.files", lambda package: folder if package == "roommodes.project" else files(package)
    )


def test_demo_writes_project_plan_and_figure(run, small_demo: None, small_text: str, tmp_path: Path) -> None:
    (tmp_path / "trial").mkdir()
    result = run("demo", "--into", "trial")
    assert result.exit_code == 0
    assert sorted(path.name for path in (tmp_path / "trial").iterdir()) == ["demo.h5", "demo.png", "demo.toml"]
    assert Path("trial/demo.toml").read_text() == small_text
    assert read_results(Path("trial/demo.h5")).project.toml_text == small_text
    assert Path("trial/demo.png").read_bytes().startswith(b"\x89PNG")
    assert "What to do next" in result.stdout
    assert "roommodes optimise trial/demo.toml -o trial/demo.h5 --force" in result.stdout
    for line in result.stdout.splitlines():
        if line.startswith("  roommodes predict"):
            assert run(*line.split()[1:]).exit_code == 0


@pytest.mark.parametrize("name", ["demo.toml", "demo.h5", "demo.png"])
def test_demo_never_overwrites_unasked(run, small_demo: None, tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_bytes(b"mine")
    result = run("demo")
    assert result.exit_code == 5
    assert f"{name}: exists already" in result.stderr
    assert [path.name for path in tmp_path.iterdir()] == [name]
    assert (tmp_path / name).read_bytes() == b"mine"
    assert run("demo", "--force", "-q").exit_code == 0


def test_demo_in_a_folder_that_is_closed_to_writing(run, small_demo, tmp_path: Path, monkeypatch) -> None:
    real_open = os.open

    def read_only(path, flags, *rest, **more):
        if flags & os.O_CREAT and str(path).startswith(str(tmp_path)):
            raise OSError(errno.EROFS, os.strerror(errno.EROFS))
        return real_open(path, flags, *rest, **more)

    monkeypatch.setattr(os, "open", read_only)
    result = run("demo")
    assert result.exit_code == 5
    assert "can only be read; choose another folder" in result.stderr
    assert result.stderr.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


def test_the_real_demo_project_is_valid_and_as_large_as_promised(run) -> None:
    """One glazed long wall, two rows of 4 and 3 seats, counts 1, 2 and 4, at least 40 candidates."""
    project = parse_project(files("roommodes.project").joinpath("demo.toml").read_text(), source="demo.toml")
    assert [len(row.y_m) for row in project.rows] == [4, 3]
    assert project.search.counts == (1, 2, 4)
    assert len(project.candidates) >= 40
