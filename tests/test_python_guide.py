"""The Python guide: its blocks run from top to bottom, and print what it says that they print."""

import contextlib
import io
import re
from pathlib import Path
from typing import Any

import matplotlib as mpl
import pytest

import roommodes as rm

ROOT = Path(__file__).parents[1]
GUIDE = ROOT / "docs" / "python.md"
BLOCK = re.compile(r"^```python\n(.*?)^```\n(?:\n```text\n(.*?)^```\n)?", flags=re.MULTILINE | re.DOTALL)


def folded(text: str) -> str:
    """White space as single blanks."""
    return " ".join(text.split())


@pytest.mark.slow
def test_every_block_runs_and_prints_what_stands_below_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    blocks = BLOCK.findall(GUIDE.read_text(encoding="utf-8"))
    assert len(blocks) > 12
    monkeypatch.chdir(tmp_path)
    names: dict[str, Any] = {}
    with mpl.rc_context({"backend": "agg"}):
        for number, (code, shown) in enumerate(blocks, start=1):
            printed = io.StringIO()
            with contextlib.redirect_stdout(printed):
                exec(compile(code, f"block {number}", "exec"), names)
            assert folded(printed.getvalue()) == folded(shown), f"block {number}:\n{code}"
    assert {path.suffix for path in tmp_path.iterdir()} >= {".h5", ".toml", ".html", ".pdf", ".csv", ".wav", ".png"}


def test_the_guide_names_every_name_of_the_front_door() -> None:
    text = GUIDE.read_text(encoding="utf-8")
    functions = [name for name in rm.__all__ if callable(getattr(rm, name)) and name[0].islower()]
    missing = [name for name in functions if f"rm.{name}" not in text]
    assert not missing, f"docs/python.md says nothing of {missing}"
