"""A file appears complete or not at all; every way it can fail is one clear message."""

import errno
import os
import signal
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

from roommodes.errors import FileUnusable
from roommodes.storage.whole_file import check_target, write_whole


def names(folder: Path) -> list[str]:
    return sorted(entry.name for entry in folder.iterdir())


def failing_with(number: int):
    def fail(*arguments: object, **options: object) -> None:
        raise OSError(number, os.strerror(number))

    return fail


def test_the_file_is_there_and_nothing_else(tmp_path: Path) -> None:
    write_whole(tmp_path / "plan.h5", b"all of it", force=False)
    assert (tmp_path / "plan.h5").read_bytes() == b"all of it"
    assert names(tmp_path) == ["plan.h5"]


def test_permissions_follow_the_umask_and_survive_replacement(tmp_path: Path) -> None:
    target = tmp_path / "plan.h5"
    before = os.umask(0o027)
    try:
        write_whole(target, b"1", force=False)
    finally:
        os.umask(before)
    assert target.stat().st_mode & 0o777 == 0o640
    target.chmod(0o600)
    write_whole(target, b"2", force=True)
    assert target.stat().st_mode & 0o777 == 0o600


@pytest.mark.parametrize("act", [check_target, lambda path, force: write_whole(path, b"new", force=force)])
def test_an_existing_file_is_refused(tmp_path: Path, act) -> None:
    target = tmp_path / "plan.h5"
    target.write_bytes(b"old")
    with pytest.raises(FileUnusable, match=r"plan\.h5: exists already .* --force"):
        act(target, force=False)
    assert target.read_bytes() == b"old"
    assert names(tmp_path) == ["plan.h5"]


def test_force_replaces_it_and_follows_a_link(tmp_path: Path) -> None:
    (tmp_path / "real.h5").write_bytes(b"old")
    (tmp_path / "link.h5").symlink_to("real.h5")
    write_whole(tmp_path / "link.h5", b"new", force=True)
    assert (tmp_path / "link.h5").is_symlink()
    assert (tmp_path / "real.h5").read_bytes() == b"new"


def test_a_file_that_appears_meanwhile_is_not_replaced(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    target = tmp_path / "plan.h5"
    real_fsync = os.fsync

    def fsync_while_another_program_writes(descriptor: int) -> None:
        real_fsync(descriptor)
        target.write_bytes(b"somebody else's")

    monkeypatch.setattr(os, "fsync", fsync_while_another_program_writes)
    with pytest.raises(FileUnusable, match="exists already"):
        write_whole(target, b"ours", force=False)
    assert target.read_bytes() == b"somebody else's"
    assert names(tmp_path) == ["plan.h5"]


def test_without_hard_links_it_is_moved(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "link", failing_with(errno.EPERM))
    write_whole(tmp_path / "plan.h5", b"all", force=False)
    assert (tmp_path / "plan.h5").read_bytes() == b"all"
    assert names(tmp_path) == ["plan.h5"]


@pytest.mark.parametrize("act", [check_target, lambda path, force: write_whole(path, b"new", force=force)])
@pytest.mark.parametrize("force", [False, True])
def test_places_that_cannot_be_written(tmp_path: Path, act, force: bool) -> None:
    (tmp_path / "file").write_bytes(b"")
    cases = {
        tmp_path / "missing" / "plan.h5": "the folder .*missing does not exist",
        tmp_path: "is a folder",
        tmp_path / "file" / "plan.h5": "file is not a folder|Not a directory",
        tmp_path / ("n" * 300): "name is too long",
        Path("/dev/null"): "not a regular file",
    }
    for path, message in cases.items():
        with pytest.raises(FileUnusable, match=message):
            act(path, force=force)


@pytest.mark.parametrize(
    ("number", "message"),
    [
        (errno.EROFS, "can only be read"),
        (errno.EACCES, "no permission to write"),
        (errno.ENOSPC, "disk is full"),
        (errno.EIO, os.strerror(errno.EIO)),
    ],
)
@pytest.mark.parametrize("act", [check_target, lambda path, force: write_whole(path, b"new", force=force)])
def test_a_folder_that_refuses(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, act, number: int, message: str) -> None:
    monkeypatch.setattr(os, "open", failing_with(number))
    with pytest.raises(FileUnusable, match=message):
        act(tmp_path / "plan.h5", force=False)


def test_a_disk_that_fills_up_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    target = tmp_path / "plan.h5"
    target.write_bytes(b"old")
    monkeypatch.setattr(os, "fsync", failing_with(errno.ENOSPC))
    with pytest.raises(FileUnusable, match="disk is full; nothing was written"):
        write_whole(target, b"new", force=True)
    assert target.read_bytes() == b"old"
    assert names(tmp_path) == ["plan.h5"]


def test_a_really_full_disk(tmp_path: Path) -> None:
    if subprocess.run(["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", tmp_path], check=False).returncode:
        pytest.skip("a small file system can only be mounted with the right to do so")
    try:
        with pytest.raises(FileUnusable, match="disk is full; nothing was written"):
            write_whole(tmp_path / "plan.h5", bytes(200_000), force=False)
        assert names(tmp_path) == []
        with pytest.raises(FileUnusable, match=r"about 0\.2 MB will be needed, but only 0\.1 MB are free"):
            check_target(tmp_path / "plan.h5", force=False, needed_bytes=200_000)
    finally:
        subprocess.run(["umount", tmp_path], check=True)


def test_a_check_leaves_no_trace(tmp_path: Path) -> None:
    check_target(tmp_path / "plan.h5", force=False, needed_bytes=1000)
    assert names(tmp_path) == []


def test_a_killed_process_leaves_no_file_under_the_name(tmp_path: Path) -> None:
    """SIGKILL when all bytes are written and not yet forced to the disk."""
    program = textwrap.dedent("""
        import os, sys, time
        from pathlib import Path
        from roommodes.storage.whole_file import write_whole
        def wait(descriptor):
            print("writing", flush=True)
            time.sleep(60)
        os.fsync = wait
        write_whole(Path(sys.argv[1]), bytes(1000), force=True)
    """)
    target = tmp_path / "plan.h5"
    for before in (None, b"old"):
        if before is not None:
            target.write_bytes(before)
        with subprocess.Popen([sys.executable, "-c", program, target], stdout=subprocess.PIPE) as process:
            assert process.stdout is not None
            assert process.stdout.readline() == b"writing\n"
            process.send_signal(signal.SIGKILL)
        assert process.returncode == -signal.SIGKILL
        assert (target.read_bytes() if target.exists() else None) == before
