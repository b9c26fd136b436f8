"""Measurements in: what comes out is what went in, and what was done is told."""

import tomllib
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from scipy.signal import freqz

from roommodes.acoustics.transfer import transfer_function
from roommodes.errors import FileUnusable, ProjectInvalid
from roommodes.measured.files import Impulse
from roommodes.measured.loading import MeasuredSet, load_manifest
from roommodes.measured.manifest import MANIFEST_FORMAT, manifest_schema, parse_manifest, starter_manifest
from roommodes.measured.wav import spectrum
from roommodes.project.project import Project
from solvers.plans.measured_basis import measured_basis
from tests.conftest import Close
from tests.measuring import (
    LEAD_S,
    SEATS,
    SUBS,
    TABLE_HZ,
    Measured,
    impulses,
    manifest_text,
    modelled,
    room_project,
    table_text,
    wav,
    write_set,
)


@pytest.fixture(scope="module")
def project() -> Project:
    return room_project()


@pytest.fixture(scope="module")
def measured(project: Project) -> Measured:
    return modelled(project, TABLE_HZ, SUBS)


def expected(project: Project, found: MeasuredSet) -> np.ndarray:
    return transfer_function(
        project.room,
        project.surfaces(),
        frequency_hz=found.frequency_hz,
        seat_m=found.seats.position_m,
        source_m=found.subs.position_m,
    )


def rms(value: np.ndarray) -> float:
    return float(np.sqrt(np.mean(np.abs(value) ** 2)))


def test_tables_come_back_as_the_model_between_their_points(
    tmp_path: Path, project: Project, measured: Measured, close: Close
) -> None:
    found = load_manifest(write_set(tmp_path, measured, extra='[reference]\nlevel = "per metre"'), project)
    assert found.seats.name == SEATS
    assert found.subs.name == tuple(SUBS)
    assert found.seats.seat.tolist() == [0, 1, 2]
    assert found.frequency_hz[[0, -1]].tolist() == pytest.approx([20.0, 100.0])
    want = expected(project, found)
    close(found.transfer, want, 3e-3, scale=rms(want))
    assert found.comparable
    assert any("cubic spline" in note for note in found.notes)
    assert len(found.files) == 6


@pytest.mark.parametrize("mark", ["\t", ";", " ", ",", ", "])
def test_every_way_of_writing_a_table_reads_alike(
    tmp_path: Path, project: Project, measured: Measured, mark: str, close: Close
) -> None:
    plain = load_manifest(write_set(tmp_path, measured), project)
    comma = mark in {"\t", ";", " "}
    text = table_text(
        TABLE_HZ, measured.transfer[:, 0, 0], mark=mark, comma=comma, head="Freq(Hz), SPL(dB), Phase\n; x\n"
    )
    (tmp_path / "left-1.txt").write_bytes(text.replace("\n", "\r\n").encode("utf-8-sig"))
    again = load_manifest(tmp_path / "set.toml", project)
    close(again.transfer, plain.transfer, 1e-9, scale=rms(plain.transfer))


def test_utf16_and_words_at_the_head_and_comments_are_passed_over(
    tmp_path: Path, project: Project, measured: Measured
) -> None:
    plain = load_manifest(write_set(tmp_path, measured), project)
    head = '# one\n* two\n; three\n"four"\n// five\nsix words and 7 numbers\nHz dB deg\n'
    (tmp_path / "left-1.txt").write_bytes(table_text(TABLE_HZ, measured.transfer[:, 0, 0], head=head).encode("utf-16"))
    assert np.array_equal(load_manifest(tmp_path / "set.toml", project).transfer, plain.transfer)


