"""Every command on a plan searched on measurements: it uses what was measured, says what is the model's, or refuses."""

import importlib.util
import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.io import wavfile
from scipy.signal import butter, sosfreqz
from typer.testing import Result

from roommodes.plan.file import read_results, write_results
from roommodes.responses.metrics import drive_weights
from tests.cli.test_optimise_measured import SUBS, TEXT, write_measured
from tests.measuring import manifest_text, table_text

Run = Callable[..., Result]
LIMITED = TEXT + '[subwoofer]\nname = "box"\nmax_level_1m_db = 110\n'
GRID = "[grid]\npoints_per_octave = 72\n"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("measured")
    write_measured(path, extra=GRID)
    (path / "room.toml").write_text(LIMITED)
    return path


@pytest.fixture
def plan(run: Run, folder: Path) -> Path:
    """Three subs, tuned, met with the measured main; the room as drawn is made a little wrong afterwards."""
    target = folder / "ready.h5"
    if not target.exists():
        for command in (
            ["optimise", folder / "room.toml", "--measured", folder / "set.toml", "-o", folder / "plan.h5"],
            ["tune", folder / "plan.h5", "-o", folder / "tuned.h5", "--subs", 3],
            ["crossover", folder / "tuned.h5", "-o", target],
        ):
            done = run(*command, "-q")
            assert done.exit_code == 0, done.output
    return target


@pytest.mark.parametrize(
    "command", [["tune", "-o", "t.h5"], ["crossover"], ["decay"], ["rows"], ["settings"], ["export", "-o", "x.wav"]]
)
def test_each_says_that_it_rests_on_what_was_measured(run: Run, plan: Path, command: list[str]) -> None:
    said = run(command[0], plan, *command[1:], "--json")
    assert said.exit_code == 0, said.output
    assert json.loads(said.stdout)["responses"] == "measured"
    text = run(command[0], plan, *command[1:], *(["--force"] if "-o" in command else []))
    assert "measured" in text.stdout


def test_modes_are_said_to_be_the_models(run: Run, plan: Path) -> None:
    assert json.loads(run("decay", plan, "--json").stdout)["modes_from"] == "the model of the project's room"
    assert "modes' frequencies and decay times are the model's" in " ".join(run("decay", plan).stdout.split())


def test_a_delay_common_to_all_subs_moves_no_energy(run: Run, plan: Path) -> None:
    """Time counts from the earliest sub's signal, wherever the plan's own delays begin."""
    results = read_results(plan)
    table = results.plans[3]
    later = replace(results, plans={**results.plans, 3: replace(table, delay_s=table.delay_s + 0.005)})
    write_results(Path("later.h5"), later, force=False)
    said = [json.loads(run("decay", path, "--json").stdout)["after"]["energy_ms"] for path in (plan, "later.h5")]
    np.testing.assert_allclose(said[1], said[0], atol=1e-6)


def test_tolerance_says_whose_the_changes_are_and_refuses_robust_drives(run: Run, plan: Path) -> None:
    asked = ("--draws", 16, "--check", 0, "--plans", 1, "--no-shares", "--frequencies", 12)
    said = json.loads(run("tolerance", plan, *asked, "--json").stdout)
    assert (said["responses"], said["changes_from"]) == ("measured", "the model of the project's room")
    done = run("tolerance", plan, "--robust", "robust.h5")
    assert done.exit_code == 3
    assert "rests on measured responses" in done.stderr
    assert not Path("robust.h5").exists()


def test_a_relative_level_is_nowhere_taken_for_sound_pressure(run: Run, plan: Path) -> None:
    """[subwoofer] knows how loud a sub is; measurements without a level do not, so no dB SPL follows."""
    loud = run("headroom", plan)
    assert loud.exit_code == 3
    assert "without a known level" in loud.stderr
    assert run("report", plan, "-o", "r.html", "-q").exit_code == 0
    html = Path("r.html").read_text()
    assert "dB SPL" not in html
    for words in ("What was measured", "dB re one measured sub", "not measured"):
        assert words in html


