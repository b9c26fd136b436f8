"""No figure is printed as minus nought."""

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import Result

from roommodes.plan.file import write_results
from roommodes.project.reading import parse_project
from solvers.plans.solve import solve
from tests.cli.conftest import SMALL

Run = Callable[..., Result]
ROOT = Path(__file__).parents[2]
SIGNED = ("gain_db", "output_db", "level_db", "headroom_db", "delay_s", "lost_db", "least_db")


@pytest.mark.parametrize("command", [["settings"], ["tune", "-o", "t.h5"], ["rows"], ["decay", "--seconds", 1]])
def test_texts_have_none(run: Run, tmp_path: Path, command: list[object]) -> None:
    write_results(tmp_path / "p.h5", solve(parse_project(SMALL, source="s.toml"), counts=[2]), force=False)
    name, *rest = command
    done = run(name, "p.h5", *rest)
    assert done.exit_code == 0, done.output
    assert not re.search(r"(?<![\d.])-0(\.0+)?(?![\d.])", done.stdout)


def test_signed_levels_are_written_without_it() -> None:
    """Formats of levels that can be below nought carry Python's `z`, which takes the sign off a rounded nought."""
    found = []
    for path in sorted((ROOT / "cli").rglob("*.py")):
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), start=1):
            for field in re.findall(r"\{([^{}]*?):[+]?\d*\.\d+f\}", line):
                if any(word in field for word in SIGNED) and "+ 0.0" not in field and "spread" not in field:
                    found.append(f"{path.relative_to(ROOT)}:{number}: {field}")
    assert not found, "\n".join(found)