def test_quotes_typeset_signs_and_columns_set_out_with_tabs_read_alike(
    tmp_path: Path, project: Project, measured: Measured
) -> None:
    plain = load_manifest(write_set(tmp_path, measured), project)
    text = table_text(TABLE_HZ, measured.transfer[:, 0, 0], mark=",")
    quoted = "\n".join(",".join(f'"{cell}"' for cell in line.split(",")) for line in text.splitlines())
    blank = text.replace(",", ", ").replace(".0000", "")  # whole numbers too: "15, -3.2, 100.5"
    for other in (quoted, text.replace("-", "\u2212"), text.replace(",", "\t\t"), text.replace(",", "\u00a0"), blank):
        (tmp_path / "left-1.txt").write_text(other, encoding="utf-8")
        assert np.array_equal(load_manifest(tmp_path / "set.toml", project).transfer, plain.transfer)


def test_the_spectrum_of_samples_is_the_straight_sum(close: Close) -> None:
    rng = np.random.default_rng(3)
    sample, hz = rng.normal(size=1500), np.array([17.3, 50.0, 133.7])
    straight = np.exp(-2j * np.pi * hz[:, None] * np.arange(1500) / 4000.0) @ sample
    close(spectrum(Impulse(sample=sample, rate_hz=4000.0), hz), straight, 1e-11)


@pytest.mark.parametrize("kind", ["int16", "int32", "float32", "float64", "24 bit"])
def test_impulse_responses_in_every_sample_format(tmp_path: Path, project: Project, kind: str, close: Close) -> None:
    rate = 2000
    impulse = impulses(project, rate_hz=rate)
    files, full = {}, 0.5 / np.abs(impulse).max()
    for s, seat in enumerate(SEATS):
        sample = impulse[:, s] * full  # one channel per sub
        if kind == "24 bit":
            data = wav24(sample, rate)
        elif kind.startswith("int"):
            top = np.iinfo(kind).max
            data = wav(np.round(sample * top).astype(kind), rate)
        else:
            data = wav(sample.astype(kind), rate)
        (tmp_path / f"{s}.wav").write_bytes(data)
        for sub in SUBS:
            files[sub, seat] = f"{s}.wav"
    text = manifest_text(files=files, subs=SUBS)
    for channel, sub in enumerate(SUBS, 1):
        text = text.replace(f'sub = "{sub}"\n', f'sub = "{sub}"\nchannel = {channel}\n')
    (tmp_path / "set.toml").write_text(text)
    found = load_manifest(tmp_path / "set.toml", project)
    want = late(expected(project, found), found.frequency_hz) * full
    close(found.transfer, want, 5e-3, scale=rms(want))
    assert any("6 impulse responses, whole" in note for note in found.notes)


def late(value: np.ndarray, hz: np.ndarray) -> np.ndarray:
    """Responses that come after the lead of `impulses`."""
    return np.asarray(value * np.exp(-2j * np.pi * hz * LEAD_S)[:, None, None])


def wav24(sample: np.ndarray, rate: int) -> bytes:
    """24-bit samples, written byte by byte: scipy reads but does not write them."""
    raw = np.round(sample * (2**23 - 1)).astype("<i4").reshape(-1)
    body = raw.view(np.uint8).reshape(-1, 4)[:, :3].tobytes()
    channels = sample.shape[1]
    head = b"fmt " + (16).to_bytes(4, "little") + (1).to_bytes(2, "little") + channels.to_bytes(2, "little")
    head += rate.to_bytes(4, "little") + (rate * channels * 3).to_bytes(4, "little")
    head += (channels * 3).to_bytes(2, "little") + (24).to_bytes(2, "little")
    data = b"WAVE" + head + b"data" + len(body).to_bytes(4, "little") + body
    return b"RIFF" + len(data).to_bytes(4, "little") + data


