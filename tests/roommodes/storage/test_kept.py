"""Arrays kept between runs: the same again, another name for anything else, and nothing fails for them."""

import os
import threading
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from roommodes.acoustics.precision import Precision
from roommodes.errors import Interrupted
from roommodes.project.reading import parse_project
from roommodes.running import Running
from roommodes.storage.kept import Kept
from solvers.project_transfer import project_transfer
from tests.rooms import SMALL


class Working:
    """Works arrays out, and counts how often it was asked."""

    def __init__(self, size: int = 4) -> None:
        self.size, self.times = size, 0

    def __call__(self) -> dict[str, NDArray[Any]]:
        self.times += 1
        found = np.random.default_rng(self.size).normal(size=(2, self.size))
        return {"field": found + 1j, "settled": found > 0.0}


@pytest.fixture
def kept(tmp_path: Path) -> Kept:
    return Kept(folder=tmp_path / "kept", software=lambda: "this", least_s=0.0)


def files(kept: Kept) -> list[Path]:
    return sorted(kept.folder.iterdir())


def test_the_second_time_it_is_read(kept: Kept) -> None:
    working = Working()
    first = kept.arrays("field", ("a", 1.5), working)
    second = kept.arrays("field", ("a", 1.5), working)
    assert working.times == 1
    assert set(first) == set(second)
    for name, array in first.items():
        assert array.dtype == second[name].dtype
        assert array.tobytes() == second[name].tobytes()


def test_what_is_quick_is_kept_where_that_is_asked(kept: Kept) -> None:
    """What is quick is else not worth a file; what it must load first may take longer than a file."""
    working, choosy = Working(), replace(kept, least_s=60.0)
    for always, times in ((False, 2), (True, 3)):
        first, second = (choosy.arrays("cuts", ("a",), working, always=always) for _ in range(2))
        assert working.times == times
        assert first["field"].tobytes() == second["field"].tobytes()


def test_whatever_it_depends_on_gives_another_name(kept: Kept) -> None:
    project = parse_project(SMALL, source="small.toml")
    room, surfaces, hz = project.room, tuple(project.surfaces()), np.array([40.0, 50.0])
    asked = [
        (room, surfaces, hz, None),
        (replace(room, length_m=float(np.nextafter(room.length_m, 9.0))), surfaces, hz, None),
        (replace(room, air=replace(room.air, temperature_c=room.air.temperature_c + 1.0)), surfaces, hz, None),
        (room, surfaces[::-1] if len(surfaces) > 1 else (), hz, None),
        (room, surfaces, np.nextafter(hz, 99.0), None),
        (room, surfaces, hz.reshape(2, 1), None),
        (room, surfaces, hz.astype(np.float32), None),
        (room, surfaces, hz, Precision()),
        (room, surfaces, hz, replace(Precision(), extra_order=9)),
        (room, surfaces, hz, "None"),
        (room, (surfaces, hz), None),
    ]
    working = Working()
    for one in asked:
        kept.arrays("field", one, working)
    kept.arrays("modes", asked[0], working)
    replace(kept, software=lambda: "other").arrays("field", asked[0], working)
    assert working.times == len(files(kept)) == len(asked) + 2
    kept.arrays("field", asked[0], working)
    assert working.times == len(asked) + 2


