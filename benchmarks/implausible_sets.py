"""Files and sets of measurements that cannot be what they say, seeded: how many are named, and what is blamed wrongly.

    python -m benchmarks.implausible_sets [--sets N] [--first N] [--models images panes elements] [--say]

Sound sets of rooms by three models (`sets_of_measurements`), with 0.25 to 3 % noise and drawn rooms that are wrong, are
read as they are; then with one file spoilt in each of a number of ways, then with all. A hit names the file, or the
set, with its cause; what blames a sound file or gives another cause is counted beside. `--say` prints these.

Two seats exchanged for one sub are spoilt in several ways each (`EXCHANGES`). What is put as a question, and of the
right two seats, is counted by itself; of what is not told at all the harm is worked out: by how much the variation of
the plan made on it, judged on the sound set, is above that of the sound set's own plan.
"""

import argparse
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from unittest.mock import patch

import numpy as np

from benchmarks.sets_of_measurements import MODELS, MeasuredRoom, measured_room
from roommodes.arrays import Complexes, Floats
from roommodes.errors import ProjectInvalid
from roommodes.measured import soundness
from roommodes.measured.loading import load_manifest
from roommodes.responses.metrics import drive_weights, level_db, seat_pressure, variation_db
from solvers.plans.measured_basis import measured_basis
from solvers.search.search import search
from tests.measuring import manifest_text, table_text

EXCHANGES = 6  # of one sub, in each set
HARMFUL_DB = 0.1
QUESTION = "?"
Spoil = Callable[[Floats, Complexes, np.random.Generator], str]


def columns(hz: Floats, level: Floats, phase: Floats) -> str:
    """A table with any columns."""
    return "\n".join(f"{a:.4f}\t{b:.6f}\t{c:.6f}" for a, b, c in zip(hz, level, phase, strict=True)) + "\n"


def _late(hz: Floats, value: Complexes, rng: np.random.Generator) -> str:
    seconds = rng.uniform(0.015, 0.06) * rng.choice([-1.0, 1.0])
    return table_text(hz, value * np.exp(-2j * np.pi * hz * seconds))


def _noise(hz: Floats, value: Complexes, rng: np.random.Generator) -> str:
    size = 0.3 * np.sqrt(np.mean(np.abs(value) ** 2))
    return table_text(hz, size * (rng.normal(size=len(hz)) + 1j * rng.normal(size=len(hz))))


def _sweep(hz: Floats, value: Complexes, _: np.random.Generator) -> str:
    turn = np.cumsum(np.gradient(hz) * 0.45 * np.log(hz / hz[0]))
    return table_text(hz, value * np.exp(-2j * np.pi * turn))


SINGLE: dict[str, tuple[Spoil, str]] = {  # what is done to one file -> what is said of it
    "linear": (lambda hz, v, _: columns(hz, np.abs(v), np.rad2deg(np.angle(v))), "linear magnitude"),
    "linear, Pa": (lambda hz, v, _: columns(hz, 0.02 * np.abs(v), np.rad2deg(np.angle(v))), "linear magnitude"),
    "radians": (lambda hz, v, _: columns(hz, 20.0 * np.log10(np.abs(v)), np.angle(v)), "in radians"),
    "reversed": (lambda hz, v, _: table_text(hz, np.conj(v)), "backwards in time"),
    "late": (_late, "time zero is another"),
    "inverted": (lambda hz, v, _: table_text(hz, -v), "polarity differs"),
    "quiet": (lambda hz, v, _: table_text(hz, v * 10.0**-6.5), "nothing of the sub is in it"),
    "in dB SPL": (lambda hz, v, _: table_text(hz, v * 10.0**4.7), "in dB SPL"),
    "own peak": (lambda hz, v, _: table_text(hz, v / np.abs(v).max()), "its own peak"),
    "noise": (_noise, "nothing of the sub is in it"),
    "sweep": (_sweep, "the recorded sweep"),
}


def doubts(room: MeasuredRoom, folder: Path, texts: dict[tuple[int, int], str], extra: str) -> list[tuple[str, str]]:
    """File (of the manifest: empty) and message of each fault; QUESTION in place of a file where one is asked."""
    try:
        measured = load_manifest(written(room, folder, texts, extra), room.project)
    except ProjectInvalid as faults:
        return [(Path(fault.file).name if fault.file else "", fault.message) for fault in faults.faults]
    return [(QUESTION, note) for note in measured.notes if "may be exchanged" in note]


