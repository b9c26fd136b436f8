"""Malformed measurements: each ends with its message, its file and its line, all at once."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from roommodes.errors import ProjectInvalid
from roommodes.measured.loading import load_manifest
from roommodes.project.project import Project
from tests.measuring import SEATS, SUBS, TABLE_HZ, Measured, manifest_text, modelled, room_project, wav, write_set


@pytest.fixture(scope="module")
def project() -> Project:
    return room_project()


@pytest.fixture(scope="module")
def measured(project: Project) -> Measured:
    return modelled(project, TABLE_HZ, SUBS)


def faults_of(path: Path, project: Project) -> ProjectInvalid:
    with pytest.raises(ProjectInvalid) as caught:
        load_manifest(path, project)
    return caught.value


def rows(folder: Path) -> list[str]:
    return (folder / "left-2.txt").read_text().splitlines()


def put(folder: Path, lines: list[str]) -> None:
    (folder / "left-2.txt").write_text("\n".join(lines) + "\n")


def row(line: int, text: str) -> Callable[[Path], None]:
    """Replace a line, from 1, of left-2.txt."""

    def change(folder: Path) -> None:
        lines = rows(folder)
        lines[line - 1] = text
        put(folder, lines)

    return change


def cells(change: Callable[[list[str]], list[str]]) -> Callable[[Path], None]:
    """Change the cells of every data line of left-2.txt."""

    def apply(folder: Path) -> None:
        lines = rows(folder)
        put(folder, lines[:2] + ["\t".join(change(line.split("\t"))) for line in lines[2:]])

    return apply


def keep(choose: Callable[[list[str]], list[str]]) -> Callable[[Path], None]:
    """Choose among the data lines of left-2.txt."""
    return lambda folder: put(folder, rows(folder)[:2] + choose(rows(folder)[2:]))


def whole(data: bytes) -> Callable[[Path], None]:
    return lambda folder: _write(folder, data)


def _write(folder: Path, data: bytes) -> None:
    (folder / "left-2.txt").write_bytes(data)


def rescaled(factor: Callable[[str, int], complex]) -> Callable[[Path], None]:
    """Multiply each table by a factor of its sub and seat number."""

    def change(folder: Path) -> None:
        for sub in SUBS:
            for seat in (1, 2, 3):
                path = folder / f"{sub}-{seat}.txt"
                lines = path.read_text().splitlines()
                value = factor(sub, seat)
                new = []
                for line in lines[2:]:
                    hz, level, phase = (float(cell) for cell in line.split("\t"))
                    more = value.imag if value.imag else 0.0  # a delay [s] as the imaginary part
                    sign = 180.0 if value.real < 0.0 else 0.0
                    gain = 20.0 * np.log10(abs(value.real))
                    new.append(f"{hz:.4f}\t{level + gain:.4f}\t{phase + sign - 360.0 * hz * more:.4f}")
                path.write_text("\n".join([*lines[:2], *new]) + "\n")

    return change


def own_peaks(folder: Path) -> None:
    for path in folder.glob("*-*.txt"):
        lines = path.read_text().splitlines()
        table = np.array([[float(cell) for cell in line.split("\t")] for line in lines[2:]])
        table[:, 1] -= table[:, 1].max()
        path.write_text("\n".join([*lines[:2], *("\t".join(f"{x:.4f}" for x in r) for r in table)]) + "\n")


def flip_second(sub: str, seat: int) -> complex:
    return -1.0 if (sub, seat) == ("left", 2) else 1.0


def late_second(sub: str, seat: int) -> complex:
    return complex(1.0, 0.02) if (sub, seat) == ("left", 2) else 1.0


TABLES = {  # what is done to the files -> what must be said, and on which line of left-2.txt
    "missing file": (lambda folder: (folder / "left-2.txt").unlink(), "there is no such file", None),
    "a folder": (
        lambda folder: ((folder / "left-2.txt").unlink(), (folder / "left-2.txt").mkdir()),
        "not an ordinary file",
        None,
    ),
    "empty": (whole(b""), "the file is empty", None),
    "words alone": (whole(b"nothing here\nbut words\n"), "no line of numbers", None),
    "binary": (whole(bytes(range(256)) * 20), "not a text table", None),
    "phase missing": (cells(lambda row: row[:2]), "the phase is missing: the table has 2 columns", 3),
    "one column": (cells(lambda row: row[:1]), "the table has 1 column, but column 3 is asked for", 3),
    "phase all zero": (cells(lambda row: [*row[:2], "0.0"]), "the phase is 0 on every line: it was lost", 3),
    "level all alike": (cells(lambda row: [row[0], "80.0", row[2]]), "the level is 80 dB on every line", 3),
    "falling": (row(8, "12.0\t-5.0\t10.0"), "the frequencies fall, from 17 to 12 Hz", 8),
    "backwards": (keep(lambda lines: lines[::-1]), "the frequencies fall, from 120 to 119.5 Hz", 4),
    "twice": (row(8, "17.0\t-5.0\t10.0"), "17 Hz stands on line 7 too", 8),
    "below zero": (row(3, "-15.0\t-5.0\t10.0"), "got a frequency of -15 Hz; allowed: above 0", 3),
    "nan": (row(9, "18.0\tnan\t10.0"), '"nan" is not a finite number', 9),
    "infinite": (row(9, "18.0\t-inf\t10.0"), '"-inf" is not a finite number', 9),
    "far too large": (row(9, "18.0\t1e999\t10.0"), '"1e999" is not a number', 9),
    "a word": (row(9, "18.0\tabc\t10.0"), '"abc" is not a number', 9),
    "words in between": (row(9, "second sweep"), "the line has 1 column, others have 3", 9),
    "truncated": (
        lambda folder: _write(folder, "\n".join([*rows(folder)[:100], "64.0\t-1"]).encode()),
        "the line has 2 columns, others have 3; it is cut short",
        101,
    ),
    "a level of 5000 dB": (row(9, "18.0\t5000\t10.0"), "got a level of 5000 dB; allowed: -300 to 300", 9),
    "few points": (keep(lambda lines: lines[:5]), "it has 5 points; allowed: 8 or more", None),
    "starts too high": (keep(lambda lines: lines[60:]), "it runs from 45 to 120 Hz; 20 to 100 Hz are asked for", None),
    "ends too low": (keep(lambda lines: lines[:90]), "it runs from 15 to 59.5 Hz", None),
    "too coarse": (keep(lambda lines: lines[::12]), "the next point is 6 Hz away; allowed: 3 Hz", 3),
    "a gap": (keep(lambda lines: lines[:40] + lines[60:]), "at 34.5 Hz the next point is 10.5 Hz away", 42),
    "commas for both": (
        whole("\n".join(f"{hz:g},5,80,25,-10,5" for hz in range(10, 130)).encode()),
        "commas seem to be both separator and decimal sign",
        None,
    ),
    "polarity": (rescaled(flip_second), "its polarity differs from its neighbours'", None),
    "common time": (
        rescaled(late_second),
        "it comes 20 ms later than the sub's other files let expect: its time zero is another",
        None,
    ),
    "commas for both, with blanks": (
        whole("\n".join(f"{hz:g},5, 80,25, -10,5" for hz in range(10, 130)).encode()),
        "commas seem to be both separator and decimal sign",
        None,
    ),
    "units": (
        whole("\n".join(f"{hz:g} Hz\t80\t10" for hz in range(10, 130)).encode()),
        'no line holds only numbers; here "10 Hz" is none',
        1,
    ),
    "an empty cell": (row(9, "18.0\t\t10.0"), "column 2 is empty, which is not a number", 9),
    "a million lines": (whole(b"1 2 3\n" * 1_000_001), "it has 1000001 lines; allowed: up to 1000000", None),
    "one endless line": (whole(b"1," * 60_000), "the line has 120000 letters; allowed: up to 100000", 1),
    "text without end": (whole(b"1" * 40_000_001), "it has 40 MB of text; allowed: up to 40 MB", None),
    "own peaks": (own_peaks, "have the same largest value: each was scaled to its own peak", None),
}


@pytest.mark.parametrize("name", TABLES)
def test_a_malformed_table(name: str, tmp_path: Path, project: Project, measured: Measured) -> None:
    change, message, line = TABLES[name]
    path = write_set(tmp_path, measured)
    load_manifest(path, project)  # sound before
    change(tmp_path)
    error = faults_of(path, project)
    told = [fault for fault in error.faults if message in fault.message]
    assert told, error.lines()
    file = "left-1.txt" if name == "own peaks" else "left-2.txt"
    assert {Path(fault.file).name for fault in told} <= {file, "right-1.txt"}
    assert told[0].line == line
    assert told[0].where.startswith("responses[")
    assert error.exit_code == (5 if name in {"missing file", "a folder"} else 3)


def decaying(seat: int = 0, *, rate: int = 2000, count: int = 4000, shift: int = 0) -> np.ndarray:
    time = np.arange(count) / rate
    sample = np.exp(-12.0 * time) * np.cos(2.0 * np.pi * (35.0 + seat) * time) * (0.5 - 0.05 * seat)
    return np.roll(sample, 10 + shift).astype(np.float32)


def plain_wav(seat: int = 0) -> bytes:
    return wav(decaying(seat), 2000)


def clipped() -> bytes:
    return wav((np.clip(4.0 * decaying(1), -1.0, 1.0) * 32767).astype(np.int16), 2000)


WAVS = {
    "truncated": (plain_wav(1)[:-3000], "the WAV file is truncated"),
    "a few bytes": (plain_wav(1)[:30], "truncated or of a kind that is not read"),
    "no wav": (b"RIFFfine" + b"x" * 200, "this is not a WAV file"),
    "text": (b"20 80 10\n" * 50, "this is not a WAV file"),
    "unequal rates": (
        wav(decaying(1, rate=4000, count=8000), 4000),
        "its sample rate is 4000 Hz, that of most others 2000 Hz: the rates are unequal",
    ),
    "clipped": (clipped(), "it is clipped:"),
    "clipped float": (wav(np.clip(decaying(1), -0.2, 0.2), 2000), "it is clipped:"),
    "silent": (wav(np.zeros(4000, dtype=np.float32), 2000), "every sample is 0: nothing was recorded"),
    "nan": (
        wav(np.where(np.arange(4000) == 7, np.nan, decaying(1)).astype(np.float32), 2000),
        "sample 7 is not a finite",
    ),
    "far too large": (wav(decaying(1).astype(np.float64) * 1e200, 2000), "e+199; allowed: 1e-15 to 1e+15"),
    "far too small": (wav(decaying(1).astype(np.float64) * 1e-310, 2000), "; allowed: 1e-15 to 1e+15"),
    "8 bit": (wav(np.full(4000, 128, dtype=np.uint8), 2000), "it has 8 bits; allowed: 16, 24 or 32 bits"),
    "two channels": (wav(np.stack([decaying(1)] * 2, axis=1), 2000), "it has 2 channels; say which with `channel`"),
    "short": (wav(decaying(1)[:100], 2000), "s after the sound arrives; 20 Hz needs 0.1 s or more"),
    "very short": (wav(decaying(1)[:20], 2000), "it has 20 samples; allowed: 64 or more"),
}


def wav_set(folder: Path, data: list[bytes], extra: str = "", more: str = "") -> Path:
    subs = {"left": SUBS["left"]}
    for index, content in enumerate(data):
        (folder / f"{index}.wav").write_bytes(content)
    files = {("left", seat): f"{index}.wav" for index, seat in enumerate(SEATS)}
    (folder / "set.toml").write_text(manifest_text(files=files, subs=subs, extra=extra, more=more))
    return folder / "set.toml"


@pytest.mark.parametrize("name", WAVS)
def test_a_malformed_impulse_response(name: str, tmp_path: Path, project: Project) -> None:
    data, message = WAVS[name]
    load_manifest(wav_set(tmp_path, [plain_wav(0), plain_wav(1), plain_wav(2)]), project)
    error = faults_of(wav_set(tmp_path, [plain_wav(0), data, plain_wav(2)]), project)
    (fault,) = error.faults
    assert message in fault.message
    assert Path(fault.file).name == "1.wav"
    assert error.exit_code == 3


def test_impulse_responses_that_all_start_alike_lost_their_common_delay(tmp_path: Path) -> None:
    deep = room_project().toml_text.replace("y_m = [1.2, 1.95, 2.7]", "y_m = [0.3, 1.95, 3.6]")
    project = room_project(deep.replace("x_m = 2.6", "x_m = 0.6"))
    error = faults_of(wav_set(tmp_path, [plain_wav(0), plain_wav(1), plain_wav(2)]), project)
    assert "ms: the common delay was lost" in error.faults[0].message
    later = [wav(decaying(seat, shift=9 * seat), 2000) for seat in range(3)]
    load_manifest(wav_set(tmp_path, later), project)


def test_a_rate_too_low_and_a_channel_that_is_not_there(tmp_path: Path, project: Project) -> None:
    slow = [wav(decaying(seat)[::10], 200) for seat in range(3)]
    error = faults_of(wav_set(tmp_path, slow), project)
    assert "its sample rate of 200 Hz holds up to 90 Hz; the band ends at 100 Hz" in error.faults[0].message
    error = faults_of(wav_set(tmp_path, [plain_wav(seat) for seat in range(3)], more="channel = 3\n"), project)
    assert [fault.message for fault in error.faults] == ["got channel 3; it has 1, counted from 1."] * 3


SOFAS = {
    "no sofa": (b"x" * 3000, "cannot be read as a SOFA file"),
    "text": (b"20 80 10\n" * 50, "cannot be read as a SOFA file"),
}


@pytest.mark.parametrize("name", SOFAS)
def test_a_malformed_sofa_file(name: str, tmp_path: Path, project: Project) -> None:
    pytest.importorskip("sofar")
    data, message = SOFAS[name]
    (tmp_path / "all.sofa").write_bytes(data)
    path = tmp_path / "set.toml"
    path.write_text(manifest_text(files={("left", "front 1"): "all.sofa"}, subs={"left": SUBS["left"]}))
    (fault,) = faults_of(path, project).faults
    assert message in fault.message


def test_a_sofa_file_without_its_frequencies_or_with_absurd_values(
    tmp_path: Path, project: Project, measured: Measured
) -> None:
    sofar = pytest.importorskip("sofar")
    netcdf = pytest.importorskip("netCDF4")  # what sofar itself reads with
    sofa = sofar.Sofa("GeneralTF")
    value = measured.transfer[:, :1, 0].T[None]
    sofa.N, sofa.Data_Real, sofa.Data_Imag = TABLE_HZ, value.real, value.imag
    path = tmp_path / "set.toml"
    path.write_text(manifest_text(files={("left", "front 1"): "all.sofa"}, subs={"left": SUBS["left"]}))
    sofar.write_sofa(str(tmp_path / "all.sofa"), sofa)
    load_manifest(path, project)
    sofa.N = TABLE_HZ - TABLE_HZ[0] - 1.0  # begins below 0
    sofar.write_sofa(str(tmp_path / "all.sofa"), sofa)
    assert "its frequencies do not rise from point to point" in faults_of(path, project).faults[0].message
    with netcdf.Dataset(tmp_path / "all.sofa", "a") as file:
        file.renameVariable("N", "other")
    assert "its N is missing or no number" in faults_of(path, project).faults[0].message
    sofa.N, sofa.Data_Real = TABLE_HZ, value.real * 1e200
    sofar.write_sofa(str(tmp_path / "all.sofa"), sofa)
    assert "allowed: up to 1e+15" in faults_of(path, project).faults[0].message


MANIFESTS = {  # text -> another, what must be said
    "unknown sub": ('sub = "right"\nseat = "front 2"', 'sub = "rigt"\nseat = "front 2"', "Did you mean right?"),
    "unknown seat": ('seat = "front 2"', 'seat = "frnt 2"', 'no seat of the project is called "frnt 2"'),
    "twice": ('seat = "front 2"', 'seat = "front 1"', "is given by responses[0] too; give it once"),
    "same file": ("left-2.txt", "left-1.txt", "takes the same data from"),
    "gap": (
        '[[responses]]\nsub = "right"\nseat = "front 3"\nfile = "right-3.txt"\n',
        "",
        "there is no response of sub right at front 3",
    ),
    "outside": ("[0.3, 3.6, 0.3]", "[0.3, 3.95, 0.3]", "y is 3.95 m; allowed: 0 to 3.9 m"),
    "same name": ('[[subs]]\nname = "right"', '[[subs]]\nname = "left"', '"left" is the name of subs[0] too'),
    "unknown key": ('file = "left-2.txt"', 'flie = "left-2.txt"', "Did you mean file?"),
    "seat and place": ('seat = "front 2"', 'seat = "front 2"\nplace = "x"', "got both of seat and place"),
    "filter": (
        '[[subs]]\nname = "left"',
        '[[subs]]\nname = "left"\nfilters = [{ kind = "high pass", frequency_hz = 400 }]',
        "the filters of sub left take",
    ),
    "columns twice": (
        'file = "left-2.txt"',
        'file = "left-2.txt"\ncolumns = [1, 3, 3]',
        "got [1, 3, 3]; allowed: three different columns",
    ),
    "channel of a table": (
        'file = "left-2.txt"',
        'file = "left-2.txt"\nchannel = 1',
        'this is for .wav files; "left-2.txt" is none',
    ),
    "columns of a wav": (
        'file = "left-2.txt"',
        'file = "left-2.wav"\ncolumns = [1, 2, 3]',
        'this is for text tables; "left-2.wav" is none',
    ),
    "calibration too": (
        '[[subs]]\nname = "left"',
        '[microphone]\ncalibration = "left-2.txt"\n[[subs]]\nname = "left"',
        '"left-2.txt" is the microphone\'s calibration',
    ),
    "no file": ('file = "left-2.txt"', 'file = ""', 'got ""; allowed: text that is not empty'),
    "falling band": ('name = "test set"', 'name = "t"\n[grid]\nband_hz = [90, 20]', "the first must not be above"),
    "scale of a wav": (
        "left-2.txt",
        "left-2.wav",
        "a WAV file needs full_scale_pa in [reference] for level = pascal",
    ),
}


@pytest.mark.parametrize("name", MANIFESTS)
def test_a_faulty_manifest(name: str, tmp_path: Path, project: Project, measured: Measured) -> None:
    before, after, message = MANIFESTS[name]
    path = write_set(tmp_path, measured, extra='[reference]\nlevel = "pascal"' if name == "scale of a wav" else "")
    text = path.read_text()
    assert before in text
    path.write_text(text.replace(before, after, 1))
    error = faults_of(path, project)
    told = [fault for fault in error.faults if message in fault.message]
    assert told, error.lines()
    assert told[0].line is not None
    assert not told[0].file


def test_all_faults_of_all_files_come_at_once(tmp_path: Path, project: Project, measured: Measured) -> None:
    path = write_set(tmp_path, measured)
    row(9, "18.0\tnan\t10.0")(tmp_path)
    (tmp_path / "right-1.txt").unlink()
    (tmp_path / "right-3.txt").write_text("")
    error = faults_of(path, project)
    assert error.exit_code == 3
    assert len(error.faults) == 3
    lines = error.lines()
    assert any(f"{tmp_path / 'left-2.txt'}:9 responses[2]: " in line for line in lines), lines