def test_the_chain_and_the_microphone_are_divided_out(
    tmp_path: Path, project: Project, measured: Measured, close: Close
) -> None:
    plain = load_manifest(write_set(tmp_path, measured), project)
    (tmp_path / "mic.txt").write_text("\n".join(f"{hz:g} 3.0" for hz in range(10, 191, 20)))
    text = (tmp_path / "set.toml").read_text()
    chain = (
        'gain_db = -6.0\ndelay_ms = 5.0\npolarity = -1\nfilters = [{ kind = "low pass", frequency_hz = 90 }, '
        '{ kind = "peaking", frequency_hz = 40, q = 3, gain_db = -4 }]\n'
    )
    changed = text.replace('name = "left"\n', f'name = "left"\n{chain}')
    (tmp_path / "chained.toml").write_text(changed)
    found = load_manifest(tmp_path / "chained.toml", project)
    ratio = plain.transfer[:, :, 0] / found.transfer[:, :, 0]
    w = 2.0 * np.pi * found.frequency_hz / 48000.0
    want = -(10.0**-0.3) * np.exp(-2j * np.pi * found.frequency_hz * 5e-3)
    wc, alpha = 2.0 * np.pi * 90.0 / 48000.0, np.sin(2.0 * np.pi * 90.0 / 48000.0) / np.sqrt(2.0)
    b = np.array([(1.0 - np.cos(wc)) / 2.0, 1.0 - np.cos(wc), (1.0 - np.cos(wc)) / 2.0])
    want = want * freqz(b, [1.0 + alpha, -2.0 * np.cos(wc), 1.0 - alpha], worN=w)[1]
    a, wp = 10.0 ** (-4.0 / 40.0), 2.0 * np.pi * 40.0 / 48000.0
    alpha = np.sin(wp) / 6.0
    b, d = [1 + alpha * a, -2 * np.cos(wp), 1 - alpha * a], [1 + alpha / a, -2 * np.cos(wp), 1 - alpha / a]
    want = want * freqz(b, d, worN=w)[1]
    close(ratio, np.repeat(want[:, None], 3, axis=1), 1e-6)
    assert np.array_equal(found.transfer[:, :, 1], plain.transfer[:, :, 1])
    (tmp_path / "mic.toml").write_text(text.replace("[[subs]]", '[microphone]\ncalibration = "mic.txt"\n[[subs]]', 1))
    level = 10.0 ** (3.0 / 20.0)
    with pytest.raises(ProjectInvalid, match=r"mic.txt:1 microphone.calibration: .*more than an octave away"):
        load_manifest(tmp_path / "mic.toml", project)
    fine = "\n".join(f"{hz:g} 3.0" for hz in range(10, 151, 3))
    (tmp_path / "mic.txt").write_text(fine)
    close(load_manifest(tmp_path / "mic.toml", project).transfer * level, plain.transfer, 1e-9)
    # in third-octaves, as calibrations come: a first-order roll-off at 8 Hz, between the points within 0.02 dB
    bands = 10.0 ** (np.arange(9, 23) / 10.0)
    rolled = 1.0 / (1.0 - 8.0j / bands)
    rows = zip(bands, 20.0 * np.log10(np.abs(rolled)), np.degrees(np.angle(rolled)), strict=True)
    (tmp_path / "mic.txt").write_text("\n".join(f"{hz:.4f} {db:.6f} {degrees:.6f}" for hz, db, degrees in rows))
    got = load_manifest(tmp_path / "mic.toml", project)
    want = plain.transfer * (1.0 - 8.0j / plain.frequency_hz)[:, None, None]
    assert np.abs(got.transfer / want - 1.0).max() < 0.0025


def test_a_window_cuts_what_comes_late(tmp_path: Path, project: Project) -> None:
    rate = 2000
    early = np.zeros(6000)
    early[100] = 0.5
    echo = early.copy()
    echo[100 + 2 * rate] = 0.25
    for s in range(3):
        (tmp_path / f"{s}.wav").write_bytes(wav((echo * (1.0 - 0.1 * s)).astype(np.float32), rate))
    subs = {"left": SUBS["left"]}
    files = {("left", seat): f"{s}.wav" for s, seat in enumerate(SEATS)}
    extra = "[reference]\ncommon_time = false\n"
    (tmp_path / "set.toml").write_text(manifest_text(files=files, subs=subs, extra=extra))
    whole = load_manifest(tmp_path / "set.toml", project)
    extra += "[processing]\nwindow_s = 1.0\n"
    (tmp_path / "set.toml").write_text(manifest_text(files=files, subs=subs, extra=extra))
    cut = load_manifest(tmp_path / "set.toml", project)
    assert np.ptp(np.abs(whole.transfer[:, 0, 0])) > 0.2
    assert np.allclose(np.abs(cut.transfer[:, 0, 0]), 0.5, rtol=1e-6)
    assert any("1 s after the latest arrival" in note for note in cut.notes)
    assert any("time cannot be compared" in note for note in cut.notes)
    assert not cut.comparable


