"""The program in processes of their own, for tests that disturb it."""

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
ROOMMODES = [sys.executable, "-m", "cli"]


def environment(**changes: str) -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": str(ROOT), **changes}


def shell(script: str, folder: Path, **changes: str) -> subprocess.CompletedProcess[str]:
    """Run a line of shell in which $R is the program."""
    line = script.replace("$R", " ".join(f"'{word}'" for word in ROOMMODES))
    return subprocess.run(
        ["bash", "-c", line],
        cwd=folder,
        env=environment(**changes),
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )


def names(folder: Path) -> list[str]:
    return sorted(entry.name for entry in folder.iterdir())
