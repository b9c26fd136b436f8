"""export: SOFA and WAV hold what the plan's transfer functions say."""

import csv
import importlib
import io
import json
import sys
import zipfile
from pathlib import Path

import numpy as np
import pytest
from scipy.io import wavfile

from cli.terminal.plan_options import choose_plan
from roommodes.responses.impulse_response import causal, impulse_grid


def test_sofa_holds_the_transfer_functions(run, plan_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Read back through the standard's own library, which checks the convention."""
    sofar = pytest.importorskip("sofar", reason="the sofa extra is not installed")
    assert run("export", plan_file, "--subs", 2, "-o", "r.sofa").exit_code == 0
    sofa = sofar.read_sofa("r.sofa", verify=True)
    plan = choose_plan(plan_file, subs=2)
    index = plan.results.plans[2].candidate_index[0]
    assert sofa.GLOBAL_SOFAConventions == "GeneralTF-E"
    got = (sofa.Data_Real + 1j * sofa.Data_Imag)[0]  # R, N, E
    np.testing.assert_allclose(got, plan.results.transfer[:, :, index].transpose(1, 0, 2), rtol=1e-12)
    np.testing.assert_allclose(sofa.N, plan.frequency_hz)
    np.testing.assert_allclose(sofa.ReceiverPosition, plan.seats.position_m)
    np.testing.assert_allclose(sofa.EmitterPosition, plan.positions_m)
    np.testing.assert_allclose(sofa.RoomCornerB, [[5.2, 4.0, 2.5]])
    assert "2025-01-02 03:04:05" in sofa.GLOBAL_DateCreated


def test_without_the_extra_it_says_what_to_install(run, plan_file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = importlib.import_module

    def missing(name: str, package: str | None = None) -> object:
        if name == "sofar":
            raise ImportError(name)
        return real(name, package)

    monkeypatch.setattr(importlib, "import_module", missing)
    monkeypatch.delitem(sys.modules, "sofar", raising=False)
    result = run("export", plan_file, "-o", "r.sofa")
    assert result.exit_code == 5
    assert "pip install 'roommodes[sofa]'" in result.stderr
    assert not Path("r.sofa").exists()


def test_wav_has_the_spectrum_of_the_plan(run, plan_file: Path) -> None:
    """Fourier transform of every channel against the levels stored in the plan, inside the band."""
    assert run("export", plan_file, "--subs", 2, "--rate", 8000, "-o", "r.wav").exit_code == 0
    rate, impulse = wavfile.read(io.BytesIO(Path("r.wav").read_bytes()))
    plan = choose_plan(plan_file, subs=2)
    assert rate == 8000
    assert impulse.shape == (16000, 5)
    assert impulse.dtype == np.float32
    hz = np.fft.rfftfreq(len(impulse), 1.0 / rate)
    level = 20 * np.log10(np.abs(np.fft.rfft(impulse.astype(float), axis=0)) + 1e-12)
    for index, frequency in enumerate(plan.frequency_hz):
        near = np.argmin(np.abs(hz - frequency))
        if abs(hz[near] - frequency) < 0.05:  # elsewhere the response moves between the two grids
            expected = plan.level_at_limit_db[index]
            loud = expected > expected.max() - 25.0  # a deep null moves by 1 dB within 0.04 Hz
            assert loud.sum() >= 4
            np.testing.assert_allclose(level[near][loud], expected[loud], atol=0.4)
    assert abs(np.interp(20.0, hz, level[:, 0]) - plan.level_at_limit_db[0, 0]) < 0.1


def test_one_sub_alone_sounds_without_its_drive(run, plan_file: Path) -> None:
    """The second sub has -3.5 dB, a delay and inverted polarity in the plan; alone it is the bare transfer function."""
    assert run("export", plan_file, "--subs", 2, "--sub", 2, "--rate", 8000, "-o", "r.wav").exit_code == 0
    _, impulse = wavfile.read("r.wav")
    plan = choose_plan(plan_file, subs=2)
    hz = np.fft.rfftfreq(len(impulse), 1.0 / 8000)
    spectrum = np.fft.rfft(impulse.astype(float), axis=0)
    band_hz = plan.project.search.band_hz
    grid, weight = impulse_grid(band_hz=band_hz, duration_s=2.0, lowest_hz=5.0, highest_hz=400.0)
    fades = np.interp(20.0, grid, causal(grid, weight).real) + 1j * np.interp(20.0, grid, causal(grid, weight).imag)
    candidate = plan.results.plans[2].candidate_index[0, 1]
    assert hz[40] == 20.0
    np.testing.assert_allclose(spectrum[40] / fades, plan.results.transfer[0, :, candidate], rtol=2e-3)


def test_nothing_sounds_before_time_zero_and_the_latency_is_told(run, plan_file: Path) -> None:
    """A transform puts what comes before time zero at the end of the response; in a long one nothing else is there."""
    done = run("export", plan_file, "--subs", 2, "--rate", 8000, "--seconds", 8, "-o", "r.wav", "--json")
    assert done.exit_code == 0
    _, impulse = wavfile.read("r.wav")
    energy = np.sum(impulse.astype(float) ** 2, axis=1)
    assert energy[len(energy) // 2 :].sum() < 1e-4 * energy.sum()
    plan = choose_plan(plan_file, subs=2)
    first_s = float(plan.arrival_s.min())
    assert energy[: int(8000 * first_s)].sum() < 2e-3 * energy.sum()  # nor before the nearest sub's sound can arrive
    assert 2.0 < json.loads(done.stdout)["latency_ms"] < 60.0


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["-o", "r.flac"], "got '.flac'; allowed: .sofa, .wav"),
        (["-o", "r.wav", "--sub", 9], "got 9; allowed: 1 to"),
        (["-o", "r.wav", "--seconds", 0], "got 0; allowed: 0.5 to 20"),
        (["-o", "r.wav", "--rate", 44100.5], "whole numbers from 8000 to 768000"),
        ([], "Missing option"),
    ],
)
def test_faults(run, plan_file: Path, arguments: list[object], words: str) -> None:
    result = run("export", plan_file, *arguments)
    assert result.exit_code == 2
    assert words in " ".join(result.stderr.split())
    assert not list(Path().iterdir())


