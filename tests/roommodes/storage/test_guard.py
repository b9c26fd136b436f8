"""HDF5 of unknown origin: sealed against damage, read within limits, and nothing is followed out of it."""

import os
import signal
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import h5py
import numpy as np
import pytest

from roommodes.errors import FileUnusable
from roommodes.storage import guard
from roommodes.storage.guard import read_guarded, read_guarded_bytes
from roommodes.storage.limited import Failed, Limits, try_first
from roommodes.storage.ordinary_file import Unreadable, ordinary_bytes, starts_with
from roommodes.storage.seal import LENGTH, is_sealed, seal_state, sealed

TIGHT = Limits(cpu_s=1, wait_s=20.0, memory_bytes=2**29)
linux_only = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="limits are held on Linux")


def image(build: Callable[[h5py.File], object]) -> bytes:
    """A small HDF5 file's bytes."""
    with h5py.File("image", "w", driver="core", backing_store=False, libver=("v110", "v110")) as file:
        build(file)
        file.flush()
        return bytes(file.id.get_file_image())


def texts(file: h5py.File) -> None:
    file.create_dataset("t", data=np.array(["abc", "def"], dtype=object), dtype=h5py.string_dtype())


def read_texts(file: h5py.File) -> list[str]:
    return [str(text) for text in file["t"].asstr()[()]]


# -- the seal ---------------------------------------------------------------------------------------------------------


def test_a_seal_holds_every_bit() -> None:
    """Each single bit of a small file, those of the seal itself included."""
    data = sealed(image(texts))
    assert seal_state(data) == "whole"
    for place in range(len(data)):
        for bit in (1, 1 << place % 8):
            broken = bytearray(data)
            broken[place] ^= bit
            assert seal_state(bytes(broken)) == "broken", place


def test_a_file_without_a_seal_is_read_and_can_be_told(tmp_path: Path) -> None:
    path = tmp_path / "file.h5"
    path.write_bytes(image(texts))
    assert read_guarded(path, read_texts) == ["abc", "def"]
    assert not is_sealed(path)
    path.write_bytes(sealed(image(texts)))
    assert read_guarded(path, read_texts) == ["abc", "def"]
    assert is_sealed(path)
    with h5py.File(path, "r+") as file:
        file["more"] = 1
    assert not is_sealed(path), "the library takes the seal away when it changes a file"
    assert read_guarded(path, read_texts) == ["abc", "def"]


def test_a_file_that_was_cut_anywhere() -> None:
    """Cut where the seal began, it is whole but for the seal."""
    whole = sealed(image(texts))
    for end in range(len(whole) - 3 * LENGTH, len(whole)):
        if end == len(whole) - LENGTH:
            assert seal_state(whole[:end]) == "none"
            continue
        with pytest.raises(FileUnusable, match=r"file: (is damaged|cannot be read as an HDF5 file)"):
            read_guarded_bytes(whole[:end], read_texts, name="file")


# -- limits -----------------------------------------------------------------------------------------------------------


def heap_loop(data: bytes) -> bytes:
    """A global heap whose second object is as long as makes the library's place in it stand still."""
    place = data.index(b"GCOL") + 16
    return data[: place + 8] + struct.pack("<Q", 2**64 - 16) + data[place + 16 :]


def one_heap_object_for_all(data: bytes) -> bytes:
    """Every text of /t refers to the first, the longest."""
    with h5py.File("in memory", "w", driver="core", backing_store=False):
        pass
    with h5py.File.in_memory(data) as file:
        start, count = file["t"].id.get_offset(), file["t"].shape[0]
    return data[:start] + data[start : start + 16] * count + data[start + 16 * count :]


@linux_only
@pytest.mark.parametrize("seal", [sealed, bytes], ids=["sealed", "not sealed"])
def test_a_heap_that_leads_round_in_a_circle(monkeypatch: pytest.MonkeyPatch, seal: Callable[[bytes], bytes]) -> None:
    """A seal protects from damage, not from somebody who makes one: both are read in a child first."""
    monkeypatch.setattr(guard, "LIMITS", TIGHT)
    with pytest.raises(FileUnusable, match="file: reading it takes over 1 s; it is not read"):
        read_guarded_bytes(seal(heap_loop(image(texts))), read_texts, name="file")