def test_a_window_ends_after_the_latest_arrival_of_the_set(tmp_path: Path, project: Project, close: Close) -> None:
    """Its length counts from the last arrival: an echo 0.35 s after the first file's own arrival stays whole."""
    files = {}
    for number, (seat, arrival) in enumerate(zip(SEATS, (0.05, 0.15, 0.25), strict=True)):
        sample = np.zeros(2000, dtype=np.float32)
        sample[int(1000 * arrival)] = 0.5
        sample[400 + number] = 0.25
        (tmp_path / f"{number}.wav").write_bytes(wav(sample, 1000))
        files["left", seat] = f"{number}.wav"
    head = "[reference]\ncommon_time = false\ncommon_polarity = false\ncommon_level = false\n"
    head += "[processing]\nwindow_s = 0.3\n"
    (tmp_path / "set.toml").write_text(manifest_text(files=files, subs={"left": SUBS["left"]}, extra=head))
    found = load_manifest(tmp_path / "set.toml", project)
    turn = -2j * np.pi * found.frequency_hz
    close(found.transfer[:, 0, 0], 0.5 * np.exp(turn * 0.05) + 0.25 * np.exp(turn * 0.4), 1e-5)


def test_a_response_starts_where_it_first_comes_within_20_db_of_its_peak() -> None:
    sample = np.zeros(100)
    sample[[5, 10, 50]] = 0.09, -0.11, 1.0
    assert Impulse(sample=sample, rate_hz=1000.0).start_s == pytest.approx(0.010)


@pytest.mark.parametrize(("away", "seat"), [(0.04, 1), (0.06, -1)])
def test_a_place_within_five_centimetres_of_a_seat_is_that_seat(
    tmp_path: Path, project: Project, measured: Measured, away: float, seat: int
) -> None:
    path = write_set(tmp_path, measured)
    x, y, z = project.seats.position_m[1]
    text = path.read_text().replace('seat = "front 2"', 'place = "near"')
    path.write_text(text + f'[[places]]\nname = "near"\nposition_m = [{x + away}, {y}, {z}]\n')
    assert load_manifest(path, project).seats.seat.tolist() == [0, 2, seat]


def test_silence_that_a_sofa_file_leaves_out_is_put_back(tmp_path: Path, project: Project, close: Close) -> None:
    sofar = pytest.importorskip("sofar")
    sofa = sofar.Sofa("GeneralFIR")
    sofa.Data_IR = impulses(project, rate_hz=1000, duration_s=2.0)[:, :, 0].T[None]
    sofa.Data_SamplingRate = 1000
    sofa.ReceiverPosition = np.zeros((3, 3))
    text = manifest_text(files={("left", seat): "a.sofa" for seat in SEATS}, subs={"left": SUBS["left"]})
    for number, seat in enumerate(SEATS, 1):
        text = text.replace(f'seat = "{seat}"\n', f'seat = "{seat}"\nreceiver = {number}\n')
    text = text.replace("[[subs]]", "[reference]\ncommon_time = false\n[[subs]]", 1)
    (tmp_path / "set.toml").write_text(text)
    found = []
    for samples in (0, 50):
        sofa.Data_Delay = np.array([[0.0, samples, 0.0]])
        sofar.write_sofa(str(tmp_path / "a.sofa"), sofa)
        found.append(load_manifest(tmp_path / "set.toml", project))
    late_by = np.exp(-2j * np.pi * found[0].frequency_hz * 0.05)
    close(found[1].transfer[:, 1], found[0].transfer[:, 1] * late_by[:, None], 1e-9)
    assert np.array_equal(found[1].transfer[:, 0], found[0].transfer[:, 0])


