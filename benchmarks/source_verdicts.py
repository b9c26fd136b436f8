"""What is said of the subs without a fit (inverted, late, loud, rolling off), on rooms that the limits were not set on.

    python -m benchmarks.source_verdicts [--sets N] [--first N] [--models images panes elements] [--say]

Rooms by three models (`sets_of_measurements`) with noise, drawn wrong; tables from 16 to 170 Hz. All subs are closed
boxes that differ as boxes of one make do: corners by 8 %, levels by 1 dB, times by 0.5 ms. Then one sub is inverted, is
6 to 12 ms late, 7 to 10 dB loud, or rolls off below 30 to 40 Hz as a vented box. Counted is what is told rightly, what
is not told, and what is told wrongly: of another sub, or anything where all is well.
"""

import argparse
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from unittest.mock import patch

import numpy as np

from benchmarks.sets_of_measurements import MODELS, MeasuredRoom, measured_room
from roommodes.arrays import Complexes
from roommodes.errors import ProjectInvalid
from roommodes.measured import soundness
from roommodes.measured.data import MeasuredSubs
from roommodes.measured.loading import load_manifest
from roommodes.measured.source_sounds import LATE_S, LOUD_DB
from tests.measuring import manifest_text, table_text

HZ = np.arange(16.0, 171.0, 1.0)
FAULTS = ("none", "inverted", "late", "loud", "rolls off")


def closed_box(corner_hz: float, q: float = 0.8) -> Complexes:
    """What a closed box sends out."""
    s = 1j * HZ / corner_hz
    return np.asarray(s**2 / (s**2 + s / q + 1.0))


def sources(rng: np.random.Generator, n_sub: int, fault: str) -> tuple[Complexes, int]:
    """What each sub does by itself, (n_freq, n_sub), and which is at fault."""
    corner = rng.uniform(18.0, 26.0)
    low_pass = 1.0 / (1.0 + 1.414j * HZ / 140.0 - (HZ / 140.0) ** 2) ** 2
    each = [
        closed_box(corner * rng.uniform(0.92, 1.08))
        * low_pass
        * 10.0 ** (rng.uniform(-1.0, 1.0) / 20.0)
        * np.exp(-2j * np.pi * HZ * (0.003 + rng.uniform(-5e-4, 5e-4)))
        for _ in range(n_sub)
    ]
    which = int(rng.integers(n_sub))
    late_s, loud_db, falls_hz = rng.uniform(6e-3, 12e-3), rng.uniform(7.0, 10.0), rng.uniform(30.0, 40.0)
    each[which] = (
        each[which]
        * {
            "none": 1.0,
            "inverted": -1.0,
            "late": np.exp(-2j * np.pi * HZ * late_s),
            "loud": 10.0 ** (loud_db / 20.0),
            "rolls off": closed_box(falls_hz, 0.707) ** 2,
        }[fault]
    )
    return np.stack(each, axis=1), which


def verdicts(subs: MeasuredSubs) -> set[tuple[str, str]]:
    """What is said: name of a sub, and of a fault; of what cannot be told the fault is empty."""
    found = {(one.name, "rolls off") for one in subs.roll_offs}
    for one in subs.sounds:
        if not one.polarity:
            found.add((one.name, ""))
        found |= {(one.name, "inverted")} if one.polarity < 0 else set()
        found |= {(one.name, "late")} if abs(one.late_s) >= LATE_S else set()
        found |= {(one.name, "loud")} if abs(one.level_db) >= LOUD_DB else set()
    return found


def outcome(said: set[tuple[str, str]], names: list[str], which: int, fault: str) -> str:
    """Right, not told, or wrong; of two subs that are told nobody can say which is off, and the note says so."""
    claims = {one for one in said if one[1]}
    right = {(names[which], fault)} if fault != "none" else set()
    told = [name for name in names if (name, "") not in said]
    if len(told) == 2 and names[which] in told and fault in {"inverted", "late", "loud"}:
        right |= {(name, fault) for name in told}
    if claims - right:
        return "wrong"
    return "right" if bool(claims) == (fault != "none") else "not told"


def heard(room: MeasuredRoom, own: Complexes, folder: Path) -> MeasuredSubs:
    """What is said of a room with other sources in place of its own."""
    clean = room.clean / room.own[:, None, :] * own[:, None, :]
    size = np.sqrt(np.mean(np.abs(clean) ** 2, axis=(0, 1)) / np.mean(np.abs(room.clean) ** 2, axis=(0, 1)))
    value, files = clean + size * room.noise, {}
    for s, seat in enumerate(room.project.seats.name):
        for c, sub in enumerate(room.subs):
            files[sub, seat] = f"{c}-{s}.txt"
            (folder / files[sub, seat]).write_text(table_text(HZ, value[:, s, c]))
    path = folder / "set.toml"
    path.write_text(manifest_text(files=files, subs=room.subs, extra="[reference]\nnoise_percent = 1.0\n"))
    return load_manifest(path, room.project).subs


def one_room(model: str, seed: int, tally: dict[tuple[str, str], Counter[str]], *, say: bool) -> None:
    """All faults in one seeded room."""
    room, kept = measured_room(model, seed, hz=HZ), []
    work = soundness._expected

    def once(*arguments: object, **options: object) -> Complexes:
        if not kept:
            kept.append(work(*arguments, **{**options, "wanted": True}))  # type: ignore[arg-type]
        return kept[0]

    names = list(room.subs)
    with patch.object(soundness, "_expected", once), tempfile.TemporaryDirectory() as name:
        for number, fault in enumerate(FAULTS):
            own, which = sources(np.random.default_rng([seed, number]), len(names), fault)
            try:
                said = verdicts(heard(room, own, Path(name)))
            except ProjectInvalid as refused:
                said = {("", str(refused)[:90])}
            result = outcome(said, names, which, fault)
            tally.setdefault((model, fault), Counter())[result] += 1
            if say and result != "right":
                print(f"{model} {seed} {fault} of {names[which]}: {result} {sorted(said)}", flush=True)


def main() -> int:
    """Print the counts; 1 if anything was told wrongly."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--sets", type=int, default=20, help="of each model")
    options.add_argument("--first", type=int, default=5000, help="seed of the first set")
    options.add_argument("--models", nargs="+", choices=MODELS, default=list(MODELS))
    options.add_argument("--say", action="store_true", help="print what was not right")
    chosen = options.parse_args()
    tally: dict[tuple[str, str], Counter[str]] = {}
    began = time.process_time()
    for model in chosen.models:
        for seed in range(chosen.first, chosen.first + chosen.sets):
            one_room(model, seed, tally, say=chosen.say)
    print(f"{'model':10s}{'what one sub does':20s}{'right':>8s}{'not told':>10s}{'wrong':>8s}")
    for (model, fault), count in tally.items():
        print(f"{model:10s}{fault:20s}{count['right']:8d}{count['not told']:10d}{count['wrong']:8d}")
    print(f"{time.process_time() - began:.0f} s of CPU")
    return 1 if any(count["wrong"] for count in tally.values()) else 0


if __name__ == "__main__":
    sys.exit(main())