def written(room: MeasuredRoom, folder: Path, texts: dict[tuple[int, int], str], extra: str) -> Path:
    """The manifest of a set that was written."""
    files = {}
    for s, seat in enumerate(room.project.seats.name):
        for c, sub in enumerate(room.subs):
            files[sub, seat] = f"{c}-{s}.txt"
            (folder / files[sub, seat]).write_text(texts[s, c])
    path = folder / "set.toml"
    path.write_text(manifest_text(files=files, subs=room.subs, extra=f"[reference]\nnoise_percent = 1.0\n{extra}"))
    return path


def harm_db(room: MeasuredRoom, sound: Path, sub: int, seats: tuple[int, int]) -> float:
    """What the plan on a set with two seats of a sub exchanged gives away on the sound one [dB]."""
    problem = measured_basis(room.project, load_manifest(sound, room.project)).problem
    wrong = problem.transfer.copy()
    wrong[:, list(seats), sub] = wrong[:, list(seats[::-1]), sub]
    heard = []
    for one in (problem, replace(problem, transfer=wrong)):
        (plan,) = search(one, counts=[len(room.subs)], seed=1, keep=1)[0].plans
        drives = drive_weights(problem.frequency_hz, gain_db=plan.gain_db, delay_s=plan.delay_s, polarity=plan.polarity)
        level = level_db(seat_pressure(problem.transfer[:, :, plan.candidate_index], drives))
        heard.append(variation_db(level, problem.seat_weight))
    return heard[1] - heard[0]


class Tally:
    """Hits, what was found under another cause, misses and what was blamed wrongly, by model and fault."""

    def __init__(self, *, say: bool) -> None:
        self.say = say
        self.count: dict[tuple[str, str], Counter[str]] = {}

    def add(self, model: str, fault: str, outcome: str, found: list[tuple[str, str]], seed: int) -> None:
        self.count.setdefault((model, fault), Counter())[outcome] += 1
        if self.say and outcome not in ("hit", "sound"):
            said = [(file, text[:100]) for file, text in found][:4]
            print(f"{model} {seed} {fault}: {outcome} {said}", flush=True)


def judge(found: list[tuple[str, str]], blamed: set[str], said: str) -> str:
    """The outcome of one set with a known fault."""
    if not found:
        return "missed"
    if found[0][0] == QUESTION:
        return "asked"
    if {file for file, _ in found} - blamed:
        return "blamed wrongly"
    return "hit" if all(said in text for _, text in found) else "other cause"


def exchanges(
    room: MeasuredRoom, folder: Path, plain: dict[tuple[int, int], str], rng: np.random.Generator
) -> Iterator[tuple[str, str, list[tuple[str, str]]]]:
    """Two seats exchanged for all subs once, then for one sub each time: fault, outcome and what was said."""
    n_seat, n_sub = room.transfer.shape[1:]
    for number in range(1 + EXCHANGES):
        one, other = (int(k) for k in rng.choice(n_seat, 2, replace=False))
        which = [int(rng.integers(n_sub))] if number else list(range(n_sub))
        texts = dict(plain)
        for c in which:
            texts[one, c], texts[other, c] = plain[other, c], plain[one, c]
        found = doubts(room, folder, texts, "")
        blamed = {f"{c}-{s}.txt" for c in which for s in (one, other)}
        seats = [room.project.seats.name[s] for s in (one, other)]
        if found and all("or those at" in text and all(seat in text for seat in seats) for _, text in found):
            blamed |= {file for file, _ in found}  # both pairs are named
        result = judge(found, blamed, "exchanged")
        if result == "asked" and not all(seat in found[0][1] for seat in seats):
            result = "blamed wrongly"
        yield "exchanged, one sub" if number else "exchanged, all subs", result, found
        if number and not found:
            harm = harm_db(room, written(room, folder, plain, ""), which[0], (one, other))
            yield "exchanged and not told", "harmful" if harm > HARMFUL_DB else "harmless", [("", f"{harm:.2f} dB")]


