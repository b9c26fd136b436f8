"""A manifest made for a project: it reads back, and its pattern stands for every sub at every seat."""

from pathlib import Path

import numpy as np
import pytest

from roommodes.errors import ProjectInvalid
from roommodes.measured.loading import load_manifest
from roommodes.measured.manifest import parse_manifest
from roommodes.measured.pattern import manifest_for, with_pattern
from roommodes.project.reading import parse_project
from tests.cli.conftest import SMALL


def test_it_reads_back_and_names_every_sub_at_every_seat() -> None:
    project = parse_project(SMALL, source="room.toml")
    tables, _ = parse_manifest(manifest_for(project), source="m.toml")
    whole = with_pattern(tables, project)
    assert len(whole.responses) == len(tables.subs) * len(project.seats.name)
    assert {(one.sub, one.seat) for one in whole.responses} == {
        (sub.name, seat) for sub in tables.subs for seat in project.seats.name
    }
    assert whole.responses[0].file == f"{tables.subs[0].name}-{project.seats.name[0]}.txt"


def test_mains_that_are_to_be_measured_have_their_turn() -> None:
    mains = '[mains]\nmeasured = ["main left", "main right"]\n'
    text = manifest_for(parse_project(SMALL + mains, source="room.toml"))
    tables, _ = parse_manifest(text, source="m.toml")
    assert [sub.name for sub in tables.subs][-2:] == ["main left", "main right"]
    alone = [line for line in text.splitlines() if "main left alone; the other mains muted; subs muted" in line]
    assert len(alone) == 1
    placed = mains + "positions_m = [[0.3, 0.5, 1.0], [0.3, 2.5, 1.0]]\n"
    tables, _ = parse_manifest(manifest_for(parse_project(SMALL + placed, source="room.toml")), source="m.toml")
    assert tables.subs[-1].position_m == (0.3, 2.5, 1.0)


def test_files_named_by_the_pattern_are_read_and_a_missing_one_is_named(tmp_path: Path) -> None:
    project = parse_project(SMALL, source="room.toml")
    (tmp_path / "m.toml").write_text(manifest_for(project, pattern="{seat} of {sub}.txt"))
    tables, _ = parse_manifest((tmp_path / "m.toml").read_text(), source="m.toml")
    hz = np.arange(10.0, 200.0, 1.0)
    value = {}
    for number, one in enumerate(with_pattern(tables, project).responses):
        sub = next(table for table in tables.subs if table.name == one.sub)
        seat = project.seats.position_m[project.seats.name.index(one.seat)]
        away = float(np.linalg.norm(seat - np.array(sub.position_m)))
        level = -20.0 * np.log10(away) + 2.0 * np.sin(hz / 9.0 + number)
        phase = np.degrees(np.angle(np.exp(-2j * np.pi * hz * away / 343.0)))
        value[one.sub, one.seat] = 10 ** (level / 20) * np.exp(1j * np.radians(phase))
        rows = (f"{f:g} {a:.6f} {p:.6f}" for f, a, p in zip(hz, level, phase, strict=True))
        (tmp_path / one.file).write_text("\n".join(rows))
    text = (
        (tmp_path / "m.toml")
        .read_text()
        .replace("[reference]", "[reference]\ncommon_polarity = false\ncommon_time = false")
    )
    (tmp_path / "m.toml").write_text(text)
    found = load_manifest(tmp_path / "m.toml", project)
    for (sub, seat), want in value.items():
        got = found.transfer[:, found.seats.name.index(seat), found.subs.name.index(sub)]
        at = np.interp(found.frequency_hz, hz, np.abs(want))
        np.testing.assert_allclose(np.abs(got), at, rtol=0.02)
    gone = with_pattern(tables, project).responses[-1].file
    (tmp_path / gone).unlink()
    with pytest.raises(ProjectInvalid) as caught:
        load_manifest(tmp_path / "m.toml", project)
    assert gone in "\n".join(caught.value.lines())


def test_a_pattern_needs_both_names() -> None:
    text = manifest_for(parse_project(SMALL, source="room.toml")).replace("{sub}-{seat}", "{sub}")
    with pytest.raises(ProjectInvalid, match=r"file_pattern: .*both"):
        parse_manifest(text, source="m.toml")