def test_measurements_with_a_level_give_headroom(run: Run, tmp_path: Path) -> None:
    write_measured(tmp_path, extra='[reference]\nlevel = "per metre"\n')
    (tmp_path / "room.toml").write_text(LIMITED)
    done = run("optimise", "room.toml", "--measured", "set.toml", "-o", "p.h5", "--counts", 3, "-q")
    assert done.exit_code == 0, done.output
    loud = run("headroom", "p.h5", "--json")
    assert loud.exit_code == 0, loud.output
    assert json.loads(loud.stdout)["responses"] == "measured"


def test_wav_holds_what_was_measured_driven_and_filtered(run: Run, plan: Path) -> None:
    """The spectrum of the file at the measured frequencies, against the responses times drives, filters and crossover.

    The causal filter of the band is the same for all seats: a phase at each frequency, which is taken out. Its slope
    in the middle of the band is the latency that the command tells.
    """
    results = read_results(plan)
    turned = replace(results, transfer=results.transfer * np.exp(1j * 0.7))  # no model would have that
    write_results(Path("turned.h5"), turned, force=False)
    told = json.loads(run("export", "turned.h5", "-o", "e.wav", "--rate", 8000, "--json").stdout)
    rate, sample = wavfile.read("e.wav")
    hz, table, tuning = results.frequency_hz, results.plans[3], results.tuning
    time = np.arange(len(sample)) / rate
    inside = (hz > 25.0) & (hz < 80.0)
    got = np.exp(-2j * np.pi * np.outer(hz[inside], time)) @ sample
    delay = table.delay_s[0] - table.delay_s[0].min()
    drives = drive_weights(
        hz, gain_db=table.gain_db[0] - table.gain_db[0].max(), delay_s=delay, polarity=table.polarity[0]
    )
    for sub in range(3):
        for one in tuning.of_sub(sub):
            b = one.biquad(48000.0)
            z = np.exp(-2j * np.pi * hz / 48000.0)
            drives[:, sub] *= (b.b0 + b.b1 * z + b.b2 * z**2) / (1.0 + b.a1 * z + b.a2 * z**2)
    met = results.crossover  # Linkwitz-Riley: a Butterworth low-pass of half the order, twice
    half = butter(met.crossover.order // 2, met.crossover.frequency_hz, fs=48000.0, output="sos")
    low = sosfreqz(half, hz, fs=48000.0)[1] ** 2 * met.polarity * 10.0 ** (met.gain_db / 20.0)
    drives *= (low * np.exp(-2j * np.pi * hz * max(met.delay_s, 0.0)))[:, None]
    order = table.candidate_index[0]
    want = np.einsum("fsc,fc->fs", turned.transfer[:, :, order], drives)[inside]
    scale = np.sqrt(np.mean(np.abs(want) ** 2))
    common = np.sum(got * want.conj(), axis=1) / np.sum(np.abs(want) ** 2, axis=1)
    np.testing.assert_allclose(np.abs(common), 1.0, atol=0.03)
    middle = np.abs(np.log(hz[inside] / np.sqrt(hz[0] * hz[-1]))) < 0.1
    slope = np.polyfit(hz[inside][middle], np.unwrap(np.angle(common))[middle], 1)[0]
    assert -1e3 * slope / (2.0 * np.pi) == pytest.approx(told["latency_ms"], abs=1.0)
    got /= (common / np.abs(common))[:, None]
    assert np.sqrt(np.mean(np.abs(got - want) ** 2)) < 0.05 * scale
    plain = np.einsum("fsc,fc->fs", results.transfer[:, :, order], drives)[inside]
    assert np.sqrt(np.mean(np.abs(got - plain) ** 2)) > 0.5 * scale


@pytest.mark.skipif(importlib.util.find_spec("sofar") is None, reason="needs the extra: sofa")
def test_sofa_says_that_it_was_measured(run: Run, plan: Path) -> None:
    import sofar  # noqa: PLC0415

    assert run("export", plan, "-o", "e.sofa", "-q").exit_code == 0
    comment = sofar.read_sofa("e.sofa", verbose=False).GLOBAL_Comment
    assert comment.startswith("Measured (test set)")
    assert "Computed" not in comment


def ripple_db(hz: np.ndarray) -> np.ndarray:
    """Half a decibel, alike in every octave, since no importer should believe a flat line."""
    return 0.5 * np.cos(2 * np.pi * 4 * np.log2(hz / 55.0))


def test_measured_mains_from_files_meet_in_a_sum_that_is_known(run: Run, tmp_path: Path) -> None:
    """A bare delay, sign and level between sub and main at every seat, written as tables: found, and summed exactly."""
    hz = np.arange(15.0, 140.5, 0.25)
    late_s, sign, quieter_db = 0.0041, -1.0, 5.0
    files, away = {}, np.array([0.0051, 0.0077, 0.0064, 0.0092, 0.0103])
    seats = [f"front {n}" for n in (1, 2, 3)] + [f"rear {n}" for n in (1, 2)]
    for seat, second in zip(seats, away, strict=True):
        main = 0.005 / second * 10 ** (ripple_db(hz) / 20) * np.exp(-2j * np.pi * hz * second)
        sub = sign * 10 ** (-quieter_db / 20) * main * np.exp(-2j * np.pi * hz * late_s)
        for who, value in (("left", sub), ("main", main)):
            files[who, seat] = f"{who}-{seat.replace(' ', '')}.txt"
            (tmp_path / files[who, seat]).write_text(table_text(hz, value))
    places = {"left": SUBS["left"], "main": (0.4, 1.9, 1.0)}
    grid = "[grid]\nband_hz = [20, 120]\npoints_per_octave = 48\n"
    (tmp_path / "set.toml").write_text(manifest_text(files=files, subs=places, extra=grid))
    (tmp_path / "room.toml").write_text(TEXT)
    done = run("optimise", "room.toml", "--measured", "set.toml", "-o", "p.h5", "--counts", 1, "-q")
    assert done.exit_code == 0, done.output
    done = run("crossover", "p.h5", "--json")
    assert done.exit_code == 0, done.output
    said = json.loads(done.stdout)
    own = int(read_results(Path("p.h5")).plans[1].polarity[0, 0])
    assert said["delay_ms"] == pytest.approx(-1e3 * late_s, abs=0.03)  # the mains wait for the sub
    assert said["polarity"] * own == sign
    assert said["gain_db"] + float(read_results(Path("p.h5")).plans[1].gain_db[0, 0]) == pytest.approx(
        quieter_db, abs=0.05
    )
    near = np.array(said["grid_hz"])
    halves = [
        sosfreqz(butter(2, 55.0, kind, fs=48000.0, output="sos"), near, fs=48000.0)[1] ** 2 for kind in ("low", "high")
    ]
    flat = 20 * np.log10(np.abs(halves[0] + halves[1])) + ripple_db(near)
    level = np.array(said["sum_db"])
    np.testing.assert_allclose(
        level - level.mean(axis=-1, keepdims=True), np.broadcast_to(flat - flat.mean(), level.shape), atol=0.02
    )
    assert said["as_set"]["shortfall_db"] < 0.01


def test_modelled_mains_do_not_meet_measured_subs(run: Run, tmp_path: Path) -> None:
    write_measured(tmp_path, subs=SUBS)
    (tmp_path / "room.toml").write_text(TEXT.replace('measured = ["main"]\n', ""))
    done = run("optimise", "room.toml", "--measured", "set.toml", "-o", "p.h5", "--counts", 2, "-q")
    assert done.exit_code == 0, done.output
    met = run("crossover", "p.h5", "-o", "met.h5")
    assert met.exit_code == 3
    assert "mains.measured" in met.stderr
    assert "names none of the measured loudspeakers" in met.stderr
    assert not Path("met.h5").exists()
