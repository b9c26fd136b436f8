"""Single responses of a set with sub and microphone exchanged, in a room of image sources."""

from pathlib import Path

import numpy as np
import pytest

from roommodes.errors import ProjectInvalid
from roommodes.measured.loading import load_manifest
from roommodes.project.project import Project
from tests.conftest import Close
from tests.independent.image_impulses import image_impulse
from tests.measuring import ROOM, SEATS, SUBS, TABLE_HZ, manifest_text, room_project, table_text

RATE_HZ = 2000
SIZE_M = np.array([5.14, 3.96, 2.43])
WALLS = 0.8 * np.array([[1.0, 0.95], [1.02, 0.98], [1.0, 0.93]])
EXCHANGED = {("left", "front 2"), ("right", "front 2"), ("right", "front 3")}
CHAIN = {"left": (-6.0, 4.2, -1), "right": (2.0, 0.0, 1)}  # dB, ms, polarity, in each sub's own channel
MAIN = '[mains]\nmeasured = ["right"]\n'


def heard(source: np.ndarray, microphone: np.ndarray) -> np.ndarray:
    """(n_freq,) at `TABLE_HZ`."""
    found = image_impulse(SIZE_M, WALLS, source, microphone, rate_hz=RATE_HZ, duration_s=0.35)
    return np.exp(-2j * np.pi * np.outer(TABLE_HZ, np.arange(len(found)) / RATE_HZ)) @ found


@pytest.fixture(scope="module")
def project() -> Project:
    return room_project()


@pytest.fixture(scope="module")
def folder(project: Project, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """`usual.toml` has every microphone at its seat; for `mixed.toml` three of six went the other way round."""
    path = tmp_path_factory.mktemp("mixed")
    for way in ("usual", "mixed"):
        files = {}
        for name, place in SUBS.items():
            gain_db, delay_ms, polarity = CHAIN[name]
            chain = polarity * 10.0 ** (gain_db / 20.0) * np.exp(-2e-3j * np.pi * TABLE_HZ * delay_ms)
            for seat, ears in zip(SEATS, project.seats.position_m, strict=True):
                turned = way == "mixed" and (name, seat) in EXCHANGED
                ends = (ears, np.array(place)) if turned else (np.array(place), ears)
                files[name, seat] = f"{way} {name}-{seat}.txt"
                (path / files[name, seat]).write_text(
                    table_text(TABLE_HZ, chain * heard(*ends[:: -1 if turned else 1]))
                )
        text = manifest_text(files=files, subs=SUBS)
        for name, (gain_db, delay_ms, polarity) in CHAIN.items():
            told = f"gain_db = {gain_db}\ndelay_ms = {delay_ms}\npolarity = {polarity}\n"
            text = text.replace(f'[[subs]]\nname = "{name}"\n', f'[[subs]]\nname = "{name}"\n{told}')
        for name, seat in EXCHANGED if way == "mixed" else ():
            file = f'file = "{way} {name}-{seat}.txt"\n'
            text = text.replace(file, f"exchanged = true\n{file}")
        (path / f"{way}.toml").write_text(text)
    return path


def test_a_mixed_set_is_the_usual_one(folder: Path, project: Project, close: Close) -> None:
    usual, mixed = (load_manifest(folder / f"{way}.toml", project) for way in ("usual", "mixed"))
    assert mixed.seats.name == usual.seats.name
    assert mixed.subs.name == usual.subs.name
    assert not mixed.subs.exchanged
    close(mixed.transfer, usual.transfer, 1e-6, scale=float(np.abs(usual.transfer).max()))
    told = "Of 3 of 6 responses the sub stood at the seat and the microphone at the sub's place"
    assert any(note.startswith(told) for note in mixed.notes)
    assert not any("reciprocity" in note for note in usual.notes)


def test_one_response_of_an_exchanged_set_the_usual_way_round(
    folder: Path, project: Project, tmp_path: Path, close: Close
) -> None:
    """The same sub went to one of the places, the microphone to the seat."""
    text = 'format = 1\nname = "round"\nexchanged = true\n'
    text += "".join(f'[[subs]]\nname = "{seat}"\n' for seat in SEATS)
    for name, place in SUBS.items():
        text += f'[[places]]\nname = "{name}"\nposition_m = {list(place)}\n'
        for seat, ears in zip(SEATS, project.seats.position_m, strict=True):
            usual = (name, seat) == ("left", "front 1")
            ends = (np.array(place), ears) if usual else (ears, np.array(place))
            (tmp_path / f"{name}-{seat}.txt").write_text(table_text(TABLE_HZ, heard(*ends)))
            text += f'[[responses]]\nsub = "{seat}"\nplace = "{name}"\nfile = "{name}-{seat}.txt"\n'
            text += "exchanged = false\n" if usual else ""
    (tmp_path / "set.toml").write_text(text)
    found = load_manifest(tmp_path / "set.toml", project)
    want = load_manifest(folder / "usual.toml", project)
    assert found.subs.exchanged
    close(found.transfer, want.transfer, 1e-6, scale=float(np.abs(want.transfer).max()))
    told = "Of 1 of 6 responses the sub stood at the place and the microphone at the seat"
    assert any(note.startswith(told) for note in found.notes)


@pytest.mark.parametrize(
    ("room", "old", "new", "said"),
    [
        (ROOM + MAIN, "", "", "main loudspeaker right radiates to its front"),
        (ROOM, 'name = "right"\n', 'name = "right"\ntogether = true\n', "right is all subs at once"),
    ],
)
def test_what_cannot_be_exchanged_is_told(folder: Path, room: str, old: str, new: str, said: str) -> None:
    path = folder / "wrong.toml"
    path.write_text((folder / "mixed.toml").read_text().replace(old, new, 1))
    with pytest.raises(ProjectInvalid, match=said) as caught:
        load_manifest(path, room_project(room))
    assert sum(said in str(fault) for fault in caught.value.faults) == 2
    assert all(fault.line for fault in caught.value.faults)