@linux_only
def test_texts_that_share_one_large_object(monkeypatch: pytest.MonkeyPatch) -> None:
    """4,000 times 1 MB out of 1 MB; memory is what ends it, however slowly a busy machine gives it."""
    monkeypatch.setattr(guard, "LIMITS", replace(TIGHT, cpu_s=20))
    many = np.array(["x" * 1_000_000] + ["y"] * 4000, dtype=object)
    data = image(lambda file: file.create_dataset("t", data=many, dtype=h5py.string_dtype()))
    with pytest.raises(FileUnusable, match="memory"):
        read_guarded_bytes(sealed(one_heap_object_for_all(data)), read_texts, name="file")


def test_data_that_unpack_to_far_more_than_the_file() -> None:
    data = image(lambda file: file.create_dataset("t", data=np.zeros(2**24), compression=9))
    assert len(data) < 2**20
    with pytest.raises(FileUnusable, match=r"claims 128 MiB of data in 0\.2 MiB"):
        read_guarded_bytes(data, read_texts, name="file")


def loop() -> None:
    while True:
        pass


@linux_only
@pytest.mark.parametrize(
    ("work", "message"),
    [
        (loop, "reading it takes over 1 s"),
        (lambda: bytearray(2**30), "reading it takes over 0.5 GiB of memory"),
        (os.abort, "crashes the library"),
        (lambda: os.kill(os.getpid(), signal.SIGSEGV), "crashes the library"),
    ],
    ids=["loop", "memory", "abort", "crash"],
)
def test_work_beyond_its_limits(work: Callable[[], object], message: str) -> None:
    with pytest.raises(Failed, match=message):
        try_first(work, TIGHT, told=FileUnusable)


@linux_only
def test_work_that_ends_by_itself() -> None:
    def unusable() -> None:
        raise FileUnusable("file: is of another kind")

    assert try_first(list, TIGHT, told=FileUnusable)
    assert not try_first(lambda: 1 / 0, TIGHT, told=FileUnusable), "the parent meets that itself"
    with pytest.raises(FileUnusable, match="file: is of another kind"):
        try_first(unusable, TIGHT, told=FileUnusable)


@linux_only
def test_a_child_beside_threads_that_are_at_work() -> None:
    """Reading in one thread while others read and compute."""
    data, stop, counted = sealed(image(texts)), threading.Event(), []

    def busy() -> None:
        while not stop.is_set():
            counted.append(float((np.ones((80, 80)) @ np.ones((80, 80))).sum()))
            with h5py.File.in_memory(data) as file:
                read_texts(file)

    threads = [threading.Thread(target=busy) for _ in range(3)]
    for thread in threads:
        thread.start()
    try:
        for _ in range(40):
            assert read_guarded_bytes(data, read_texts, name="file") == ["abc", "def"]
    finally:
        stop.set()
        for thread in threads:
            thread.join()
    assert counted


@linux_only
def test_an_interrupt_while_a_child_reads_ends_both() -> None:
    program = (
        "import sys\nfrom roommodes.storage.limited import Limits, try_first\n"
        "def loop():\n    print('at work', flush=True)\n    while True: pass\n"
        "try_first(loop, Limits(cpu_s=30), told=OSError)\n"
    )
    command = [sys.executable, "-c", program]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "at work\n"
        process.send_signal(signal.SIGINT)
        began = time.monotonic()
        process.communicate(timeout=20)  # the child holds the pipe open as long as it lives
        assert time.monotonic() - began < 10
    assert process.returncode in (130, -signal.SIGINT)


# -- what is no ordinary file -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["pipe", "/dev/zero", "/dev/tty", "/proc/kmsg", "/proc/self/pagemap"])
def test_what_is_no_ordinary_file_is_neither_opened_nor_waited_for(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    if name == "pipe":
        os.mkfifo(path)
    elif not path.exists():
        pytest.skip(f"there is no {name} here")
    for read in (lambda: read_guarded(path, read_texts), lambda: ordinary_bytes(path, most_bytes=1000)):
        with pytest.raises((FileUnusable, Unreadable)) as caught:
            read()
        assert (
            "not an ordinary file" in str(caught.value)
            or "empty" in str(caught.value)
            or "special" in str(caught.value)
        )
    assert not starts_with(path, b"\x89HDF")


def test_a_large_file_is_not_read(tmp_path: Path) -> None:
    path = tmp_path / "large"
    with path.open("wb") as stream:
        stream.truncate(2**31)
    with pytest.raises(FileUnusable, match="large: has 2,048 MiB; files of ours have up to 1,024 MiB"):
        read_guarded(path, read_texts)
