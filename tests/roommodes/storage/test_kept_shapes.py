"""Rooms that are no boxes kept between runs: solved once for each shape, and the same to the last bit when read."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from roommodes.acoustics.built_modes import BuiltMode
from roommodes.elements import solution
from roommodes.project.project import Project
from roommodes.project.reading import parse_project
from roommodes.running import Running
from roommodes.storage.kept import Kept
from solvers.project_transfer import project_transfer
from tests.rooms import SMALL

HZ = np.array([35.0, 52.0])
ROOF = """\
[[slopes]]
name = "roof"
along = "y"
from_m = [2.0, 2.4]
to_m = [3.2, 1.4]
"""
TEXT = SMALL + ROOF


@pytest.fixture
def kept(tmp_path: Path) -> Kept:
    return Kept(folder=tmp_path / "kept", software=lambda: "this", least_s=0.0)


@pytest.fixture
def solves(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """The wavenumbers for which a rigid room was solved."""
    done: list[float] = []
    plain = solution.lowest_modes

    def counted(*given: Any) -> Any:
        done.append(given[3])
        return plain(*given)

    monkeypatch.setattr(solution, "lowest_modes", counted)
    return done


def attic(text: str = TEXT) -> Project:
    return parse_project(text, source="attic.toml")


def anew(kept: Kept | None) -> Running:
    """As a new process would begin, with nothing remembered."""
    solution._remembered.cache_clear()
    return Running(kept=kept)


def modes(project: Project, kept: Kept | None) -> tuple[BuiltMode, ...]:
    return project.modes(max_hz=60.0, running=anew(kept))


def bits(found: tuple[BuiltMode, ...]) -> list[bytes]:
    points = np.array([[2.0, 1.5, 1.1], [0.0, 0.0, 0.0], [3.1, 2.9, 1.3]])
    return [part.tobytes() for one in found for part in (one.pressure(points), one.rigid_pressure(points))]


def shapes(kept: Kept) -> list[Path]:
    return sorted(kept.folder.glob("shape-*"))


def test_modes_that_are_kept_need_no_solution(kept: Kept, solves: list[float]) -> None:
    plain, first = modes(attic(), None), modes(attic(), kept)
    assert len(plain) > 1
    assert any(one.looks_like for one in plain)
    assert len(solves) == 2
    again = modes(attic(), kept)
    assert len(solves) == 2
    assert plain == first == again
    assert bits(plain) == bits(first) == bits(again)


def test_one_solution_serves_other_walls_and_places(kept: Kept, solves: list[float]) -> None:
    project = attic()
    ears, subs = project.seats.position_m, np.array([[0.3, 0.4, 0.3]])
    project_transfer(project, frequency_hz=HZ, seat_m=ears, source_m=subs, running=anew(kept))
    other = attic(TEXT.replace('rear = "brick"', 'rear = "curtain"'))
    assert len(other.surfaces()) == len(project.surfaces())
    found, fresh = (
        project_transfer(other, frequency_hz=HZ, seat_m=ears[:2], source_m=subs, running=anew(one))
        for one in (kept, None)
    )
    assert len(solves) == 2  # the first, and the one without what is kept
    assert found.tobytes() == fresh.tobytes()


def test_another_shape_is_solved_anew(kept: Kept, solves: list[float]) -> None:
    drawn, lower = attic(), attic(TEXT.replace("to_m = [3.2, 1.4]", "to_m = [3.2, 1.39]"))
    before, after = modes(drawn, kept), modes(lower, kept)
    assert len(solves) == len(shapes(kept)) == 2
    assert bits(after) == bits(modes(lower, None))
    assert after[1].frequency_hz != before[1].frequency_hz


def test_what_is_damaged_is_solved_again(kept: Kept, solves: list[float]) -> None:
    whole = modes(attic(), kept)
    (path,) = shapes(kept)
    image = path.read_bytes()
    for count, wrong in enumerate([b"", image[:-1], image[:900] + bytes([image[900] ^ 1]) + image[901:]], start=2):
        path.write_bytes(wrong)
        assert bits(modes(attic(), kept)) == bits(whole)
        assert len(solves) == count
        assert path.read_bytes() == image
