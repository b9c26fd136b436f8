"""report --short: two pages for a client, a cover before several plans, a logo that cannot do harm."""

import re
from pathlib import Path

import pytest
from PIL import Image

from cli.report.logo import SIZE_PX, read_logo
from roommodes.errors import ProjectInvalid
from roommodes.plan.file import write_results
from roommodes.project.reading import parse_project

from .conftest import project_text, results_of

TITLE = 'client = "The <b>owners</b>"\ndesigner = "Studio North"\ndrawing_number = "A-104"\nlogo = "logo.png"\n'


def pages(data: bytes) -> int:
    return len(re.findall(rb"/Type /Page\b", data))


def titled(title: str) -> str:
    return re.sub(r"(?m)^(name = .*)$", lambda line: f"{line[1]}\n[title]\n{title}", project_text(), count=1)


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    """A plan file of a project with a title, its logo beside it."""
    write_results(tmp_path / "plan.h5", results_of(titled(TITLE)), force=False)
    Image.new("RGB", (900, 300), (10, 70, 80)).save(tmp_path / "logo.png")
    return tmp_path / "plan.h5"


def test_it_has_two_pages_and_says_whose_it_is(run, tmp_path: Path, plan: Path) -> None:
    assert run("report", "plan.h5", "--short", "-o", "a.pdf").exit_code == 0
    assert pages((tmp_path / "a.pdf").read_bytes()) == 2
    done = run("report", "plan.h5", "--short", "-o", "a.html")
    assert (done.exit_code, done.stderr) == (0, "")
    page = (tmp_path / "a.html").read_text(encoding="utf-8")
    assert "The &lt;b&gt;owners&lt;/b&gt;" in page
    assert "<b>" not in page
    for words in ("Studio North", "A-104", 'class="logo"', "Where they stand", "What to do", "Hearing:"):
        assert words in page
    for words in ("roommodes settings", "roommodes drawing", "[search", "_m ="):
        assert words not in page, "a client's pages name no commands and no keys"


def test_a_cover_lists_every_plan_with_its_pages(run, tmp_path: Path, plan: Path) -> None:
    counts = len(results_of(titled(TITLE)).plans)
    assert counts > 1
    assert run("report", "plan.h5", "--short", "--cover", "-o", "c.pdf").exit_code == 0
    assert pages((tmp_path / "c.pdf").read_bytes()) == 1 + 2 * counts
    assert run("report", "plan.h5", "--short", "--cover", "-o", "c.html").exit_code == 0
    page = (tmp_path / "c.html").read_text(encoding="utf-8")
    assert f"{2 * counts} and {2 * counts + 1}" in page
    assert len(set(re.findall(r'<section id="([^"]+)"', page))) == 1 + 3 * counts
    assert run("report", "plan.h5", "--cover", "-o", "d.pdf").exit_code == 2
    assert run("report", "plan.h5", "--short", "--cover", "--subs", "2", "-o", "d.pdf").exit_code == 2


def test_a_logo_is_made_small_and_keeps_nothing_else(tmp_path: Path) -> None:
    picture = Image.new("RGB", (3000, 1500), (200, 10, 10))
    exif = Image.Exif()
    exif[270] = "where it was taken"
    picture.save(tmp_path / "logo.jpg", exif=exif)
    logo, fault = read_logo("logo.jpg", tmp_path)
    assert fault is None
    assert logo is not None
    assert (logo.width, logo.height) == (520, 260)
    assert logo.width <= SIZE_PX[0]
    assert b"where it was taken" not in logo.data


def test_without_its_logo_a_report_says_so_and_goes_on(run, tmp_path: Path, plan: Path) -> None:
    (tmp_path / "logo.png").write_bytes(b"no picture")
    done = run("report", "plan.h5", "--short", "-o", "a.html")
    assert done.exit_code == 0
    assert "no PNG or JPEG picture" in done.stderr
    (tmp_path / "logo.png").unlink()
    done = run("report", "plan.h5", "--short", "-o", "a.html", "--force")
    assert done.exit_code == 0
    assert "put it beside the plan file" in done.stderr


def test_a_report_does_not_replace_its_logo(run, tmp_path: Path, plan: Path) -> None:
    logo = (tmp_path / "logo.png").read_bytes()
    (tmp_path / "a.pdf").hardlink_to(tmp_path / "logo.png")
    done = run("report", "plan.h5", "--short", "-o", "a.pdf", "--force")
    assert (done.exit_code, (tmp_path / "logo.png").read_bytes()) == (2, logo)
    assert "is read by this command" in done.stderr


@pytest.mark.parametrize("name", ["../secret.png", "/etc/logo.png", "a\\\\b.png", "logo.svg", "key.pem"])
def test_a_logo_stands_beside_the_plan_file(name: str) -> None:
    with pytest.raises(ProjectInvalid) as raised:
        parse_project(titled(f'logo = "{name}"\n'), source="room.toml")
    assert "beside the plan file" in str(raised.value)
