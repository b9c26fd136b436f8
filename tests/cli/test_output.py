"""What is printed on terminals of any width: nothing is cut off."""

import pytest
from rich.console import Console

from cli.terminal.output import Page, clean

HEADERS = ("cheaper", "dearer", "mean difference [dB]", "share", "rooms")
ROWS = (
    ("two at opposite midpoints", "four corners, adjusted", "+0.16 [-0.28, +0.64]", "69 % [44, 86]", "16"),
    ("one", "front-and-rear arrays", "+12.34 [+10.00, +14.68]", "0 % [0, 19]", "1,024"),
)


def printed(capsys: pytest.CaptureFixture[str], width: int, monkeypatch: pytest.MonkeyPatch) -> str:
    monkeypatch.setattr("cli.terminal.output.console", lambda file: Console(file=file, width=width, markup=False))
    Page().table(HEADERS, ROWS, right=(2, 3, 4))
    return capsys.readouterr().out


@pytest.mark.parametrize("width", [24, 40, 60, 72, 80, 100, 132, 200])
def test_a_table_keeps_every_number_and_every_word(
    width: int, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    text = printed(capsys, width, monkeypatch)
    for row in ROWS:
        for words in row[:2]:
            assert all(word in text for word in words.split())
        for number in row[2:]:
            assert number in text  # on one line
    assert "…" not in text
    assert all(len(line) <= max(width, 48) for line in text.splitlines())  # 48: the longest number with its name


def test_wide_terminals_have_a_table_and_narrow_ones_a_list(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    assert printed(capsys, 132, monkeypatch).splitlines()[0].split() == [
        *("cheaper", "dearer", "mean", "difference", "[dB]", "share", "rooms")
    ]
    lines = printed(capsys, 60, monkeypatch).splitlines()
    assert lines[0] == "two at opposite midpoints  four corners, adjusted"
    assert lines[1].startswith("  mean difference [dB]: +0.16 [-0.28, +0.64];")


def test_family_emoji_and_persian_names_reach_the_terminal_as_they_are() -> None:
    family, persian = "\U0001f468\u200d\U0001f469\u200d\U0001f467", "\u0645\u06cc\u200c\u062e\u0648\u0627\u0647\u0645"
    assert clean(f"{family} {persian}") == f"{family} {persian}"
    assert clean("a\u202eb\x1b\u200d") == "a\\u202eb\\x1b\\u200d"
