"""Damaged measurement files and manifests: the importer answers with a set or with faults that name the file."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roommodes.errors import FileUnusable, ProjectInvalid
from roommodes.measured.loading import load_manifest
from roommodes.project.project import Project
from tests.measuring import SEATS, SUBS, TABLE_HZ, Measured, manifest_text, modelled, room_project, table_text, wav

LEFT = {"left": SUBS["left"]}
PLACE = st.floats(0.0, 1.0, exclude_max=True)
BYTES = st.binary(min_size=1, max_size=40)
NASTY = st.sampled_from(
    [b"nan", b"-inf", b"1e999", b"1e-999", b"\0", b"\xff\xff\xff\xff", b"\n", b"\t", b",", b'"', b"9" * 400]
)


def cut(data: bytes, place: float, more: bytes) -> bytes:
    return data[: int(place * len(data))]


def overwritten(data: bytes, place: float, more: bytes) -> bytes:
    at = int(place * len(data))
    return data[:at] + more + data[at + len(more) :]


def put_in(data: bytes, place: float, more: bytes) -> bytes:
    at = int(place * len(data))
    return data[:at] + more + data[at:]


def head_hit(data: bytes, place: float, more: bytes) -> bytes:
    return overwritten(data, place * min(1.0, 64.0 / len(data)), more)


def doubled(data: bytes, place: float, more: bytes) -> bytes:
    at = int(place * len(data))
    return data[:at] + data[at // 2 : at] + data[at:]


DAMAGE = st.sampled_from([cut, overwritten, put_in, head_hit, doubled])


@pytest.fixture(scope="module")
def project() -> Project:
    return room_project()


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory, project: Project) -> Path:
    """One set of each kind of file, all of one sub: table.toml, wav.toml, sofa.toml."""
    path = tmp_path_factory.mktemp("sets")
    found = modelled(project, TABLE_HZ, LEFT)
    time = np.arange(1000) / 1000.0
    for number in range(len(SEATS)):
        (path / f"{number}.txt").write_text(table_text(found.hz, found.transfer[:, number, 0], head="Hz\tdB\tdeg\n"))
        sample = np.roll(np.exp(-12.0 * time) * np.cos(220.0 * time), 10 + 9 * number) * (0.5 - 0.05 * number)
        (path / f"{number}.wav").write_bytes(wav((sample * 32767).astype(np.int16), 1000))
    for kind in ("txt", "wav"):
        files = {("left", seat): f"{number}.{kind}" for number, seat in enumerate(SEATS)}
        (path / f"{kind}.toml").write_text(manifest_text(files=files, subs=LEFT))
    return path


@pytest.fixture(scope="module")
def sofa_folder(folder: Path, project: Project) -> Path:
    write_sofa(folder, modelled(project, TABLE_HZ, LEFT))
    return folder


def write_sofa(folder: Path, found: Measured) -> None:
    sofar = pytest.importorskip("sofar")
    sofa = sofar.Sofa("GeneralTF")
    value = found.transfer[:, :, 0].T[None]
    sofa.N, sofa.Data_Real, sofa.Data_Imag = found.hz, value.real, value.imag
    sofa.ReceiverPosition = np.zeros((3, 3))
    sofar.write_sofa(str(folder / "1.sofa"), sofa)
    text = manifest_text(files={("left", seat): "1.sofa" for seat in SEATS}, subs=LEFT)
    for number, seat in enumerate(SEATS, 1):
        text = text.replace(f'seat = "{seat}"\n', f'seat = "{seat}"\nreceiver = {number}\n')
    (folder / "sofa.toml").write_text(text)


def answer(manifest: Path, project: Project, names: set[str]) -> None:
    """A set of finite numbers, or faults that name one of the files; anything else fails the test."""
    error, found = None, None
    try:
        found = load_manifest(manifest, project)
    except (ProjectInvalid, FileUnusable) as fault:
        error = fault
    assert found is None or np.isfinite(found.transfer).all()
    if isinstance(error, ProjectInvalid):
        assert {Path(one.file or error.source).name for one in error.faults} <= names, error.lines()
        assert error.faults
        assert max(len(one.message) for one in error.faults) < 1000
    elif error:
        assert str(manifest) in str(error)


def try_damage(
    folder: Path, project: Project, kind: str, name: str, change: Callable[[bytes, float, bytes], bytes], *args: object
) -> None:
    target = folder / name
    sound = target.read_bytes()
    try:
        target.write_bytes(change(sound, *args))  # type: ignore[arg-type]
        others = {f"{number}.{kind}" for number in range(3)}
        answer(folder / f"{kind}.toml", project, {name, *others, f"{kind}.toml"})
    finally:
        target.write_bytes(sound)


@settings(max_examples=60, deadline=None)
@given(change=DAMAGE, place=PLACE, more=BYTES | NASTY)
def test_a_damaged_table(
    folder: Path, project: Project, change: Callable[..., bytes], place: float, more: bytes
) -> None:
    try_damage(folder, project, "txt", "1.txt", change, place, more)


@settings(max_examples=60, deadline=None)
@given(change=DAMAGE, place=PLACE, more=BYTES | NASTY)
def test_a_damaged_wav(folder: Path, project: Project, change: Callable[..., bytes], place: float, more: bytes) -> None:
    try_damage(folder, project, "wav", "1.wav", change, place, more)


@settings(max_examples=40, deadline=None)
@given(change=DAMAGE, place=PLACE, more=BYTES | NASTY)
def test_a_damaged_sofa(
    sofa_folder: Path, project: Project, change: Callable[..., bytes], place: float, more: bytes
) -> None:
    try_damage(sofa_folder, project, "sofa", "1.sofa", change, place, more)


@settings(max_examples=60, deadline=None)
@given(change=DAMAGE, place=PLACE, more=BYTES | NASTY)
def test_a_damaged_manifest(
    folder: Path, project: Project, change: Callable[..., bytes], place: float, more: bytes
) -> None:
    sound = (folder / "txt.toml").read_bytes()
    damaged = folder / "damaged.toml"
    damaged.write_bytes(change(sound, place, more))
    error = None
    try:
        load_manifest(damaged, project)
    except (ProjectInvalid, FileUnusable) as fault:
        error = fault
    assert error is None or str(error)
