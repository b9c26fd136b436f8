"""A manifest reads nothing outside its own folder unless the person who runs it says so."""

from collections.abc import Callable
from pathlib import Path

import pytest

from roommodes.errors import ProjectInvalid
from roommodes.measured import loading
from roommodes.measured.loading import load_manifest
from roommodes.project.project import Project
from tests.measuring import SUBS, TABLE_HZ, modelled, room_project, write_set


@pytest.fixture(scope="module")
def project() -> Project:
    return room_project()


@pytest.fixture
def manifest(tmp_path: Path, project: Project) -> Path:
    """A sound set in a folder of its own; left-2.txt lies in the folder above."""
    (tmp_path / "set").mkdir()
    path = write_set(tmp_path / "set", modelled(project, TABLE_HZ, SUBS))
    (tmp_path / "set" / "left-2.txt").rename(tmp_path / "left-2.txt")
    (tmp_path / "microphone.txt").write_text("".join(f"{hz} 0\n" for hz in range(10, 210, 10)))
    return path


def above(path: Path) -> str:
    return "../left-2.txt"


def absolute(path: Path) -> str:
    return (path.parent.parent / "left-2.txt").as_posix()


def linked(path: Path) -> str:
    (path.parent / "link.txt").symlink_to(path.parent.parent / "left-2.txt")
    return "link.txt"


def linked_folder(path: Path) -> str:
    (path.parent / "link").symlink_to(path.parent.parent, target_is_directory=True)
    return "link/left-2.txt"


def faults(path: Path, project: Project, monkeypatch: pytest.MonkeyPatch) -> str:
    """What is told; nothing outside the folder may be opened."""
    read = loading.read_bytes

    def watched(file: Path) -> bytes:
        assert file.resolve().is_relative_to(path.parent.resolve()), file
        return read(file)

    monkeypatch.setattr(loading, "read_bytes", watched)
    with pytest.raises(ProjectInvalid) as caught:
        load_manifest(path, project)
    return "\n".join(caught.value.lines())


@pytest.mark.parametrize("name", [above, absolute, linked, linked_folder])
def test_a_file_elsewhere_is_a_fault_with_its_place_and_not_opened(
    manifest: Path, project: Project, monkeypatch: pytest.MonkeyPatch, name: Callable[[Path], str]
) -> None:
    named = name(manifest)
    text = manifest.read_text().replace("left-2.txt", named)
    manifest.write_text(text)
    line = next(number for number, row in enumerate(text.splitlines(), start=1) if named in row)
    assert load_manifest(manifest, project, any_folder=True).transfer.size  # told so: read
    told = faults(manifest, project, monkeypatch)
    assert f"set.toml:{line} responses[" in told
    assert f'].file: got "{named[:12]}' in told
    assert "; allowed: files in the manifest's folder or below it" in told
    assert told.count("allowed") == 1


def test_the_calibration_too(manifest: Path, project: Project, monkeypatch: pytest.MonkeyPatch) -> None:
    (manifest.parent.parent / "left-2.txt").rename(manifest.parent / "left-2.txt")
    text = manifest.read_text().replace("[[subs]]", '[microphone]\ncalibration = "../microphone.txt"\n[[subs]]', 1)
    manifest.write_text(text)
    assert load_manifest(manifest, project, any_folder=True).transfer.size
    assert 'microphone.calibration: got "../microphone.txt"; allowed:' in faults(manifest, project, monkeypatch)


def test_a_pattern_is_told_once(manifest: Path, project: Project, monkeypatch: pytest.MonkeyPatch) -> None:
    text = manifest.read_text()
    head = text[: text.index("[[responses]]")].replace("[[subs]]", 'file_pattern = "../{sub}-{seat}.txt"\n[[subs]]', 1)
    manifest.write_text(head)
    told = faults(manifest, project, monkeypatch)
    assert told.count("file_pattern: got ") == 1
    assert " more; allowed: files in" in told


def test_folders_below_and_links_within_are_its_own(manifest: Path, project: Project) -> None:
    folder = manifest.parent
    (folder / "day 1").mkdir()
    (folder.parent / "left-2.txt").rename(folder / "day 1" / "left-2.txt")
    (folder / "link.txt").symlink_to(folder / "day 1" / "left-2.txt")
    text = manifest.read_text()
    for name in ("day 1/left-2.txt", "day 1/../day 1/left-2.txt", "link.txt"):
        manifest.write_text(text.replace("left-2.txt", name))
        assert load_manifest(manifest, project).transfer.size