def test_smoothing_keeps_a_pure_delay_and_flattens_a_comb(tmp_path: Path, project: Project, close: Close) -> None:
    hz = np.arange(15.0, 120.5, 0.25)
    delay = 0.6 * np.exp(-2j * np.pi * hz * 0.02) * (1.0 + 1e-5 * hz)  # below 0 dB
    comb = delay * (1.0 + 0.8 * np.exp(-2j * np.pi * hz * 0.15))
    three = np.stack([delay, 1.1 * comb, 1.2 * delay], axis=1)
    transfer = np.stack([three, three], axis=2)
    reference = "[reference]\ncommon_level = false\ncommon_polarity = false\ncommon_time = false\n"
    path = write_set(
        tmp_path, Measured(hz=hz, transfer=transfer), extra=reference + "[processing]\nsmoothing_octave = 1"
    )
    found = load_manifest(path, project)
    turn = 0.6 * np.exp(-2j * np.pi * found.frequency_hz * 0.02)
    close(found.transfer[:, 0, 0], turn, 3e-3)
    level = 20.0 * np.log10(np.abs(found.transfer[:, 1, 0]))
    assert np.std(level[8:-8]) < 1.5  # the comb itself swings by 19 dB
    assert any("Smoothed over 1 octave" in note for note in found.notes)


def test_places_and_positions_are_matched_to_seats_and_candidates(
    tmp_path: Path, project: Project, measured: Measured
) -> None:
    write_set(tmp_path, measured)
    text = (tmp_path / "set.toml").read_text().replace('seat = "front 3"', 'place = "third"')
    place = '[[places]]\nname = "third"\nposition_m = [2.62, 2.71, 1.1]\n'
    (tmp_path / "set.toml").write_text(text.replace("[[responses]]", place + "[[responses]]", 1))
    found = load_manifest(tmp_path / "set.toml", project)
    assert found.seats.name == ("front 1", "front 2", "third")
    assert found.seats.seat.tolist() == [0, 1, 2]
    assert project.candidates.position_m[found.subs.candidate].tolist() == [list(v) for v in SUBS.values()]


def test_real_and_imaginary_columns_of_one_wide_file(
    tmp_path: Path, project: Project, measured: Measured, close: Close
) -> None:
    plain = load_manifest(write_set(tmp_path, measured), project)
    flat = measured.transfer.reshape(len(TABLE_HZ), -1)
    rows = [
        f"{hz:g}," + ",".join(f"{v.real:.8g},{v.imag:.8g}" for v in row) for hz, row in zip(TABLE_HZ, flat, strict=True)
    ]
    (tmp_path / "all.csv").write_text("hz,a,b\n" + "\n".join(rows))
    text = manifest_text(files={(sub, seat): "all.csv" for seat in SEATS for sub in SUBS}, subs=SUBS)
    parts = text.split('file = "all.csv"\n')
    joined = parts[0]
    for index, part in enumerate(parts[1:]):
        joined += (
            f'file = "all.csv"\nform = "real and imaginary"\ncolumns = [1, {2 * index + 2}, {2 * index + 3}]\n' + part
        )
    (tmp_path / "wide.toml").write_text(joined)
    close(load_manifest(tmp_path / "wide.toml", project).transfer, plain.transfer, 1e-4, scale=rms(plain.transfer))


