"""Kills, bit flips, mutated projects and hostile files, seeded: what is lost, passes unseen, or ends in no words.

    python -m benchmarks.disturbances [--seed N] [--kills N] [--flips N] [--mutations N] [--files N] [--studies N]

A process that replaces one file again and again is killed at random moments: the file must be whole each time, old or
new. A study with two workers is killed at random moments and gone on with: in the end its results must be those of one
that was left alone. One bit of a plan file is turned: reading must refuse it. A project's text is mutated, and files of
every other kind (`hostile_files`): they must be read, or refused with faults. Ends with an error if any of these does
not hold. The tests in `tests/disturbances`, `tests/studies` and `tests/roommodes` do the same in single cases.
"""

import argparse
import contextlib
import hashlib
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from benchmarks.hostile_files import hostile_files
from roommodes.errors import RoommodesError
from roommodes.plan.file import read_results, results_image
from roommodes.project.reading import parse_project
from roommodes.studies.reading import parse_study
from roommodes.studies.results import read_study
from solvers.plans.solve import solve
from solvers.study.run import plan_study, study_in_process
from tests.rooms import SMALL
from tests.studies.texts import checksums, tiny

DEFAULTS = (
    ("--seed", 1),
    ("--kills", 100),
    ("--flips", 500),
    ("--mutations", 2000),
    ("--files", 900),
    ("--studies", 20),
)
WRITER = """
import hashlib, os, sys
from pathlib import Path
from roommodes.storage.whole_file import write_whole
print("ready", flush=True)
while True:
    data = os.urandom(200_000)
    write_whole(Path(sys.argv[1]), hashlib.sha256(data).digest() + data, force=True)
"""


def whole(path: Path) -> bool:
    """Whether a file of the writer is one of those that it wrote."""
    data = path.read_bytes()
    return hashlib.sha256(data[32:]).digest() == data[:32]


def kills(dice: random.Random, count: int, folder: Path) -> tuple[int, int]:
    """Kill the writer at random moments; (files found damaged, half-written ones left at the end)."""
    path, damaged = folder / "file.bin", 0
    for _ in range(count):
        process = subprocess.Popen([sys.executable, "-c", WRITER, str(path)], stdout=subprocess.PIPE)
        assert process.stdout is not None
        process.stdout.readline()
        time.sleep(dice.uniform(0.0, 0.05))
        process.kill()
        process.communicate()
        damaged += path.exists() and not whole(path)
    time.sleep(1.1)  # a rest counts as left once its writer has had time to lock it
    last = subprocess.Popen([sys.executable, "-c", WRITER, str(path)], stdout=subprocess.PIPE)
    time.sleep(1.5)
    last.terminate()
    last.communicate()
    return damaged, max(0, len(list(folder.glob(".*.part"))) - 1)  # the last writer's own


def flips(dice: random.Random, count: int, data: bytes, folder: Path) -> int:
    """Turn single bits of a plan file; how many files were read all the same."""
    path, passed = folder / "plan.h5", 0
    for _ in range(count):
        place, bit = dice.randrange(len(data)), dice.randrange(8)
        path.write_bytes(data[:place] + bytes([data[place] ^ 1 << bit]) + data[place + 1 :])
        try:
            read_results(path)
        except RoommodesError:
            continue
        passed += 1
    return passed


def mutated(dice: random.Random, text: str) -> str:
    """A project's text with one to three things changed."""
    lines = text.splitlines()
    for _ in range(dice.randint(1, 3)):
        at = dice.randrange(len(lines))
        kind = dice.randrange(4)
        if kind == 0:
            lines[at] = ""
        elif kind == 1:
            lines.insert(at, dice.choice(lines))
        elif kind == 2:
            value = dice.choice(["nan", "-1", "1e300", '"x"', "[]", "{}", "true", "9" * 400, "0", "-0.5"])
            lines[at] = lines[at].split("=")[0] + "= " + value
        else:
            line = list(lines[at]) or [" "]
            line[dice.randrange(len(line))] = chr(dice.choice([0, 34, 61, 91, 93, 0x200D, 0x202E, 0x1F468]))
            lines[at] = "".join(line)
    return "\n".join(lines)


def mutations(dice: random.Random, count: int, text: str) -> tuple[int, int]:
    """Read mutated projects; (how many were refused in words, how many ended otherwise)."""
    refused = otherwise = 0
    for _ in range(count):
        try:
            parse_project(mutated(dice, text), source="project.toml")
        except RoommodesError:
            refused += 1
        except Exception as error:
            otherwise += 1
            print(f"mutation: {type(error).__name__}: {error}")
    return refused, otherwise


def studies(dice: random.Random, count: int, folder: Path) -> tuple[int, int]:
    """Kill a study at random moments, workers and all; (rooms whose results differ in the end, half-written files)."""
    text, output = tiny(40), folder / "study.h5"
    (folder / "study.toml").write_text(text)
    command = [sys.executable, "-m", "tests.studies.disturbed", str(folder / "study.toml"), str(output), "2"]
    killed = 0
    while killed < count:
        process = subprocess.Popen(command, stderr=subprocess.DEVNULL, start_new_session=True)
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(dice.uniform(1.0, 8.0))
        if process.poll() is None:
            os.killpg(process.pid, signal.SIGKILL)
            process.wait()
            killed += 1
        elif done := sorted((folder / "study.h5.jobs").glob("[!.]*.h5")):  # before enough was killed: take work back
            for path in done[::2]:
                path.unlink()
    subprocess.run(command, check=True)
    expected = checksums(study_in_process(plan_study(parse_study(text, source="study.toml"))))
    found = checksums(read_study(output))
    differing = sum(found.get(key) != value for key, value in expected.items())
    return differing, len(list((folder / "study.h5.jobs").glob(".*.part")))


def main() -> int:
    """Print the counts; 1 if anything did not hold."""
    parser = argparse.ArgumentParser(description=__doc__)
    for name, default in DEFAULTS:
        parser.add_argument(name, type=int, default=default)
    asked = parser.parse_args()
    dice, began = random.Random(asked.seed), time.perf_counter()
    text = SMALL
    results = solve(parse_project(text, source="project.toml"), counts=(2,), seed=1)
    with tempfile.TemporaryDirectory() as name:
        passed = flips(dice, asked.flips, results_image(results), Path(name))
        refused, otherwise = mutations(dice, asked.mutations, text)
        damaged, left = kills(dice, asked.kills, Path(name))
        files = hostile_files(dice, asked.files, results.plan())
        differing, rests = studies(dice, asked.studies, Path(name))
    print(f"{asked.kills} kills while a file is replaced: {damaged} damaged, {left} half-written ones left")
    print(f"{asked.flips} plan files with one bit turned: {passed} read all the same")
    print(f"{asked.mutations} mutated projects: {refused} refused in words, {otherwise} ended otherwise")
    print(f"{asked.files} mangled files of nine kinds: {files.refused} refused in words, {files.read} read, ", end="")
    print(f"{files.otherwise} ended otherwise, {files.longest_s:.1f} s the longest")
    print(f"{asked.studies} kills of a study: {differing} results differ in the end, {rests} half-written files left")
    print(f"seed {asked.seed}, {time.perf_counter() - began:.0f} s")
    return 1 if damaged or left or passed or otherwise or files.otherwise or differing or rests else 0


if __name__ == "__main__":
    sys.exit(main())