def one_set(model: str, seed: int, tally: Tally) -> None:
    """All of one seeded room."""
    room, rng = measured_room(model, seed), np.random.default_rng(seed)
    hz, value = room.hz, room.transfer
    n_seat, n_sub = value.shape[1:]
    plain = {(s, c): table_text(hz, value[:, s, c]) for s in range(n_seat) for c in range(n_sub)}
    rough: list[Complexes] = []
    work = soundness._expected

    def kept(*arguments: object, **options: object) -> Complexes:
        if not rough:
            rough.append(work(*arguments, **{**options, "wanted": True}))  # type: ignore[arg-type]
        return rough[0]

    with patch.object(soundness, "_expected", kept), tempfile.TemporaryDirectory() as name:
        folder = Path(name)

        def asked(texts: dict[tuple[int, int], str], extra: str = "") -> list[tuple[str, str]]:
            return doubts(room, folder, texts, extra)

        for extra in ("", 'level = "per metre"\n' if abs(_gain_db(room)) < 6.0 else ""):
            found = asked(plain, extra)
            result = "sound" if not found else "asked" if found[0][0] == QUESTION else "blamed wrongly"
            tally.add(model, "none", result, found, seed)
        for fault, (spoil, said) in SINGLE.items():
            s, c = int(rng.integers(n_seat)), int(rng.integers(n_sub))
            scale = 0.01 if fault == "own peak" else 1.0
            texts = {key: table_text(hz, scale * value[:, key[0], key[1]]) for key in plain} if scale < 1.0 else plain
            found = asked({**texts, (s, c): spoil(hz, value[:, s, c], rng)})
            tally.add(model, fault, judge(found, {f"{c}-{s}.txt"}, said), found, seed)
        for fault, result, found in exchanges(room, folder, plain, rng):
            tally.add(model, fault, result, found, seed)
        back = {key: table_text(hz, np.conj(value[:, key[0], key[1]])) for key in plain}
        flat = {
            key: columns(hz, np.abs(value[:, key[0], key[1]]), np.rad2deg(np.angle(value[:, key[0], key[1]])))
            for key in plain
        }
        loud = {key: table_text(hz, value[:, key[0], key[1]] * 10.0**4) for key in plain}
        for fault, texts, extra, said in (
            ("all: phase sign", back, "", "The sign of the phase is opposite"),
            ("all: linear", flat, "", "linear magnitude"),
            ("all: per metre, dB SPL", loud, 'level = "per metre"\n', "They look like dB SPL"),
        ):
            found = asked(texts, extra)
            tally.add(model, fault, judge(found, {""}, said), found, seed)


def _gain_db(room: MeasuredRoom) -> float:
    return float(10.0 * np.log10(np.mean(np.abs(room.own) ** 2)))


def main() -> int:
    """Print the counts; 1 if a sound set was doubted."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--sets", type=int, default=20, help="of each model")
    options.add_argument("--first", type=int, default=1000, help="seed of the first set")
    options.add_argument("--models", nargs="+", choices=MODELS, default=list(MODELS))
    options.add_argument("--say", action="store_true", help="print what was not hit")
    chosen = options.parse_args()
    tally, began = Tally(say=chosen.say), time.perf_counter()
    for model in chosen.models:
        for seed in range(chosen.first, chosen.first + chosen.sets):
            one_set(model, seed, tally)
    faults = list(dict.fromkeys(fault for _, fault in tally.count))
    for fault in faults:
        total: Counter[str] = sum((count for (_, name), count in tally.count.items() if name == fault), Counter())
        each = ", ".join(
            f"{model} {tally.count[model, fault]['hit'] + tally.count[model, fault]['sound']}"
            for model in chosen.models
        )
        if fault == "exchanged and not told":
            print(f"{fault:24s} {sum(total.values()):3d}, of which {total['harmful']} cost over {HARMFUL_DB} dB")
            continue
        good = total["hit"] + total["sound"]
        print(
            f"{fault:24s} {good:3d} of {sum(total.values())} ({each}); other cause {total['other cause']}, "
            f"asked {total['asked']}, missed {total['missed']}, blamed wrongly {total['blamed wrongly']}"
        )
    wrong = sum(count["blamed wrongly"] for (_, fault), count in tally.count.items() if fault == "none")
    print(f"{len(chosen.models) * chosen.sets} sets, {time.perf_counter() - began:.0f} s")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
