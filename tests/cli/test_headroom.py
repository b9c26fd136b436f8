"""`roommodes headroom` as a person and a program meet it."""

import json
from collections.abc import Callable
from pathlib import Path

import matplotlib as mpl
import pytest
from typer.testing import Result

from cli.figures.common_axes import STYLE, figure_bytes, new_figure
from cli.report.blocks import Picture, Text
from cli.report.loudness import loudness_section
from cli.report.plan import lead_words
from cli.terminal.plan_options import choose_plan
from roommodes.plan.file import write_results
from roommodes.project.reading import parse_project
from solvers.loudness.of_plan import plan_headroom
from solvers.plans.solve import solve
from tests.cli.conftest import SMALL
from tests.rooms import CLOSED_BOX

DRIVER = (
    """[subwoofer]
cabinet_m = [0.4, 0.4, 0.45]
weight_kg = 34
"""
    + CLOSED_BOX
    + """[subwoofer.amplifier]
power_w = 900
load_ohm = 4
closed_in_m = [0.5, 0.5, 0.3]
"""
)


@pytest.fixture(scope="module")
def plans(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """A plan whose sub is known, and one whose sub is not, searched once."""
    found = {}
    for name, extra in (("loud", DRIVER), ("bare", "")):
        found[name] = tmp_path_factory.mktemp(name) / f"{name}.h5"
        write_results(found[name], solve(parse_project(SMALL + extra, source="small.toml")), force=False)
    return found


@pytest.fixture
def plan(plans: dict[str, Path]) -> Path:
    """The plan whose sub is known."""
    return plans["loud"]


def test_all_of_it_for_a_person(run: Callable[..., Result], plan: Path) -> None:
    result = run("headroom", plan, "--subs", "2")
    assert result.exit_code == 0, result.output
    text = " ".join(result.stdout.split())
    for words in (
        "oud enough",
        "Target: 115.0 dB SPL rms at the seats: effects channel 115 dB (rms of a sine), no margin. Source of the "
        "levels: the cinema convention, after SMPTE RP 200 and ST 202.",
        "limited by sub next sub's margin one sub, 1 m room's gain at the seats rule of thumb",
        "displacement",
        "In part only, since the plan's frequencies end there: 25 Hz from 25 Hz, 80 Hz up to 80 Hz.",
        "Sealed box: resonance 44.2 Hz, Q 0.75",
        "The one in the project gives 60 V and 15.0 A.",
        "beside these subs as they are, one more",
        "Weight: 34 kg each",
        "Heat, an estimate:",
        "Hearing: this system can make",
        "Electrical supply: at the target the",
        "Heat: built-in subs and amplifiers need ventilation",
    ):
        assert words in text, words


def test_json_says_the_same(run: Callable[..., Result], plan: Path) -> None:
    result = run("headroom", plan, "--json", "--subs", "1")
    assert result.exit_code == 0
    data = json.loads(result.stdout)
    assert data["subs"] == 1
    assert data["target"] == {
        "rms_db": pytest.approx(115.0),
        "stated_db": pytest.approx(115.0),
        "margin_db": 0.0,
        "reading": "rms",
        "where": "average",
        "source": "the cinema convention, after SMPTE RP 200 and ST 202",
    }
    bands = data["bands"]
    assert [band["nominal_hz"] for band in bands] == [25, 31.5, 40, 50, 63, 80]
    worst = min(bands, key=lambda band: band["headroom_db"])
    assert (data["headroom_db"], data["worst_band_hz"]) == (worst["headroom_db"], worst["nominal_hz"])
    assert len(bands[0]["highest_db"]) == len(data["seats"]) == 3
    assert data["next_plan"]["subs"] == 2
    assert data["one_more"] is None
    assert data["heat_estimate"]["heat_w"] > 0.0
    two = json.loads(run("headroom", plan, "--json", "--subs", "2").stdout)
    assert two["headroom_db"] == pytest.approx(data["next_plan"]["headroom_db"])
    assert two["one_more"]["estimate"] is True


@pytest.mark.parametrize(("suffix", "start"), [(".png", b"\x89PNG"), (".svg", b"<?xml"), (".pdf", b"%PDF")])
def test_the_figure(run: Callable[..., Result], plan: Path, tmp_path: Path, suffix: str, start: bytes) -> None:
    name = f"loud{suffix}"
    assert run("headroom", plan, "-o", name, "--quiet").exit_code == 0
    image = (tmp_path / name).read_bytes()
    assert image.startswith(start)
    again = run("headroom", plan, "-o", name, "--quiet")
    assert again.exit_code == 5
    assert "--force" in again.stderr
    assert run("headroom", plan, "-o", name, "--quiet", "--force").exit_code == 0
    assert (tmp_path / name).read_bytes() == image


def test_what_cannot_be_done_is_said_in_one_line(run: Callable[..., Result], plans: dict[str, Path]) -> None:
    plan, bare = plans["loud"], plans["bare"]
    for arguments, code, words in (
        ((bare,), 3, "bare.h5 (project inside) subwoofer: nothing says how loud a sub plays"),
        ((plan, "-o", "x.jpg"), 2, "allowed: .png, .svg, .pdf"),
        ((plan, "--subs", "3"), 2, "this file has plans with 1, 2 subs"),
        (("nothing.h5",), 5, "nothing.h5"),
    ):
        result = run("headroom", *arguments)
        assert result.exit_code == code, result.output
        assert words in result.stderr
        assert "Traceback" not in result.output


def test_levels_in_decibels_of_pressure_follow_from_the_driver(
    run: Callable[..., Result], tmp_path: Path, small_text: str
) -> None:
    (tmp_path / "loud.toml").write_text(small_text + DRIVER)
    data = json.loads(run("predict", "loud.toml", "--json").stdout)
    assert data["level_unit"] == "dB SPL"


def test_the_report_says_whether_it_is_loud_enough(plans: dict[str, Path]) -> None:
    section = loudness_section(plan := choose_plan(plans["loud"]), plan_headroom(plan))
    assert section is not None
    assert section.heading == "Is it loud enough?"
    texts = [block.text for block in section.blocks if isinstance(block, Text)]
    assert texts[0].startswith("Not loud enough: ")
    assert any("An amplifier for that gives" in text for text in texts)
    for block in section.blocks:
        if isinstance(block, Picture):
            with mpl.rc_context(STYLE):
                figure = new_figure(*block.size_in)
                block.draw(figure)
                assert figure_bytes(figure, ".png").startswith(b"\x89PNG")
    bare = choose_plan(plans["bare"])
    assert loudness_section(bare, None) is None
    assert "not known" in lead_words(bare, None)
    words = lead_words(plan := choose_plan(plans["loud"]), plan_headroom(plan))
    assert words.startswith("The target of")


def test_check_says_what_the_sub_can_do(run: Callable[..., Result], tmp_path: Path, small_text: str) -> None:
    port = "[subwoofer.port]\narea_m2 = 0.02\ntuning_hz = 24\n"
    (tmp_path / "loud.toml").write_text(small_text + DRIVER + port)
    text = " ".join(run("check", "loud.toml").stdout.split())
    assert "Vented box: tuned to 24.0 Hz by a port" in text
    assert "What limits it: " in text
    data = json.loads(run("check", "loud.toml", "--json").stdout)["subwoofer"]
    assert data["box"]["tuning_hz"] == pytest.approx(24.0)
    assert [one["nominal_hz"] for one in data["limits"]] == [25, 31.5, 40, 50, 63, 80]
    (tmp_path / "bare.toml").write_text(small_text)
    assert "Nothing is said of how loud it plays" in run("check", "bare.toml").stdout
    assert json.loads(run("check", "bare.toml", "--json").stdout)["subwoofer"]["limits"] is None
