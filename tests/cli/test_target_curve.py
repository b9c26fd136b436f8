"""Targets as points or as tables, for filters and for the sum with the mains."""

from pathlib import Path

import numpy as np
import pytest
import typer

from cli.terminal.target_curve import target_curve
from roommodes.acoustics.curve import Curve
from roommodes.errors import FileUnusable
from roommodes.filters.crossovers import Crossover
from solvers.crossover.alignment import Parts, matched_gain_db


def test_a_table_is_the_same_target_as_its_points(tmp_path: Path) -> None:
    """Levels in dB SPL, a comma for the decimal sign, a head: only differences count."""
    table = tmp_path / "house.txt"
    table.write_text("* target\nHz\tdB\n20\t84,0\n60\t82,0\n120\t80,0\n")
    hz = np.geomspace(15.0, 200.0, 40)
    of_file, of_words = target_curve(str(table)).at(hz), target_curve("120:0,20:4,60:2").at(hz)
    np.testing.assert_allclose(of_file - of_file[-1], of_words - of_words[-1], atol=1e-9)
    assert np.ptp(target_curve(None).at(hz)) == 0.0


@pytest.mark.parametrize("text", ["20:4,20:3", "20:400", "0:1", "20:", "a:b", "low"])
def test_points_that_are_none(text: str) -> None:
    with pytest.raises(typer.BadParameter, match="the name of a table"):
        target_curve(text)


@pytest.mark.parametrize(
    ("content", "words"), [(None, "house.txt"), ("nothing here\n", "house.txt"), ("20 0\n100 90\n", "a target curve")]
)
def test_files_that_are_none(tmp_path: Path, content: str | None, words: str) -> None:
    table = tmp_path / "house.txt"
    if content is not None:
        table.write_text(content)
    with pytest.raises(FileUnusable, match=words):
        target_curve(str(table))


def test_subs_and_mains_are_matched_over_the_target() -> None:
    """Both equally loud and flat: a target 5 dB higher below the crossover asks for 5 dB more of the subs."""
    hz = np.geomspace(40.0, 160.0, 97)
    flat = np.ones((len(hz), 3), dtype=complex)
    parts = Parts(frequency_hz=hz, subs=flat, mains=0.5 * flat[:, :, None], seat_weight=np.ones(3))
    at = Crossover(frequency_hz=80.0)
    plain = matched_gain_db(parts, at)
    assert plain == pytest.approx(20 * np.log10(0.5), abs=1e-9)
    step = Curve((40.0, 79.99, 80.01, 160.0), (5.0, 5.0, 0.0, 0.0))
    assert matched_gain_db(parts, at, step) - plain == pytest.approx(5.0, abs=0.15)
    falling = Curve((40.0, 160.0), (6.0, -6.0))  # 6 dB an octave, and the octaves are one apart
    assert matched_gain_db(parts, at, falling) - plain == pytest.approx(6.0, abs=0.1)
