"""Rooms kept between runs: how long the commands take on a room that has not changed, beside the first run.

    python -m benchmarks.kept_rooms

Each command of the demo runs twice in processes of its own, with an empty folder of kept rooms before the first; the
plain alternative is the first run. Both must print the same (but for the seconds that a search took). CPU time of the
whole process. Ends with an error if they differ.
"""

import json
import os
import resource
import subprocess
import sys
import tempfile
from importlib.resources import files
from pathlib import Path

PROGRAM = (sys.executable, "-m", "cli")
COMMANDS = (
    ("optimise", "demo.toml", "-o", "demo.h5", "--force", "--json"),
    ("check", "demo.toml", "--json"),
    ("predict", "demo.toml", "--json"),
    ("crossover", "demo.h5", "--json"),
    ("decay", "demo.h5", "--json"),
    ("report", "demo.h5", "-o", "demo.html", "--force"),
)
REPEATED = 2


def main() -> int:
    """Print the table; 1 if a second run says something else."""
    same = True
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "demo.toml").write_text(files("roommodes.project").joinpath("demo.toml").read_text(encoding="utf-8"))
        run(("optimise", "demo.toml", "-o", "demo.h5", "--force", "--json"), folder, folder / "warm")  # kernels
        print(f"{'command':12s} {'first':>7s} {'again':>7s} {'ratio':>6s}   CPU s")
        for number, words in enumerate(COMMANDS):
            kept = folder / f"kept-{number}"
            (first, said), *again = [run(words, folder, kept) for _ in range(1 + REPEATED)]
            best = min(seconds for seconds, _ in again)
            same &= all(other == said for _, other in again)
            print(f"{words[0]:12s} {first:7.2f} {best:7.2f} {first / best:6.1f}")
    print("the same was printed" if same else "FAILED: a second run printed something else")
    return 0 if same else 1


def run(words: tuple[str, ...], folder: Path, kept: Path) -> tuple[float, str]:
    """CPU seconds of a command, and what it printed, without how long it took."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    environment = os.environ | {"ROOMMODES_KEPT": str(kept)}
    done = subprocess.run([*PROGRAM, *words], cwd=folder, env=environment, capture_output=True, text=True, check=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    said = done.stdout
    if "--json" in words:
        told = json.loads(said)
        told.pop("seconds", None)
        said = json.dumps(told)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime, said


if __name__ == "__main__":
    sys.exit(main())