@pytest.mark.parametrize("convention", ["GeneralTF-E", "GeneralFIR-E", "GeneralTF"])
def test_sofa_files_hold_the_same(
    tmp_path: Path, project: Project, measured: Measured, convention: str, close: Close
) -> None:
    sofar = pytest.importorskip("sofar")
    plain = load_manifest(write_set(tmp_path, measured), project)
    sofa = sofar.Sofa(convention)
    want = plain.transfer
    if convention == "GeneralFIR-E":
        want = late(want, plain.frequency_hz)
        sofa.Data_IR = impulses(project, rate_hz=2000).transpose(1, 0, 2)[None]  # M, R, N, E
        sofa.Data_SamplingRate = 2000
        sofa.Data_Delay = np.zeros((1, 3, 2))
    else:
        sofa.N = TABLE_HZ
        ordered = measured.transfer.transpose(1, 0, 2)[None]  # M, R, N, E
        ordered = ordered if convention == "GeneralTF-E" else ordered[..., 0]
        sofa.Data_Real, sofa.Data_Imag = ordered.real, ordered.imag
    sofa.ReceiverPosition = np.zeros((3, 3))
    if convention != "GeneralTF":
        sofa.EmitterPosition = np.zeros((2, 3))
    sofar.write_sofa(str(tmp_path / "all.sofa"), sofa)
    subs = SUBS if convention != "GeneralTF" else {"left": SUBS["left"]}
    text = manifest_text(files={(sub, seat): "all.sofa" for seat in SEATS for sub in subs}, subs=subs)
    for number, seat in enumerate(SEATS, 1):
        text = text.replace(f'seat = "{seat}"\n', f'seat = "{seat}"\nreceiver = {number}\n')
    for number, sub in enumerate(subs, 1):
        text = text.replace(f'[[responses]]\nsub = "{sub}"\n', f'[[responses]]\nsub = "{sub}"\nemitter = {number}\n')
    (tmp_path / "sofa.toml").write_text(text)
    found = load_manifest(tmp_path / "sofa.toml", project)
    close(found.transfer, want[:, :, : len(subs)], 1e-2, scale=rms(want[:, :, : len(subs)]))


def test_the_starter_is_valid_and_the_schema_accepts_it() -> None:
    text = starter_manifest().decode()
    tables, lines = parse_manifest(text, source="manifest.toml")
    assert tables.format == MANIFEST_FORMAT
    assert lines.of(("responses", 0, "file")) is not None
    schema = manifest_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.Draft202012Validator(schema).validate(tomllib.loads(text))
    assert not jsonschema.Draft202012Validator(schema).is_valid({"format": 1, "name": "x", "subs": 3})


def test_a_manifest_that_is_missing_or_newer_is_unusable(tmp_path: Path, project: Project) -> None:
    with pytest.raises(FileUnusable, match=r"there is no such file.*roommodes new --manifest"):
        load_manifest(tmp_path / "none.toml", project)
    (tmp_path / "new.toml").write_text("format = 2\n")
    with pytest.raises(FileUnusable, match="format is 2; this version reads manifests of format 1"):
        load_manifest(tmp_path / "new.toml", project)


@pytest.mark.parametrize(("chain", "volts"), [("divided out", (4.0, 2.83)), ("left in", (2.0, 2.83))])
def test_each_sub_may_have_a_voltage_of_its_own(
    tmp_path: Path, project: Project, measured: Measured, close: Close, chain: str, volts: tuple[float, float]
) -> None:
    """A gain of -6.02 dB that stays in the responses halves the voltage at 0 dB of the settings to come."""
    loud = Measured(hz=measured.hz, transfer=measured.transfer * 10.0**4)
    path = write_set(tmp_path, loud, extra=f'[reference]\nlevel = "pascal"\ndrive_v = 2.83\nchain = "{chain}"\n')
    text = path.read_text().replace('name = "left"\n', 'name = "left"\ndrive_v = 4.0\ngain_db = -6.020599913\n')
    path.write_text(text)
    found = load_manifest(path, project)
    close(np.array(found.scale.drive_v, dtype=float), np.array(volts), 1e-9)
    path.write_text(text.replace("drive_v = 2.83\n", ""))
    with pytest.raises(ProjectInvalid, match=r"subs\[1\].drive_v: sub 'right' has none, and others have"):
        measured_basis(project, load_manifest(path, project))
