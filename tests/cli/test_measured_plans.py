"""Every command on a plan searched on measurements: it uses what was measured, says what is the model's, or refuses."""

import csv
import importlib.util
import json
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.io import wavfile
from scipy.signal import butter, sosfreqz
from typer.testing import Result

from cli.report.plan import heard_section, lead_words, place_section
from cli.report.room import caution_section
from cli.report.short import ShortPlan, short_report
from cli.report.with_filters import seat_level_db
from roommodes.measured.loading import load_manifest
from roommodes.measured.manifest import parse_manifest
from roommodes.measured.resampling import chain_response
from roommodes.plan.file import read_results, write_results
from roommodes.project.reading import parse_project
from roommodes.responses.metrics import drive_weights
from tests.cli.test_optimise_measured import SUBS, TEXT, write_measured
from tests.measuring import manifest_text, table_text

Run = Callable[..., Result]
LIMITED = TEXT + '[subwoofer]\nname = "box"\nmax_level_1m_db = 110\n'
BARE = {"gain_db": 0.0, "delay_ms": 0.0, "polarity": 1}
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


def test_subs_and_mains_have_the_names_they_were_measured_by(run: Run, plan: Path) -> None:
    """In tables, files and curves; and the files caution, as does the next manifest without what nobody set."""
    for command in (["settings"], ["tune", "-o", "t.h5"]):
        heads = [line.split() for line in run(command[0], plan, *command[1:]).stdout.splitlines()]
        assert any("name" in line and {"gain", "Q"} & set(line) for line in heads)
        assert not any("zone" in line for line in heads)
    for name in ("s.csv", "s.txt", "next.toml", "c.csv"):
        assert run("export" if name == "c.csv" else "settings", plan, "-o", name, "-q").exit_code == 0
    rows = list(csv.DictReader(Path("s.csv").read_text().splitlines()))
    assert {row["name"] for row in rows} >= set(SUBS)
    assert "zone" not in rows[0]
    text = Path("s.txt").read_text()
    assert "# Hearing" in text
    filters = [line for line in text.splitlines() if not line.startswith("#")]
    assert filters[0].split("\t") == ["output", "filter", "kind", "frequency_hz", "q", "gain_db"]
    assert all(line.startswith("sub ") for line in filters[1:])
    assert "together" not in Path("next.toml").read_text()
    curves = Path("c.csv").read_text().splitlines()[0]
    assert ", subs and main after [dB]" in curves
    assert "main 1" not in curves


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


def test_reports_of_subs_that_stand_show_the_filters_and_build_nothing(plan: Path) -> None:
    """Levels a second way: transfer functions times drives times biquads, the most heavily driven sub at its limit."""
    results = read_results(plan)
    settled = results.plan(3)
    hz, tuning, drives = settled.frequency_hz, settled.tuning, settled.drives
    assert tuning is not None
    path = drive_weights(hz, gain_db=drives.gain_db, delay_s=drives.delay_s, polarity=drives.polarity)
    z = np.exp(-2j * np.pi * hz / 48000.0)
    for sub in range(3):
        for one in tuning.of_sub(sub):
            b = one.biquad(48000.0)
            path[:, sub] *= (b.b0 + b.b1 * z + b.b2 * z**2) / (1.0 + b.a1 * z + b.a2 * z**2)
    boost = 20.0 * np.log10(np.abs(path).max()) - drives.gain_db.max()
    want = 20.0 * np.log10(np.abs(np.einsum("fsc,fc->fs", settled.transfer, path))) - drives.gain_db.max()
    np.testing.assert_allclose(seat_level_db(settled), want - max(boost, 0.0), atol=0.01)
    compared = SimpleNamespace(rival=None)
    pages = short_report([ShortPlan(plan=settled, compared=compared, headroom=None)], cover=False, logo=None)
    sections = (place_section(settled), heard_section(settled, compared), caution_section(settled), *pages.sections)
    texts = " ".join([lead_words(settled, None), *(str(section) for section in sections)])
    assert not re.search(r"\b[Bb]uil[dt]\b(?!-in)|drawing shows", texts)
    assert texts.count("'every sub', 'peaking'") >= len(tuning.shared)
    assert "dial in the starting values and the filters" in texts


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
    grid += '[reference]\nchecked = ["seats"]\n'  # sound takes these times to no seats of a room
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