def test_what_is_damaged_is_made_again(kept: Kept) -> None:
    working = Working()
    whole = kept.arrays("field", ("a",), working)
    (path,) = files(kept)
    image = path.read_bytes()
    damaged = [image[:k] for k in (0, 1, len(image) // 2, len(image) - 1)]
    damaged += [image[:k] + bytes([image[k] ^ 1]) + image[k + 1 :] for k in range(0, len(image), 7)]
    for count, wrong in enumerate([*damaged, image + b"0"], start=2):
        path.write_bytes(wrong)
        again = kept.arrays("field", ("a",), working)
        assert working.times == count
        assert again["field"].tobytes() == whole["field"].tobytes()
        assert path.read_bytes() == image
    other = Working(5)
    kept.arrays("field", ("b",), other)
    (moved,) = set(files(kept)) - {path}
    moved.write_bytes(image)  # sound, but another's
    assert kept.arrays("field", ("b",), other)["field"].shape == (2, 5)
    assert other.times == 2


def test_the_folder_is_limited_and_what_was_not_used_for_longest_goes(kept: Kept) -> None:
    small = replace(kept, most_bytes=30_000)
    for number in range(4):
        small.arrays("field", (number,), Working(200))  # 7 kB
    assert len(files(small)) == 4
    for age, path in enumerate(files(small)):
        os.utime(path, (1e9 - age, 1e9 - age))
    used = Working(200)
    names = {number: small._path("field", (number,)) for number in range(4)}
    oldest = min((path for path in names.values() if path.exists()), key=lambda path: path.stat().st_mtime)
    (number,) = (number for number, path in names.items() if path == oldest)
    small.arrays("field", (number,), used)
    assert used.times == 0
    for number in range(4, 6):
        small.arrays("field", (number,), Working(200))
    assert oldest.exists()
    assert sum(path.stat().st_size for path in files(small)) <= 30_000
    before = files(small)
    small.arrays("field", ("large",), Working(400))  # more than a quarter of all
    assert files(small) == before


def test_an_unfinished_file_goes_once_it_is_old(kept: Kept) -> None:
    kept.folder.mkdir()
    (old, young) = (kept.folder / "old.part", kept.folder / "young.part")
    for path in (old, young):
        path.write_bytes(b"half")
    os.utime(old, (1e9, 1e9))
    kept.arrays("field", ("a",), Working())
    assert not old.exists()
    assert young.exists()


def test_no_folder_no_file_no_name_and_still_an_answer(kept: Kept, tmp_path: Path) -> None:
    working = Working()
    (tmp_path / "file").write_text("in the way")
    for folder in (tmp_path / "file", tmp_path / "file" / "below", Path("/proc/none")):
        assert replace(kept, folder=folder).arrays("field", ("a",), working)["field"].shape == (2, 4)
    assert kept.arrays("field", (threading.Lock(),), working)["field"].shape == (2, 4)
    assert not kept.folder.exists()
    kept.arrays("field", ("a",), working)
    (path,) = files(kept)
    path.unlink()
    os.mkfifo(path)
    assert kept.arrays("field", ("a",), working)["field"].shape == (2, 4)  # and does not wait for a writer
    assert working.times == 6


def test_what_is_interrupted_is_not_kept(kept: Kept) -> None:
    def stopped() -> dict[str, NDArray[Any]]:
        raise Interrupted("stopped")

    with pytest.raises(Interrupted):
        kept.arrays("field", ("a",), stopped)
    assert not kept.folder.exists()


def test_fields_and_modes_are_the_same_to_the_last_bit(kept: Kept) -> None:
    project = parse_project(SMALL, source="small.toml")
    hz, seat_m, source_m = np.array([40.0, 55.0]), project.seats.position_m, np.array([[0.3, 0.4, 0.3]])

    def field(running: Running) -> bytes:
        return project_transfer(project, frequency_hz=hz, seat_m=seat_m, source_m=source_m, running=running).tobytes()

    keeping = Running(kept=kept)
    assert field(Running()) == field(keeping) == field(keeping)
    modes = [project.modes(max_hz=60.0, running=running) for running in (Running(), keeping, keeping)]
    assert modes[0]
    assert modes[0] == modes[1] == modes[2]
    points = np.array([[1.0, 1.0, 1.0], [2.0, 0.4, 2.0]])
    for one, other in zip(modes[0], modes[2], strict=True):
        assert one.shape is not None
        assert other.shape is not None
        assert one.shape.at(points).tobytes() == other.shape.at(points).tobytes()
    assert sorted(path.name.split("-")[0] for path in files(kept)) == ["field", "modes"]
