"""The numbers that users see of the demo and of a small study, gathered from the commands' own output.

`python -m tests.regression.numbers` stores today's; the test beside it holds later ones against them. A change of a
number is a change for users: the changelog says what changed, by how much, and why.
"""

import argparse
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from typer.testing import CliRunner

from cli.main import app
from tests.studies.texts import tiny

STORED = Path(__file__).with_name("numbers.json")
LEFT_OUT = {"seconds", "cpu_seconds", "created_utc", "file", "written", "project", "version", "software_version"}


def said(*words: str, last: bool = False) -> Any:
    """What a command prints with --json; of a study, which prints a line for each event, the last."""
    done = CliRunner().invoke(app, [*words, "--json"])
    assert done.exit_code == 0, f"{words}: {done.output}"
    return json.loads(done.stdout.splitlines()[-1] if last else done.stdout)


def gather(folder: Path) -> dict[str, Any]:
    """Run the commands in an empty folder; a part of the answer for each."""
    found = {"demo": said("demo", "--into", str(folder))}
    plan = str(folder / "demo.h5")
    found["headroom"] = said("headroom", plan)
    found["tolerance"] = said("tolerance", plan, "-o", str(folder / "tolerance.h5"), "--draws", "256", "--subs", "4")
    found["tune"] = said("tune", plan, "-o", str(folder / "tuned.h5"))
    found["settings"] = said("settings", str(folder / "tuned.h5"))
    found["crossover"] = said("crossover", plan)
    study = folder / "study.toml"
    study.write_text(tiny(6, searched=True), encoding="utf-8")
    found["study"] = said("study", str(study), "-o", str(folder / "study.h5"), "--workers", "1", last=True)
    return {name: kept(answer) for name, answer in found.items()}


def kept(value: Any) -> Any:
    """An answer without times and names of files."""
    if isinstance(value, dict):
        return {key: kept(inner) for key, inner in value.items() if key not in LEFT_OUT}
    return [kept(inner) for inner in value] if isinstance(value, list) else value


def leaves(value: Any, path: str = "") -> Iterator[tuple[str, Any]]:
    """Every number and word with where it stands."""
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from leaves(inner, f"{path}/{key}")
    elif isinstance(value, list):
        for index, inner in enumerate(value):
            yield from leaves(inner, f"{path}/{index}")
    else:
        yield path, value


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("folder", type=Path, help="a new one, for the files that the commands write")
    folder = parser.parse_args().folder
    folder.mkdir()
    STORED.write_text(json.dumps(gather(folder), indent=0, sort_keys=True) + "\n", encoding="utf-8")
