"""What the README and the guides quote of the program's output is what the program prints."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from typer.testing import CliRunner

from cli.main import app

ROOT = Path(__file__).parents[2]


def excerpts() -> Iterator[tuple[str, str, str]]:
    """Guide, command and quoted text of each block that names its command; lines of `...` leave something out."""
    for guide in (ROOT / "README.md", *sorted((ROOT / "docs").glob("*.md"))):
        for command, text in re.findall(r"^```text roommodes (.+?)\n(.*?)^```$", guide.read_text(), re.M | re.S):
            yield guide.name, command, text


def folded(text: str) -> str:
    """The text with all white space as single blanks: columns and line ends depend on the terminal."""
    return " ".join(text.split())


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder in which the demo ran; what it printed is beside it."""
    into = tmp_path_factory.mktemp("demo")
    done = CliRunner().invoke(app, ["demo", "--into", str(into)])
    assert done.exit_code == 0, done.output
    (into / "printed.txt").write_text(done.stdout, encoding="utf-8")
    return into


def test_the_guides_quote_the_program() -> None:
    assert {guide for guide, _, _ in excerpts()} >= {"README.md", "designer.md"}


@pytest.mark.parametrize(("guide", "command", "text"), list(excerpts()))
def test_an_excerpt_is_what_the_command_prints(
    guide: str, command: str, text: str, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(folder)
    if command.startswith("demo"):
        printed = (folder / "printed.txt").read_text(encoding="utf-8")
    else:
        done = CliRunner().invoke(app, command.split())
        assert done.exit_code == 0, done.output
        printed = done.stdout
    rest = folded(printed)
    for part in re.split(r"^\.\.\.$", text, flags=re.MULTILINE):
        _, found, rest = rest.partition(folded(part))
        assert found, f"{guide} quotes what `roommodes {command}` does not print:\n{part}"