def test_curves_are_those_of_the_plan(run, plan_file: Path) -> None:
    """Every column against pressures summed here from the stored transfer functions, gains, delays and signs."""
    assert run("export", plan_file, "--subs", 2, "-o", "c.csv").exit_code == 0
    plan = choose_plan(plan_file, subs=2)
    rows = list(csv.reader(io.StringIO(Path("c.csv").read_text(encoding="utf-8"))))
    table = {head: np.array([float(row[at]) for row in rows[1:]]) for at, head in enumerate(rows[0])}
    hz = plan.frequency_hz
    np.testing.assert_allclose(table["frequency_hz"], hz, atol=1e-3)
    transfer = plan.results.transfer[:, :, plan.results.plans[2].candidate_index[0]]
    late = plan.drives.delay_s - plan.drives.delay_s.min()
    turn = plan.drives.polarity * 10 ** (plan.drives.gain_db / 20) * np.exp(-2j * np.pi * np.outer(hz, late))
    for index, seat in enumerate(plan.seats.name):
        for state, weights in (("before", np.ones_like(turn)), ("after", turn)):
            want = np.sum(transfer[:, index] * weights, axis=1)
            head = f"{seat}, subs {state}"
            got = 10 ** (table[f"{head} [dB]"] / 20) * np.exp(1j * np.radians(table[f"{head} [degrees]"]))
            np.testing.assert_allclose(got, want, rtol=1e-3)


def test_each_curve_is_a_file_of_its_own_and_the_same_bytes_twice(run, plan_file: Path) -> None:
    for name in ("a.zip", "b.zip"):
        assert run("export", plan_file, "--subs", 2, "-o", name).exit_code == 0
    assert Path("a.zip").read_bytes() == Path("b.zip").read_bytes()
    plan = choose_plan(plan_file, subs=2)
    with zipfile.ZipFile("a.zip") as archive:
        assert len(archive.namelist()) == 2 * (len(plan.seats) + 1)  # and the average over the seats
        text = archive.read(f"{plan.seats.name[0]} - subs - after.txt").decode()
    columns = np.loadtxt(io.StringIO(text))
    assert columns.shape == (len(plan.frequency_hz), 3)
    np.testing.assert_allclose(columns[:, 1], plan.level_db[:, 0], atol=2e-3)
