"""SOFA files that reach out of themselves or claim far more than they are; none is followed, none fills the memory."""

import os
import sys
from collections.abc import Callable
from pathlib import Path

import h5py
import numpy as np
import pytest

from roommodes.measured.files import FileFaulty, Impulse
from roommodes.measured.loading import load_manifest
from roommodes.measured.sofa import open_sofa, read_sofa
from tests.measuring import SUBS, manifest_text, room_project
from tests.roommodes.storage.test_guard import image


def plain(file: h5py.File) -> None:
    """The least that a SOFA file of impulse responses holds, as netCDF-4 writes it."""
    file.attrs["Conventions"] = np.bytes_("SOFA")
    file.attrs["DataType"] = np.bytes_("FIR")
    file["Data.IR"] = np.hanning(64)[None, None] * np.ones((1, 3, 1))
    file["Data.SamplingRate"] = [1000.0]
    file["Data.Delay"] = [[0.0, 5.0, 0.0]]


def made(change: Callable[[h5py.File], object] = lambda file: None) -> bytes:
    def build(file: h5py.File) -> None:
        plain(file)
        change(file)

    return image(build)


def replaced(name: str, **how: object) -> Callable[[h5py.File], None]:
    def change(file: h5py.File) -> None:
        del file[name]
        file.create_dataset(name, **how)  # type: ignore[arg-type]

    return change


def linked(file: h5py.File) -> None:
    del file["Data.IR"]
    file["Data.IR"] = h5py.ExternalLink(os.devnull, "/secret")


def virtual(file: h5py.File) -> None:
    del file["Data.IR"]
    layout = h5py.VirtualLayout((1, 3, 64), "f8")
    layout[:] = h5py.VirtualSource("secret.h5", "secret", (1, 3, 64))
    file.create_virtual_dataset("Data.IR", layout)


def test_a_plain_file_written_without_any_other_library_is_read() -> None:
    found = read_sofa(open_sofa(made()), measurement=1, receiver=2, emitter=None)
    assert isinstance(found, Impulse)
    assert found.rate_hz == 1000.0
    assert np.flatnonzero(found.sample)[0] == 6, "five samples were left out, and the window begins with 0"


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (linked, "/Data.IR is a link to elsewhere"),
        (virtual, "/Data.IR keeps its data in another file"),
        (replaced("Data.IR", shape=(8,), dtype="u1", external=[("secret", 0, 8)]), "keeps its data in another file"),
        (replaced("Data.IR", shape=(1, 3, 2**40), dtype="f8", chunks=(1, 1, 1000)), "claims over 1 GiB"),
        (replaced("Data.IR", data=np.zeros((1, 64, 2**18)), compression=9), "claims 128 MiB of data in"),
        (replaced("Data.IR", data=np.zeros((1, 3, 64)), compression="lzf"), "packed with filters"),
        (lambda file: file.attrs.__setitem__("Conventions", "CF-1.8"), "of another kind"),
        (lambda file: file.attrs.__setitem__("Conventions", h5py.Empty("f4")), "of another kind"),
        (lambda file: file.attrs.__delitem__("DataType"), "its data type is missing"),
    ],
)
def test_what_is_not_read(change: Callable[[h5py.File], object], message: str) -> None:
    data = made(change)
    assert len(data) < 300_000
    with pytest.raises(FileFaulty, match=message):
        open_sofa(data)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (replaced("Data.IR", data=np.array([b"text"])), "its data are missing or no numbers"),
        (replaced("Data.IR", data=np.zeros((1, 0, 64))), "its data have the shape"),
        (replaced("Data.IR", data=np.full((1, 3, 64), np.nan)), "not a finite number"),
        (replaced("Data.SamplingRate", data=np.array([np.inf])), "it says a sample rate of inf Hz"),
        (replaced("Data.Delay", data=np.array([[1e12]])), r"it says a delay of 1e\+12 samples"),
    ],
)
def test_values_that_no_measurement_has(change: Callable[[h5py.File], object], message: str) -> None:
    with pytest.raises(FileFaulty, match=message):
        read_sofa(open_sofa(made(change)), measurement=1, receiver=2, emitter=None)


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="reads the kernel's count of memory")
def test_a_hostile_file_takes_no_memory(tmp_path: Path) -> None:
    """A manifest that names one; before, 46 kB took 1.4 GB."""
    status = Path("/") / "proc" / "self" / "status"

    def peak_kb() -> int:
        return int(next(line for line in status.read_text().splitlines() if line.startswith("VmHWM")).split()[1])

    (tmp_path / "a.sofa").write_bytes(made(replaced("Data.IR", shape=(1, 64, 2**21), dtype="f8", chunks=(1, 1, 4096))))
    path = tmp_path / "set.toml"
    path.write_text(manifest_text(files={("left", "front 1"): "a.sofa"}, subs={"left": SUBS["left"]}))
    project, before = room_project(), peak_kb()
    with pytest.raises(Exception, match=r"claims over 1 GiB|MiB of data in"):
        load_manifest(path, project)
    assert peak_kb() - before < 200_000