def chain_of_csv(path: Path, hz: np.ndarray, rate_hz: float, *, crossover: bool) -> dict[str, np.ndarray]:
    """What each output does, by SciPy from the columns of `settings` alone."""
    found = {}
    for row in csv.DictReader(path.read_text().splitlines()):
        kept = [key for key in row if key.endswith("b0") and row[key] and (crossover or key.startswith("filter"))]
        value = 10 ** (float(row["total_gain_db"]) / 20) * int(row["total_polarity"]) * np.ones(len(hz), complex)
        for key in kept:
            ba = [[float(row[key[:-2] + one]) for one in ("b0", "b1", "b2")]]
            sos = np.hstack([ba, [[1.0, *(float(row[key[:-2] + one]) for one in ("a1", "a2"))]]])
            value = value * sosfreqz(sos, hz, fs=rate_hz)[1]
        found[row["name"].replace("mains", "main")] = value * np.exp(
            -2j * np.pi * hz * 1e-3 * float(row["total_delay_ms"])
        )
    return found


@pytest.mark.parametrize("left_in", [True, False])
def test_the_next_measurements_chain_is_what_was_dialled_in(run: Run, plan: Path, left_in: bool) -> None:
    done = run("settings", plan, "-o", "next.toml", "-q", *([] if left_in else ["--divide-out"]))
    assert done.exit_code == 0, done.output
    assert run("settings", plan, "-o", "s.csv", "-q").exit_code == 0
    results = read_results(plan)
    project, hz = results.project, results.frequency_hz
    chain = chain_of_csv(Path("s.csv"), hz, project.processor.rate_hz, crossover=left_in)
    tables, _ = parse_manifest(Path("next.toml").read_text(), source="next.toml")
    assert [sub.name for sub in tables.subs] == [*SUBS, "main"]
    for sub in tables.subs:
        got = chain_response(sub.model_copy(update={"filters": ()}), hz)
        for one in sub.filters:
            got = got * chain_response(sub.model_copy(update=BARE | {"filters": (one,)}), hz)
        np.testing.assert_allclose(got, chain[sub.name], atol=2e-4 * np.abs(chain[sub.name]).max())
    if left_in:
        return
    wide = results.measured.wide
    chain = chain_of_csv(Path("s.csv"), wide.frequency_hz, project.processor.rate_hz, crossover=left_in)
    for name, before in zip((*SUBS, "main"), np.moveaxis(wide.transfer, 2, 0), strict=True):
        for s, seat in enumerate(results.seats.name):
            Path(f"{name}-{seat}.txt").write_text(table_text(wide.frequency_hz, chain[name] * before[:, s]))
    again = load_manifest("next.toml", project).for_search()
    np.testing.assert_allclose(again.transfer[:, :, :3], results.transfer, atol=2e-3 * np.abs(results.transfer).max())
    assert any("were divided out" in note for note in again.notes)


