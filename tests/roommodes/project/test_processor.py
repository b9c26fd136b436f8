"""The [processor] table: what it allows with [search] together, and what is wrong with it."""

import numpy as np
import pytest

from roommodes.errors import ProjectInvalid
from roommodes.filters.processor import Steps
from roommodes.filters.sections import Section
from roommodes.project.reading import parse_project
from tests.cli.conftest import SMALL


def lines(table: str, *, search: str = "") -> list[str]:
    text = SMALL.replace("[search]", f"[search]\n{search}") + table
    with pytest.raises(ProjectInvalid) as caught:
        parse_project(text, source="room.toml")
    return caught.value.lines()


def test_ranges_are_what_both_allow_and_ends_lie_on_steps() -> None:
    text = SMALL + "\n[processor]\ngain_db = [-7.3, 6]\ngain_step_db = 0.5\ndelay_ms = [0, 9.97]\ndelay_step_ms = 0.1\n"
    takes = parse_project(text, source="room.toml").processor
    assert takes.gain_db == (-7.0, 0.0)
    np.testing.assert_allclose(takes.delay_s, (0.0, 9.9e-3), atol=1e-12)
    without = parse_project(SMALL, source="room.toml").processor
    assert (without.gain_step_db, without.delay_step_s, without.named) == (0.0, 0.0, False)


def test_steps_in_samples_are_at_the_processors_rate() -> None:
    text = SMALL.replace("[search]", "[search]\ndelay_step_samples = 4") + "\n[processor]\nsample_rate_hz = 96000\n"
    project = parse_project(text, source="room.toml")
    assert project.processor.delay_step_s == pytest.approx(4 / 96000)
    assert project.processor.rate_hz == 96000


def test_faults_say_what_to_change() -> None:
    found = lines("\n[processor]\ngain_db = [1, 6]\n")
    assert len(found) == 1
    assert "processor.gain_db: no value that the processor takes lies in gain_db" in found[0]
    found = lines("\n[processor]\ndelay_step_ms = 0.1\n", search="delay_step_samples = 2")
    assert "[search] has delay_step_samples = 2 as well; give one of them" in found[0]
    found = lines("\n[processor.filters]\nq = [0.41, 0.49]\nkinds = ['peaking']\n")
    assert "no step lies between 0.41 and 0.49 of q" in found[0]
    found = lines("\n[processor.filters]\nkinds = ['all-pass']\n")
    assert 'kinds has no "peaking"' in found[0]


def test_parts_of_an_octave_hold_the_frequencies_of_iso_266_with_base_two() -> None:
    """ISO 266:1997 has 1 kHz as its reference; a third of an octave of base two below it is 793.7 Hz (arithmetic)."""
    third = Steps(low=20.0, high=20000.0, step=1.0 / 3.0, octaves=True)
    assert third.nearest(800.0) == pytest.approx(793.7005, abs=1e-4)
    assert third.beside(1000.0, 1) == pytest.approx(1259.921, abs=1e-3)
    assert third.beside(third.nearest(20000.0), 1) is None


def test_beside_moves_one_control_by_one_step() -> None:
    text = (
        SMALL
        + "\n[processor.filters]\nfrequency_hz = [20, 60]\nfrequency_step_hz = 1\nq_step = 0.5\ngain_step_db = 1\n"
    )
    controls = parse_project(text, source="room.toml").processor.filters
    one = controls.dialled(Section(kind="peaking", frequency_hz=61.3, q=1.3, gain_db=-2.6))
    assert one == Section(kind="peaking", frequency_hz=60.0, q=1.5, gain_db=-3.0)
    moved = controls.beside(one)
    assert {(a.frequency_hz, a.q, a.gain_db) for a in moved} == {
        (59.0, 1.5, -3.0),
        (60.0, 1.0, -3.0),
        (60.0, 2.0, -3.0),
        (60.0, 1.5, -4.0),
        (60.0, 1.5, -2.0),
    }