def test_settings_say_whether_they_replace_or_add_and_the_sums(run: Run, plan: Path) -> None:
    assert "These settings replace what stood" in " ".join(run("settings", plan).stdout.split())
    results = read_results(plan)
    stood = results.measured.manifest_toml.replace(
        f'name = "left"\nposition_m = {list(SUBS["left"])}\n',
        f'name = "left"\nposition_m = {list(SUBS["left"])}\ngain_db = -3.0\ndelay_ms = 4.0\npolarity = -1\n'
        'filters = [{ kind = "all-pass", frequency_hz = 40, q = 2.0 }]\n',
    )
    stood = stood.replace("[grid]", '[reference]\nchain = "left in"\n[grid]', 1)
    write_results(
        Path("left-in.h5"), replace(results, measured=replace(results.measured, manifest_toml=stood)), force=False
    )
    assert "Dial in the sums" in " ".join(run("settings", "left-in.h5").stdout.split())
    said = json.loads(run("settings", "left-in.h5", "--json").stdout)
    assert said["processor"]["settings"] == "add"
    whole, alone = said["processor"]["outputs"][0]["whole"], said["crossover"]["outputs"][0]
    assert whole["gain_db"] == pytest.approx(alone["total_gain_db"] - 3.0, abs=1e-9)
    assert whole["delay_ms"] == pytest.approx(alone["total_delay_ms"] + 4.0, abs=1e-9)
    assert whole["polarity"] == -alone["total_polarity"]
    assert whole["filters"][0]["kind"] == "all-pass"


def test_no_filter_is_spent_where_the_subs_are_low_passed(run: Run, plan: Path) -> None:
    """Linkwitz-Riley of fourth order takes 12 dB off where (f / fc)^4 = 3: 72 Hz for 55 Hz."""
    tuning = read_results(plan).tuning
    assert tuning.shared
    assert any(tuning.sub_filters)
    each = [*tuning.shared, *(one for own in tuning.sub_filters for one in own)]
    assert max(one.frequency_hz for one in each) <= 55.0 * 3**0.25 + 0.5
    said = " ".join(run("tune", plan, "-o", "again.h5").stdout.split())
    assert "No filter stands above 72 Hz" in said
    assert "On 4 times as many frequencies" in said


def test_the_band_of_a_crossover_is_asked_for_and_kept(run: Run, plan: Path) -> None:
    assert run("crossover", plan, "--band", "40:75", "-o", "narrow.h5", "-q").exit_code == 0
    near = read_results(Path("narrow.h5")).crossover.levels.near_hz
    np.testing.assert_allclose(near[[0, -1]], [40.0, 75.0])
    assert run("tune", "narrow.h5", "-o", "again.h5", "-q").exit_code == 0  # finds the crossover anew
    np.testing.assert_allclose(read_results(Path("again.h5")).crossover.levels.near_hz, near)
    assert "a quarter of an octave on both sides" in " ".join(run("crossover", plan, "--band", "54:75").stderr.split())


def test_plans_of_a_front_are_picked_by_name(run: Run, plan: Path) -> None:
    front = read_results(plan).choices.fronts[3]
    for name, row in (("most-even", int(np.argmin(front.variation_db))), ("loudest", int(np.argmax(front.output_db)))):
        said = json.loads(run("settings", plan, "--subs", 3, "--rank", name, "--json").stdout)
        assert said["variation_db"] == pytest.approx(front.variation_db[row], abs=1e-9)
    assert run("settings", plan, "--rank", "middle").exit_code == 2


def test_other_loudspeakers_take_the_mains_delay(run: Run, plan: Path) -> None:
    results = read_results(plan)
    met = results.crossover
    text = results.project.toml_text.replace("[mains]", '[mains]\nothers = ["centre"]', 1)
    project = parse_project(text, source="room.toml")
    later = replace(results, project=project, crossover=replace(met, delay_s=-0.004))
    write_results(Path("later-mains.h5"), later, force=False)
    said = json.loads(run("settings", "later-mains.h5", "--json").stdout)
    assert said["crossover"]["others"] == [{"output": "centre", "delay_ms": 4.0}]
    assert "takes the same 4.00 ms as the mains" in " ".join(run("settings", "later-mains.h5").stdout.split())
    assert run("settings", "later-mains.h5", "-o", "o.csv", "-q").exit_code == 0
    last = list(csv.DictReader(Path("o.csv").read_text().splitlines()))[-1]
    assert (last["sub"], float(last["total_delay_ms"])) == ("centre", 4.0)
